"""Equations of motion of the car on its stand, integrated in time (compiled).

Bodies: chassis (6 rigid degrees of freedom and a few flexible modes), four hubs on their arms
(3 each), four wheels on their hubs (6 each), motor plate (3) and motor (6), rotor, pinion, spur,
sleeve and wheels in torsion (5), the sleeve across its shaft (2), masses screwed to the chassis
(3 each). Joints are the laws of
`vibecheck.simulator.elements`; axes and units are those of `vibecheck.simulator.parts`.

Integration: semi-implicit Euler (forces from the old state, then speeds, then places), which
for conservative forces is the leapfrog scheme and keeps the energy bounded.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.compiled import compiled
from vibecheck.simulator.elements import bore_force, contact, place_in_turn, slip_2d
from vibecheck.simulator.motion_drive import step_drive, step_sleeve
from vibecheck.simulator.motion_motor import step_motor
from vibecheck.simulator.motion_wheel import step_wheel
from vibecheck.simulator.parts import (
    BULKHEAD,
    DECK_AT,
    DECK_CHANNELS,
    DECK_JOINT,
    GEARBOX_JOINT,
    GRAVITY,
    MESH_AT,
    Array,
    Chassis,
    Decks,
    Drive,
    Motor,
    Sleeve,
    State,
    Wheels,
)


@compiled
def move_base(chassis: Chassis, state: State) -> None:
    """Place and speed of every joint: rigid motion plus flexible modes, base = mapᵀ·body."""
    n_own, n_axes = chassis.joint_map.shape
    for level in range(2):
        target = state.base[level]
        for axis in range(n_axes):
            target[axis] = 0.0
        for own in range(n_own):
            value = state.body[level, own]
            row = chassis.joint_map[own]
            for axis in range(n_axes):
                target[axis] += value * row[axis]


@compiled
def step_chassis(chassis: Chassis, state: State, dt: float) -> None:
    """Advance the rigid body and its modes: each is one oscillator driven by map·force.

    The stand carries the weight at rest, so places are measured from the state of rest.
    """
    n_own, n_axes = chassis.joint_map.shape
    for own in range(n_own):
        row = chassis.joint_map[own]
        drive = chassis.rest_drive[own]
        for axis in range(n_axes):
            drive += row[axis] * state.force[axis]
        if 3 <= own < 6:
            drive += state.moment[own - 3]
        acceleration = (
            drive * chassis.inverse_mass[own]
            - chassis.loss[own] * state.body[1, own]
            - chassis.spring[own] * state.body[0, own]
        )
        state.acceleration[own] = acceleration
        state.body[1, own] += dt * acceleration
        state.body[0, own] += dt * state.body[1, own]


@compiled
def move_anchors(decks: Decks, state: State) -> None:
    """Place and speed of what hubs and gearbox hang on: base + Σ gain · (deck - its base).

    A deck that carries a share of another joint's force F is moved by the same share: the
    anchor follows it, and by virtual work the deck feels +gain·F, its base -gain·F (see
    `share_loads`). A snug deck changes nothing but the path of the force.
    """
    for level in range(2):
        for axis in range(state.anchor.shape[1]):
            state.anchor[level, axis] = state.base[level, axis]
    for path in range(decks.path_gain.shape[0]):
        own = decks.path_deck[path]
        k = own // 3
        axis = own - 3 * k
        for level in range(2):
            moved = state.deck[k, 3 * level + axis] - state.base[level, 3 * DECK_JOINT + own]
            state.anchor[level, decks.path_joint[path]] += decks.path_gain[path] * moved


@compiled
def share_loads(decks: Decks, state: State) -> None:
    """Add to every deck what it carries of the forces on hubs' arms and gearbox."""
    for path in range(decks.path_gain.shape[0]):
        state.load[decks.path_deck[path]] += (
            decks.path_gain[path] * state.force[decks.path_joint[path]]
        )


