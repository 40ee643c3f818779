"""From moving parts to sound at a place near the car.

Pressures are in Pa. A part of area S that accelerates by a sounds like a small source:
p = ρ·S·a/(4π·r) at distance r (monopole; directions are drawn).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError, did_you_mean
from vibecheck.simulator.disturbance_forces import radial_channels
from vibecheck.simulator.noise import pressure, shaped_noise
from vibecheck.simulator.parameters import JOINTS, WHEELS, SimulatedCar
from vibecheck.simulator.run import RECORD_RATE_HZ, Run

Array = NDArray[np.float64]

AIR_DENSITY = 1.2
SPEED_OF_SOUND = 343.0
CENTRE = "centre"
SPOTS = (CENTRE, *JOINTS)
BLOCK = 16_384


def spot_position(car: SimulatedCar, spot: str, seed: int) -> Array:
    """Return where a sensor lies, in m from the car's centre of gravity.

    A phone at the centre lies or is held 15 to 50 cm above the car, elsewhere 10 to 35 cm from
    its zone, beside the car and out of the wheels' planes.

    Raises
    ------
    CallError
        If the spot is neither ``"centre"`` nor a zone of the model.
    """
    rng = np.random.default_rng([seed, 43])
    wobble = rng.normal(0.0, 0.02, 3)
    if spot == CENTRE:
        height = math.exp(rng.uniform(math.log(0.15), math.log(0.5)))
        place = np.array([rng.normal(0.0, 0.03), rng.normal(0.0, 0.03), height])
    elif spot in JOINTS:
        zone = car.chassis.position[JOINTS.index(spot)]
        side = 1.0 if zone[1] >= 0.0 else -1.0
        if spot.startswith("wheel"):
            forward = 1.0 if zone[0] >= 0.0 else -1.0
            place = zone + np.array(
                [forward * rng.uniform(0.08, 0.20), side * rng.uniform(0.05, 0.18), 0.04]
            )
        else:
            place = zone + np.array([0.0, side * rng.uniform(0.03, 0.12), rng.uniform(0.1, 0.28)])
    else:
        raise CallError(
            f'The simulator has no spot "{spot}".{did_you_mean(spot, SPOTS)}',
            advice=f"Known spots: {', '.join(SPOTS)}.",
        )
    result: Array = place + wobble
    return result


def speed_at_rate(run: Run) -> tuple[Array, Array]:
    """Motor and fastest wheel's rpm at the record rate."""
    clock = np.arange(run.n_samples) / RECORD_RATE_HZ
    motor = np.interp(clock, run.time_s, run.motor_rpm)
    wheel = np.interp(clock, run.time_s, run.wheel_rpm.max(axis=0))
    return np.maximum(motor, 0.0), np.maximum(wheel, 0.0)


def with_roughness(car: SimulatedCar, run: Run, seed: int) -> Run:
    """Return the run with the broadband forces of bearings and sliding teeth, as speed grows."""
    rng = np.random.default_rng([seed, 45])
    motor, wheel = speed_at_rate(run)
    size = np.random.default_rng([car.seed, 44])
    scale = {
        "wheel": size.uniform(0.004, 0.04),
        "motor_mount": math.exp(size.uniform(math.log(0.01), math.log(0.12))),
        "gear_mesh": math.exp(size.uniform(math.log(0.01), math.log(0.12))),
    }
    force = run.force.copy()
    wheel_share = (wheel / 4000.0) ** 1.2
    motor_share = (motor / 20000.0) ** 1.2
    for joint in (*WHEELS, "motor_mount", "gear_mesh"):
        if joint in WHEELS:
            turns = run.wheel_rpm[WHEELS.index(joint)].max() > 0.0
            level = scale["wheel"] * turns * wheel_share
        else:
            level = scale[joint] * motor_share
        level = level.astype(np.float32)
        for channel in radial_channels(joint):
            force[:, channel] += level * rng.standard_normal(run.n_samples, dtype=np.float32)
    return replace(run, force=force)


