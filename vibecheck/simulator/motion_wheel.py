"""Equations of motion of one hub and the wheel on it (compiled)."""

from __future__ import annotations

import math

from vibecheck.simulator.compiled import compiled
from vibecheck.simulator.elements import (
    bore_force,
    contact,
    dead_zone_force,
    slip_1d,
    slip_2d,
    spin_step,
)
from vibecheck.simulator.parts import GRAVITY, WHEEL_CHANNELS, State, Wheels


@compiled
def step_wheel(i: int, wheels: Wheels, state: State, turning: float, dt: float) -> None:
    """Advance hub and wheel `i`; writes the force on the chassis and the joint's force.

    Seat and nut press on the wheel's face at four points; dry friction holds the face in the
    turning frame; the bore meets the axle in two planes once the friction lets go.
    """
    hub = state.hub[i]
    wheel = state.wheel[i]
    base = state.anchor[0, 3 * i : 3 * i + 3]
    base_speed = state.anchor[1, 3 * i : 3 * i + 3]
    # Hub on its arm.
    play = wheels.arm_play[i]
    stretch = hub[0] - base[0]
    stretch -= min(max(stretch, -play), play)
    arm_x = -wheels.arm_stiffness[i, 0] * stretch - wheels.arm_damping[i, 0] * (
        hub[3] - base_speed[0]
    )
    arm_y = -wheels.arm_stiffness[i, 1] * (hub[1] - base[1]) - wheels.arm_damping[i, 1] * (
        hub[4] - base_speed[1]
    )
    stretch = hub[2] - base[2]
    stretch -= min(max(stretch, -play), play)
    arm_z = -wheels.arm_stiffness[i, 2] * stretch - wheels.arm_damping[i, 2] * (
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
    if spin_state[2] * spin_state[2] < 0.998 * limit * limit * radius * radius:
        twist -= wheels.hex_damping[i] * spin_state[1]
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
    per_inertia = dt / wheels.transverse_inertia[i]
    tilt_x, tilt_z = spin_step(
        wheel[8], wheel[9], (mx + c1 * sine + c2 * cosine) * per_inertia,
        (mz + c1 * cosine - c2 * sine) * per_inertia, spin * per_inertia,
    )  # fmt: skip
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
    wheel[8] = tilt_x
    wheel[9] = tilt_z
    for axis in range(5):
        wheel[axis] += dt * wheel[5 + axis]
    state.force[3 * i] = -arm_x
    state.force[3 * i + 1] = -arm_y
    state.force[3 * i + 2] = -arm_z
    state.moment[0] -= mx
    state.moment[2] -= mz
