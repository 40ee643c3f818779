"""One run: integrate the motion of a car through a throttle script."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError
from vibecheck.simulator.parameters import N_FORCE_CHANNELS, SimulatedCar
from vibecheck.simulator.script import Phase, ThrottleScript, speed_spread
from vibecheck.simulator.states import Conditions, FastenerState, draw_sitting

INTERNAL_RATE_HZ = 96_000
RECORD_RATE_HZ = 48_000
STEPS_PER_CONTROL = 128
SETTLE_S = 0.4
N_TAPS = 39


@dataclass(frozen=True, eq=False)
class Run:
    """What moved: joint forces and accelerations of one run, with the truth.

    Attributes
    ----------
    force : ndarray, shape (n_samples, n_channels), float32
        Joint forces in N (moments in N·m), at `RECORD_RATE_HZ`, without their mean at rest.
    acceleration : ndarray, shape (n_samples, 6 + n_modes), float32
        Of the chassis and its flexible modes.
    motor_rpm, wheel_rpm : ndarray
        True speeds at `time_s`; wheels in the order of `WHEELS`, shape (4, n).
    motor_turns : ndarray
        Angle of the rotor in turns.
    """

    force: NDArray[np.float32]
    acceleration: NDArray[np.float32]
    time_s: NDArray[np.float64]
    motor_rpm: NDArray[np.float64]
    wheel_rpm: NDArray[np.float64]
    motor_turns: NDArray[np.float64]
    phases: tuple[Phase, ...]
    states: Mapping[str, FastenerState]
    seed: int

    @property
    def n_samples(self) -> int:
        """Length in samples at `RECORD_RATE_HZ`."""
        return int(self.force.shape[0])


def half_band_taps(n_taps: int = N_TAPS) -> NDArray[np.float64]:
    """Windowed-sinc low-pass at a quarter of the rate (Kaiser β = 7); every second tap is 0."""
    n = np.arange(n_taps) - (n_taps - 1) / 2.0
    taps = np.sinc(n / 2.0) * np.kaiser(n_taps, 7.0)
    result: NDArray[np.float64] = taps / taps.sum()
    result[np.abs(result) < 1e-15] = 0.0
    return result


def run_car(
    car: SimulatedCar,
    states: Mapping[str, FastenerState],
    script: ThrottleScript,
    seed: int,
    conditions: Conditions | None = None,
) -> Run:
    """Integrate one run.

    Nothing moves while the motor is off, so the idle part is not integrated; the settling of
    loose parts under gravity happens before the take begins.

    Raises
    ------
    CallError
        If the motion grows without bound (parameters far outside the drawn ranges).
    MissingExtraError
        If numba is not installed.
    """
    # Compiled code is loaded only where it runs.
    from vibecheck.simulator import build
    from vibecheck.simulator.build_decks import build_decks
    from vibecheck.simulator.build_drive import build_drive, build_sleeve
    from vibecheck.simulator.motion import integrate

    sitting = draw_sitting(states, conditions or Conditions(), seed)
    chassis = build.build_chassis(car)
    wheels = build.build_wheels(car, sitting)
    motor = build.build_motor(car, sitting)
    drive = build_drive(car, sitting)
    drive = drive._replace(current_brake=max(drive.current_brake, script.brake_a))
    sleeve = build_sleeve(car, sitting)
    decks = build_decks(car, sitting)
    state = build.rest_state(car, sitting, wheels, sleeve)

    moving_s = script.duration_s - script.idle_s
    control_s = STEPS_PER_CONTROL / INTERNAL_RATE_HZ
    settle = math.ceil(SETTLE_S / control_s)
    n_control = settle + math.ceil(moving_s / control_s)
    clock: NDArray[np.float64] = (np.arange(n_control + 1.0) - settle) * control_s
    bench_rpm = car.profile["drivetrain"]["bench_max_wheel_rpm"] / car.wheel_ratio
    voltage = script.throttle(clock, seed) * bench_rpm / 60.0 * 2.0 * math.pi * drive.back_emf
    spread = speed_spread(n_control + 1, control_s, seed, car.driven)

    decimation = INTERNAL_RATE_HZ // RECORD_RATE_HZ
    n_record = n_control * STEPS_PER_CONTROL // decimation
    record = np.zeros((n_record, N_FORCE_CHANNELS + state.acceleration.size), dtype=np.float32)
    speeds = np.zeros((n_control, 8))
    taps = half_band_taps().astype(np.float32)
    ring = np.zeros((2 * taps.size, record.shape[1]), dtype=np.float32)
    done = integrate(
        chassis, wheels, motor, drive, sleeve, decks, state, voltage, spread, STEPS_PER_CONTROL,
        1.0 / INTERNAL_RATE_HZ, decimation, taps, ring, np.zeros(4), record, speeds,
    )  # fmt: skip
    if done < n_record or not np.isfinite(record[-1]).all():
        raise CallError(
            f'The motion of "{car.name}" grew without bound after '
            f"{done / RECORD_RATE_HZ - SETTLE_S:.2f} s.",
            advice="Keep stiffness, mass and clearance near the drawn ranges.",
        )
    skip = settle * STEPS_PER_CONTROL // decimation
    rest = record[skip - RECORD_RATE_HZ // 50 : skip].mean(axis=0)
    record -= rest
    idle = round(script.idle_s * RECORD_RATE_HZ)
    total = round(script.duration_s * RECORD_RATE_HZ)
    whole = np.zeros((total, record.shape[1]), dtype=np.float32)
    moving = record[skip : skip + total - idle]
    whole[idle : idle + moving.shape[0]] = moving

    truth_s = script.idle_s + (np.arange(n_control - settle) + 1) * control_s
    radians = speeds[settle:]
    to_rpm = 60.0 / (2.0 * math.pi)
    time_s = np.concatenate(([0.0, script.idle_s], truth_s))
    return Run(
        force=whole[:, :N_FORCE_CHANNELS],
        acceleration=whole[:, N_FORCE_CHANNELS:],
        time_s=time_s,
        motor_rpm=np.concatenate(([0.0, 0.0], radians[:, 0] * to_rpm)),
        wheel_rpm=np.concatenate((np.zeros((4, 2)), radians[:, 4:8].T * to_rpm), axis=1),
        motor_turns=np.concatenate(([0.0, 0.0], radians[:, 3] / (2.0 * math.pi))),
        phases=script.phases(),
        states=sitting.states,
        seed=seed,
    )
