"""Simulate labelled recordings of an invented car on the bench."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.errors import CallError
from vibecheck.simulator.accelerometer import (
    Accelerometer,
    draw_accelerometer,
    motion_at,
    record_with_accelerometer,
)
from vibecheck.simulator.disturbance_forces import disturbed
from vibecheck.simulator.disturbances import NO_DISTURBANCES, Disturbances
from vibecheck.simulator.knocks import draw_knocks, knock_motion, knock_sound
from vibecheck.simulator.parameters import SimulatedCar
from vibecheck.simulator.phone import Phone, applied_codec, draw_phone, record_with_phone
from vibecheck.simulator.room import Surroundings, add_room, draw_surroundings
from vibecheck.simulator.run import Run, run_car
from vibecheck.simulator.script import Phase, ThrottleScript
from vibecheck.simulator.second_car import second_car_sound
from vibecheck.simulator.sound import radiate, spot_position, with_roughness
from vibecheck.simulator.states import Conditions, FastenerState

Sensor = Literal["microphone", "accelerometer"]


@dataclass(frozen=True, eq=False)
class Truth:
    """What really happened in a simulated take.

    Attributes
    ----------
    time_s, motor_rpm : ndarray
        True motor speed.
    wheel_rpm : ndarray, shape (4, n)
    motor_turns : ndarray
        Angle of the motor in turns.
    states : mapping of zone to FastenerState
        As asked for, snug where nothing was asked.
    phases : tuple of Phase
        As driven.
    seed : int
    disturbances : Disturbances
        What else sounded odd; nothing of it is loose.
    """

    time_s: NDArray[np.float64]
    motor_rpm: NDArray[np.float64]
    wheel_rpm: NDArray[np.float64]
    motor_turns: NDArray[np.float64]
    states: Mapping[str, FastenerState]
    phases: tuple[Phase, ...]
    seed: int
    disturbances: Disturbances = NO_DISTURBANCES


@dataclass(frozen=True, eq=False)
class SimulatedRecording:
    """One simulated take with its truth; origin is always ``"simulated"``.

    Attributes
    ----------
    samples : ndarray, shape (n_channels, n_samples), read-only
        Fractions of full scale (float32), or m/s² (float64).
    sample_rate_hz : float
        Nominal rate.
    time_s : ndarray or None
        Time stamps of an accelerometer.
    codec : str
        Lossy compression a phone's take really got, as ``"aac 64 kbit/s"``; ``""`` for none
        (also where the phone has a codec but this machine has no encoder).
    """

    samples: NDArray[np.float32] | NDArray[np.float64]
    sample_rate_hz: float
    sensor: Sensor
    unit: str
    spot: str
    device: str
    truth: Truth
    time_s: NDArray[np.float64] | None = None
    codec: str = ""


def _truth(run: Run, disturbances: Disturbances) -> Truth:
    return Truth(
        time_s=frozen_array(run.time_s),
        motor_rpm=frozen_array(run.motor_rpm),
        wheel_rpm=frozen_array(run.wheel_rpm),
        motor_turns=frozen_array(run.motor_turns),
        states=run.states,
        phases=run.phases,
        seed=run.seed,
        disturbances=disturbances,
    )


def simulate_spots(
    car: SimulatedCar,
    states: Mapping[str, FastenerState],
    script: ThrottleScript,
    spots: Sequence[tuple[Sensor, str]],
    seed: int,
    *,
    phone: Phone | None = None,
    accelerometer: Accelerometer | None = None,
    conditions: Conditions | None = None,
    surroundings: Surroundings | None = None,
    disturbances: Disturbances | None = None,
) -> tuple[SimulatedRecording, ...]:
    """Simulate one run recorded by several sensors at once: integrated once, heard many times.

    Parameters
    ----------
    car : SimulatedCar
    states : mapping of zone to FastenerState
        Zones that are absent are snug.
    script : ThrottleScript
    spots : sequence of (sensor, spot)
        Sensor ``"microphone"`` or ``"accelerometer"``; spot ``"centre"`` or a zone's name.
    seed : int
        The same seed gives the same recordings, bit for bit, on the same machine.
    phone, accelerometer : optional
        Drawn from the seed where absent.
    conditions : Conditions, optional
        Unbalance, backlash, temperature.
    surroundings : Surroundings, optional
        Drawn from the seed where absent.
    disturbances : Disturbances, optional
        A worn bearing, a stone, a rubbing wire, a second car; none where absent. They leave the
        car's motion as it is.

    Returns
    -------
    tuple of SimulatedRecording
        In the order of `spots`.

    Raises
    ------
    CallError
        If a zone, spot or sensor is unknown, or the motion grows without bound.
    MissingExtraError
        If numba is not installed.
    """
    for sensor, _ in spots:
        if sensor not in ("microphone", "accelerometer"):
            raise CallError(
                f'sensor must be "microphone" or "accelerometer". Got {sensor!r} instead.'
            )
    own_seed = [
        int(np.random.SeedSequence([seed, index]).generate_state(1)[0])
        for index in range(len(spots))
    ]
    places = [spot_position(car, spot, own_seed[i]) for i, (_, spot) in enumerate(spots)]
    run = run_car(car, states, script, seed, conditions)
    disturbances = disturbances or NO_DISTURBANCES
    truth = _truth(run, disturbances)
    run = disturbed(car, with_roughness(car, run, seed), disturbances, seed)
    listening = [i for i, (sensor, _) in enumerate(spots) if sensor == "microphone"]
    sounds: dict[int, NDArray[np.float32]] = {}
    if listening:
        direct = radiate(car, run, np.array([places[i] for i in listening]), seed)
        sounds = dict(zip(listening, direct, strict=True))
    phone = phone or draw_phone(seed)
    accelerometer = accelerometer or draw_accelerometer(seed)
    surroundings = surroundings or draw_surroundings(seed)
    knocks = draw_knocks(surroundings, run.n_samples, seed)
    beside, beside_m = None, 1.0
    if disturbances.second_car is not None and listening:
        beside_m = disturbances.second_car.distance_m
        beside = second_car_sound(disturbances.second_car, run.n_samples, seed)
    recordings = []
    for index, (sensor, spot) in enumerate(spots):
        own = own_seed[index]
        if sensor == "microphone":
            sound = add_room(sounds[index], surroundings, own, beside, beside_m)
            if knocks:
                sound += knock_sound(knocks, run.n_samples, seed)
            samples = record_with_phone(sound, phone, own)
            recordings.append(
                SimulatedRecording(
                    samples=frozen_array(samples[None, :], copy=False),
                    sample_rate_hz=float(phone.sample_rate_hz),
                    sensor="microphone",
                    unit="full_scale",
                    spot=spot,
                    device=phone.name,
                    truth=truth,
                    codec=applied_codec(phone),
                )
            )
        else:
            motion = motion_at(car, run, spot)
            motion[2] += knock_motion(knocks, run.n_samples)
            time_s, reading = record_with_accelerometer(motion, accelerometer, own)
            recordings.append(
                SimulatedRecording(
                    samples=frozen_array(reading, copy=False),
                    sample_rate_hz=accelerometer.output_rate_hz,
                    sensor="accelerometer",
                    unit="m/s^2",
                    spot=spot,
                    device=accelerometer.name,
                    truth=truth,
                    time_s=frozen_array(time_s, copy=False),
                )
            )
    return tuple(recordings)


def simulate(
    car: SimulatedCar,
    states: Mapping[str, FastenerState],
    script: ThrottleScript,
    seed: int,
    *,
    sensor: Sensor = "microphone",
    spot: str = "centre",
    phone: Phone | None = None,
    accelerometer: Accelerometer | None = None,
    conditions: Conditions | None = None,
    surroundings: Surroundings | None = None,
    disturbances: Disturbances | None = None,
) -> SimulatedRecording:
    """Simulate one take by one sensor at one spot; see `simulate_spots`."""
    return simulate_spots(
        car,
        states,
        script,
        [(sensor, spot)],
        seed,
        phone=phone,
        accelerometer=accelerometer,
        conditions=conditions,
        surroundings=surroundings,
        disturbances=disturbances,
    )[0]
