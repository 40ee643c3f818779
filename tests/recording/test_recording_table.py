"""Tables: dialects, roles, units, clocks; what cannot be told is asked for, never assumed."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from recording_files import codes

import vibecheck as vc
from vibecheck.errors import CallError, InputError
from vibecheck.recording.column_roles import meaning_of

G = 9.80665  # standard gravity, 3rd CGPM 1901 (ISO 80000-3)
RATE = 1600


def rest_and_motion(n: int = 4000, rate: float = RATE) -> NDArray[np.float64]:
    """Three axes in g: two tones, and gravity along z."""
    t = np.arange(n) / rate
    return np.stack(
        [
            0.5 * np.sin(2 * np.pi * 0.031 * rate * t),
            0.3 * np.cos(2 * np.pi * 0.05 * rate * t),
            1 + 0.01 * np.sin(2 * np.pi * 0.2 * rate * t),
        ]
    )


def write_table(
    path: Path,
    header: str,
    columns: Sequence[Any],
    *,
    delimiter: str = ",",
    decimal: str = ".",
    digits: int = 6,
    end: str = "\n",
) -> Path:
    """Write columns of numbers or words under a header line."""
    lines = [header] if header else []
    for row in zip(*columns, strict=True):
        cells = [
            cell if isinstance(cell, str) else f"{cell:.{digits}f}".replace(".", decimal)
            for cell in row
        ]
        lines.append(delimiter.join(cells))
    path.write_text(end.join(lines) + end, encoding="utf-8", newline="")
    return path


@pytest.mark.parametrize(
    ("name", "role", "unit"),
    [
        ("Time (s)", "time", "s"),
        ("timestamp_ns", "time", "ns"),
        ("seconds_elapsed", "time", "s"),
        ("time_us", "time", "us"),
        ("elapsed (µs)", "time", "us"),
        ("t", "time", None),
        ("Zeit (ms)", "time", "ms"),
        ("datetime", "time", None),
        ("x", "x", None),
        ("ax", "x", None),
        ("acc_y", "y", None),
        ("accZ", "z", None),
        ("gFx", "x", "g"),
        ("acc_x_g", "x", "g"),
        ("ax_mg", "x", "mg"),
        ("X-Axis [g]", "x", "g"),
        ("Acceleration x (m/s^2)", "x", "m/s^2"),
        ("Linear Acceleration y (m/s²)", "y", "m/s^2"),
        ("acceleration_z_ms2", "z", "m/s^2"),
        ("accelerometerAccelerationX(G)", "x", "g"),
        ("Beschleunigung x (m/s²)", "x", "m/s^2"),
        ("vibration (g)", "signal", "g"),
        ("index", "counter", None),
        ("gx", "other", None),
        ("gyro_x", "other", None),
        ("Gyroscope x (rad/s)", "other", None),
        ("Magnetic field x (µT)", "other", None),
        ("gFTotal", "other", None),
        ("Absolute acceleration (m/s^2)", "other", "m/s^2"),
        ("temperature", "other", None),
    ],
)
def test_column_names(name: str, role: str, unit: str | None) -> None:
    meaning = meaning_of(name)
    assert (meaning.role, meaning.unit) == (role, unit)


HEADERS = {
    "plain": ("time", "x", "y", "z"),
    "short": ("t", "ax", "ay", "az"),
    "camel": ("Timestamp", "accX", "accY", "accZ"),
    "words": ("Time", "Acceleration x", "Acceleration y", "Acceleration z"),
}


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_a_table_in_any_dialect_reads_back(tmp_path: Path, data: st.DataObject) -> None:
    draw = data.draw
    rate = draw(st.sampled_from([100, 400, 1600, 3200]), label="rate")
    n = draw(st.integers(rate + 10, rate + 60), label="n")
    decimal = draw(st.sampled_from([".", ","]), label="decimal")
    delimiter = draw(st.sampled_from([";", "\t", "|", " "] + [","] * (decimal == ".")))
    time_unit = draw(st.sampled_from(["s", "ms", "us", "ns"]), label="time unit")
    unit = draw(st.sampled_from(["g", "m/s^2", "mg"]), label="unit")
    style = draw(st.sampled_from([*HEADERS, "none"]), label="header")
    unit_row = draw(st.sampled_from(["bracket", "row", "absent"]), label="where the units are")
    comment = draw(st.sampled_from(["", "# ", "% "]), label="comment")
    end = draw(st.sampled_from(["\n", "\r\n"]), label="line end")
    bom = draw(st.booleans(), label="byte order mark")
    quoted = draw(st.booleans(), label="quoted names")
    exponent = draw(st.booleans(), label="exponent")

    values = rest_and_motion(n, rate) * {"g": 1.0, "m/s^2": G, "mg": 1000.0}[unit]
    per_second = {"s": 1, "ms": 1000, "us": 1_000_000, "ns": 1_000_000_000}[time_unit]
    time = np.arange(n) / rate * per_second
    lines = ["# a logger's own line"] if draw(st.booleans()) else []
    if style != "none":
        names = list(HEADERS[style])
        if unit_row == "bracket" and delimiter != " ":
            units = [time_unit, unit, unit, unit]
            names = [f"{name} ({of})" for name, of in zip(names, units, strict=True)]
        if delimiter == " ":
            names = [name.replace(" ", "_") for name in names]
        if quoted and delimiter != " ":
            names = [f'"{name}"' for name in names]
        lines.append(comment + delimiter.join(names))
        if unit_row == "row":
            lines.append(comment + delimiter.join([time_unit, unit, unit, unit]))
    write = (lambda v: f"{v:.9e}") if exponent else (lambda v: f"{v:.9f}")
    for moment, row in zip(time, values.T, strict=True):
        cells = [f"{moment:.9f}", *map(write, row)]
        lines.append(delimiter.join(cells).replace(".", decimal))
    path = tmp_path / "log.csv"
    text = end.join(lines) + end
    path.write_bytes((b"\xef\xbb\xbf" if bom else b"") + text.encode())

    take = vc.read_take(path)
    assert take.sample_rate_hz == pytest.approx(rate, rel=1e-6)
    assert take.channel_names == ("x", "y", "z")
    assert (take.sensor, take.unit) == ("accelerometer", "m/s^2")
    np.testing.assert_allclose(take.samples, rest_and_motion(n, rate) * G, atol=2e-6, rtol=2e-6)
    named = style != "none" and (unit_row == "row" or (unit_row == "bracket" and delimiter != " "))
    want = set() if decimal == "." else {"decimal_commas"}
    if not named:
        want |= {"units_guessed", "time_unit_guessed"}
    assert set(codes(take)) == want
    assert take.clock_jitter == pytest.approx(0.0, abs=1e-6)


def test_quoted_decimal_commas_between_commas(tmp_path: Path) -> None:
    t = np.arange(400) / 100
    lines = ['"time (s)","x (g)"'] + [f'"{m:.2f}","{m:.3f}"'.replace(".", ",") for m in t]
    (tmp_path / "a.csv").write_text("\n".join(lines))
    take = vc.read_take(tmp_path / "a.csv")
    assert take.sample_rate_hz == 100.0
    np.testing.assert_allclose(take.samples[0], t * G, atol=1e-4)
    assert codes(take) == ["decimal_commas"]


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1", "utf-8-sig"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    a = rest_and_motion()
    path = write_table(
        tmp_path / "a.csv",
        "Zeit (s);Beschleunigung x (m/s²);Beschleunigung y (m/s²);Beschleunigung z (m/s²)",
        [np.arange(4000) / RATE, *(a * G)],
        delimiter=";",
        decimal=",",
    )
    path.write_bytes(path.read_text(encoding="utf-8").encode(encoding))
    take = vc.read_take(path)
    assert codes(take) == ["decimal_commas"]
    np.testing.assert_allclose(take.samples, a * G, atol=1e-5)


def test_a_declared_separator_a_trailing_one_and_comments_among_the_rows(tmp_path: Path) -> None:
    lines = ["sep=;", "time (s);x (g);"]
    for i in range(300):
        lines.append(f"{i / 100:.2f};{i % 7};")
        if i % 50 == 20:
            lines += ["# marker", ""]
    (tmp_path / "a.csv").write_text("\n".join(lines))
    take = vc.read_take(tmp_path / "a.csv")
    np.testing.assert_allclose(take.samples[0], np.arange(300) % 7 * G, rtol=1e-6)
    assert take.findings == ()


@pytest.mark.parametrize(
    ("stamp", "start"),
    [
        ("%Y-%m-%dT%H:%M:%S.%fZ", datetime.datetime(2026, 5, 1, 14, tzinfo=datetime.UTC)),
        ("%Y-%m-%dT%H:%M:%S.%f+02:00", datetime.datetime(2026, 5, 1, 12, tzinfo=datetime.UTC)),
        ("%Y-%m-%d %H:%M:%S.%f", datetime.datetime(2026, 5, 1, 14)),
        ("%Y/%m/%d %H:%M:%S,%f", datetime.datetime(2026, 5, 1, 14)),
        ("%H:%M:%S.%f", None),
    ],
)
def test_iso_stamps(tmp_path: Path, stamp: str, start: datetime.datetime | None) -> None:
    a = rest_and_motion()
    begin = datetime.datetime(2026, 5, 1, 14)
    stamps = [(begin + datetime.timedelta(seconds=i / RATE)).strftime(stamp) for i in range(4000)]
    path = write_table(tmp_path / "a.csv", "datetime;x;y;z", [stamps, *a], delimiter=";")
    take = vc.read_take(path, unit="g")
    assert take.start == start
    assert take.sample_rate_hz == RATE
    np.testing.assert_allclose(take.samples, a * G, atol=1e-5)


def test_stamps_that_cannot_be_used(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rows = [f"2026-05-01T10:00:{i:02d}+0{1 + i // 30}:00,{i}" for i in range(60)]
    path.write_text("time,x\n" + "\n".join(rows))
    with pytest.raises(InputError, match="change their time zone"):
        vc.read_take(path, unit="g")
    rows = [f"2026-13-01T10:00:{i:02d},{i}" for i in range(60)]
    path.write_text("time,x\n" + "\n".join(rows))
    with pytest.raises(InputError, match="A time stamp cannot be read"):
        vc.read_take(path, unit="g")
    rows = [f"2026-05-01T10:00:{i:02d},{i}" for i in range(60)]
    path.write_text("time,x\n" + "\n".join(rows))
    with pytest.raises(InputError, match="time stamps cannot be a signal"):
        vc.read_take(path, columns={"x": "time"}, sample_rate_hz=10)


def test_epoch_stamps_tell_unit_and_start(tmp_path: Path) -> None:
    a = rest_and_motion()
    ns = 1_780_000_000_000_000_000 + np.arange(4000) * 625_000
    path = write_table(tmp_path / "a.csv", "timestamp,x,y,z", [[str(v) for v in ns], *a])
    take = vc.read_take(path, unit="g")
    assert take.sample_rate_hz == RATE
    assert take.start == datetime.datetime.fromtimestamp(1_780_000_000, datetime.UTC)
    assert codes(take) == ["time_unit_guessed"]


@pytest.mark.parametrize(
    ("rate", "unit"),
    [(50, "s"), (100, "ms"), (952, "us"), (1600, "s"), (1600, "ns"), (48_000, "s")],
)
def test_the_time_unit_is_told_by_what_is_believable(tmp_path: Path, rate: int, unit: str) -> None:
    per_second = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}[unit]
    t = np.arange(3 * rate) / rate * per_second
    path = write_table(tmp_path / "a.csv", "t,x", [t, np.cos(t)], digits=9)
    take = vc.read_take(path, unit="g")
    assert take.sample_rate_hz == pytest.approx(rate, rel=1e-4)
    assert codes(take) == ["time_unit_guessed"]


def test_a_time_unit_that_cannot_be_told_is_asked_for(tmp_path: Path) -> None:
    # Steps of 0.2: 5 Hz for 1000 s, or 5 kHz for 1 s.
    path = write_table(tmp_path / "a.csv", "t,x", [np.arange(5010) * 0.2, np.ones(5010)])
    with pytest.raises(InputError, match="several units are possible"):
        vc.read_take(path, unit="g")
    assert vc.read_take(path, unit="g", time_unit="ms").sample_rate_hz == 5000.0
    path = write_table(tmp_path / "b.csv", "t,x", [np.arange(10) * 1e-5, np.ones(10)])
    with pytest.raises(InputError, match="no unit gives a believable recording"):
        vc.read_take(path, unit="g")


@pytest.mark.parametrize(("scale", "unit"), [(1.0, "g"), (G, "m/s^2"), (1000.0, "mg")])
def test_the_unit_is_told_by_gravity(tmp_path: Path, scale: float, unit: str) -> None:
    a = rest_and_motion()
    path = write_table(tmp_path / "a.csv", "t (s),x,y,z", [np.arange(4000) / RATE, *(a * scale)])
    take = vc.read_take(path)
    assert codes(take) == ["units_guessed"]
    assert f"{unit} was assumed" in take.findings[0].message
    np.testing.assert_allclose(take.samples, a * G, atol=2e-5)


def test_a_unit_that_cannot_be_told_is_asked_for(tmp_path: Path) -> None:
    a = rest_and_motion() - [[0], [0], [1]]
    path = write_table(tmp_path / "a.csv", "t (s),x,y,z", [np.arange(4000) / RATE, *a])
    with pytest.raises(InputError, match=r"neither 1 g nor 9.8"):
        vc.read_take(path)
    np.testing.assert_allclose(vc.read_take(path, unit="m/s²").samples, a, atol=1e-6)
    raw = vc.read_take(path, unit="full_scale")
    assert raw.unit == "full_scale"
    heard = vc.read_take(path, sensor="microphone")
    assert (heard.sensor, heard.unit) == ("microphone", "full_scale")


def test_columns_can_be_named_or_numbered(tmp_path: Path) -> None:
    t, a = np.arange(4000) / RATE, rest_and_motion()
    path = write_table(tmp_path / "a.csv", "clk,p,q,r", [t, *a])
    with pytest.raises(InputError, match=r'None of the columns is recognised.*"clk", "p"'):
        vc.read_take(path)
    by_name = vc.read_take(path, columns={"time": "clk", "x": "P", "z": "r"}, unit="g")
    assert by_name.channel_names == ("x", "z")
    np.testing.assert_allclose(by_name.samples, a[[0, 2]] * G, atol=1e-5)
    by_number = vc.read_take(path, columns={"time": 1, "signal": "3"}, unit="g", time_unit="s")
    np.testing.assert_allclose(by_number.samples, a[[1]] * G, atol=1e-5)
    with pytest.raises(CallError, match=r'There is no column "clck".*Did you mean "clk"'):
        vc.read_take(path, columns={"time": "clck", "x": "p"})
    with pytest.raises(CallError, match=r"number must be between 1 and 4. Got 5"):
        vc.read_take(path, columns={"time": 5, "x": "p"})


def test_two_time_columns_are_refused(tmp_path: Path) -> None:
    t, a = np.arange(4000) / RATE, rest_and_motion()
    path = write_table(tmp_path / "a.csv", "time,seconds_elapsed,x,y,z", [t + 5, t, *a])
    with pytest.raises(InputError, match='Several columns could be time: "time" and "seconds_el'):
        vc.read_take(path)
    chosen = vc.read_take(path, columns={"time": "seconds_elapsed"}, unit="g")
    assert chosen.n_channels == 3
    path = write_table(tmp_path / "b.csv", "", [t, t + 1, a[0]])
    with pytest.raises(InputError, match="columns 1 and 2 could all be time"):
        vc.read_take(path)
    chosen = vc.read_take(path, columns={"time": 1, "x": 3}, unit="g")
    assert chosen.sample_rate_hz == RATE


def test_two_columns_for_one_axis_are_refused(tmp_path: Path) -> None:
    t, a = np.arange(400) / 100, rest_and_motion(400)
    path = write_table(tmp_path / "a.csv", "t,acc x (g),linear acc x (g)", [t, a[0], a[1]])
    with pytest.raises(InputError, match="Several columns could be x"):
        vc.read_take(path)


def test_other_sensors_columns_and_words_are_left_alone(tmp_path: Path) -> None:
    t, a = np.arange(4000) / RATE, rest_and_motion()
    path = write_table(
        tmp_path / "a.csv",
        "sensor,Time (s),ax (g),ay (g),az (g),gx,gy,gz,abs acc (g),note",
        [["phone"] * 4000, t, *a, *a, np.hypot(*a[:2]), ["", "bump"] * 2000],
    )
    take = vc.read_take(path)
    np.testing.assert_allclose(take.samples, a * G, atol=1e-5)
    assert take.findings == ()


def test_without_time_the_rate_is_asked_for_or_read_from_the_head(tmp_path: Path) -> None:
    a = rest_and_motion()
    path = write_table(tmp_path / "a.csv", "x (g),y (g),z (g)", list(a))
    with pytest.raises(InputError, match="There is no time column"):
        vc.read_take(path)
    take = vc.read_take(path, sample_rate_hz=RATE)
    assert (take.sample_rate_hz, take.clock_jitter) == (RATE, None)
    headed = tmp_path / "b.csv"
    headed.write_text("Device: logger\nSample rate: 1.6 kHz\n" + path.read_text())
    assert vc.read_take(headed).sample_rate_hz == RATE
    bare = write_table(tmp_path / "c.csv", "", list(a))
    with pytest.raises(InputError, match=r"There is no time column .no header"):
        vc.read_take(bare)
    assert vc.read_take(bare, sample_rate_hz=RATE).channel_names == ("x", "y", "z")
    one = write_table(tmp_path / "d.csv", "", [a[2]])
    assert vc.read_take(one, sample_rate_hz=RATE).channel_names == ("signal",)
    many = write_table(tmp_path / "e.csv", "", [*a, *a])
    with pytest.raises(InputError, match="no header and 6 columns of samples"):
        vc.read_take(many, sample_rate_hz=RATE)


def test_a_given_rate_overrules_the_time_column_and_says_so(tmp_path: Path) -> None:
    t, a = np.arange(4000) / RATE, rest_and_motion()
    path = write_table(tmp_path / "a.csv", "t,x (g),y (g),z (g)", [t, *a])
    take = vc.read_take(path, sample_rate_hz=1595)
    assert take.sample_rate_hz == 1595
    assert codes(take) == ["time_column_ignored"]


def test_uneven_stamps_are_resampled(tmp_path: Path) -> None:
    # A phone at 400 Hz with 8 % jitter; the tone is known in closed form at any time.
    rng = np.random.default_rng(1)
    n, rate = 4000, 400
    t = np.arange(n) / rate + 0.08 / rate * np.clip(rng.standard_normal(n), -3, 3)

    def tone(at: NDArray[np.float64]) -> NDArray[np.float64]:
        return 5.0 * np.sin(2 * np.pi * 0.2 * rate * at + 0.4)

    path = write_table(tmp_path / "a.csv", "t (s),x (m/s^2)", [t, tone(t)], digits=9)
    take = vc.read_take(path)
    assert codes(take) == ["clock_jitter"]
    # The interval is a difference of two jittered stamps: its spread is sqrt(2) larger.
    assert take.clock_jitter == pytest.approx(0.08 * np.sqrt(2), rel=0.1)
    assert take.sample_rate_hz == pytest.approx(rate, rel=1e-4)
    grid = t[0] + np.arange(take.n_samples) / take.sample_rate_hz
    error = take.samples[0, 20:-20] - tone(grid)[20:-20]
    assert 20 * np.log10(np.std(error) / np.std(tone(grid))) < -60.0


def test_rounded_stamps_leave_the_samples_alone(tmp_path: Path) -> None:
    a = rest_and_motion(3000, 833)
    t = np.arange(3000) / 833
    path = write_table(tmp_path / "b.csv", "t (ms),x (g),y (g),z (g)", [np.rint(t * 1e3), *a])
    take = vc.read_take(path)
    assert take.sample_rate_hz == pytest.approx(833, rel=1e-3)
    np.testing.assert_allclose(take.samples, a * G, atol=1e-5)
    assert "clock_jitter" not in codes(take)


def test_several_rows_to_a_tick_are_spread_evenly(tmp_path: Path) -> None:
    a = rest_and_motion(4800, 3200)
    ticks = np.floor(np.arange(4800) / 3.2)
    path = write_table(tmp_path / "a.csv", "t (ms),x (g),y (g),z (g)", [ticks, *a])
    take = vc.read_take(path)
    assert codes(take) == ["coarse_time_stamps"]
    assert take.sample_rate_hz == pytest.approx(3200, rel=1e-3)
    np.testing.assert_allclose(take.samples, a * G, atol=1e-5)
    # The same with a hole of 300 rows in it: the hole is found, and what follows keeps its place.
    keep = np.r_[0:2000, 2300:4800]
    path = write_table(tmp_path / "b.csv", "t (ms),x (g),y (g),z (g)", [ticks[keep], *a[:, keep]])
    take = vc.read_take(path)
    assert codes(take) == ["coarse_time_stamps", "time_gaps"]
    assert take.n_samples == pytest.approx(4800, abs=3)


def test_a_few_repeated_stamps_are_averaged(tmp_path: Path) -> None:
    t, a = np.arange(1000) / 100, rest_and_motion(1000, 100)
    rows = np.sort(np.r_[np.arange(1000), [200, 300]])
    path = write_table(tmp_path / "a.csv", "t (s),x (g),y (g),z (g)", [t[rows], *a[:, rows]])
    take = vc.read_take(path)
    assert codes(take) == ["repeated_time_stamps"]
    np.testing.assert_allclose(take.samples, a * G, atol=1e-5)


def test_gaps_are_bridged_and_said(tmp_path: Path) -> None:
    t, a = np.arange(4000) / RATE, rest_and_motion()
    keep = np.r_[0:1000, 1100:2500, 2508:4000]
    path = write_table(tmp_path / "a.csv", "t (s),x (g),y (g),z (g)", [t[keep], *a[:, keep]])
    take = vc.read_take(path)
    assert codes(take) == ["time_gaps"]
    assert "2 gaps" in take.findings[0].message
    assert take.findings[0].value == pytest.approx(110 / RATE)
    assert take.n_samples == 4000
    np.testing.assert_allclose(take.samples[:, keep], a[:, keep] * G, atol=1e-5)
    # A straight line, not invented vibration.
    inside = take.samples[0, 999:1101].astype(np.float64)
    np.testing.assert_allclose(inside, np.linspace(inside[0], inside[-1], 102), atol=1e-5)


def test_a_recording_that_is_mostly_gap_is_refused(tmp_path: Path) -> None:
    t, a = np.arange(4000) / RATE, rest_and_motion()
    keep = np.r_[0:1000, 2500:4000]
    path = write_table(tmp_path / "a.csv", "t (s),x (g),y (g),z (g)", [t[keep], *a[:, keep]])
    with pytest.raises(InputError, match="38 % of it is missing"):
        vc.read_take(path)


def test_uneven_stamps_with_a_gap(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    t = np.arange(2000) / 400 + 0.05 / 400 * rng.uniform(-1, 1, 2000)
    keep = np.r_[0:800, 900:2000]
    x = np.sin(2 * np.pi * 20 * t)
    path = write_table(tmp_path / "a.csv", "t (s),x (g)", [t[keep], x[keep]], digits=9)
    take = vc.read_take(path)
    assert codes(take) == ["time_gaps", "clock_jitter"]
    grid = t[0] + np.arange(take.n_samples) / take.sample_rate_hz
    outside = (grid < t[790]) | (grid > t[910])
    want = np.sin(2 * np.pi * 20 * grid) * G
    np.testing.assert_allclose(take.samples[0, outside], want[outside], atol=2e-3)


def test_time_running_backwards_is_refused(tmp_path: Path) -> None:
    t, a = np.arange(400) / 100, rest_and_motion(400)
    path = write_table(tmp_path / "a.csv", "t (s),x (g)", [t[::-1], a[0]])
    with pytest.raises(InputError, match=r"Time runs backwards 399 times, first at line 3\."):
        vc.read_take(path)
    twice = np.r_[t[:200], t[:200]]
    path = write_table(tmp_path / "b.csv", "t,x (g)", [twice, a[0]])
    with pytest.raises(InputError, match=r"backwards once, first at line 202\."):
        vc.read_take(path)
    path = write_table(tmp_path / "c.csv", "t (s),x (g)", [np.full(400, 3.0), a[0]])
    with pytest.raises(InputError, match="All time stamps are the same"):
        vc.read_take(path)


def test_tables_without_samples_are_refused(tmp_path: Path) -> None:
    for text in ("name,colour\nred,blue\ngreen,grey\n", "\n\n  \n", "{}", "time,x\n", "just words"):
        (tmp_path / "a.csv").write_text(text)
        with pytest.raises(InputError, match="no rows of numbers"):
            vc.read_take(tmp_path / "a.csv")
    (tmp_path / "b.csv").write_text("t (s),x (g)\n0.5,0.1\n")
    with pytest.raises(InputError, match="only one sample"):
        vc.read_take(tmp_path / "b.csv")


def test_missing_cells(tmp_path: Path) -> None:
    t, a = np.arange(1000) / 100, rest_and_motion(1000, 100)
    path = write_table(tmp_path / "a.csv", "t (s),x (g),y (g),z (g)", [t, *a])
    lines = path.read_text().splitlines()
    cells = lines[500].split(",")
    lines[500] = f"{cells[0]},,NaN,{cells[3]}"
    path.write_text("\n".join(lines))
    take = vc.read_take(path)
    assert codes(take) == ["nan_samples_filled"]
    assert np.isfinite(take.samples).all()
    assert take.samples[0, 499] == pytest.approx(G * 0.5 * (a[0, 498] + a[0, 500]), abs=1e-4)
    lines[500] = f",{','.join(cells[1:])}"
    path.write_text("\n".join(lines))
    assert codes(vc.read_take(path))[0] == "short_rows_skipped"
    path.write_text("\n".join([lines[0], *[f",{line.partition(',')[2]}" for line in lines[1:]]]))
    with pytest.raises(InputError, match="There is no time column"):
        vc.read_take(path)
    nothing = [f"{line.partition(',')[0]},nan,nan,nan" for line in lines[1:]]
    path.write_text("\n".join([lines[0], *nothing[:499], *nothing[500:]]))
    with pytest.raises(InputError, match="All samples are missing"):
        vc.read_take(path)


def test_broken_rows(tmp_path: Path) -> None:
    t, a = np.arange(1000) / 100, rest_and_motion(1000, 100)
    path = write_table(tmp_path / "a.csv", "t (s),x (g),y (g),z (g)", [t, *a])
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:-1], "9.99,0.1"]))
    take = vc.read_take(path)
    assert codes(take) == ["truncated_file_used"]
    assert take.n_samples == 999
    path.write_text("\n".join([*lines[:600], "???", *lines[600:]]))
    assert codes(vc.read_take(path)) == ["short_rows_skipped"]
    path.write_text("\n".join([*lines[:600], *[line[:6] for line in lines[600:]]]))
    with pytest.raises(InputError, match=r"line 601: 401 rows have fewer than the 4 columns"):
        vc.read_take(path)
    path.write_text("\n".join([*lines[:600], "6.0,a,b,c", *lines[600:]]))
    with pytest.raises(InputError, match=r'line 601: "a" in column 2 is not a number'):
        vc.read_take(path)


def test_a_long_table_is_cut_to_its_spin_up(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    n, rate = 400 * 100, 100
    t = np.arange(n) / rate
    level = np.interp(t, [250, 255, 262, 270], [0, 1, 1, 0], left=0, right=0)
    x = 1 + (0.01 + level) * rng.standard_normal(n)
    path = write_table(tmp_path / "a.csv", "t (s),x (g)", [t, x])
    take = vc.read_take(path)
    assert codes(take) == ["long_recording_cut"]
    assert 243 < take.offset_s < 250
    assert take.source_duration_s == pytest.approx(400)
    first = round(take.offset_s * rate)
    np.testing.assert_allclose(take.samples[0], G * x[first : first + take.n_samples], atol=2e-5)


def test_a_flat_axis_is_left_out(tmp_path: Path) -> None:
    t, a = np.arange(4000) / RATE, rest_and_motion()
    a[1] = 0.0
    path = write_table(tmp_path / "a.csv", "t (s),x (g),y (g),z (g)", [t, *a])
    take = vc.read_take(path)
    assert take.channel_names == ("x", "z")
    assert codes(take) == ["dead_channel"]


def test_signals_by_their_names(tmp_path: Path) -> None:
    t, a = np.arange(4000) / RATE, rest_and_motion()
    path = write_table(tmp_path / "a.csv", "t (s),acc 1 (g),acc 2 (g)", [t, *a[:2]])
    assert vc.read_take(path).channel_names == ("acc 1 (g)", "acc 2 (g)")
    path = write_table(tmp_path / "b.csv", "t (s),vibration (g),note", [t, a[0], a[1]])
    take = vc.read_take(path)
    assert take.channel_names == ("signal",)
    np.testing.assert_allclose(take.samples, a[:1] * G, atol=1e-5)
    path = write_table(tmp_path / "c.csv", "t (s),probe", [t, a[0]])
    assert vc.read_take(path, unit="g").n_channels == 1


def test_lines_above_the_table_that_hold_numbers(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    rows = "\n".join(f"{i / 100:.2f} {i % 7} {i % 5}" for i in range(300))
    path.write_text(f"Logger 7\nSerial 12 rev 3\nRange 16\ntime x y\ns g g\n{rows}\n")
    take = vc.read_take(path)
    np.testing.assert_allclose(take.samples[0], np.arange(300) % 7 * G, rtol=1e-6)
    assert take.sample_rate_hz == 100.0


def test_chunks_make_no_difference(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    t, a = np.arange(1000) / 100, rest_and_motion(1000, 100)
    path = write_table(tmp_path / "a.csv", "t (s),x (g),y (g),z (g)", [t, *a])
    whole = vc.read_take(path)
    for rows in (250, 333):
        monkeypatch.setattr("vibecheck.recording.text_table.CHUNK_ROWS", rows)
        assert np.array_equal(vc.read_take(path).samples, whole.samples)


def test_untidy_rows_with_stamps_comments_and_missing_values(tmp_path: Path) -> None:
    begin = datetime.datetime(2026, 5, 1, 14)
    lines = ["time;x (g);y (g)"]
    for i in range(1000):
        moment = (begin + datetime.timedelta(seconds=i / 100)).isoformat(timespec="milliseconds")
        x = {300: "null", 600: ""}.get(i, f"{i % 7},5")
        lines.append(f"{moment};{x};{i % 3},25")
        if i == 4:
            lines.append("# pause")
        if i == 700:
            lines.append('"' + "x" * 140_000 + '"')
    path = tmp_path / "a.csv"
    path.write_text("\n".join(lines))
    take = vc.read_take(path)
    assert codes(take) == ["decimal_commas", "short_rows_skipped", "nan_samples_filled"]
    assert take.start == begin
    want = (np.arange(1000) % 7 + 0.5) * G
    got = np.isin(np.arange(1000), (300, 600), invert=True)
    np.testing.assert_allclose(take.samples[0, got], want[got], rtol=1e-6)


def test_rows_without_a_time(tmp_path: Path) -> None:
    t, a = np.arange(1000) / 100, rest_and_motion(1000, 100)
    t[::20] = np.nan
    path = write_table(tmp_path / "a.csv", "t (s),x (g)", [t, a[0]])
    with pytest.raises(InputError, match="50 of 1000 rows have no time"):
        vc.read_take(path)


def test_short_stretches_between_gaps(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    t = np.arange(2000) / 400 + 0.05 / 400 * rng.uniform(-1, 1, 2000)
    keep = np.r_[0:800, 820:823, 850:2000]
    path = write_table(tmp_path / "a.csv", "t (s),x (g)", [t[keep], np.sin(t[keep])], digits=9)
    take = vc.read_take(path)
    assert codes(take) == ["time_gaps", "clock_jitter"]
    grid = t[0] + np.arange(take.n_samples) / take.sample_rate_hz
    np.testing.assert_allclose(take.samples[0], np.sin(grid) * G, atol=0.01)


def test_values_no_sensor_can_give_are_refused(tmp_path: Path) -> None:
    t = np.arange(400) / 100
    words = [f"{t[i]:.2f},1e300" for i in range(400)]
    (tmp_path / "a.csv").write_text("\n".join(["t (s),x (g)", *words]))
    with pytest.raises(InputError, match="All samples are missing"):
        vc.read_take(tmp_path / "a.csv")


def test_infinite_values_without_a_header(tmp_path: Path) -> None:
    rows = "\n".join(f"{i / 100:.2f} {'inf' if i % 3 else i % 7} inf" for i in range(300))
    (tmp_path / "a.txt").write_text(rows)
    with pytest.raises(InputError, match="% of the samples are missing"):
        vc.read_take(tmp_path / "a.txt", unit="g")
