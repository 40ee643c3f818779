"""Equations of motion of the car on its stand, integrated in time (compiled).

Bodies: chassis (6 rigid degrees of freedom and a few flexible modes), four hubs on their arms
(3 each), four wheels on their hubs (5 each), motor plate (3) and motor (6), rotor, pinion, spur
and wheels in torsion (4), masses screwed to the chassis (3 each). Joints are the laws of
`vibecheck.simulator.elements`.

Axes: x forward, y left, z up; small rotations about them. Wheels turn about y, forward driving
positive, which carries z towards x. The motor has its own axes: 1 and 2 across its shaft (2 is
up), 3 along it.

Integration: semi-implicit Euler (forces from the old state, then speeds, then places), which
for conservative forces is the leapfrog scheme and keeps the energy bounded.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.compiled import compiled
from vibecheck.simulator.elements import (
    bore_force,
    contact,
    dead_zone_force,
    place_in_turn,
    slip_1d,
    slip_2d,
)

Array = NDArray[np.float64]

GRAVITY = 9.80665
WHEEL_CHANNELS = 6  # force x y z, moment about x y z, on the hub
MOTOR_CHANNELS = 6  # force 1 2 3, moment 1 2 3, on the plate
MESH_CHANNELS = 2  # tangential and separating force on the spur
DECK_CHANNELS = 3  # force x y z on the chassis
MOTOR_AT = 4 * WHEEL_CHANNELS
MESH_AT = MOTOR_AT + MOTOR_CHANNELS
DECK_AT = MESH_AT + MESH_CHANNELS


class Chassis(NamedTuple):
    """Rigid body (6) and flexible modes. Joints: 0-3 wheels, 4 motor, 5 gearbox, 6… decks."""

    inverse_mass: Array  # (6 + modes,)
    loss: Array  # 2·ζ·ω of each
    spring: Array  # ω² of each
    rest_drive: Array  # what balances the hanging weights at rest
    joint_map: Array  # (6 + modes, 3 · joints) displacement of the joints per unit of each


class Wheels(NamedTuple):
    """Hubs and wheels; first axis = wheel."""

    hub_mass: Array
    arm_stiffness: Array  # (4, 3)
    arm_damping: Array  # (4, 3)
    mass: Array
    transverse_inertia: Array
    polar_inertia: Array
    outboard: Array  # +1 left, -1 right
    driven: Array  # 1 or 0
    unbalance: Array  # (4, 2) kg·m times cosine and sine of its angle on the wheel
    growth: Array  # of the unbalance with speed squared, s²/rad²
    couple: Array  # (4, 2) kg·m² times cosine and sine of its angle
    shaft_force: Array  # once and twice per turn force of the drive shaft, N
    shaft_swing: Array  # twice per turn speed swing of the drive shaft's joint, relative
    hex_play: Array  # half angle
    hex_stiffness: Array  # N·m/rad
    hex_damping: Array
    hex_uneven: Array  # (4, 2) net force per torque, 1/m, turning with the wheel
    spin_drag: Array  # N·m of air and seal on one wheel
    face_offset: Array  # y of the seat from the wheel's centre of gravity
    face_radius: Array
    seat_stiffness: Array
    nut_stiffness: Array
    seat_depth: Array
    nut_depth: Array  # negative: play
    face_damping: Array
    face_cap: Array
    face_friction: Array
    grip_ratio: Array  # tangential over normal stiffness
    grip_damping: Array  # s
    bore_offset: Array  # (4, 2)
    bore_clearance: Array  # (4, 2)
    bore_stiffness: Array
    bore_damping: Array
    bore_cap: Array
    bore_friction: Array


class Motor(NamedTuple):
    """Motor on its plate, in the motor's own axes."""

    axes: Array  # (3, 3) rows: motor axes in car axes
    plate_mass: float
    plate_stiffness: Array
    plate_damping: Array
    mass: float
    inertia: Array  # (3,)
    points: Array  # (4, 3) clamped points from the centre of gravity; pairs belong to a screw
    seat_stiffness: float
    head_stiffness: float
    seat_depth: Array  # (4,)
    head_depth: Array
    face_damping: float
    face_cap: float
    face_friction: float
    grip_ratio: float
    grip_damping: float
    hole_clearance: float
    hole_stiffness: float
    hole_damping: float
    hole_cap: float
    rotor_inertia: float
    unbalance: float  # kg·m
    pull: float  # magnetic pull at the order of the poles, N
    poles: float
    pinion_arm: float


