"""Each sign rises when its cause is put in, and meets closed forms where there are any."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from spin_ups import CAR, PINION, SPUR, WHEEL, speed_of, spin_up

from vibecheck.features.extract import extract_features
from vibecheck.features.spectral import line_over_background_db, moving_mean, segment_power
from vibecheck.features.vector import FeatureVector
from vibecheck.features.workings import Workings
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack


@pytest.fixture(scope="module")
def quiet() -> FeatureVector:
    return extract_features(*spin_up(), CAR)


@pytest.fixture(scope="module")
def knocking() -> FeatureVector:
    return extract_features(*spin_up(knocks=4.0), CAR)


@pytest.mark.parametrize(
    ("name", "rise"),
    [
        ("peakiness_mid_hold", 1.0),
        ("peakiness_high_coast_down", 1.0),
        ("envelope_wheel_1", 10.0),
        ("envelope_wheel_2", 10.0),
        ("envelope_wheel_comb", 8.0),
        ("envelope_wheel_1_coast_down", 10.0),
        ("envelope_skewness_driven", 0.3),
        ("burst_share", 1.0),
        ("rattle_share_run_up", 0.2),
        ("peakiness_worst", 1.0),
    ],
)
def test_knocks_once_per_wheel_turn(
    quiet: FeatureVector, knocking: FeatureVector, name: str, rise: float
) -> None:
    assert knocking[name] > quiet[name] + rise


def test_knocks_of_the_wheel_are_not_the_spurs(
    quiet: FeatureVector, knocking: FeatureVector
) -> None:
    """Wheel knocks raise the wheel's envelope line, spur knocks the spur's."""
    spur = extract_features(*spin_up(knocks=4.0, knock_order=PINION / SPUR), CAR)
    assert spur["envelope_spur_1"] > quiet["envelope_spur_1"] + 10.0
    assert knocking["envelope_spur_1"] < quiet["envelope_spur_1"] + 5.0
    assert spur["envelope_wheel_1"] < quiet["envelope_wheel_1"] + 5.0
    assert spur["envelope_wheel_half"] < quiet["envelope_wheel_half"] + 5.0


def test_every_second_turn_is_a_half_order(quiet: FeatureVector) -> None:
    halves = extract_features(*spin_up(knocks=4.0, knock_order=WHEEL / 2.0), CAR)
    assert halves["envelope_wheel_half"] > quiet["envelope_wheel_half"] + 10.0


def test_onset_is_the_speed_at_which_knocks_begin() -> None:
    """Knocks above 8 000 motor rpm only: the onset is that speed's wheel rate."""
    take, speed = spin_up(duration_s=20.0)
    loud, _ = spin_up(duration_s=20.0, knocks=60.0)
    time_s = np.arange(take.n_samples) / take.sample_rate_hz
    fast = speed.rpm_at(time_s) > 8000.0
    mixed = replace(take, samples=np.where(fast, loud.samples, take.samples))
    vector = extract_features(mixed, speed, CAR)
    wheel_hz = 8000.0 / 60.0 * WHEEL
    assert vector["rattle_onset_run_up"] == pytest.approx(np.log2(wheel_hz), abs=0.35)
    assert vector["rattle_stop_coast_down"] == pytest.approx(np.log2(wheel_hz), abs=0.35)
    assert vector["peakiness_step"] > 1.0


def noise_like_workings(samples: np.ndarray) -> Workings:
    speed = speed_of(samples.size / 48_000.0)
    return Workings(Take(samples, 48_000.0), speed, CAR)


def test_peakiness_of_gaussian_noise_is_zero_db() -> None:
    """SK of complex Gaussian noise = 0 (check values 4.4, [C] Antoni 2006, [N])."""
    samples = np.random.default_rng(1).standard_normal(48_000 * 10)
    work = noise_like_workings(samples)
    assert np.median(work.frame_peakiness_db) == pytest.approx(0.0, abs=0.15)


