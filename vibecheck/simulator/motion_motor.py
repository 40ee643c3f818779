"""Equations of motion of the motor on its mount (compiled)."""

from __future__ import annotations

import math

from vibecheck.simulator.compiled import compiled
from vibecheck.simulator.elements import bore_force, contact, slip_2d, spin_step
from vibecheck.simulator.parts import GRAVITY, MOTOR_AT, MOTOR_JOINT, Motor, State


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
    line_1 = motor.slot_line[0]
    line_2 = motor.slot_line[1]
    for row in range(3):
        for column in range(3):
            local[row] += axes[row, column] * state.base[0, 3 * MOTOR_JOINT + column]
            local[3 + row] += axes[row, column] * state.base[1, 3 * MOTOR_JOINT + column]
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
        # Screw in its slot: the centre of a pair of points, half the force on each. A slot is a
        # hole drawn out along the mesh line: the mesh is set by sliding the motor in it.
        pair = 2 * (point // 2)
        if point == pair:
            q1 = 0.5 * (motor.points[pair, 0] + motor.points[pair + 1, 0])
            q2 = 0.5 * (motor.points[pair, 1] + motor.points[pair + 1, 1])
            r1 = body[0] - plate[0] + rot_2 * p3 - rot_3 * q2
            r2 = body[1] - plate[1] + rot_3 * q1 - rot_1 * p3
            u1 = body[6] - plate[3] + rate_2 * p3 - rate_3 * q2
            u2 = body[7] - plate[4] + rate_3 * q1 - rate_1 * p3
            along = r1 * line_1 + r2 * line_2
            along -= min(max(along, -motor.slot_open), motor.slot_close)
            h1, h2 = bore_force(
                along, r2 * line_1 - r1 * line_2, u1 * line_1 + u2 * line_2,
                u2 * line_1 - u1 * line_2, 0.0, motor.hole_clearance, motor.hole_stiffness,
                motor.hole_damping, motor.hole_cap, motor.face_friction,
            )  # fmt: skip
            hole[0] = h1 * line_1 - h2 * line_2
            hole[1] = h1 * line_2 + h2 * line_1
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
    a1 = m[0] - motor.pinion_arm * pinion_2
    a2 = m[1] + motor.pinion_arm * pinion_1
    a3 = m[2] - torque
    for axis in range(3):
        plate[3 + axis] += dt * (carry[axis] - f[axis]) / motor.plate_mass
    plate[4] -= dt * GRAVITY
    for axis in range(3):
        plate[axis] += dt * plate[3 + axis]
    body[6] += dt * e1 / motor.mass
    body[7] += dt * (e2 / motor.mass - GRAVITY)
    body[8] += dt * f[2] / motor.mass
    # Axes 1 and 2 have the same inertia.
    body[9], body[10] = spin_step(
        body[9], body[10], dt * a1 / motor.inertia[0], dt * a2 / motor.inertia[1],
        -spin * dt / motor.inertia[0],
    )  # fmt: skip
    body[11] += dt * a3 / motor.inertia[2]
    for axis in range(6):
        body[axis] += dt * body[6 + axis]
    for column in range(3):
        total = 0.0
        couple = 0.0
        for row in range(3):
            total -= axes[row, column] * carry[row]
            couple -= axes[row, column] * m[row]
        state.force[3 * MOTOR_JOINT + column] = total
        state.moment[column] += couple
