"""Features on every kind of take: defined, finite, level-free, and missing where they must be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from spin_ups import BARE, CAR, spin_up

from vibecheck.features.catalogue import CATALOGUE, CATALOGUE_VERSION, NAMES
from vibecheck.features.extract import extract_features
from vibecheck.features.vector import FeatureVector
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack


def observed(vector: FeatureVector, name: str) -> bool:
    return not vector.missing[vector.names.index(name)]


def is_sound(vector: FeatureVector) -> None:
    assert vector.names == NAMES
    assert vector.catalogue_version == CATALOGUE_VERSION
    assert np.isfinite(vector.values).all()
    neutral = np.array([spec.neutral for spec in CATALOGUE])
    np.testing.assert_array_equal(vector.values[vector.missing], neutral[vector.missing])


@pytest.fixture(scope="module")
def usual() -> tuple[Take, SpeedTrack, FeatureVector]:
    take, speed = spin_up()
    return take, speed, extract_features(take, speed, CAR)


def test_a_usual_take_shows_everything(usual: tuple[Take, SpeedTrack, FeatureVector]) -> None:
    _take, _speed, vector = usual
    is_sound(vector)
    assert not vector.missing.any(), [n for n in NAMES if not observed(vector, n)]


def test_it_repeats_exactly(usual: tuple[Take, SpeedTrack, FeatureVector]) -> None:
    take, speed, vector = usual
    np.testing.assert_array_equal(extract_features(take, speed, CAR).values, vector.values)


@pytest.mark.parametrize("gain", [0.1, 7.3])
def test_a_gain_changes_nothing(usual: tuple[Take, SpeedTrack, FeatureVector], gain: float) -> None:
    take, speed, vector = usual
    louder = replace(take, samples=take.samples * gain)
    again = extract_features(louder, speed, CAR)
    np.testing.assert_array_equal(again.missing, vector.missing)
    np.testing.assert_allclose(again.values, vector.values, rtol=1e-6, atol=1e-6)


def test_silence_has_no_features() -> None:
    take, speed = spin_up(duration_s=4.0)
    silent = replace(take, samples=np.zeros_like(take.samples))
    vector = extract_features(silent, speed, CAR)
    is_sound(vector)
    assert vector.missing.all()


def test_constant_offset_alone_is_silence() -> None:
    take, speed = spin_up(duration_s=4.0)
    vector = extract_features(replace(take, samples=np.full_like(take.samples, 0.25)), speed, CAR)
    assert vector.missing.all()


def test_a_shaft_at_rest_has_no_features() -> None:
    take, speed = spin_up(duration_s=4.0)
    still = replace(speed, rpm=np.zeros_like(speed.rpm), sd_rpm=np.zeros_like(speed.rpm))
    assert extract_features(take, still, CAR).missing.all()


def test_an_empty_speed_track_has_no_features() -> None:
    take, _ = spin_up(duration_s=2.0)
    nothing = SpeedTrack(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
    assert extract_features(take, nothing, CAR).missing.all()


def test_telephone_sound_misses_what_it_cannot_hold() -> None:
    take, speed = spin_up(sample_rate_hz=8000.0)
    vector = extract_features(take, speed, CAR)
    is_sound(vector)
    assert not observed(vector, "peakiness_top_running")
    assert not observed(vector, "peakiness_high_hold")
    assert observed(vector, "peakiness_mid_hold")
    assert observed(vector, "envelope_wheel_1")
    assert observed(vector, "line_motor_1")


def test_a_coded_take_is_only_believed_below_its_cut_off() -> None:
    take, speed = spin_up()
    vector = extract_features(replace(take, bandwidth_hz=7000.0), speed, CAR)
    is_sound(vector)
    assert not observed(vector, "peakiness_top_running")
    assert observed(vector, "peakiness_mid_hold")


@pytest.mark.parametrize("sample_rate_hz", [60.0, 400.0, 1600.0, 3200.0])
def test_accelerometers_of_low_rate(sample_rate_hz: float) -> None:
    take, speed = spin_up(sample_rate_hz=sample_rate_hz, sensor="accelerometer", n_channels=3)
    vector = extract_features(take, speed, CAR)
    is_sound(vector)
    assert not observed(vector, "peakiness_mid_hold")
    assert not observed(vector, "mesh_level")
    assert observed(vector, "coast_down_time_constant")
    assert observed(vector, "line_wheel_1") == (sample_rate_hz > 60.0)
    assert observed(vector, "line_motor_1") == (sample_rate_hz >= 1600.0)
    assert observed(vector, "peakiness_low_running") == (sample_rate_hz >= 3200.0)


def test_dead_axes_do_not_count() -> None:
    take, speed = spin_up(sensor="accelerometer", n_channels=3, sample_rate_hz=6400.0)
    samples = np.array(take.samples)
    samples[1:] = 0.0
    three = extract_features(replace(take, samples=samples), speed, CAR)
    one = extract_features(replace(take, samples=samples[:1], channel_names=("x",)), speed, CAR)
    np.testing.assert_allclose(three.values, one.values, rtol=1e-6)


def test_the_live_channel_of_a_stereo_take_is_heard() -> None:
    take, speed = spin_up(duration_s=6.0)
    stereo = np.concatenate([np.zeros_like(take.samples), take.samples])
    vector = extract_features(Take(stereo, take.sample_rate_hz), speed, CAR)
    np.testing.assert_allclose(vector.values, extract_features(take, speed, CAR).values, rtol=1e-6)


@pytest.mark.parametrize("duration_s", [0.2, 1.5])
def test_a_short_take(duration_s: float) -> None:
    take, speed = spin_up(duration_s=duration_s)
    is_sound(extract_features(take, speed, CAR))


def test_a_bare_machine_has_no_features_of_a_drivetrain() -> None:
    take, speed = spin_up()
    for car in (BARE, None):
        vector = extract_features(take, speed, car)
        is_sound(vector)
        for spec in CATALOGUE:
            if spec.shaft != "none":
                assert not observed(vector, spec.name), spec.name
        assert observed(vector, "peakiness_mid_hold")


def test_missing_phases_are_missing_features() -> None:
    take, speed = spin_up()
    without = replace(
        speed, phases=tuple(phase for phase in speed.phases if phase.name != "coast_down")
    )
    vector = extract_features(take, without, CAR)
    is_sound(vector)
    assert not observed(vector, "peakiness_mid_coast_down")
    assert not observed(vector, "rattle_stop_coast_down")
    assert not observed(vector, "overlay_motor_1")
    assert not observed(vector, "coast_down_time_constant")
    assert observed(vector, "peakiness_mid_hold")


def test_doubtful_speed_is_left_out() -> None:
    take, speed = spin_up()
    doubtful = replace(speed, confidence=np.full(speed.time_s.size, 0.2))
    assert extract_features(take, doubtful, CAR).missing.all()


def test_infinite_and_missing_samples_do_not_spread() -> None:
    take, speed = spin_up(duration_s=4.0)
    samples = np.array(take.samples)
    samples[0, 1000:1005] = np.nan
    samples[0, 2000] = np.inf
    is_sound(extract_features(replace(take, samples=samples), speed, CAR))