def test_peakiness_of_gated_noise() -> None:
    """Bursts of duty d: SK = 2/d − 2 (4.4, [N]), so peakiness = 10 log10(1/d); d = 0.1: 10 dB."""
    rng = np.random.default_rng(2)
    n = 48_000 * 20
    # Bursts of 12 ms every 120 ms, long against the bands' 1 ms answer.
    gate = (np.arange(n) % 5760) < 576
    work = noise_like_workings(rng.standard_normal(n) * gate)
    power = work.bank.power  # the whole row at once: frames hold few bursts
    kurtosis = (power.astype(float) ** 2).mean(axis=1) / power.mean(axis=1, dtype=float) ** 2
    assert 10 * np.log10(np.median(kurtosis) / 2) == pytest.approx(10.0, abs=0.5)


def test_peakiness_of_a_tone_is_minus_3_db() -> None:
    """SK of a tone = −1 (4.4, [N]), so peakiness = 10 log10(1/2)."""
    time_s = np.arange(48_000 * 5) / 48_000.0
    work = noise_like_workings(np.sin(2 * np.pi * 2000.0 * time_s))
    row = int(np.flatnonzero(work.bank.low_hz <= 2000.0)[-1])
    middle = work.frame_peakiness_db[row, 4:-4]
    assert middle == pytest.approx(-10 * np.log10(2), abs=0.02)


def test_band_power_is_parsevals() -> None:
    """White noise: the bank's bands hold their share of the power (4.2 Parseval, [N])."""
    samples = np.random.default_rng(3).standard_normal(48_000 * 10)
    work = noise_like_workings(samples)
    share = (work.bank.high_hz - work.bank.low_hz) / 24_000.0
    # The analytic band signal's squared magnitude is twice the band's mean square.
    np.testing.assert_allclose(work.bank.power.mean(axis=1) / 2.0, share, rtol=0.05)


def test_sidebands_of_a_modulated_mesh() -> None:
    """AM of depth m puts sidebands at m/2 of the carrier: m = 0.4 → −13.98 dB (4.4, [N])."""
    vector = extract_features(*spin_up(spur_modulation=0.4, duration_s=16.0), CAR)
    assert vector["mesh_side_spur"] == pytest.approx(20 * np.log10(0.2), abs=1.0)
    plain = extract_features(*spin_up(duration_s=16.0), CAR)
    assert plain["mesh_side_spur"] < vector["mesh_side_spur"] - 6.0
    assert plain["mesh_am_depth"] < vector["mesh_am_depth"]


def test_time_constant_of_a_viscous_coast_down() -> None:
    """f = f0 exp(−t/τ), τ = 2 s (check values 5, [N]): log2 τ = 1."""
    time_s = np.arange(0.0, 8.0, 0.01)
    rpm = np.where(time_s < 3.0, 6000.0, 6000.0 * np.exp(-(time_s - 3.0) / 2.0))
    phases = (Phase("hold", 0.0, 3.0), Phase("coast_down", 3.0, 8.0))
    speed = SpeedTrack(time_s, rpm, np.ones(800), np.ones(800), phases)
    take = Take(np.random.default_rng(0).standard_normal(8 * 8000), 8000.0)
    vector = extract_features(take, speed, CAR)
    assert vector["coast_down_time_constant"] == pytest.approx(1.0, abs=0.01)


def test_moving_mean_by_hand() -> None:
    np.testing.assert_allclose(
        moving_mean(np.array([1.0, 2.0, 6.0, 3.0]), 3), [1.5, 3, 11 / 3, 4.5]
    )


def test_line_over_background_by_hand() -> None:
    power = np.ones(101)
    power[50] = 100.0
    order = np.arange(101) / 10.0
    line = line_over_background_db(power, order, 5.0, tolerance=0.05, half_width=1.0)
    assert line == pytest.approx(20.0)
    assert line_over_background_db(power, order, 9.9, tolerance=0.05, half_width=1.0) is None
    assert line_over_background_db(np.zeros(101), order, 5.0, 0.05, 1.0) is None


def test_segments_outside_the_phase_are_left_out() -> None:
    values = np.random.default_rng(0).standard_normal(1000)
    inside = np.zeros(1000, dtype=bool)
    power, n = segment_power(values, inside, 100, 50)
    assert n == 0
    assert not power.any()
    inside[300:600] = True
    _, n = segment_power(values, inside, 100, 50)
    assert n == 5