class Drive(NamedTuple):
    """Torque from battery to wheels, and the gear mesh."""

    back_emf: float  # V·s/rad = N·m/A
    resistance: float
    current_max: float
    current_brake: float
    rotor_table: Array  # (n, 2) over a turn: torque ripple (share), cogging in N·m
    rotor_drag: Array  # (2,) Coulomb N·m, viscous N·m·s
    spur_drag: Array  # (2,)
    wheel_drag: Array  # (3,) Coulomb, viscous, windage; all wheels, at the spur shaft
    pinion_inertia: float
    spur_inertia: float
    wheel_inertia: float  # driven wheels, at the spur shaft
    screw_stiffness: float
    screw_damping: float
    screw_play: float  # half angle
    screw_grip_stiffness: float
    screw_limit: float  # friction torque
    line_stiffness: float
    line_damping: float
    line_play: float
    internal_ratio: float
    pinion_radius: float
    spur_radius: float
    pressure_tangent: float
    line: Array  # (2,) direction from pinion to spur in the motor's 1-2 plane
    mesh_stiffness: float
    mesh_damping: float
    backlash: float
    pinion_table: Array  # (n, 3) over a turn: stiffness (mean 1), error in m, runout in m
    spur_table: Array  # (n, 2) over a turn: error, runout
    spur_unbalance: float


class Decks(NamedTuple):
    """Masses screwed to the chassis (z is the screws' direction)."""

    mass: Array
    seat_stiffness: Array
    head_stiffness: Array
    seat_depth: Array
    head_depth: Array
    damping: Array
    cap: Array
    friction: Array
    grip_ratio: Array
    grip_damping: Array
    hole_clearance: Array
    hole_stiffness: Array


