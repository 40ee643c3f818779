"""Stage 2 with a known, an unknown and a wrongly known machine."""

from __future__ import annotations

import numpy as np
import pytest
from speed_signals import CAR, LOW, SpinUp, a_car, additive, relative_error, script

from vibecheck.car.profile import Car, Drivetrain, Order
from vibecheck.recording.take import Take
from vibecheck.speed import track_speed
from vibecheck.track import SpeedTrack


@pytest.fixture(scope="module")
def spin() -> SpinUp:
    return additive(script(), -5.0, 1)


@pytest.fixture(scope="module")
def tracked(spin: SpinUp) -> SpeedTrack:
    return track_speed(spin.take(), CAR)


def test_orders_do_as_well_as_a_car(spin: SpinUp) -> None:
    named = [Order("motor", 1.0, "shaft"), Order("electrical", 2.0, "electrical"), 26.0]
    track = track_speed(spin.take(), orders=named)
    error, missed = relative_error(track, spin)
    assert np.median(error) < 1e-3
    assert missed < 0.01
    machine = Car("bench rig", None, None, (Order("shaft", 1.0), Order("teeth", 26.0)), shaft="rig")
    track = track_speed(spin.take(), machine)
    assert track.shaft == "rig"
    assert np.median(relative_error(track, spin)[0]) < 1e-3


@pytest.mark.parametrize("orders", [(1.0, 2.0, 3.0, 4.0), (1.0, 3.0, 5.0), (1.0, 2.0)])
def test_blind_finds_a_harmonic_series(orders: tuple[float, ...]) -> None:
    truth = additive(script(up_s=3.0, hold_s=0.5, down_s=1.5), 0.0, 12, orders)
    track = track_speed(truth.take())
    error, missed = relative_error(track, truth)
    assert np.median(error) < 2e-3
    assert missed < 0.02


def test_blind_does_not_rule_out_a_slower_shaft() -> None:
    # Two blades: orders 2, 4, 6 strong, 3 weak. Blind, the blade pass is heard as the shaft.
    truth = additive(script(up_s=3.0, hold_s=1.0, down_s=1.5), 0.0, 13, (2.0, 3.0, 4.0, 6.0))
    track = track_speed(truth.take())
    speed = truth.at(track.time_s)
    use = track.running & (speed > 1.1 * LOW)
    ratio = np.median(track.rpm[use] / 60 / speed[use])
    assert ratio == pytest.approx(2.0, rel=1e-3)
    found = track.order_ambiguity
    assert found is not None
    assert found.ratio == pytest.approx(0.5)
    assert not found.resolved
    assert "half" in found.message


def test_a_tie_between_one_and_two_is_reported() -> None:
    # Orders 1 and 2 asked for, but only one line heard: it may be either.
    truth = additive(script(up_s=3.0, hold_s=1.0, down_s=1.5), 0.0, 14, (2.0,))
    track = track_speed(truth.take(), orders=[1.0, 2.0])
    found = track.order_ambiguity
    assert found is not None
    assert not found.resolved
    assert found.ratio in (pytest.approx(0.5), pytest.approx(2.0))
    assert track.confidence[track.running].mean() < 0.8


@pytest.mark.parametrize(("pinion", "poles"), [(20, 4), (13, 4), (31, 4), (19, 2)])
def test_a_wrong_car_is_no_confident_lie(pinion: int, poles: int, spin: SpinUp) -> None:
    track = track_speed(spin.take(), a_car(pinion, poles))
    speed = spin.at(track.time_s)
    use = (speed > 1.1 * LOW) & track.running
    wrong = np.abs(track.rpm[use] / 60 / speed[use] - 1) > 0.02
    found = track.order_ambiguity
    admitted = found is not None and not found.resolved
    confident = track.confidence[use][wrong] > 0.9
    assert admitted or np.mean(confident) * np.mean(wrong) < 0.1


def test_the_right_car_is_trusted(tracked: SpeedTrack) -> None:
    assert tracked.order_ambiguity is None or tracked.order_ambiguity.resolved


def test_a_phone_that_hears_the_wheels_alone() -> None:
    # 200 Hz accelerometer, wheels at 40 turns/s: no motor order fits in the band. The bench limit
    # of the car file decides that this is the wheel, at low confidence.
    rate, wheel = 200.0, 40.0
    t = np.arange(round(6 * rate)) / rate
    speed = np.clip(t / 2, 0.0, 1.0) * wheel
    x = np.cos(2 * np.pi * np.cumsum(speed) / rate)
    x = (x + 0.3 * np.random.default_rng(16).standard_normal(t.size)) * (speed > 0)
    train = Drivetrain(4, 2650, 6, 26, 46, 2.85, 104.0, bench_max_wheel_rpm=2600.0)
    track = track_speed(Take(x, rate, sensor="accelerometer"), Car("Saltflat 8", "4wd", train, ()))
    hold = (track.time_s > 2.5) & (track.time_s < 5.5)
    assert track.running[hold].all()
    motor = 60 * wheel * 2.85 * 46 / 26
    assert np.median(track.rpm[hold]) == pytest.approx(motor, rel=0.01)
    assert track.confidence[hold].mean() < 0.6
    found = track.order_ambiguity
    assert found is None or not found.resolved