def patch_weights(car: SimulatedCar) -> Array:
    """How strongly each chassis mode moves each radiating patch, shape (n_modes, n_joints + 1).

    A patch lies at every joint, the last one at the centre. A mode moves a patch as its shape
    says, so the patch beside the joint that drives it sounds most, and patches that move
    against each other cancel in part. Rows of modes of single zones are 0; the others have
    unit power, so that a mode's area keeps its meaning.
    """
    bank = car.modes
    weights = np.roll(bank.patch, -1, axis=1)
    power = np.sqrt((weights**2).sum(axis=1, keepdims=True))
    chassis = bank.group[:, None] < 0
    result: Array = np.where(chassis, weights / np.maximum(power, 1e-12), 0.0)
    return result


def _plate_areas(car: SimulatedCar) -> Array:
    """Radiating area of each patch per chassis acceleration, shape (6 + n_flexible, n_patches).

    The rigid body is a weak source (both sides of the plate nearly cancel); the flexible modes
    move each patch by their vertical shape at its joint.
    """
    rng = np.random.default_rng([car.seed, 46])
    n_flexible = car.chassis.mode_frequency_hz.size
    patches = np.vstack((car.chassis.position, np.zeros((1, 3))))
    areas = np.zeros((6 + n_flexible, patches.shape[0]))
    share = 1.0 / patches.shape[0]
    areas[2] = 0.001 * share
    areas[3] = 0.001 * share * patches[:, 1]
    areas[4] = -0.001 * share * patches[:, 0]
    shape = np.hstack((car.chassis.mode_shape[:, :, 2], rng.normal(0.0, 1.0, (n_flexible, 1))))
    shape /= np.sqrt((shape**2).sum(axis=1, keepdims=True))
    areas[6:] = shape * rng.uniform(0.0004, 0.0025, (n_flexible, 1))
    return areas


def radiate(car: SimulatedCar, run: Run, places: Array, seed: int) -> NDArray[np.float32]:
    """Return the car's sound at several places.

    Parts of a zone sound from their joint. The chassis sounds from patches at every joint and
    at the centre, each at its own distance and delay, so that places hear different mixtures.

    Parameters
    ----------
    places : ndarray, shape (n_places, 3)

    Returns
    -------
    ndarray, shape (n_places, n_samples), float32
        Pressure in Pa of the direct sound.
    """
    from vibecheck.simulator.ringing import resonator_coefficients, ring

    rng = np.random.default_rng([seed, 55])
    bank = car.modes
    n = run.n_samples
    n_places = places.shape[0]
    sources = np.vstack((car.chassis.position, np.zeros((1, 3))))
    n_sources = sources.shape[0]
    distance = np.linalg.norm(sources[:, None, :] - places[None, :, :], axis=2)
    # Sound of extended parts: never nearer than their size.
    distance = np.sqrt(distance**2 + 0.05**2)
    spread = AIR_DENSITY / (4.0 * math.pi * distance)
    lag = np.round(distance / SPEED_OF_SOUND * RECORD_RATE_HZ).astype(np.int64)

    zone = np.flatnonzero(bank.group >= 0)
    chassis = np.flatnonzero(bank.group < 0)
    order = np.concatenate((zone, chassis))
    coefficients = resonator_coefficients(
        bank.frequency_hz[order], bank.damping[order], bank.mass[order], RECORD_RATE_HZ
    )
    drive_map = bank.drive[order].astype(np.float32)
    zone_group = np.ascontiguousarray(bank.group[zone])
    zone_gain = np.empty((zone.size, n_places))
    for place in range(n_places):
        direction = _direction(car, places[place])[zone]
        zone_gain[:, place] = bank.area[zone] * spread[zone_group, place] * direction
    patch_gain = bank.area[chassis, None] * patch_weights(car)[chassis]
    plate = _plate_areas(car).astype(np.float32)
    n_zone = zone.size
    state = np.zeros((order.size, 3))
    out = np.zeros((n_places, n), dtype=np.float32)
    for start in range(0, n, BLOCK):
        stop = min(start + BLOCK, n)
        drive: NDArray[np.float32] = np.ascontiguousarray(drive_map @ run.force[start:stop].T)
        line = np.empty(stop - start, dtype=np.float32)
        # From each joint's own parts, per place; and from each patch, the same for all places.
        parts = np.zeros((n_sources, n_places, stop - start), dtype=np.float32)
        patches = np.zeros((1, n_sources, stop - start), dtype=np.float32)
        ring(
            drive[:n_zone], coefficients[:n_zone], state[:n_zone], zone_gain, zone_group,
            line, parts,
        )  # fmt: skip
        ring(
            drive[n_zone:], coefficients[n_zone:], state[n_zone:], patch_gain,
            np.zeros(chassis.size, dtype=np.int64), line, patches,
        )  # fmt: skip
        patches[0] += plate.T @ run.acceleration[start:stop].T
        for place in range(n_places):
            for source in range(n_sources):
                first = start + lag[source, place]
                last = min(stop + lag[source, place], n)
                if first >= n:
                    continue
                heard = parts[source, place, : last - first]
                heard += np.float32(spread[source, place]) * patches[0, source, : last - first]
                out[place, first:last] += heard
    for place in range(n_places):
        out[place] += _air_noise(car, run, distance[:, place], rng)
    return out


