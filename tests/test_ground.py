"""Ground: errors, units, the take and the track as values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.arrays import frozen_array
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.errors import CallError, InputError, MissingExtraError, did_you_mean
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack
from vibecheck.units import STANDARD_GRAVITY_M_S2, amplitude_to_db, hz_to_rpm, power_to_db


def test_decibels() -> None:
    # Twice the amplitude 6.0206 dB, twice the power 3.0103 dB, ten times the amplitude 20 dB:
    # recomputed closed forms.
    assert amplitude_to_db([2.0, 10.0]) == pytest.approx([6.0206, 20.0], abs=1e-4)
    assert power_to_db(2.0) == pytest.approx(3.0103, abs=1e-4)
    assert amplitude_to_db(0.0) == -200.0
    # 1 g is 139.830 dB above 1 µm/s² (ISO 1683 reference value; recomputed).
    assert amplitude_to_db(STANDARD_GRAVITY_M_S2 / 1e-6) == pytest.approx(139.830, abs=1e-3)
    assert hz_to_rpm(407.0) == pytest.approx(24_420.0)


def test_errors_say_what_where_and_what_to_do() -> None:
    error = InputError("The pinion has no teeth.", where="car.toml", advice="Count them.")
    assert str(error) == "car.toml: The pinion has no teeth. Count them."
    assert (error.exit_code, CallError("x").exit_code) == (1, 2)
    assert "vibecheck[formats]" in str(MissingExtraError("A Parquet table", "formats"))
    assert did_you_mean("pinion_teath", ["pinion_teeth"]) == ' Did you mean "pinion_teeth"?'
    assert did_you_mean("zzz", ["pinion_teeth"]) == ""


def test_frozen_arrays_leave_the_callers_own_alone() -> None:
    mine = np.zeros(3)
    theirs = frozen_array(mine)
    mine[0] = 1.0
    assert theirs[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        theirs[0] = 2.0


def test_a_take_copies_freezes_and_cuts() -> None:
    samples = np.arange(100, dtype=np.int16)
    take = Take(samples, 10.0)
    assert take.samples.shape == (1, 100)
    assert take.samples.dtype == np.float64
    assert not take.samples.flags.writeable
    part = take.cut(2.0, 4.0)
    assert part.offset_s == pytest.approx(2.0)
    assert part.samples[0, 0] == 20.0
    assert part.duration_s == pytest.approx(2.0)


@pytest.mark.parametrize("samples", [np.zeros(1), np.zeros((2, 1)), np.zeros((2, 2, 2))])
def test_a_take_needs_samples(samples: np.ndarray) -> None:
    with pytest.raises(InputError, match="at least 2 samples"):
        Take(samples, 10.0)


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan"), float("inf")])
def test_a_take_needs_a_rate(rate: float) -> None:
    with pytest.raises(InputError, match="sample_rate_hz must be a positive number"):
        Take(np.zeros(10), rate)


def test_cars_name_what_they_have() -> None:
    car = read_car(shipped_car_path())
    assert car.order("mesh").ratio == 26
    assert car.zone("motor_mount").severity == 3
    assert not car.has_order("belt")
    with pytest.raises(InputError, match='There is no order "mehs"') as caught:
        car.order("mehs")
    assert 'Did you mean "mesh"?' in str(caught.value)
    with pytest.raises(InputError, match='There is no zone "wing"'):
        car.zone("wing")


@given(st.floats(1.0, 60.0), st.floats(-5.0, 40.0))
def test_turns_of_a_linear_ramp(start_hz: float, slope: float) -> None:
    # Closed form: f0 t + k t² / 2; the trapezoid rule is exact for a linear speed.
    time = np.linspace(0.0, 1.0, 51)
    rate = start_hz + slope * time
    rate = np.maximum(rate, 0.0)
    if (rate == 0).any():
        return
    track = SpeedTrack(time, 60 * rate, 0 * rate, 0 * rate + 1)
    assert track.revolutions[-1] == pytest.approx(start_hz + slope / 2, rel=1e-9)


def test_track_finds_its_phases() -> None:
    time = np.arange(0.0, 4.0, 0.1)
    phases = (Phase("idle", 0.0, 1.0), Phase("run_up", 1.0, 3.0), Phase("idle", 3.0, 4.0))
    rpm = np.where((time >= 1.0) & (time < 3.0), 600.0, 0.0)
    track = SpeedTrack(time, rpm, 0 * rpm, 0 * rpm + 1, phases)
    assert np.array_equal(track.in_phase("run_up"), track.running)
    assert len(track.phases_named("idle")) == 2
    assert phases[1].duration_s == pytest.approx(2.0)
    assert track.rpm_at(2.0) == 600.0
