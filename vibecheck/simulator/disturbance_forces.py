"""Forces of a worn bearing, a stone in a wheel and a rubbing wire on a car that runs already.

They are small beside what moves the car, so the motion stays as it was integrated: the forces are
added to the joints' channels, and the chassis answers them as a linear body on its stand with
its flexible modes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.disturbances import (
    REFERENCE_RPM,
    SHAFT_OF_JOINT,
    Disturbances,
    RubbingWire,
    StoneInWheel,
    WornBearing,
)
from vibecheck.simulator.noise import shaped_noise, transmit
from vibecheck.simulator.parameters import CHANNELS_OF_JOINT, JOINTS, WHEELS, SimulatedCar
from vibecheck.simulator.run import RECORD_RATE_HZ, Run

Array = NDArray[np.float64]
GRAVITY = 9.80665
IMPACT_S = 0.12e-3  # half sine of a ball that rolls over a pit


@dataclass(frozen=True, eq=False)
class JointForce:
    """An added force at one joint, shape (2, n): along the joint's first radial axes, in N."""

    joint: str
    radial: Array


def radial_channels(joint: str) -> tuple[int, int]:
    """Channels of a joint's forces across its shaft: x and z of a wheel, else the first two."""
    channels = CHANNELS_OF_JOINT[JOINTS.index(joint)]
    return (channels[0], channels[2]) if joint in WHEELS else (channels[0], channels[1])


def radial_axes(car: SimulatedCar, joint: str) -> Array:
    """Directions of those forces in the car's axes, shape (2, 3)."""
    up = np.array([0.0, 0.0, 1.0])
    forward, left = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    across = left if joint not in WHEELS and car.motor.along_car else forward
    return np.stack((across, up))


def shaft_turns(car: SimulatedCar, run: Run, joint: str) -> tuple[Array, Array]:
    """Return turns and rpm of the shaft in a joint at the record rate."""
    clock = np.arange(run.n_samples) / RECORD_RATE_HZ
    if joint in WHEELS:
        rpm = np.interp(clock, run.time_s, run.wheel_rpm[WHEELS.index(joint)])
    else:
        rpm = np.interp(clock, run.time_s, run.motor_rpm)
        if joint == "gear_mesh":
            rpm *= car.mesh.pinion_teeth / car.mesh.spur_teeth
    rpm = np.maximum(rpm, 0.0)
    return np.cumsum(rpm) / (60.0 * RECORD_RATE_HZ), rpm


def add_pulses(target: Array, start: Array, peak: Array, width_s: float) -> None:
    """Add half sines of a width to a force, at starts given in samples (fractions count)."""
    width = width_s * RECORD_RATE_HZ
    first = np.floor(start).astype(np.int64)
    for step in range(1, math.ceil(width) + 1):
        place = first + step
        phase = (place - start) / width
        value = np.where(phase < 1.0, peak * np.sin(np.pi * np.minimum(phase, 1.0)), 0.0)
        inside = (place >= 0) & (place < target.size)
        np.add.at(target, place[inside], value[inside])


def bearing_force(car: SimulatedCar, run: Run, bearing: WornBearing, seed: int) -> JointForce:
    """Impacts of a pit, one per passing ball, and the roughness of worn races.

    The interval between impacts scatters independently, so the train forgets its phase, as
    rolling with slip does (Randall & Antoni, Mechanical Systems and Signal Processing 25 (2011)
    485-520). A pit of the inner race or of a ball passes through the loaded side of the bearing
    once per turn of the shaft or the cage: its impacts rise and fall.
    """
    rng = np.random.default_rng([seed, 74])
    turns, rpm = shaft_turns(car, run, bearing.joint)
    share = rpm / REFERENCE_RPM[SHAFT_OF_JOINT[bearing.joint]]
    rate = bearing.impacts_per_turn
    n_events = int(turns[-1] * rate * 1.2) + 8
    interval = np.maximum(1.0 + bearing.jitter * rng.standard_normal(n_events), 0.2)
    at_turns = (np.cumsum(interval) - rng.random()) / rate
    at_turns = at_turns[(at_turns > 0.0) & (at_turns < turns[-1])]
    radial = np.zeros((2, run.n_samples))
    if at_turns.size:
        # Turns grow strictly only while the shaft moves.
        moving = np.concatenate(([True], np.diff(turns) > 0.0))
        start = np.interp(at_turns, turns[moving], np.flatnonzero(moving).astype(np.float64))
        load_angle = rng.uniform(0.0, 2.0 * math.pi)
        turning = {"outer_race": 0.0, "inner_race": 1.0, "ball": bearing.cage_per_turn}
        angle = 2.0 * math.pi * at_turns * turning[bearing.part] + rng.uniform(0.0, 2.0 * math.pi)
        if bearing.part == "outer_race":
            loaded = np.ones(at_turns.size)
            angle[:] = load_angle + rng.normal(0.0, 0.5)
        else:
            loaded = np.maximum(np.cos(angle - load_angle), 0.0)
            loaded = 1.0 - bearing.load_zone + bearing.load_zone * loaded
        speed = np.interp(start, np.arange(share.size), share)
        peak = bearing.impact_n * speed**1.3 * loaded * rng.lognormal(0.0, 0.25, at_turns.size)
        add_pulses(radial[0], start, peak * np.cos(angle), IMPACT_S)
        add_pulses(radial[1], start, peak * np.sin(angle), IMPACT_S)
    rough = bearing.roughness_n * share**1.2
    for axis in range(2):
        radial[axis] += rough * rng.standard_normal(run.n_samples, dtype=np.float32)
    return JointForce(bearing.joint, radial)


