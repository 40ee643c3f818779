"""Knocks: their band, their rhythm against chance, and the speed at which they begin."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import open_data
import pytest

from vibecheck.errors import CallError, InputError
from vibecheck.impulses import burst_onset, envelope_order_spectrum, kurtogram_of
from vibecheck.impulses.onset import _speed_step
from vibecheck.orders import residual
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack

FS = 16_000.0
DURATION_S = 16.0
PHASES = (
    Phase("idle", 0.0, 0.5),
    Phase("run_up", 0.5, 6.5),
    Phase("hold", 6.5, 9.5),
    Phase("coast_down", 9.5, 16.0),
)
RATIO = 0.4  # wheel turns per motor turn


def spin_up() -> SpeedTrack:
    time = np.arange(0.0, DURATION_S + 0.01, 0.02)
    rpm = np.interp(time, [0, 0.49, 0.5, 6.5, 9.5, 16.0], [0, 0, 1500, 9000, 9000, 1500])
    return SpeedTrack(time, rpm, np.ones_like(rpm), np.ones_like(rpm), PHASES)


SPEED = spin_up()
TIME = np.arange(int(DURATION_S * FS)) / FS
RPM = SPEED.rpm_at(TIME)
TURNS = np.interp(TIME, SPEED.time_s, SPEED.revolutions)


def knocks(where: np.ndarray, *, ratio: float = RATIO, ring_hz: float = 4300.0) -> np.ndarray:
    """One ringing burst per wheel turn, with 5 % scatter, at the times marked in ``where``."""
    rng = np.random.default_rng(7)
    x = np.zeros(TIME.size)
    count = np.arange(1.0, TURNS[-1] * ratio)
    starts = np.searchsorted(TURNS, (count + 0.05 * rng.standard_normal(count.size)) / ratio)
    ring = np.exp(-np.arange(200) / 30.0) * np.sin(2 * np.pi * ring_hz / FS * np.arange(200))
    for start in starts:
        if start + ring.size < x.size and where[start]:
            x[start : start + ring.size] += rng.uniform(0.5, 1.5) * ring
    return x


def noise(seed: int = 0) -> np.ndarray:
    # Louder with speed, as tyres and fans are.
    return np.random.default_rng(seed).standard_normal(TIME.size) * (0.05 + RPM / 9000.0)


def take_of(x: np.ndarray, **more: Any) -> Take:
    return Take(x, FS, **more)


# ---- rhythm -----------------------------------------------------------------------------


def test_knocks_keep_time_with_their_shaft() -> None:
    take = take_of(noise() + 2.0 * knocks(RPM > 0))
    spectrum = envelope_order_spectrum(take, SPEED)
    assert spectrum.kurtogram is not None
    assert spectrum.low_hz <= 4300.0 <= spectrum.high_hz
    line = spectrum.at(RATIO)
    assert line is not None
    assert line.p_value < 1e-9
    assert line.order == pytest.approx(RATIO, rel=0.02)
    assert spectrum.strongest(0.2).order == pytest.approx(RATIO, rel=0.02)
    quiet = spectrum.at(0.61)
    assert quiet is not None
    assert quiet.p_value > 1e-4


def test_counted_in_turns_of_the_wheel() -> None:
    take = take_of(noise() + 2.0 * knocks(RPM > 0))
    spectrum = envelope_order_spectrum(take, SPEED, shaft_ratio=RATIO, max_order=8.0)
    assert spectrum.strongest().order == pytest.approx(1.0, rel=0.02)
    over = spectrum.amplitude > spectrum.limit
    assert over[np.argmin(np.abs(spectrum.order - 1.0))]
    assert over[np.argmin(np.abs(spectrum.order - 2.0))]


def test_modulation_depth_is_read_true() -> None:
    # Noise modulated by 1 + m cos: its squared envelope swings by 2m/(1 + m²/2), here .392.
    modulated = noise() * (1.0 + 0.2 * np.cos(2 * np.pi * 0.5 * TURNS))
    spectrum = envelope_order_spectrum(take_of(modulated), SPEED, band_hz=(2000.0, 7000.0))
    line = spectrum.at(0.5)
    assert line is not None
    background = spectrum.background[np.argmin(np.abs(spectrum.order - 0.5))]
    assert np.sqrt(line.amplitude**2 - background**2) == pytest.approx(0.4 / 1.02, rel=0.05)


def test_noise_alone_raises_no_alarm_more_often_than_promised() -> None:
    """40 takes of Gaussian noise whose level follows the speed, false alarm set to 5 %."""
    alarms, chances = 0, []
    for seed in range(40):
        spectrum = envelope_order_spectrum(
            take_of(noise(seed + 100)), SPEED, band_hz=(2000.0, 6000.0), false_alarm=0.05
        )
        seen = np.isfinite(spectrum.amplitude)
        alarms += bool(np.any(spectrum.amplitude[seen] > spectrum.limit[seen]))
        chances.append(spectrum.p_value[seen])
    assert alarms <= 6  # 2 expected; more than 6 has a chance of 0.3 %
    p = np.concatenate(chances)
    assert np.mean(p < 0.01) == pytest.approx(0.01, rel=0.3)
    assert np.mean(p < 0.1) == pytest.approx(0.1, rel=0.1)


def test_looking_in_more_places_costs_significance() -> None:
    spectrum = envelope_order_spectrum(take_of(noise(3)), SPEED, band_hz=(2000.0, 6000.0))
    narrow, wide = spectrum.at(5.0), spectrum.at(5.0, 2.0)
    assert narrow is not None
    assert wide is not None
    assert wide.over_background >= narrow.over_background
    assert spectrum.at(1000.0) is None
    with pytest.raises(CallError, match="nothing between orders 900 and 950"):
        spectrum.strongest(900.0, 950.0)


def test_orders_faster_than_the_band_are_masked() -> None:
    # 500 Hz wide at 150 turns a second: beyond order 2.7 bursts run into one another.
    spectrum = envelope_order_spectrum(take_of(noise()), SPEED, band_hz=(3000.0, 3500.0))
    assert np.isnan(spectrum.amplitude[spectrum.order > 3.0]).all()
    assert np.isnan(spectrum.limit[spectrum.order > 3.0]).all()
    assert np.isfinite(spectrum.amplitude[(spectrum.order > 0.1) & (spectrum.order < 2.5)]).all()


def test_one_phase() -> None:
    knock = knocks((TIME > 6.5) & (TIME < 9.5))
    take = take_of(noise() + 2.0 * knock)
    hold = envelope_order_spectrum(take, SPEED, phase="hold", band_hz=(3500.0, 5500.0))
    run_up = envelope_order_spectrum(take, SPEED, phase="run_up", band_hz=(3500.0, 5500.0))
    assert hold.at(RATIO).p_value < 1e-6  # type: ignore[union-attr]
    assert run_up.at(RATIO).p_value > 1e-3  # type: ignore[union-attr]
    assert hold.phase == "hold"


def test_tones_that_beat_are_gone_from_the_residual() -> None:
    """Two steady orders in the band beat at their difference; the residual does not."""
    tones = np.cos(2 * np.pi * 20.0 * TURNS) + np.cos(2 * np.pi * 22.5 * TURNS)
    take = take_of(0.3 * noise() + tones * (RPM > 0))
    band = (1500.0, 7000.0)
    beat = envelope_order_spectrum(take, SPEED, band_hz=band, phase="hold").at(2.5)
    rest = residual(take, SPEED, [20.0, 22.5]).take
    gone = envelope_order_spectrum(rest, SPEED, band_hz=band, phase="hold").at(2.5)
    assert beat is not None
    assert gone is not None
    assert beat.amplitude > 0.5
    assert gone.amplitude < 0.1 * beat.amplitude


# ---- band -------------------------------------------------------------------------------


def test_kurtogram_of_a_take_uses_the_run() -> None:
    take = take_of(noise() + 3.0 * knocks(RPM > 0) + (TIME < 0.3) * 50.0)
    result = kurtogram_of(take, SPEED)
    assert result.is_significant
    assert result.low_hz <= 4300.0 <= result.high_hz
    assert kurtogram_of(take, SPEED, "hold").is_significant
    assert not kurtogram_of(take_of(noise()), SPEED).is_significant


def test_kurtogram_of_a_slow_sensor() -> None:
    take = take_of(noise())
    slow = Take(take.samples[:, ::32], FS / 32, sensor="accelerometer", unit="m/s^2")
    assert kurtogram_of(slow, SPEED).high_hz <= 250.0


def test_kurtogram_keeps_below_the_codec() -> None:
    assert kurtogram_of(take_of(noise(), bandwidth_hz=5000.0)).high_hz <= 5001.0


# ---- onset ------------------------------------------------------------------------------


def rattle(on_rpm: float, off_rpm: float) -> np.ndarray:
    """Knocks above one speed on the way up, above another on the way down."""
    rising = TIME < 8.0
    return knocks(np.where(rising, RPM - on_rpm > 0, RPM - off_rpm > 0))


@pytest.mark.parametrize(("start", "stop"), [(5200.0, 4300.0), (3000.0, 2600.0), (7500.0, 7000.0)])
def test_onset_and_end_of_a_rattle(start: float, stop: float) -> None:
    found = burst_onset(take_of(noise() + 4.0 * rattle(start, stop)), SPEED)
    for step, truth in ((found.run_up, start), (found.coast_down, stop)):
        assert step.state == "found"
        assert step.rpm == pytest.approx(truth, abs=320.0)  # two blocks of the run-up
        assert step.low_rpm <= truth <= step.high_rpm
        assert step.strength > 0.15


def test_steady_noise_has_no_onset() -> None:
    states = []
    for seed in range(20):
        found = burst_onset(take_of(noise(seed)), SPEED)
        states += [found.run_up.state, found.coast_down.state]
        assert np.isnan(found.run_up.rpm)
    assert states == ["none"] * 40


def test_a_rattle_at_every_speed() -> None:
    quiet = np.random.default_rng(0).standard_normal(TIME.size)
    found = burst_onset(take_of(0.3 * quiet + 8.0 * knocks(RPM > 0, ratio=1.0)), SPEED)
    assert found.coast_down.state in ("throughout", "found")
    if found.coast_down.state == "found":
        assert found.coast_down.low_rpm < 2600.0
    assert found.burstiness[found.rpm > 2000.0].mean() > 0.5


def test_a_step_from_loud_to_quiet_is_no_onset() -> None:
    rpm = np.linspace(1000.0, 9000.0, 40)
    falling = np.where(rpm < 4000.0, 3.0, 0.0) + 0.05 * np.random.default_rng(0).standard_normal(40)
    step = _speed_step(falling, rpm, np.arange(40), 0.05)
    assert step.state == "throughout"
    rising = _speed_step(falling[::-1].copy(), rpm, np.arange(40), 0.05)
    assert rising.state == "found"
    assert rising.rpm == pytest.approx(6000.0, abs=250.0)


def test_missing_phases_are_not_observed() -> None:
    bare = SpeedTrack(SPEED.time_s, SPEED.rpm, SPEED.sd_rpm, SPEED.confidence)
    found = burst_onset(take_of(noise()), bare)
    assert found.run_up.state == "not_observed"
    assert found.coast_down.state == "not_observed"


def test_silence_is_quiet() -> None:
    found = burst_onset(take_of(np.zeros(TIME.size)), SPEED)
    assert found.run_up.state == "none"
    assert np.all(found.burstiness == 0.0)


# ---- wrong calls ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "match"),
    [
        ({"max_order": 0.0}, "max_order must be a positive number"),
        ({"resolution": 3.0}, "resolution must be above 0 and at most 1"),
        ({"shaft_ratio": 0.0}, "shaft_ratio must be a positive number"),
        ({"band_hz": (1000.0, 9000.0)}, "half the sample rate"),
        ({"band_hz": (1000.0, 1010.0)}, "too narrow for a shaft so fast"),
    ],
)
def test_wrong_calls_of_the_envelope(call: dict[str, Any], match: str) -> None:
    with pytest.raises(CallError, match=match):
        envelope_order_spectrum(take_of(noise()), SPEED, **call)


def test_wrong_calls_of_the_onset() -> None:
    take = take_of(noise())
    with pytest.raises(CallError, match="low_hz must be below high_hz"):
        burst_onset(take, SPEED, high_hz=100.0)
    with pytest.raises(CallError, match="block_s must be at least"):
        burst_onset(take, SPEED, block_s=0.001)
    with pytest.raises(InputError, match="too short to follow bursts"):
        burst_onset(take.cut(1.0, 1.1), SPEED)


def test_too_short_for_an_envelope_or_a_kurtogram() -> None:
    take = take_of(noise())
    with pytest.raises(InputError, match="fewer than 4096 turns"):
        envelope_order_spectrum(
            take, SPEED, band_hz=(2000.0, 6000.0), resolution=1.0 / 4096, max_order=2.0
        )
    with pytest.raises(InputError, match="too short for a kurtogram"):
        kurtogram_of(take.cut(1.0, 1.002))
    with pytest.raises(InputError, match="shaft does not turn"):
        kurtogram_of(take, SpeedTrack(np.arange(3.0), np.zeros(3), np.zeros(3), np.ones(3)))


# ---- outside recordings -----------------------------------------------------------------


@pytest.mark.outside_data
@pytest.mark.parametrize("name", open_data.BEARING_NAMES)
def test_bearing_fault_is_the_strongest_rhythm(name: str, outside_data: Path) -> None:
    path = outside_data / "mfpt_bearing" / name
    if not path.exists():
        pytest.skip(f"{name} is not in the folder of outside recordings")
    peak, spectrum = open_data.bearing_rhythm(path)
    shaft_hz, published = open_data.BEARING_SHAFT_HZ, open_data.bearing_published_hz(path)
    # Published fault frequency (MFPT bearing data); real bearings slip by 1–2 %.
    assert peak.order * shaft_hz == pytest.approx(published, rel=0.02)
    assert peak.p_value < 1e-6
    other = open_data.BEARING_HZ["Inner" if name.startswith("Outer") else "Outer"]
    wrong = spectrum.at(other / shaft_hz, 0.02 * other / shaft_hz)
    assert wrong is not None
    assert wrong.over_background < 0.3 * peak.over_background
