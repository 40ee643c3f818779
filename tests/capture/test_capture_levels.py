"""Levels against sines of known amplitude; clips across blocks; what the idle noise says."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from vibecheck.capture.levels import (
    CLIP_RUN,
    FLOOR_DB,
    FULL_SCALE,
    Meter,
    count_clips,
    hold_peak,
    idle_noise,
    level_of,
)
from vibecheck.errors import CallError

RATE_HZ = 48_000


def sine(amplitude: float, hz: float, seconds: float = 1.0) -> NDArray[np.float64]:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return amplitude * np.sin(2 * np.pi * hz * time_s)[:, np.newaxis]


def noise(rms: float, seconds: float = 3.0, seed: int = 5) -> NDArray[np.float64]:
    n = round(seconds * RATE_HZ)
    return rms * np.random.default_rng(seed).standard_normal((n, 1))


def test_a_full_scale_sine_reads_minus_3_db() -> None:
    level = level_of(sine(1.0, 1000.0))
    assert level.level_db == pytest.approx(-3.0103, abs=0.001)  # 20 log10(1/√2)
    assert level.peak_db == pytest.approx(0.0, abs=0.001)
    tenth = level_of(np.hstack([sine(0.1, 1000.0), sine(0.01, 1000.0)]))
    assert tenth.level_db == pytest.approx(-23.0103, abs=0.001)


def test_silence_and_what_is_no_number_read_the_floor() -> None:
    assert level_of(np.zeros((10, 2))).level_db == FLOOR_DB
    assert level_of(np.full((10, 1), np.nan)).peak_db == FLOOR_DB


def test_a_held_peak_stays_then_falls_to_the_newest() -> None:
    held, since = hold_peak(FLOOR_DB, 0.0, -6.0, 0.1)
    assert (held, since) == (-6.0, 0.0)
    for _ in range(15):
        held, since = hold_peak(held, since, -40.0, 0.1)
    assert held == pytest.approx(-6.0)
    for _ in range(10):
        held, since = hold_peak(held, since, -40.0, 0.1)
    assert held == pytest.approx(-26.0)
    for _ in range(10):
        held, since = hold_peak(held, since, -40.0, 0.1)
    assert held == -40.0


@given(st.lists(st.booleans(), min_size=1, max_size=60), st.integers(1, 60))
def test_clips_are_counted_alike_however_the_sound_is_cut(top: list[bool], size: int) -> None:
    x = np.where(np.array(top)[:, np.newaxis], 1.0, 0.2)
    whole = count_clips(x)[0]
    meter = Meter()
    for first in range(0, len(x), size):
        meter = meter.after(x[first : first + size], RATE_HZ)
    expected = sum(len(run) >= CLIP_RUN for run in "".join("01"[t] for t in top).split("0"))
    assert meter.clips == whole == expected


def test_a_16_bit_recorder_clips_too_and_a_crest_does_not() -> None:
    top = np.full((4, 1), 32767 / 32768)
    assert top[0, 0] == FULL_SCALE
    assert count_clips(top)[0] == 1
    assert count_clips(-top)[0] == 1
    assert count_clips(top[:2])[0] == 0
    assert count_clips(np.hstack([top, top * 0.99]))[0] == 1


def test_the_meter_remembers_the_highest_peak() -> None:
    meter = Meter().after(sine(0.5, 500.0, 0.1), RATE_HZ).after(np.zeros((0, 1)), RATE_HZ)
    for _ in range(60):
        meter = meter.after(sine(0.001, 500.0, 0.1), RATE_HZ)
    assert meter.highest_db == pytest.approx(-6.02, abs=0.01)  # 20 log10(0.5)
    assert meter.held_db == pytest.approx(-60.0, abs=0.01)
    assert meter.now.level_db == pytest.approx(-63.0, abs=0.05)


@pytest.mark.parametrize(
    ("rms", "verdict", "said"),
    [
        (0.0, "silent", "Nothing at all comes in"),
        (0.0005, "quiet", "room is quiet (-66 dB)"),
        (0.008, "noticeable", "can be heard"),
        (0.05, "loud", "loud here"),
    ],
)
def test_the_room_is_judged_by_its_level(rms: float, verdict: str, said: str) -> None:
    heard = idle_noise(noise(rms), RATE_HZ)
    assert heard.verdict == verdict
    assert said in heard.words[0]
    assert heard.is_quiet == (verdict == "quiet")
    assert not heard.unsteady
    assert heard.hum_hz is None


@pytest.mark.parametrize("mains_hz", [50, 60])
def test_mains_hum_is_told_from_noise(mains_hz: int) -> None:
    hum = sum(sine(0.0004 / k, 1.002 * k * mains_hz, 3.0) for k in (1, 2, 3, 5))
    heard = idle_noise(noise(0.0005) + hum, RATE_HZ)
    assert heard.hum_hz == mains_hz
    assert f"Mains hum ({mains_hz} Hz)" in heard.words[-1]
    assert not heard.is_quiet


def test_a_fan_is_no_hum() -> None:
    assert idle_noise(noise(0.0005) + sine(0.001, 137.0, 3.0), RATE_HZ).hum_hz is None


def test_a_voice_in_the_room_is_noticed() -> None:
    x = noise(0.0005)
    x[RATE_HZ : RATE_HZ + RATE_HZ // 3] += noise(0.02, 1 / 3)
    heard = idle_noise(x, RATE_HZ)
    assert heard.unsteady
    assert "still" in heard.words[-1]
    faint = noise(0.00001)
    faint[RATE_HZ : RATE_HZ + RATE_HZ // 3] *= 10.0  # to -80 dB: nobody will hear it
    assert not idle_noise(faint, RATE_HZ).unsteady


def test_two_channels_and_an_offset_are_no_trouble() -> None:
    x = np.hstack([np.zeros((3 * RATE_HZ, 1)), noise(0.0005) + 0.3])
    assert idle_noise(x, RATE_HZ).verdict == "quiet"


def test_too_little_cannot_be_judged() -> None:
    short: NDArray[Any] = np.zeros((100, 1))
    with pytest.raises(CallError, match="quarter of a second"):
        idle_noise(short, RATE_HZ)
    assert idle_noise(noise(0.0005, 0.3), RATE_HZ).hum_hz is None
