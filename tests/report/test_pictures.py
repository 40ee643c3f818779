"""Pictures from plain arrays: what is drawn where, and that the reading says what was put in."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest
from builders import make_speed

from vibecheck.report.order_pictures import (
    envelope_orders,
    order_spectrum,
    order_speed_map,
    order_words,
)
from vibecheck.report.pictures import Picture, log_rows, spectrogram
from vibecheck.report.svg import CHARACTER, WIDTH

ORDERS = [("wheel", 0.1983), ("spur", 0.5652), ("motor", 1.0), ("mesh", 26.0)]


def texts(picture: Picture) -> list[ET.Element]:
    return list(ET.fromstring(picture.svg).iter("text"))


def words(picture: Picture) -> set[str]:
    return {element.text or "" for element in texts(picture)}


def test_log_rows_show_the_loudest_bin_of_each_row():
    frequency = np.arange(0.0, 8001.0, 10.0)
    level = np.full((frequency.size, 3), -80.0)
    level[400, 1] = -3.0  # 4 kHz
    rows = log_rows(level, frequency, 20.0, 8000.0, 300)
    assert rows.shape == (300, 3)
    assert rows.max() == -3.0
    assert rows[:, 0].max() == -80.0
    edges = np.geomspace(20.0, 8000.0, 301)[::-1]
    row = int(rows[:, 1].argmax())
    assert edges[row + 1] - 10.0 <= 4000.0 <= edges[row] + 10.0


def test_log_rows_never_lose_a_peak():
    rng = np.random.default_rng(3)
    frequency = np.arange(0.0, 24000.0, 11.7)
    level = rng.normal(-60.0, 5.0, (frequency.size, 40))
    rows = log_rows(level, frequency, 30.0, float(frequency[-1]), 300)
    inside = frequency >= 40.0
    assert np.array_equal(rows.max(axis=0), level[inside].max(axis=0))


def a_spectrogram(speed: object, peak_hz: float = 1000.0) -> Picture:
    time = np.arange(0.05, 6.0, 0.02)
    frequency = np.arange(0.0, 8001.0, 10.0)
    power = np.full((time.size, frequency.size), 1e-8)
    power[:, round(peak_hz / 10)] = 1e-2
    return spectrogram(
        time,
        frequency,
        power,
        speed,  # type: ignore[arg-type]
        [("motor", 1.0), ("wheel", 0.1983), ("mesh", 26.0)],
        duration_s=6.0,
        highest_hz=8000.0,
    )


def test_spectrogram_lays_the_speed_over_the_sound():
    picture = a_spectrogram(make_speed(6.0))
    assert {"motor", "mesh", "run-up", "hold", "coast-down"} <= words(picture)
    assert {"time, s", "frequency, Hz"} <= words(picture)
    assert "up to 18 000 turns per minute" in picture.reading
    paths = list(ET.fromstring(picture.svg).iter("path"))
    assert any("stroke-dasharray" in p.attrib for p in paths)
    assert any("stroke-dasharray" not in p.attrib for p in paths)


def test_spectrogram_without_a_speed_says_so():
    picture = a_spectrogram(None)
    assert "No turning shaft was found" in picture.reading
    assert "motor" not in words(picture)


def test_the_speed_line_lies_where_its_frequency_is():
    """18 000 rpm is 300 Hz: the highest point of the motor line stands at 300 Hz of the axis."""
    picture = a_spectrogram(make_speed(6.0))
    root = ET.fromstring(picture.svg)
    line = next(p for p in root.iter("path") if p.attrib["stroke"] == "#b33c00")
    points = [tuple(map(float, p.split())) for p in re.split("[ML]", line.attrib["d"]) if p]
    top = min(y for _, y in points)
    numbers = {"20": 20.0, "50": 50.0, "100": 100.0, "1k": 1000.0, "2k": 2000.0, "5k": 5000.0}
    ticks = {
        numbers[e.text]: float(e.attrib["y"]) - 4.5
        for e in texts(picture)
        if e.text in numbers and e.attrib.get("text-anchor") == "end"
    }
    low, high = min(ticks), max(ticks)
    assert high >= 5.0 * low
    share = np.log(300.0 / low) / np.log(high / low)
    assert top == pytest.approx(ticks[low] + share * (ticks[high] - ticks[low]), abs=0.3)


def spectrum(peaks: dict[float, float], floor: float = -70.0) -> tuple[np.ndarray, np.ndarray]:
    order = np.arange(1, 64 * 32) / 32.0
    level = np.full(order.size, floor) + np.random.default_rng(0).normal(0.0, 0.5, order.size)
    for at, value in peaks.items():
        level[int(np.argmin(np.abs(order - at)))] = value
    return order, level


def test_order_spectrum_names_the_largest_rise():
    snug = spectrum({1.0: -30.0, 26.0: -30.0, 0.1983: -50.0})
    loose = spectrum({1.0: -29.0, 26.0: -31.0, 0.1983: -38.0})
    picture = order_spectrum(*loose, "dB re full scale", ORDERS, baseline=[snug])
    assert picture.question == "Which turning part is louder than when snug?"
    assert "+12 dB at order 0.188 (wheel)" in picture.reading
    assert {"wheel", "spur", "motor", "mesh"} <= words(picture)


def test_order_spectrum_takes_the_median_of_several_snug_takes():
    snug = [spectrum({1.0: level}) for level in (-50.0, -40.0, -10.0)]
    picture = order_spectrum(*spectrum({1.0: -30.0}), "dB", ORDERS, baseline=snug)
    assert "+10 dB at order 1 (motor)" in picture.reading


def test_order_spectrum_tells_of_noise_between_the_lines():
    snug, loose = spectrum({1.0: -20.0}, -70.0), spectrum({1.0: -20.0}, -62.0)
    picture = order_spectrum(*loose, "dB", ORDERS, baseline=[snug])
    assert "Between the lines it is 8 dB louder" in picture.reading
    assert "No clear line is louder than it was." in picture.reading


def test_order_spectrum_without_baseline_asks_for_one():
    picture = order_spectrum(*spectrum({26.0: -20.0}), "dB", ORDERS)
    assert "Strongest at order 26 (mesh)" in picture.reading
    assert "--baseline" in picture.reading


def test_orders_that_could_not_be_observed_are_not_drawn():
    order, level = spectrum({1.0: -20.0})
    level[order > 30.0] = np.nan
    picture = order_spectrum(order, level, "dB", [*ORDERS, ("bearing", 40.0)])
    assert "bearing" not in words(picture)
    assert "nan" not in picture.svg


def test_nothing_observed_is_said():
    order, level = spectrum({})
    picture = order_spectrum(order, np.full_like(level, np.nan), "dB", ORDERS)
    assert picture.reading == "No order could be observed in this recording."
    assert "nan" not in picture.svg
    empty = order_speed_map(
        np.arange(1.0, 9.0), np.array([1e3, 2e3]), np.full((2, 8), np.nan), ORDERS
    )
    assert empty.reading == "No order could be observed in this recording."


def test_names_never_overlap():
    many = [(f"bearing part {k}", 1.0 + 0.05 * k) for k in range(12)]
    picture = order_spectrum(*spectrum({1.0: -20.0}), "dB", many)
    spans: dict[str, list[tuple[float, float]]] = {}
    for element in texts(picture):
        if (element.text or "").startswith("bearing"):
            x, half = float(element.attrib["x"]), len(element.text or "") * CHARACTER / 2
            assert half <= x + 1e-6
            assert x <= WIDTH - half + 1e-6
            spans.setdefault(element.attrib["y"], []).append((x - half, x + half))
    assert 1 <= len(spans) <= 3
    for line in spans.values():
        line.sort()
        assert all(a[1] < b[0] for a, b in pairwise(line))


def test_map_finds_the_speed_at_which_it_is_loudest():
    order, rpm = np.arange(1, 1024) / 16.0, np.linspace(2000.0, 18000.0, 33)
    level = np.full((rpm.size, order.size), -80.0)
    level[:, 15] = -40.0
    level[16, 15] = -20.0  # order 1 at 10 000 rpm
    level[np.outer(rpm, order) / 60.0 > 8000.0] = np.nan
    picture = order_speed_map(order, rpm, level, ORDERS)
    assert "Loudest at order 1 (motor) near 10 000 turns per minute." in picture.reading


def test_envelope_tells_knocks_from_chance():
    order = np.arange(1, 16 * 32) / 32.0
    strength = 0.02 + 0.005 * np.random.default_rng(1).random(order.size)
    strength[0] = np.nan
    limit = np.full(order.size, 0.05)
    quiet = envelope_orders(order, strength, limit, ORDERS, band_hz=(2000.0, 4000.0))
    assert "No line rises over the dashed limit of chance" in quiet.reading
    strength[5] = 0.2  # order 0.1875, the bin next to the wheel's 0.1983
    knocking = envelope_orders(order, strength, limit, ORDERS, band_hz=(2000.0, 4000.0))
    assert "swells 0.188 (wheel) times per motor turn, 4 times the limit" in knocking.reading
    assert "swing of the noise, 2 000 to 4 000 Hz" in words(knocking)
    assert "what chance may show" in words(knocking)


def test_envelope_names_the_knock_and_not_its_multiples():
    order = np.arange(1, 16 * 32) / 32.0
    strength, limit = np.full(order.size, 0.02), np.full(order.size, 0.05)
    for multiple, height in ((1, 0.40), (2, 0.45), (3, 0.47), (4, 0.3)):
        strength[int(np.argmin(np.abs(order - 0.1983 * multiple)))] = height
    picture = envelope_orders(order, strength, limit, ORDERS, band_hz=(2000.0, 4000.0))
    assert "swells 0.188 (wheel) times" in picture.reading


def test_envelope_without_a_limit_still_reads():
    order = np.arange(1, 200) / 32.0
    strength = np.full(order.size, 0.01)
    strength[31] = 0.3
    picture = envelope_orders(order, strength, None, ORDERS, band_hz=(500.0, 900.0))
    assert "swells 1 (motor) times" in picture.reading
    assert "limit" not in picture.reading


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        (0.1983, "0.198 (wheel)"),
        (0.397, "0.397 (2 × wheel)"),
        (7.31, "7.31"),
        (1.02, "1.02 (motor)"),
    ],
)
def test_order_words(order, expected):
    assert order_words(order, ORDERS, 0.001) == expected
