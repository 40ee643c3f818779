"""What differs between places: patches of the chassis, spots of sensors, mounting."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vibecheck.simulator import ZONES, Accelerometer, draw_accelerometer, draw_car
from vibecheck.simulator.accelerometer import motion_at, record_with_accelerometer, rotation
from vibecheck.simulator.disturbance_forces import radial_channels
from vibecheck.simulator.noise import transmit
from vibecheck.simulator.parameters import JOINTS, N_FORCE_CHANNELS
from vibecheck.simulator.run import Run
from vibecheck.simulator.sound import SPOTS, patch_weights, radiate, spot_position

RATE = 48_000
CARS = [draw_car(seed) for seed in (7, 21, 33)]
CAR = CARS[0]


def still_run(car, seconds: float = 0.5) -> Run:
    n = round(seconds * RATE)
    return Run(
        force=np.zeros((n, N_FORCE_CHANNELS), dtype=np.float32),
        acceleration=np.zeros((n, 6 + car.chassis.mode_frequency_hz.size), dtype=np.float32),
        time_s=np.array([0.0, seconds]),
        motor_rpm=np.zeros(2),
        wheel_rpm=np.zeros((4, 2)),
        motor_turns=np.zeros(2),
        phases=(),
        states={},
        seed=1,
    )


def test_spots_are_the_centre_and_every_zone() -> None:
    assert ("centre", *ZONES) == SPOTS
    places = np.array([spot_position(CAR, spot, 3) for spot in SPOTS])
    assert np.isfinite(places).all()
    # Near its zone, and no two spots alike.
    for index, spot in enumerate(SPOTS[1:]):
        gap = np.linalg.norm(places[index + 1] - CAR.chassis.position[JOINTS.index(spot)])
        assert 0.05 < gap < 0.4
    gaps = np.linalg.norm(places[:, None] - places[None], axis=2) + np.eye(len(SPOTS))
    assert gaps.min() > 0.005


def test_patches_have_unit_power_and_belong_to_the_chassis() -> None:
    for car in CARS:
        weights = patch_weights(car)
        assert weights.shape == (car.modes.area.size, len(JOINTS) + 1)
        chassis = car.modes.group < 0
        assert (weights[chassis] ** 2).sum(axis=1) == pytest.approx(np.ones(chassis.sum()))
        assert not weights[~chassis].any()


def test_the_patch_beside_the_driving_joint_radiates_most() -> None:
    # A struck plate moves most where it is struck: over modes of random shape the shapes at the
    # joint multiply to a square there and to mixed signs elsewhere (common practice, no source).
    own, others = 0.0, 0.0
    for car in CARS:
        weights, drive = patch_weights(car), car.modes.drive
        for joint in ("motor_mount", "gear_mesh", "wheel_front_left", "wheel_rear_right"):
            columns = list(radial_channels(joint))
            power = np.zeros(weights.shape[1])
            for column in columns:
                push = drive[:, column] * car.modes.area / car.modes.mass
                power += ((push[:, None] * weights) ** 2).sum(axis=0)
            own += power[JOINTS.index(joint)] / power.mean()
            others += 1.0
    assert own / others > 1.5


def test_a_force_sounds_louder_beside_its_own_joint() -> None:
    louder = []
    for seed in range(12):
        car = draw_car(seed)
        for joint, far in (
            ("wheel_front_left", "wheel_rear_right"),
            ("wheel_rear_right", "wheel_front_left"),
        ):
            run = still_run(car, 0.1)
            for channel in radial_channels(joint):
                run.force[:, channel] = np.random.default_rng(channel).standard_normal(4800)
            places = np.array([spot_position(car, spot, seed) for spot in (joint, far)])
            near_sound, far_sound = radiate(car, run, places, 1)
            louder.append(20 * math.log10(near_sound.std() / far_sound.std()))
    assert np.mean(louder) > 4.0
    assert np.mean(np.array(louder) > 0.0) > 0.8


def test_sound_reaches_a_place_after_its_way_through_the_air() -> None:
    run = still_run(CAR)
    run.force[1000, radial_channels("gear_mesh")[0]] = 1.0
    place = CAR.chassis.position[JOINTS.index("gear_mesh")] + np.array([0.0, 0.0, 3.43])
    heard = radiate(CAR, run, place[None, :], 1)[0]
    # Distance over 343 m/s (definition), from whatever part of the car is nearest.
    gaps = np.linalg.norm(np.vstack((CAR.chassis.position, np.zeros(3))) - place, axis=1)
    first = int(np.flatnonzero(np.abs(heard) > 1e-9)[0])
    expected = 1000 + np.hypot(gaps, 0.05) / 343.0 * RATE
    assert expected.min() - 1.0 <= first <= 1000 + 3.44 / 343.0 * RATE
    assert expected.min() > 1400.0


def test_a_rigid_chassis_moves_as_one_body_at_every_spot() -> None:
    # a_z = z̈ + φ̈·y - θ̈·x (kinematics of small rotations, no source).
    run = still_run(CAR, 0.02)
    run.acceleration[:, 2] = 1.0
    run.acceleration[:, 3] = 10.0
    run.acceleration[:, 4] = 20.0
    for spot in SPOTS:
        felt = motion_at(CAR, run, spot)[:, -1].astype(np.float64)
        at = np.zeros(3) if spot == "centre" else 0.8 * CAR.chassis.position[JOINTS.index(spot)]
        assert felt[2] == pytest.approx(9.80665 + 1.0 + 10.0 * at[1] - 20.0 * at[0], rel=1e-4)
        assert felt[0] == pytest.approx(20.0 * at[2], abs=1e-4)
        assert felt[1] == pytest.approx(-10.0 * at[2], abs=1e-4)


@pytest.mark.parametrize("joint", ["motor_mount", "wheel_front_left", "battery_hold_down"])
def test_an_accelerometer_feels_a_joint_most_beside_it(joint: str) -> None:
    ratios = []
    for seed in range(12):
        car = draw_car(seed)
        run = still_run(car, 0.05)
        for channel in radial_channels(joint):
            run.force[:, channel] = np.random.default_rng(channel).standard_normal(run.n_samples)
        power = {spot: motion_at(car, run, spot).var(axis=1).sum() for spot in SPOTS}
        ratios.append(power[joint] / np.median([power[s] for s in SPOTS if s != joint]))
    assert np.exp(np.mean(np.log(ratios))) > 1.4
    assert np.mean(np.array(ratios) > 1.0) > 0.7


def test_a_rotation_keeps_lengths_and_turns_by_its_angle() -> None:
    turn = rotation(np.array([0.0, 0.0, math.pi / 2]))
    assert turn @ np.array([1.0, 0.0, 0.0]) == pytest.approx(np.array([0.0, 1.0, 0.0]), abs=1e-12)
    odd = rotation(np.array([0.1, -0.3, 0.2]))
    assert odd @ odd.T == pytest.approx(np.eye(3), abs=1e-12)
    assert rotation(np.zeros(3)) == pytest.approx(np.eye(3))


@pytest.mark.parametrize("hz", [200.0, 1000.0, 2000.0, 6000.0])
def test_a_soft_mount_transmits_as_the_closed_form(hz: float) -> None:
    # |T| = √(1+(2ζr)²)/√((1-r²)²+(2ζr)²). Source: Rao, Mechanical Vibrations, base motion
    # (value from memory).
    clock = np.arange(RATE) / RATE
    passed = transmit(np.sin(2 * np.pi * hz * clock), 1000.0, 0.1)[RATE // 2 :]
    line = 2 * abs((passed * np.exp(-2j * np.pi * hz * clock[RATE // 2 :])).mean())
    r = hz / 1000.0
    expected = math.hypot(1, 0.2 * r) / math.hypot(1 - r**2, 0.2 * r)
    assert line == pytest.approx(expected, rel=0.02 if hz <= 2000.0 else 0.15)
    motion = np.zeros((3, RATE), dtype=np.float32)
    motion[0] = 20.0 * np.sin(2 * np.pi * hz * clock)
    sensor = Accelerometer("soft", 48_000.0, 0.0, mount_hz=1000.0, tilt_rad=0.0, clock_jitter=0.0)
    _, felt = record_with_accelerometer(motion, sensor, 1)
    assert felt[0, RATE // 2 :].std() * math.sqrt(2) == pytest.approx(
        20.0 * line, rel=0.02, abs=0.5
    )


def test_drawn_accelerometers_cover_cheap_and_good_ones() -> None:
    sensors = [draw_accelerometer(seed) for seed in range(120)]
    rates = {sensor.output_rate_hz for sensor in sensors}
    assert min(rates) == 800.0
    assert max(rates) == pytest.approx(6667.0)
    filtered = [sensor.anti_alias_hz > 0.0 for sensor in sensors]
    assert 0.4 < np.mean(filtered) < 0.9
    for sensor in sensors:
        assert sensor.anti_alias_hz < 0.5 * sensor.output_rate_hz
        assert sensor.noise_m_s2_rthz > 0.0
    assert draw_accelerometer(4) == sensors[4]