class State(NamedTuple):
    """Everything that moves; changed in place."""

    body: Array  # (2, 6 + modes) places and speeds of the chassis and its modes
    hub: Array  # (4, 6)
    wheel: Array  # (4, 10)
    wheel_grip: Array  # (4, 4) friction force and last place, in the turning frame
    wheel_angle: Array  # (4,) of the axle, without its joint's swing
    wheel_spin: Array  # (4, 3) twist on the axle, its rate, friction torque
    plate: Array  # (6,)
    motor: Array  # (12,)
    motor_grip: Array  # (4, 4)
    shaft: Array  # (8,) angles then speeds: rotor, pinion, spur, wheels
    screw_grip: Array  # (1,)
    deck: Array  # (decks, 6)
    deck_grip: Array  # (decks, 4)
    base: Array  # (2, 3 · joints) places and speeds of the joints on the chassis
    force: Array  # (3 · joints,) on the chassis
    moment: Array  # (3,)
    scratch: Array  # (32,)
    acceleration: Array  # (6 + modes,)
    joint_force: Array  # (channels,)


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
def step_wheel(i: int, wheels: Wheels, state: State, turning: float, dt: float) -> None:
    """Advance hub and wheel `i`; writes the force on the chassis and the joint's force.

    Seat and nut press on the wheel's face at four points; dry friction holds the face in the
    turning frame; the bore meets the axle in two planes once the friction lets go.
    """
    hub = state.hub[i]
    wheel = state.wheel[i]
    base = state.base[0, 3 * i : 3 * i + 3]
    base_speed = state.base[1, 3 * i : 3 * i + 3]
    # Hub on its arm.
    arm_x = -wheels.arm_stiffness[i, 0] * (hub[0] - base[0]) - wheels.arm_damping[i, 0] * (
        hub[3] - base_speed[0]
    )
    arm_y = -wheels.arm_stiffness[i, 1] * (hub[1] - base[1]) - wheels.arm_damping[i, 1] * (
        hub[4] - base_speed[1]
    )
    arm_z = -wheels.arm_stiffness[i, 2] * (hub[2] - base[2]) - wheels.arm_damping[i, 2] * (
        hub[5] - base_speed[2]
    )
    # Wheel against hub: place, tilt about x (al) and z (ga), and their rates.
    dx = wheel[0] - hub[0]
    dy = wheel[1] - hub[1]
    dz = wheel[2] - hub[2]
    al = wheel[3] - state.body[0, 3]
    ga = wheel[4] - state.body[0, 5]
    vx = wheel[5] - hub[3]
    vy = wheel[6] - hub[4]
    vz = wheel[7] - hub[5]
    val = wheel[8] - state.body[1, 3]
    vga = wheel[9] - state.body[1, 5]
    sine = math.sin(state.wheel_angle[i])
    cosine = math.cos(state.wheel_angle[i])
    fx = 0.0
    fy = 0.0
    fz = 0.0
    mx = 0.0
    mz = 0.0
    side = wheels.outboard[i]
    # Seat and nut: four points on the face.
    radius = wheels.face_radius[i]
    seat_stiffness = 0.25 * wheels.seat_stiffness[i]
    nut_stiffness = 0.25 * wheels.nut_stiffness[i]
    loss = wheels.face_damping[i]
    cap = wheels.face_cap[i]
    clamp = 0.0
    grip = 0.0
    for point in range(4):
        px = radius * (1.0 - 2.0 * (point & 1)) if point < 2 else 0.0
        pz = radius * (1.0 - 2.0 * (point & 1)) if point >= 2 else 0.0
        along = side * (dy - al * pz + ga * px)
        rate = side * (vy - val * pz + vga * px)
        push_out, stiff_out = contact(
            wheels.seat_depth[i] - along, -rate, seat_stiffness, loss, cap
        )
        push_in, stiff_in = contact(wheels.nut_depth[i] + along, rate, nut_stiffness, loss, cap)
        clamp += push_out + push_in
        grip += stiff_out + stiff_in
        push = side * (push_out - push_in)
        fy += push
        mx -= pz * push
        mz += px * push
    # Dry friction of the face, in the frame that turns with the axle (e1 = (sin, cos) in x, z).
    arm = wheels.face_offset[i]
    ux = dx - ga * arm
    uz = dz + al * arm
    along_1 = ux * sine + uz * cosine
    along_2 = ux * cosine - uz * sine
    hold = state.wheel_grip[i]
    step_1 = along_1 - hold[2]
    step_2 = along_2 - hold[3]
    hold[2] = along_1
    hold[3] = along_2
    grip *= wheels.grip_ratio[i]
    limit = wheels.face_friction[i] * clamp
    hold[0], hold[1] = slip_2d(hold[0], hold[1], step_1, step_2, grip, limit)
    grip_1 = hold[0]
    grip_2 = hold[1]
    if grip_1 * grip_1 + grip_2 * grip_2 < 0.998 * limit * limit:
        lossy = min(wheels.grip_damping[i] * grip / dt, 0.2 * wheels.mass[i] / (dt * dt))
        grip_1 -= lossy * step_1
        grip_2 -= lossy * step_2
    # Spin of the wheel on the hex: flats with play, and the friction torque of the face.
    spin_state = state.wheel_spin[i]
    joint_swing = 2.0 * wheels.shaft_swing[i] * turning * turning  # d/dt of ε·Ω·sin 2θ
    axle_kick = joint_swing * (cosine * cosine - sine * sine)
    spin_state[2] = slip_1d(
        spin_state[2], spin_state[1] * dt, grip * radius * radius, limit * radius
    )
    flats = dead_zone_force(
        spin_state[0], spin_state[1], wheels.hex_play[i], wheels.hex_stiffness[i],
        wheels.hex_damping[i],
    )  # fmt: skip
    twist = flats + spin_state[2]
    drag = wheels.spin_drag[i] * turning / math.sqrt(turning * turning + 4.0)
    spin_state[1] += dt * ((twist - drag) / wheels.polar_inertia[i] - axle_kick)
    spin_state[0] += dt * spin_state[1]
    # One flat bears more than the others: a net force that turns with the wheel.
    grip_1 += flats * wheels.hex_uneven[i, 0]
    grip_2 += flats * wheels.hex_uneven[i, 1]
    gx = grip_1 * sine + grip_2 * cosine
    gz = grip_1 * cosine - grip_2 * sine
    fx += gx
    fz += gz
    mx += arm * gz
    mz -= arm * gx
    # The bore on the axle, two planes.
    for plane in range(2):
        arm = wheels.bore_offset[i, plane]
        bx, bz = bore_force(
            dx - ga * arm, dz + al * arm, vx - vga * arm, vz + val * arm, turning,
            wheels.bore_clearance[i, plane], wheels.bore_stiffness[i], wheels.bore_damping[i],
            wheels.bore_cap[i], wheels.bore_friction[i],
        )  # fmt: skip
        fx += bx
        fz += bz
        mx += arm * bz
        mz -= arm * bx
    state.joint_force[WHEEL_CHANNELS * i] = -fx
    state.joint_force[WHEEL_CHANNELS * i + 1] = -fy
    state.joint_force[WHEEL_CHANNELS * i + 2] = -fz
    state.joint_force[WHEEL_CHANNELS * i + 3] = -mx
    state.joint_force[WHEEL_CHANNELS * i + 4] = -twist
    state.joint_force[WHEEL_CHANNELS * i + 5] = -mz
    # Static and couple unbalance: m·e·Ω² and (Ip - It)·χ·Ω², turning with the wheel.
    square = turning * turning
    growth = (1.0 + wheels.growth[i] * square) * square
    u1 = wheels.unbalance[i, 0]
    u2 = wheels.unbalance[i, 1]
    ex = fx + growth * (u1 * sine + u2 * cosine)
    ez = fz + growth * (u1 * cosine - u2 * sine) - wheels.mass[i] * GRAVITY
    c1 = wheels.couple[i, 0] * square
    c2 = wheels.couple[i, 1] * square
    # It·α̈ - Ip·Ω·γ̇ = Mx ;  It·γ̈ + Ip·Ω·α̇ = Mz
    spin = wheels.polar_inertia[i] * turning
    ax = mx + c1 * sine + c2 * cosine + spin * wheel[9]
    az = mz + c1 * cosine - c2 * sine - spin * wheel[8]
    # Drive shaft: once and twice per turn on the hub of a driven wheel.
    shaft = wheels.shaft_force[i] * min(square * 1e-4, 1.0)
    hub_mass = wheels.hub_mass[i]
    hub[3] += dt * (arm_x - fx + shaft * (0.5 * sine + sine * cosine)) / hub_mass
    hub[4] += dt * (arm_y - fy + shaft * sine * cosine) / hub_mass
    hub[5] += dt * ((arm_z - fz + shaft * 0.5 * cosine) / hub_mass - GRAVITY)
    for axis in range(3):
        hub[axis] += dt * hub[3 + axis]
    wheel[5] += dt * ex / wheels.mass[i]
    wheel[6] += dt * fy / wheels.mass[i]
    wheel[7] += dt * ez / wheels.mass[i]
    wheel[8] += dt * ax / wheels.transverse_inertia[i]
    wheel[9] += dt * az / wheels.transverse_inertia[i]
    for axis in range(5):
        wheel[axis] += dt * wheel[5 + axis]
    state.force[3 * i] = -arm_x
    state.force[3 * i + 1] = -arm_y
    state.force[3 * i + 2] = -arm_z
    state.moment[0] -= mx
    state.moment[2] -= mz