def stone_path(
    turns: Array, rate: Array, radius: float, restitution: float = 0.0
) -> tuple[Array, NDArray[np.bool_], list[tuple[int, float, float, float]]]:
    """Follow a stone inside a rim that turns about a level axle.

    Ribs of the rim carry the stone upwards. It leaves where the rim no longer presses on it,
    ω²·r < g·cos ψ with ψ from the top, flies on a parabola, and lands. Above ω²·r = g it never
    leaves (the critical speed of a tumbling mill; Davis, Transactions AIME 61 (1919) 250-296,
    value from memory).

    Parameters
    ----------
    turns, rate : ndarray, shape (n,)
        Angle of the wheel in turns and its speed in rad/s, at `RECORD_RATE_HZ`.
    radius : float
        Of the rim's inside, m.

    Returns
    -------
    angle : ndarray, shape (n,)
        ψ in rad from the top while it rests on the rim; NaN in flight.
    rests : ndarray of bool, shape (n,)
    landings : list of (sample, angle, radial speed, tangential speed)
        Speeds in m/s against the rim: outwards, and along its motion.
    """
    n = turns.size
    dt = 1.0 / RECORD_RATE_HZ
    angle = np.full(n, np.nan)
    rests = np.zeros(n, dtype=np.bool_)
    landings: list[tuple[int, float, float, float]] = []
    pressing = rate**2 * radius
    at, psi = 0, math.pi
    longest = int(0.5 * RECORD_RATE_HZ)
    while at < n:
        # On the rim, block by block until it leaves.
        leave = n
        for first in range(at, n, RECORD_RATE_HZ):
            last = min(first + RECORD_RATE_HZ, n)
            angle[first:last] = psi + 2.0 * math.pi * (turns[first:last] - turns[at])
            loose = pressing[first:last] < GRAVITY * np.cos(angle[first:last])
            if loose.any():
                leave = first + int(loose.argmax())
                angle[leave:last] = np.nan
                break
        rests[at:leave] = True
        if leave >= n:
            break
        psi = psi + 2.0 * math.pi * float(turns[leave] - turns[at])
        speed = float(rate[leave]) * radius
        x0, z0 = radius * math.sin(psi), radius * math.cos(psi)
        vx, vz0 = speed * math.cos(psi), -speed * math.sin(psi)
        flight = np.arange(1, min(longest, n - leave) + 1) * dt
        x = x0 + vx * flight
        z = z0 + vz0 * flight - 0.5 * GRAVITY * flight**2
        outside = x**2 + z**2 >= radius**2
        # At the start it touches the rim still; it has left once it has been inside.
        inside = ~outside
        if not inside.any():
            at = leave + 1
            continue
        left = int(inside.argmax())
        back = outside[left:]
        if not back.any():
            break
        step = left + int(back.argmax())
        at = leave + step + 1
        if at >= n:
            break
        psi = math.atan2(float(x[step]), float(z[step]))
        vz = vz0 - GRAVITY * float(flight[step])
        outwards = vx * math.sin(psi) + vz * math.cos(psi)
        along = vx * math.cos(psi) - vz * math.sin(psi) - float(rate[at]) * radius
        landings.append((at, psi, (1.0 + restitution) * outwards, along))
    return angle, rests, landings


def stone_force(car: SimulatedCar, run: Run, stone: StoneInWheel) -> JointForce:
    """Weight and centrifugal force while the stone rests on the rim, an impact where it lands."""
    turns, rpm = shaft_turns(car, run, stone.wheel)
    rate = rpm * 2.0 * math.pi / 60.0
    wheel = car.wheels[WHEELS.index(stone.wheel)]
    radius, mass = stone.radius_share * wheel.radius, 1e-3 * stone.mass_g
    angle, rests, landings = stone_path(turns, rate, radius, stone.restitution)
    psi = np.where(rests, angle, 0.0)
    outwards = rests * mass * rate**2 * radius
    radial = np.stack((outwards * np.sin(psi), outwards * np.cos(psi)))
    # Its weight rests on the rim or does not: only the change is heard.
    radial[1] += mass * GRAVITY * (~rests)
    if landings:
        width = stone.contact_ms * 1e-3
        at = np.array([landing[0] for landing in landings], dtype=np.float64)
        where = np.array([landing[1] for landing in landings])
        # A half sine of impulse J and width T peaks at π·J/(2·T).
        peak = math.pi / (2.0 * width) * mass
        out = peak * np.array([landing[2] for landing in landings])
        along = peak * np.array([landing[3] for landing in landings])
        add_pulses(radial[0], at, out * np.sin(where) + along * np.cos(where), width)
        add_pulses(radial[1], at, out * np.cos(where) - along * np.sin(where), width)
    return JointForce(stone.wheel, radial)


