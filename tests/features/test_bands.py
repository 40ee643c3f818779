"""Features by band: each rises with its cause, and does not with what could be taken for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from spin_ups import CAR, PINION, SPUR, TOP_RPM, WHEEL, speed_of, spin_up

from vibecheck.features.extract import extract_features
from vibecheck.features.vector import FeatureVector
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack


@pytest.fixture(scope="module")
def quiet() -> tuple[Take, SpeedTrack, FeatureVector]:
    take, speed = spin_up()
    return take, speed, extract_features(take, speed, CAR)


def added(quiet: tuple[Take, SpeedTrack, FeatureVector], extra: np.ndarray) -> FeatureVector:
    """Features of the quiet take with another sound in it."""
    take, speed, _ = quiet
    return extract_features(replace(take, samples=take.samples + extra), speed, CAR)


def noise(take: Take, low_hz: float, high_hz: float, seed: int = 5) -> np.ndarray:
    """Gaussian noise of one band, r.m.s. 1."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(take.n_samples))
    frequency = np.fft.rfftfreq(take.n_samples, 1.0 / take.sample_rate_hz)
    spectrum[(frequency < low_hz) | (frequency > high_hz)] = 0.0
    values = np.fft.irfft(spectrum, take.n_samples)
    return np.asarray(values / values.std())[np.newaxis]


def turning(take: Take, speed: SpeedTrack) -> tuple[np.ndarray, np.ndarray]:
    """Share of the top speed, and turns of the motor, at every sample."""
    time_s = np.arange(take.n_samples) / take.sample_rate_hz
    share = speed.rpm_at(time_s) / TOP_RPM
    return share, np.interp(time_s, speed.time_s, speed.revolutions)


def rub(take: Take, speed: SpeedTrack) -> np.ndarray:
    """Noise that swells once per wheel turn, as of a wire that touches a tyre."""
    share, turns = turning(take, speed)
    swell = 1.0 + 0.4 * np.cos(2.0 * np.pi * WHEEL * turns)
    return np.asarray(0.05 * share * swell * noise(take, 1500.0, 9000.0))


@pytest.mark.parametrize(
    ("name", "rise"),
    [
        ("knock_height_low_driven", 1.0),
        ("knock_height_mid_driven", 2.0),
        ("knock_height_high_driven", 2.0),
        ("knock_height_mid_coast_down", 2.0),
        ("peakiness_most_driven", 1.5),
        ("knock_comb_wheel_mid", 6.0),
        ("knock_comb_wheel_high", 6.0),
        ("knock_comb_wheel_sharp", 4.0),
    ],
)
def test_knocks_once_per_wheel_turn(
    quiet: tuple[Take, SpeedTrack, FeatureVector], name: str, rise: float
) -> None:
    knocking = extract_features(*spin_up(knocks=4.0), CAR)
    assert knocking[name] > quiet[2][name] + rise


def test_a_rub_swells_without_knocks(quiet: tuple[Take, SpeedTrack, FeatureVector]) -> None:
    """A hard negative: once per wheel turn, but soft: no harmonics, no tall knocks."""
    take, speed, snug = quiet
    rubbing = added(quiet, rub(take, speed))
    assert rubbing["envelope_wheel_1"] > snug["envelope_wheel_1"] + 10.0
    assert rubbing["knock_comb_wheel_sharp"] < snug["knock_comb_wheel_sharp"] + 1.5
    assert rubbing["knock_height_mid_driven"] < snug["knock_height_mid_driven"] + 3.0