def _direction(car: SimulatedCar, place: Array) -> Array:
    """Directivity of each mode towards a place: a fixed draw per car, blended by nearness."""
    corners = np.vstack((np.array([[0.0, 0.0, 0.25]]), car.chassis.position))
    nearness = np.exp(-0.5 * (np.linalg.norm(corners - place, axis=1) / 0.15) ** 2) + 1e-6
    weight = nearness / np.sqrt((nearness**2).sum())
    result: Array = car.modes.direction @ weight
    return result


def _air_noise(
    car: SimulatedCar, run: Run, distance: Array, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Tyres and motor fan: broadband, rising steeply with speed.

    The tread of a tyre is never quite even, so its noise swells once a turn.
    """
    motor, wheel = speed_at_rate(run)
    size = np.random.default_rng([car.seed, 47])
    tyre_db = size.uniform(42.0, 68.0) + (3.0 if car.scale == "eighth" else 0.0)
    fan_db = size.uniform(34.0, 62.0)
    exponent, fan_exponent = size.uniform(1.8, 3.2), size.uniform(1.6, 2.8)
    tyre_low, tyre_high = size.uniform(120.0, 600.0), size.uniform(1200.0, 7000.0)
    fan_low, fan_high = size.uniform(600.0, 3000.0), size.uniform(5000.0, 16000.0)
    swell, uneven = size.uniform(0.0, 0.35), size.uniform(0.0, 2.0 * math.pi)
    near = np.where(car.driven, 0.25 / distance[: len(WHEELS)], 0.0)
    n = run.n_samples
    tyre = shaped_noise(rng, n, tyre_low, tyre_high, 0.5)
    fan = shaped_noise(rng, n, fan_low, fan_high, 0.5)
    loud = pressure(tyre_db) * float(np.sqrt((near**2).sum())) * (wheel / 4000.0) ** exponent
    turn = 2.0 * math.pi / (60.0 * RECORD_RATE_HZ) * np.cumsum(wheel)
    loud *= 1.0 + swell * np.sin(turn + uneven)
    out: NDArray[np.float32] = tyre * loud.astype(np.float32)
    near_fan = 0.25 / distance[JOINTS.index("motor_mount")]
    loud = pressure(fan_db) * near_fan * (motor / 20000.0) ** fan_exponent
    out += fan * loud.astype(np.float32)
    return out