@compiled
def step_motor(
    motor: Motor,
    state: State,
    pinion_1: float,
    pinion_2: float,
    torque: float,
    dt: float,
) -> None:
    """Advance plate and motor under the mesh force on the pinion and the torque's reaction."""
    axes = motor.axes
    plate = state.plate
    body = state.motor
    work = state.scratch
    for entry in range(25):
        work[entry] = 0.0
    local = work[0:6]
    turn = work[6:12]
    carry = work[12:15]
    f = work[15:18]
    m = work[18:21]
    hole = work[21:23]
    for row in range(3):
        for column in range(3):
            local[row] += axes[row, column] * state.base[0, 12 + column]
            local[3 + row] += axes[row, column] * state.base[1, 12 + column]
            turn[row] += axes[row, column] * state.body[0, 3 + column]
            turn[3 + row] += axes[row, column] * state.body[1, 3 + column]
    for axis in range(3):
        carry[axis] = -motor.plate_stiffness[axis] * (
            plate[axis] - local[axis]
        ) - motor.plate_damping[axis] * (plate[3 + axis] - local[3 + axis])
    rot_1 = body[3] - turn[0]
    rot_2 = body[4] - turn[1]
    rot_3 = body[5] - turn[2]
    rate_1 = body[9] - turn[3]
    rate_2 = body[10] - turn[4]
    rate_3 = body[11] - turn[5]
    for point in range(4):
        p1 = motor.points[point, 0]
        p2 = motor.points[point, 1]
        p3 = motor.points[point, 2]
        # Displacement of the point: d + φ × p.
        d1 = body[0] - plate[0] + rot_2 * p3 - rot_3 * p2
        d2 = body[1] - plate[1] + rot_3 * p1 - rot_1 * p3
        d3 = body[2] - plate[2] + rot_1 * p2 - rot_2 * p1
        v1 = body[6] - plate[3] + rate_2 * p3 - rate_3 * p2
        v2 = body[7] - plate[4] + rate_3 * p1 - rate_1 * p3
        v3 = body[8] - plate[5] + rate_1 * p2 - rate_2 * p1
        # The plate lies at +3: the motor moves away along -3.
        seat = motor.seat_depth[point] + d3
        head = motor.head_depth[point] - d3
        push, stiff_seat = contact(
            seat, v3, motor.seat_stiffness, motor.face_damping, motor.face_cap
        )
        pull, stiff_head = contact(
            head, -v3, motor.head_stiffness, motor.face_damping, motor.face_cap
        )
        f3 = pull - push
        grip = motor.grip_ratio * (stiff_seat + stiff_head)
        limit = motor.face_friction * (push + pull)
        hold = state.motor_grip[point]
        s1 = d1 - hold[2]
        s2 = d2 - hold[3]
        hold[2] = d1
        hold[3] = d2
        hold[0], hold[1] = slip_2d(hold[0], hold[1], s1, s2, grip, limit)
        f1 = hold[0]
        f2 = hold[1]
        if f1 * f1 + f2 * f2 < 0.998 * limit * limit:
            lossy = min(motor.grip_damping * grip, 0.05 * motor.mass / dt)
            f1 -= lossy * v1
            f2 -= lossy * v2
        # Screw in its hole: the centre of a pair of points, half the force on each.
        pair = 2 * (point // 2)
        if point == pair:
            q1 = 0.5 * (motor.points[pair, 0] + motor.points[pair + 1, 0])
            q2 = 0.5 * (motor.points[pair, 1] + motor.points[pair + 1, 1])
            h1, h2 = bore_force(
                body[0] - plate[0] + rot_2 * p3 - rot_3 * q2,
                body[1] - plate[1] + rot_3 * q1 - rot_1 * p3,
                body[6] - plate[3] + rate_2 * p3 - rate_3 * q2,
                body[7] - plate[4] + rate_3 * q1 - rate_1 * p3,
                0.0, motor.hole_clearance, motor.hole_stiffness, motor.hole_damping,
                motor.hole_cap, motor.face_friction,
            )  # fmt: skip
            hole[0] = h1
            hole[1] = h2
        f1 += 0.5 * hole[0]
        f2 += 0.5 * hole[1]
        f[0] += f1
        f[1] += f2
        f[2] += f3
        m[0] += p2 * f3 - p3 * f2
        m[1] += p3 * f1 - p1 * f3
        m[2] += p1 * f2 - p2 * f1
    for axis in range(3):
        state.joint_force[MOTOR_AT + axis] = -f[axis]
        state.joint_force[MOTOR_AT + 3 + axis] = -m[axis]
    # Gravity in motor axes; axis 2 is up, so only it feels weight.
    speed = state.shaft[4]
    angle = state.shaft[0]
    heavy = motor.unbalance * speed * speed
    magnetic = motor.pull * min(abs(speed) * 1e-3, 1.0)
    sine = math.sin(angle)
    cosine = math.cos(angle)
    e1 = f[0] + pinion_1 + heavy * sine
    e2 = f[1] + pinion_2 + heavy * cosine
    if magnetic > 0.0:
        e1 += magnetic * math.sin(motor.poles * angle)
        e2 += magnetic * math.cos(motor.poles * angle)
    spin = motor.rotor_inertia * speed
    a1 = m[0] - motor.pinion_arm * pinion_2 - spin * body[10]
    a2 = m[1] + motor.pinion_arm * pinion_1 + spin * body[9]
    a3 = m[2] - torque
    for axis in range(3):
        plate[3 + axis] += dt * (carry[axis] - f[axis]) / motor.plate_mass
    plate[4] -= dt * GRAVITY
    for axis in range(3):
        plate[axis] += dt * plate[3 + axis]
    body[6] += dt * e1 / motor.mass
    body[7] += dt * (e2 / motor.mass - GRAVITY)
    body[8] += dt * f[2] / motor.mass
    body[9] += dt * a1 / motor.inertia[0]
    body[10] += dt * a2 / motor.inertia[1]
    body[11] += dt * a3 / motor.inertia[2]
    for axis in range(6):
        body[axis] += dt * body[6 + axis]
    for column in range(3):
        total = 0.0
        couple = 0.0
        for row in range(3):
            total -= axes[row, column] * carry[row]
            couple -= axes[row, column] * m[row]
        state.force[12 + column] = total
        state.moment[column] += couple


@compiled
def mesh_force(drive: Drive, motor: Motor, state: State) -> tuple[float, float]:
    """Return the tangential and the separating force between pinion and spur.

    Overlap along the pitch line: x = r₁θ₁ - r₂θ₂ + w·t + error(θ₁, θ₂); backlash
    b = b₀ + 2·tan α·(centre distance change). Either flank may bear; between them is air.
    """
    axes = motor.axes
    body = state.motor
    line_1 = drive.line[0]
    line_2 = drive.line[1]
    arm = motor.pinion_arm
    w1 = body[0] + body[4] * arm
    w2 = body[1] - body[3] * arm
    v1 = body[6] + body[10] * arm
    v2 = body[7] - body[9] * arm
    for column in range(3):
        w1 -= axes[0, column] * state.base[0, 15 + column]
        w2 -= axes[1, column] * state.base[0, 15 + column]
        v1 -= axes[0, column] * state.base[1, 15 + column]
        v2 -= axes[1, column] * state.base[1, 15 + column]
    # t = axis 3 × line
    along = -w1 * line_2 + w2 * line_1
    along_rate = -v1 * line_2 + v2 * line_1
    closer = w1 * line_1 + w2 * line_2
    closer_rate = v1 * line_1 + v2 * line_2
    before, after, share = place_in_turn(state.shaft[1], drive.pinion_table.shape[0])
    first = drive.pinion_table[before]
    second = drive.pinion_table[after]
    swing = first[0] + share * (second[0] - first[0])
    error = first[1] + share * (second[1] - first[1])
    runout = first[2] + share * (second[2] - first[2])
    before, after, share = place_in_turn(state.shaft[2], drive.spur_table.shape[0])
    first = drive.spur_table[before]
    second = drive.spur_table[after]
    error += first[0] + share * (second[0] - first[0])
    runout += first[1] + share * (second[1] - first[1])
    tangent = drive.pressure_tangent
    x = drive.pinion_radius * state.shaft[1] - drive.spur_radius * state.shaft[2] + along + error
    rate = drive.pinion_radius * state.shaft[5] - drive.spur_radius * state.shaft[6] + along_rate
    half = 0.5 * drive.backlash - tangent * (closer + runout)
    half_rate = -tangent * closer_rate
    stiffness = drive.mesh_stiffness * swing
    ahead = x - half
    behind = -x - half
    push = 0.0
    pull = 0.0
    if ahead > 0.0:
        push = max(stiffness * ahead + drive.mesh_damping * (rate - half_rate), 0.0)
    if behind > 0.0:
        pull = max(stiffness * behind + drive.mesh_damping * (-rate - half_rate), 0.0)
    return push - pull, tangent * (push + pull)


@compiled
def soft_sign(speed: float) -> float:
    """Sign of a speed, smoothed within about 2 rad/s."""
    return speed / math.sqrt(speed * speed + 4.0)


@compiled
def step_drive(
    drive: Drive, motor: Motor, state: State, voltage: float, dt: float
) -> tuple[float, float, float]:
    """Advance rotor, pinion, spur and wheels; return mesh forces and the motor's torque."""
    shaft = state.shaft
    tangential, separating = mesh_force(drive, motor, state)
    before, after, share = place_in_turn(shaft[0], drive.rotor_table.shape[0])
    first = drive.rotor_table[before]
    second = drive.rotor_table[after]
    current = (voltage - drive.back_emf * shaft[4]) / drive.resistance
    current = min(max(current, -drive.current_brake), drive.current_max)
    torque = drive.back_emf * current * (1.0 + first[0] + share * (second[0] - first[0]))
    torque += first[1] + share * (second[1] - first[1])
    torque -= drive.rotor_drag[0] * soft_sign(shaft[4]) + drive.rotor_drag[1] * shaft[4]
    # Pinion on the rotor: set screw against its flat, and friction.
    twist = shaft[0] - shaft[1]
    twist_rate = shaft[4] - shaft[5]
    state.screw_grip[0] = slip_1d(
        state.screw_grip[0], twist_rate * dt, drive.screw_grip_stiffness, drive.screw_limit
    )
    screw = state.screw_grip[0] + dead_zone_force(
        twist, twist_rate, drive.screw_play, drive.screw_stiffness, drive.screw_damping
    )
    # Spur to wheels: shafts and dogs.
    line = dead_zone_force(
        shaft[2] - shaft[3], shaft[6] - shaft[7], drive.line_play, drive.line_stiffness,
        drive.line_damping,
    )  # fmt: skip
    spur_torque = tangential * drive.spur_radius + line
    spur_torque -= drive.spur_drag[0] * soft_sign(shaft[6]) + drive.spur_drag[1] * shaft[6]
    wheel_torque = -line - drive.wheel_drag[0] * soft_sign(shaft[7])
    wheel_torque -= (drive.wheel_drag[1] + drive.wheel_drag[2] * abs(shaft[7])) * shaft[7]
    shaft[4] += dt * (torque + screw) / motor.rotor_inertia
    shaft[5] += dt * (-screw - tangential * drive.pinion_radius) / drive.pinion_inertia
    shaft[6] += dt * spur_torque / drive.spur_inertia
    shaft[7] += dt * wheel_torque / drive.wheel_inertia
    for part in range(4):
        shaft[part] += dt * shaft[4 + part]
    return tangential, separating, torque


@compiled
def step_deck(k: int, decks: Decks, state: State, dt: float) -> None:
    """Advance one mass that is screwed to the chassis."""
    at = 18 + 3 * k
    body = state.deck[k]
    d1 = body[0] - state.base[0, at + 0]
    d2 = body[1] - state.base[0, at + 1]
    d3 = body[2] - state.base[0, at + 2]
    v1 = body[3] - state.base[1, at + 0]
    v2 = body[4] - state.base[1, at + 1]
    v3 = body[5] - state.base[1, at + 2]
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
    body[3] += dt * f1 / decks.mass[k]
    body[4] += dt * f2 / decks.mass[k]
    body[5] += dt * (f3 / decks.mass[k] - GRAVITY)
    for axis in range(3):
        body[axis] += dt * body[3 + axis]
    state.force[at] = -f1
    state.force[at + 1] = -f2
    state.force[at + 2] = -f3
    state.joint_force[DECK_AT + DECK_CHANNELS * k] = -f1
    state.joint_force[DECK_AT + DECK_CHANNELS * k + 1] = -f2
    state.joint_force[DECK_AT + DECK_CHANNELS * k + 2] = -f3


@compiled
def step_car(
    chassis: Chassis,
    wheels: Wheels,
    motor: Motor,
    drive: Drive,
    decks: Decks,
    state: State,
    voltage: float,
    spread: Array,
    dt: float,
) -> None:
    """Advance the whole car by one step."""
    move_base(chassis, state)
    for axis in range(3):
        state.moment[axis] = 0.0
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
    state.joint_force[MESH_AT] = tangential
    state.joint_force[MESH_AT + 1] = separating
    spur_heavy = drive.spur_unbalance * state.shaft[6] * state.shaft[6]
    spur_1 = -pinion_1 + spur_heavy * math.sin(state.shaft[2])
    spur_2 = -pinion_2 + spur_heavy * math.cos(state.shaft[2])
    for column in range(3):
        state.force[15 + column] = motor.axes[0, column] * spur_1 + motor.axes[1, column] * spur_2
    for k in range(decks.mass.shape[0]):
        step_deck(k, decks, state, dt)
    step_chassis(chassis, state, dt)


@compiled
def integrate(
    chassis: Chassis,
    wheels: Wheels,
    motor: Motor,
    drive: Drive,
    decks: Decks,
    state: State,
    voltage: Array,
    spread: Array,
    steps_per_control: int,
    dt: float,
    decimation: int,
    taps: Array,
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
    ring = np.zeros((2 * n_taps, n_channel), dtype=np.float32)
    place = 0
    count = 0
    recorded = 0
    step_spread = np.zeros(4)
    out = np.zeros(n_channel, dtype=np.float32)
    for control in range(voltage.shape[0] - 1):
        for step in range(steps_per_control):
            share = step / steps_per_control
            volts = voltage[control] + share * (voltage[control + 1] - voltage[control])
            for i in range(4):
                step_spread[i] = spread[control, i] + share * (
                    spread[control + 1, i] - spread[control, i]
                )
            step_car(chassis, wheels, motor, drive, decks, state, volts, step_spread, dt)
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
                    for channel in range(n_channel):
                        out[channel] = 0.0
                    for tap in range(n_taps):
                        weight = np.float32(taps[tap])
                        if weight != 0.0:
                            source = ring[place + tap]
                            for channel in range(n_channel):
                                out[channel] += weight * source[channel]
                    for channel in range(n_channel):
                        record[recorded, channel] = out[channel]
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