def wire_force(car: SimulatedCar, run: Run, wire: RubbingWire, seed: int) -> JointForce:
    """A scratch: noise of a band in grains (stick and slip), pressed hardest k times a turn."""
    rng = np.random.default_rng([seed, 75])
    turns, rpm = shaft_turns(car, run, wire.joint)
    n = run.n_samples
    share = rpm / REFERENCE_RPM[SHAFT_OF_JOINT[wire.joint]]
    press = np.cos(2.0 * math.pi * (wire.touches_per_turn * turns + rng.random()))
    gate = np.exp(3.0 * (press - 1.0))
    gate = 1.0 - wire.depth + wire.depth * gate
    # Bends away below a small speed, then scratches louder with speed.
    fast = rpm / wire.start_rpm
    gate *= share**0.8 * fast**4 / (1.0 + fast**4)
    # Grains of about 2 ms, unevenly strong; and minutes of touching that come and go.
    grains = rng.lognormal(0.0, 0.7, n // 96 + 2)
    gate *= np.interp(np.arange(n), 96.0 * np.arange(grains.size), grains) / 1.3
    if wire.presence < 1.0:
        slow = rng.standard_normal(n // 4800 + 6)
        slow = np.convolve(slow, np.ones(4) / 2.0, mode="valid")
        level = np.quantile(slow, 1.0 - wire.presence)
        here = 1.0 / (1.0 + np.exp(-12.0 * (slow - level)))
        gate *= np.interp(np.arange(n), 4800.0 * np.arange(here.size), here)
    radial = np.empty((2, n))
    for axis, part in enumerate((1.0, rng.uniform(0.3, 1.0))):
        noise = shaped_noise(rng, n, wire.low_hz, wire.high_hz, 0.0)
        radial[axis] = wire.force_n * part * gate * noise
    return JointForce(wire.joint, radial)


def chassis_answer(car: SimulatedCar, force: JointForce) -> NDArray[np.float32]:
    """Acceleration of the chassis and its flexible modes, shape (n, 6 + n_modes).

    A wheel's forces reach it through hub and arm, a second-order low-pass per axis.
    """
    from vibecheck.simulator.ringing import resonator_coefficients, ring

    chassis = car.chassis
    joint = JOINTS.index(force.joint)
    axes = radial_axes(car, force.joint)
    radial = force.radial
    if force.joint in WHEELS:
        wheel = car.wheels[joint]
        passed = []
        for row, axis in zip(radial, (0, 2), strict=True):
            stiffness = float(wheel.arm_stiffness[axis])
            natural_hz = math.sqrt(stiffness / (wheel.mass + wheel.hub_mass)) / (2.0 * math.pi)
            passed.append(transmit(row, natural_hz, float(wheel.arm_damping_ratio[axis])))
        radial = np.stack(passed)
    n_flexible = chassis.mode_frequency_hz.size
    own = np.zeros((6 + n_flexible, 2))
    own[:3] = axes.T
    own[3:6] = np.cross(chassis.position[joint], axes).T
    own[6:] = chassis.mode_shape[:, joint, :] @ axes.T
    mass = np.concatenate((np.full(3, chassis.mass), chassis.inertia, chassis.mode_mass))
    coefficients = resonator_coefficients(
        np.concatenate((chassis.stand_frequency_hz, chassis.mode_frequency_hz)),
        np.concatenate((chassis.stand_damping, chassis.mode_damping)),
        mass,
        RECORD_RATE_HZ,
    )
    n = radial.shape[1]
    drive: NDArray[np.float32] = np.ascontiguousarray((own @ radial).astype(np.float32))
    answer = np.zeros((6 + n_flexible, 1, n), dtype=np.float32)
    ring(
        drive,
        coefficients,
        np.zeros((6 + n_flexible, 3)),
        np.ones((6 + n_flexible, 1)),
        np.arange(6 + n_flexible, dtype=np.int64),
        np.empty(n, dtype=np.float32),
        answer,
    )
    return answer[:, 0].T


def disturbed(car: SimulatedCar, run: Run, disturbances: Disturbances, seed: int) -> Run:
    """Return the run with the disturbances' forces and the chassis' answer to them added."""
    forces = []
    if disturbances.bearing is not None:
        forces.append(bearing_force(car, run, disturbances.bearing, seed))
    if disturbances.stone is not None:
        forces.append(stone_force(car, run, disturbances.stone))
    if disturbances.wire is not None:
        forces.append(wire_force(car, run, disturbances.wire, seed))
    if not forces:
        return run
    force, acceleration = run.force.copy(), run.acceleration.copy()
    for added in forces:
        for channel, row in zip(radial_channels(added.joint), added.radial, strict=True):
            force[:, channel] += row.astype(np.float32)
        acceleration += chassis_answer(car, added)
    return replace(run, force=force, acceleration=acceleration)