@compiled
def step_deck(k: int, decks: Decks, state: State, dt: float) -> None:
    """Advance one mass that is screwed to the chassis."""
    at = 3 * DECK_JOINT + 3 * k
    body = state.deck[k]
    i1 = decks.order[k, 0]
    i2 = decks.order[k, 1]
    i3 = decks.order[k, 2]
    d1 = body[i1] - state.base[0, at + i1]
    d2 = body[i2] - state.base[0, at + i2]
    d3 = body[i3] - state.base[0, at + i3]
    v1 = body[3 + i1] - state.base[1, at + i1]
    v2 = body[3 + i2] - state.base[1, at + i2]
    v3 = body[3 + i3] - state.base[1, at + i3]
    seat = decks.seat_depth[k] - d3
    head = decks.head_depth[k] + d3
    push, stiff_seat = contact(seat, -v3, decks.seat_stiffness[k], decks.damping[k], decks.cap[k])
    pull, stiff_head = contact(head, v3, decks.head_stiffness[k], decks.damping[k], decks.cap[k])
    grip = decks.grip_ratio[k] * (stiff_seat + stiff_head)
    limit = decks.friction[k] * (push + pull)
    hold = state.deck_grip[k]
    s1 = d1 - hold[2]
    s2 = d2 - hold[3]
    hold[2] = d1
    hold[3] = d2
    hold[0], hold[1] = slip_2d(hold[0], hold[1], s1, s2, grip, limit)
    f1 = hold[0]
    f2 = hold[1]
    if f1 * f1 + f2 * f2 < 0.998 * limit * limit:
        lossy = min(decks.grip_damping[k] * grip, 0.2 * decks.mass[k] / dt)
        f1 -= lossy * v1
        f2 -= lossy * v2
    h1, h2 = bore_force(
        d1, d2, v1, v2, 0.0, decks.hole_clearance[k], decks.hole_stiffness[k],
        decks.damping[k], decks.cap[k], decks.friction[k],
    )  # fmt: skip
    f1 += h1
    f2 += h2
    f3 = push - pull
    body[3 + i1] += dt * (f1 + state.load[3 * k + i1]) / decks.mass[k]
    body[3 + i2] += dt * (f2 + state.load[3 * k + i2]) / decks.mass[k]
    body[3 + i3] += dt * (f3 + state.load[3 * k + i3]) / decks.mass[k]
    body[5] -= dt * GRAVITY
    for axis in range(3):
        body[axis] += dt * body[3 + axis]
    out = DECK_AT + DECK_CHANNELS * k
    state.joint_force[out + i1] = -f1
    state.joint_force[out + i2] = -f2
    state.joint_force[out + i3] = -f3
    for axis in range(3):
        state.force[at + axis] = state.joint_force[out + axis] - state.load[3 * k + axis]


@compiled
def step_car(
    chassis: Chassis,
    wheels: Wheels,
    motor: Motor,
    drive: Drive,
    sleeve: Sleeve,
    decks: Decks,
    state: State,
    voltage: float,
    spread: Array,
    dt: float,
) -> None:
    """Advance the whole car by one step."""
    move_base(chassis, state)
    move_anchors(decks, state)
    for axis in range(3):
        state.moment[axis] = 0.0
    for axis in range(state.load.shape[0]):
        state.load[axis] = 0.0
    tangential, separating, torque = step_drive(drive, motor, state, voltage, dt)
    wheel_speed = state.shaft[7] / drive.internal_ratio
    for i in range(4):
        turning = wheels.driven[i] * wheel_speed * (1.0 + spread[i])
        state.wheel_angle[i] += dt * turning
        step_wheel(i, wheels, state, turning, dt)
    line_1 = drive.line[0]
    line_2 = drive.line[1]
    # On the pinion: against t, and away from the spur; on the spur the opposite.
    pinion_1 = tangential * line_2 - separating * line_1
    pinion_2 = -tangential * line_1 - separating * line_2
    step_motor(motor, state, pinion_1, pinion_2, torque, dt)
    step_sleeve(sleeve, motor, state, dt)
    # Gears or belt between spur and wheels press on their cases once per tooth of theirs.
    before, after, share = place_in_turn(state.shaft[2], drive.spur_table.shape[0])
    inner = drive.spur_table[before, 2]
    inner += share * (drive.spur_table[after, 2] - inner)
    inner *= min(abs(state.shaft[6]) * 0.005, 1.0)
    state.joint_force[MESH_AT] = tangential
    state.joint_force[MESH_AT + 1] = separating + inner
    spur_heavy = drive.spur_unbalance * state.shaft[6] * state.shaft[6]
    spur_1 = -pinion_1 + spur_heavy * math.sin(state.shaft[2])
    spur_2 = -pinion_2 + spur_heavy * math.cos(state.shaft[2])
    spur_2 += (1.0 - drive.inner_share) * inner
    for column in range(3):
        state.force[3 * GEARBOX_JOINT + column] = (
            motor.axes[0, column] * spur_1 + motor.axes[1, column] * spur_2
        )
    share_loads(decks, state)
    # From outside, not through the bulkhead's base: it changes the bulkhead's speed alone.
    state.deck[BULKHEAD, 5] += dt * drive.inner_share * inner / decks.mass[BULKHEAD]
    for k in range(decks.mass.shape[0]):
        step_deck(k, decks, state, dt)
    step_chassis(chassis, state, dt)


