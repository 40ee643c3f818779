"""From moving parts to sound at a place near the car.

Pressures are in Pa. A part of area S that accelerates by a sounds like a small source:
p = ρ·S·a/(4π·r) at distance r (monopole; directions are drawn).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError, did_you_mean
from vibecheck.simulator.noise import pressure, shaped_noise
from vibecheck.simulator.parameters import JOINTS, N_FORCE_CHANNELS, SimulatedCar
from vibecheck.simulator.run import RECORD_RATE_HZ, Run

Array = NDArray[np.float64]

AIR_DENSITY = 1.2
SPEED_OF_SOUND = 343.0
CENTRE = "centre"
SPOTS = (CENTRE, *JOINTS)
BLOCK = 16_384


def spot_position(car: SimulatedCar, spot: str, seed: int) -> Array:
    """Return where a sensor lies, in m from the car's centre of gravity.

    A phone lies 15 to 30 cm from its zone, beside the car and out of the wheels' planes.

    Raises
    ------
    CallError
        If the spot is neither ``"centre"`` nor a zone of the model.
    """
    rng = np.random.default_rng([seed, 43])
    wobble = rng.normal(0.0, 0.02, 3)
    if spot == CENTRE:
        place = np.array([0.0, 0.0, rng.uniform(0.18, 0.30)])
    elif spot in JOINTS:
        zone = car.chassis.position[JOINTS.index(spot)]
        side = 1.0 if zone[1] >= 0.0 else -1.0
        if spot.startswith("wheel"):
            forward = 1.0 if zone[0] >= 0.0 else -1.0
            place = zone + np.array(
                [forward * rng.uniform(0.08, 0.14), side * rng.uniform(0.05, 0.11), 0.04]
            )
        else:
            place = zone + np.array([0.0, side * rng.uniform(0.03, 0.08), rng.uniform(0.1, 0.18)])
    else:
        raise CallError(
            f'The simulator has no spot "{spot}".{did_you_mean(spot, SPOTS)}',
            advice=f"Known spots: {', '.join(SPOTS)}.",
        )
    result: Array = place + wobble
    return result


def _speed_at_rate(run: Run) -> tuple[Array, Array]:
    """Motor and mean driven-wheel rpm at the record rate."""
    clock = np.arange(run.n_samples) / RECORD_RATE_HZ
    motor = np.interp(clock, run.time_s, run.motor_rpm)
    wheel = np.interp(clock, run.time_s, run.wheel_rpm.max(axis=0))
    return np.maximum(motor, 0.0), np.maximum(wheel, 0.0)


def _rough_forces(car: SimulatedCar, run: Run, rng: np.random.Generator) -> NDArray[np.float32]:
    """Broadband forces of bearings and sliding teeth, growing with speed."""
    motor, wheel = _speed_at_rate(run)
    size = np.random.default_rng([car.seed, 44])
    noise = np.zeros((run.n_samples, N_FORCE_CHANNELS), dtype=np.float32)
    scale = {
        0: size.uniform(0.004, 0.04),
        24: math.exp(size.uniform(math.log(0.01), math.log(0.12))),
        30: math.exp(size.uniform(math.log(0.01), math.log(0.12))),
    }
    for i in range(4):
        share = (run.wheel_rpm[i].max() > 0.0) * (wheel / 4000.0) ** 1.2
        for axis in (0, 2):
            noise[:, 6 * i + axis] = (
                scale[0] * share * rng.standard_normal(run.n_samples, dtype=np.float32)
            )
    share = (motor / 20000.0) ** 1.2
    for first in (24, 30):
        for axis in (0, 1):
            noise[:, first + axis] = (
                scale[first] * share * rng.standard_normal(run.n_samples, dtype=np.float32)
            )
    return noise


def radiate(car: SimulatedCar, run: Run, places: Array, seed: int) -> NDArray[np.float32]:
    """Return the car's sound at several places.

    Parameters
    ----------
    places : ndarray, shape (n_places, 3)

    Returns
    -------
    ndarray, shape (n_places, n_samples), float32
        Pressure in Pa of the direct sound.
    """
    from vibecheck.simulator.ringing import resonator_coefficients, ring

    rng = np.random.default_rng([seed, 45])
    bank = car.modes
    n = run.n_samples
    n_places = places.shape[0]
    force: NDArray[np.float32] = run.force + _rough_forces(car, run, rng)
    drive_map = bank.drive.astype(np.float32)
    coefficients = resonator_coefficients(
        bank.frequency_hz, bank.damping, bank.mass, RECORD_RATE_HZ
    )
    sources = np.vstack((car.chassis.position, np.zeros((1, 3))))
    group = np.where(bank.group >= 0, bank.group, sources.shape[0] - 1).astype(np.int64)
    distance = np.linalg.norm(sources[:, None, :] - places[None, :, :], axis=2)
    # Sound of extended parts: never nearer than their size.
    distance = np.sqrt(distance**2 + 0.05**2)
    spread = AIR_DENSITY / (4.0 * math.pi * distance)
    gain = np.empty((bank.area.size, n_places))
    for place in range(n_places):
        gain[:, place] = bank.area * spread[group, place] * _direction(car, places[place])
    heard = np.zeros((sources.shape[0], n_places, n), dtype=np.float32)
    state = np.zeros((bank.area.size, 3))
    for start in range(0, n, BLOCK):
        stop = min(start + BLOCK, n)
        drive: NDArray[np.float32] = np.ascontiguousarray(drive_map @ force[start:stop].T)
        line = np.empty(stop - start, dtype=np.float32)
        ring(drive, coefficients, state, gain, group, line, heard[:, :, start:stop])
    # The chassis itself: plate modes below the bank, and the rigid heave (a weak dipole).
    plate = np.random.default_rng([car.seed, 46])
    areas = np.concatenate(([0.0002, 0.0002, 0.001, 0.0, 0.0, 0.0], np.zeros(0)))
    areas = np.concatenate((areas, plate.uniform(0.0004, 0.0025, run.acceleration.shape[1] - 6)))
    signs = plate.choice([-1.0, 1.0], areas.size)
    body = run.acceleration @ (areas * signs).astype(np.float32)
    out = np.zeros((n_places, n), dtype=np.float32)
    for place in range(n_places):
        out[place] += np.float32(spread[-1, place]) * body
        for source in range(sources.shape[0]):
            lag = round(distance[source, place] / SPEED_OF_SOUND * RECORD_RATE_HZ)
            out[place, lag:] += heard[source, place, : n - lag]
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
    """Tyres and motor fan: broadband, rising steeply with speed."""
    motor, wheel = _speed_at_rate(run)
    size = np.random.default_rng([car.seed, 47])
    tyre_db = size.uniform(46.0, 66.0) + (3.0 if car.scale == "eighth" else 0.0)
    fan_db = size.uniform(38.0, 58.0)
    exponent = size.uniform(2.2, 3.0)
    tyre_low, tyre_high = size.uniform(150.0, 400.0), size.uniform(1500.0, 5000.0)
    fan_low, fan_high = size.uniform(800.0, 2500.0), size.uniform(6000.0, 14000.0)
    near = float(np.mean(0.25 / distance[:4]))
    n = run.n_samples
    tyre = shaped_noise(rng, n, tyre_low, tyre_high, 0.5)
    fan = shaped_noise(rng, n, fan_low, fan_high, 0.5)
    out = tyre * (pressure(tyre_db) * near * (wheel / 4000.0) ** exponent).astype(np.float32)
    out += fan * (pressure(fan_db) * (0.25 / distance[4]) * (motor / 20000.0) ** 2.2).astype(
        np.float32
    )
    return out