def test_balls_of_a_worn_bearing_fit_no_shaft(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    """A hard negative: 3.57 blows per wheel turn raise the stray line, not the wheel's comb."""
    bearing = extract_features(*spin_up(knocks=3.0, knock_order=3.57 * WHEEL), CAR)
    assert bearing["knock_stray_line"] > quiet[2]["knock_stray_line"] + 4.0
    assert bearing["knock_comb_wheel_mid"] < quiet[2]["knock_comb_wheel_mid"] + 2.5
    knocking = extract_features(*spin_up(knocks=4.0), CAR)
    assert knocking["knock_stray_line"] < bearing["knock_stray_line"] - 2.0


def test_knocks_twice_per_turn_are_told_from_once(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    twice = extract_features(*spin_up(knocks=4.0, knock_order=2.0 * WHEEL), CAR)
    once = extract_features(*spin_up(knocks=4.0), CAR)
    assert twice["knock_comb_wheel_even"] > once["knock_comb_wheel_even"] + 6.0


def test_knocks_of_spur_and_motor_are_theirs(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    snug = quiet[2]
    spur = extract_features(*spin_up(knocks=4.0, knock_order=PINION / SPUR), CAR)
    assert spur["knock_comb_spur_mid"] > snug["knock_comb_spur_mid"] + 6.0
    assert spur["knock_comb_wheel_mid"] < snug["knock_comb_wheel_mid"] + 3.0
    share, turns = turning(quiet[0], quiet[1])
    swell = 1.0 + 0.9 * np.cos(2.0 * np.pi * turns)
    motor = added(quiet, 0.05 * share * swell * noise(quiet[0], 3900.0, 8700.0))
    assert motor["knock_comb_motor_high"] > snug["knock_comb_motor_high"] + 3.0


def test_heavy_thumps_need_no_shaft(quiet: tuple[Take, SpeedTrack, FeatureVector]) -> None:
    """Blows at random times that ring at 150 Hz: low peakiness rises, no comb and no high knock."""
    take, speed, snug = quiet
    rng = np.random.default_rng(3)
    share, _turns = turning(take, speed)
    blows = np.zeros(take.n_samples)
    blows[rng.integers(0, take.n_samples, 60)] = 1.0
    ring_s = np.arange(int(0.1 * take.sample_rate_hz)) / take.sample_rate_hz
    ring = np.exp(-ring_s / 0.015) * np.sin(2.0 * np.pi * 150.0 * ring_s)
    n_fast = take.n_samples + ring.size
    sound = np.fft.irfft(np.fft.rfft(blows, n_fast) * np.fft.rfft(ring, n_fast), n_fast)
    thumping = added(quiet, 0.15 * (share > 0.05) * sound[: take.n_samples])
    assert thumping["thump_90_driven"] > snug["thump_90_driven"] + 2.0
    assert thumping["thump_90_coast_down"] > snug["thump_90_coast_down"] + 2.0
    assert thumping["thump_600_driven"] < snug["thump_600_driven"] + 1.0
    assert thumping["knock_comb_wheel_low"] < snug["knock_comb_wheel_low"] + 3.0
    assert thumping["knock_height_high_driven"] < snug["knock_height_high_driven"] + 0.5


def test_a_resonance_shows_in_its_third_octave(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    take, speed, snug = quiet
    share, _turns = turning(take, speed)
    ringing = added(quiet, 0.01 * share * noise(take, 1800.0, 2200.0))
    for name in ("tone_2000_driven", "ground_2000_coast_down"):
        assert ringing[name] > snug[name] + 4.0
    for name in ("tone_1000_driven", "tone_4000_driven", "ground_500_coast_down"):
        assert abs(ringing[name] - snug[name]) < 2.0


def test_colour_is_read_at_one_speed() -> None:
    """Two bands that grow differently with speed: driven to 80 or 100 %, the same colour."""
    assert CAR.drivetrain is not None
    limited = replace(CAR, drivetrain=replace(CAR.drivetrain, bench_max_wheel_rpm=TOP_RPM * WHEEL))
    found = []
    for top_rpm in (0.8 * TOP_RPM, TOP_RPM):
        take, _ = spin_up()
        speed = speed_of(12.0, top_rpm)
        share = speed.rpm_at(np.arange(take.n_samples) / take.sample_rate_hz) / TOP_RPM
        sound = share * noise(take, 300.0, 1500.0) + share**3 * noise(take, 1500.0, 9000.0, 6)
        vector = extract_features(replace(take, samples=0.1 * sound), speed, limited)
        found.append(vector["tone_4000_driven"] - vector["tone_800_driven"])
    # Read at each run's own top speed they would lie 40 log10(1 / 0.8) = 3.9 dB apart.
    assert found[0] == pytest.approx(found[1], abs=0.5)


def test_rattle_flickers_and_noise_does_not(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    take, speed, snug = quiet
    share, _turns = turning(take, speed)
    gate = np.repeat(np.random.default_rng(1).random(take.n_samples // 2000 + 1) < 0.4, 2000)
    sound = 0.03 * share * noise(take, 2900.0, 3400.0)
    rattling = added(quiet, sound * gate[: take.n_samples])
    assert rattling["flicker_3150_driven"] > snug["flicker_3150_driven"] + 1.0
    even = added(quiet, sound)
    assert even["flicker_3150_driven"] < snug["flicker_3150_driven"] + 0.3


def test_a_shaft_that_shakes_more_carries_more_of_the_low_sound(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    """An unbalanced wheel, a hard negative: once per turn, neither twice nor in knocks."""
    take, speed, snug = quiet
    share, turns = turning(take, speed)
    shaking = added(quiet, 0.03 * share**2 * np.cos(2.0 * np.pi * WHEEL * turns))
    for phase in ("driven", "coast_down"):
        name = f"order_share_wheel_1_{phase}"
        assert shaking[name] > snug[name] + 10.0
    assert shaking["order_share_wheel_2_driven"] < snug["order_share_wheel_2_driven"] + 3.0
    for name in ("knock_height_mid_driven", "knock_comb_wheel_mid", "peakiness_most_driven"):
        assert shaking[name] == pytest.approx(snug[name], abs=1.0)


def test_share_of_a_pure_tone_is_nearly_the_whole() -> None:
    """All power in one line: its share is 0 dB less what the window spreads (Hann: 2/3, −1.8)."""
    take, speed = spin_up()
    _share, turns = turning(take, speed)
    tone = replace(take, samples=0.1 * np.cos(2.0 * np.pi * turns)[np.newaxis])
    vector = extract_features(tone, speed, CAR)
    assert vector["order_share_motor_1_driven"] == pytest.approx(-1.76, abs=0.3)


def test_speech_is_heard_while_the_car_stands(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    take, _speed, snug = quiet
    time_s = np.arange(take.n_samples) / take.sample_rate_hz
    syllables = np.clip(np.sin(2.0 * np.pi * 4.0 * time_s), 0.0, 1.0) ** 4
    talking = added(quiet, 0.02 * syllables * noise(take, 300.0, 3500.0))
    assert talking["idle_level_mid"] > snug["idle_level_mid"] + 3.0
    assert talking["idle_peakiness"] > snug["idle_peakiness"] + 0.5


def test_a_mesh_line_that_breaks_up_is_less_pure(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    take, speed, snug = quiet
    share, turns = turning(take, speed)
    wander = np.cumsum(np.random.default_rng(2).standard_normal(take.n_samples)) * 0.1
    rough = added(quiet, 0.04 * (share > 0) * np.cos(2.0 * np.pi * PINION * turns + wander))
    assert rough["mesh_1_purity_driven"] < snug["mesh_1_purity_driven"] - 2.0


def test_the_mesh_line_sweeps_through_a_resonance(
    quiet: tuple[Take, SpeedTrack, FeatureVector],
) -> None:
    """A mesh line twice as strong near 2 kHz stands 6 dB over itself elsewhere (20 log10 2)."""
    take, speed, snug = quiet
    share, turns = turning(take, speed)
    hz = PINION * share * TOP_RPM / 60.0
    near = (hz > 2000.0 / 2.0 ** (1 / 6)) & (hz < 2000.0 * 2.0 ** (1 / 6))
    passing = added(quiet, 0.02 * near * np.cos(2.0 * np.pi * PINION * turns))
    rise = passing["mesh_at_2000"] - snug["mesh_at_2000"]
    # The reference is a mean of six third-octaves, of which this is one: 6.02 · 5/6.
    assert rise == pytest.approx(6.02 * 5.0 / 6.0, abs=1.2)
    assert abs(passing["mesh_at_4000"] - snug["mesh_at_4000"]) < 2.0