@compiled
def integrate(
    chassis: Chassis,
    wheels: Wheels,
    motor: Motor,
    drive: Drive,
    sleeve: Sleeve,
    decks: Decks,
    state: State,
    voltage: Array,
    spread: Array,
    steps_per_control: int,
    dt: float,
    decimation: int,
    taps: NDArray[np.float32],
    ring: NDArray[np.float32],
    step_spread: Array,
    record: NDArray[np.float32],
    speeds: Array,
) -> int:
    """Integrate the take; record joint forces and accelerations below the internal rate.

    Parameters
    ----------
    voltage : ndarray, shape (n_control + 1,)
        Motor voltage at the control points, linear between them.
    spread : ndarray, shape (n_control + 1, 4)
        Relative speed difference of each wheel across the open differentials.
    decimation : int
        Internal steps per recorded sample; `taps` is the anti-alias filter.
    ring : ndarray, shape (2 · n_taps, n_channels)
        Zeros: the filter's memory. `step_spread`, shape (4,), is scratch space.
    record : ndarray, shape (n_recorded, n_channels)
        Filled in place: joint forces, then accelerations of body and modes.
    speeds : ndarray, shape (n_control, 8)
        Filled in place: speed of rotor, spur, wheels (mean), then angle of the rotor, then the
        wheels' own speeds.

    Returns
    -------
    int
        Number of recorded samples; less than asked for where the motion grew without bound.
    """
    n_force = state.joint_force.shape[0]
    n_channel = n_force + state.acceleration.shape[0]
    n_taps = taps.shape[0]
    place = 0
    count = 0
    recorded = 0
    for control in range(voltage.shape[0] - 1):
        for step in range(steps_per_control):
            share = step / steps_per_control
            volts = voltage[control] + share * (voltage[control + 1] - voltage[control])
            for i in range(4):
                step_spread[i] = spread[control, i] + share * (
                    spread[control + 1, i] - spread[control, i]
                )
            step_car(chassis, wheels, motor, drive, sleeve, decks, state, volts, step_spread, dt)
            row = ring[place]
            twin = ring[place + n_taps]
            for channel in range(n_force):
                row[channel] = state.joint_force[channel]
                twin[channel] = row[channel]
            for channel in range(n_force, n_channel):
                row[channel] = state.acceleration[channel - n_force]
                twin[channel] = row[channel]
            place += 1
            if place == n_taps:
                place = 0
            count += 1
            if count == decimation:
                count = 0
                if recorded < record.shape[0]:
                    out = record[recorded]
                    for tap in range(n_taps):
                        weight = taps[tap]
                        if weight != 0.0:
                            source = ring[place + tap]
                            for channel in range(n_channel):
                                out[channel] += weight * source[channel]
                    recorded += 1
        speeds[control, 0] = state.shaft[4]
        speeds[control, 1] = state.shaft[6]
        speeds[control, 2] = state.shaft[7] / drive.internal_ratio
        speeds[control, 3] = state.shaft[0]
        for i in range(4):
            speeds[control, 4 + i] = (
                wheels.driven[i] * speeds[control, 2] * (1.0 + spread[control + 1, i])
            )
        if not math.isfinite(state.body[0, 2]) or abs(state.body[0, 2]) > 0.5:
            return recorded
    return recorded
