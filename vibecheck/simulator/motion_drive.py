"""Equations of motion of the drivetrain: torque, gear mesh, shafts (compiled)."""

from __future__ import annotations

import math

from vibecheck.simulator.compiled import compiled
from vibecheck.simulator.elements import (
    bore_force,
    dead_zone_force,
    place_in_turn,
    slip_1d,
    slip_2d,
)
from vibecheck.simulator.parts import (
    BULKHEAD,
    DECK_JOINT,
    DRIVELINE_AT,
    DRIVELINE_JOINT,
    GEARBOX_JOINT,
    GRAVITY,
    Drive,
    Motor,
    Sleeve,
    State,
)


@compiled
def mesh_force(drive: Drive, motor: Motor, state: State) -> tuple[float, float, float]:
    """Return the tangential and the separating force between pinion and spur, and the load.

    Overlap along the pitch line: x = r₁θ₁ - r₂θ₂ + w·t + error(θ₁, θ₂); backlash
    b = b₀ + 2·tan α·(centre distance change). Either flank may bear; between them is air. Where
    the mesh is set too tight both bear at once. Tooth friction acts across the line of action and
    turns round at the pitch point, once per tooth.
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
        w1 -= axes[0, column] * state.anchor[0, 3 * GEARBOX_JOINT + column]
        w2 -= axes[1, column] * state.anchor[0, 3 * GEARBOX_JOINT + column]
        v1 -= axes[0, column] * state.anchor[1, 3 * GEARBOX_JOINT + column]
        v2 -= axes[1, column] * state.anchor[1, 3 * GEARBOX_JOINT + column]
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
    sliding = first[3] + share * (second[3] - first[3])
    profile = first[4] + share * (second[4] - first[4])
    # Fewer teeth share the load the further the gears stand apart.
    apart = 1.0 + drive.opening_growth * max(drive.opening - closer, 0.0)
    error += apart * profile
    swing = 1.0 + min(max(apart * swing, -0.7), 0.7)
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
    load = push + pull
    return push - pull, (tangent + drive.tooth_friction * sliding) * load, load


@compiled
def soft_sign(speed: float) -> float:
    """Sign of a speed, smoothed within about 2 rad/s."""
    return speed / math.sqrt(speed * speed + 4.0)


@compiled
def step_drive(
    drive: Drive, motor: Motor, state: State, voltage: float, dt: float
) -> tuple[float, float, float]:
    """Advance all that turns, in torsion; return mesh forces and the motor's torque."""
    shaft = state.shaft
    tangential, separating, load = mesh_force(drive, motor, state)
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
    # Sleeve on the spur's shaft: another set screw.
    twist = shaft[2] - shaft[8]
    twist_rate = shaft[6] - shaft[9]
    state.screw_grip[1] = slip_1d(
        state.screw_grip[1], twist_rate * dt, drive.sleeve_grip_stiffness, drive.sleeve_limit
    )
    sleeve = state.screw_grip[1] + dead_zone_force(
        twist, twist_rate, drive.sleeve_play, drive.sleeve_stiffness, drive.sleeve_damping
    )
    # Sleeve to wheels: shafts and dogs, or a belt. The bulkhead bears the torque's reaction; by
    # virtual work its motion turns the shaft.
    case = state.deck[BULKHEAD, 2] - state.base[0, 3 * (DECK_JOINT + BULKHEAD) + 2]
    case_rate = state.deck[BULKHEAD, 5] - state.base[1, 3 * (DECK_JOINT + BULKHEAD) + 2]
    line = dead_zone_force(
        shaft[8] - shaft[3] + drive.case_lever * case,
        shaft[9] - shaft[7] + drive.case_lever * case_rate,
        drive.line_play, drive.line_stiffness, drive.line_damping,
    )  # fmt: skip
    state.load[3 * BULKHEAD + 2] += drive.case_lever * line
    state.joint_force[DRIVELINE_AT + 2] = sleeve
    # Sliding teeth drag on both gears alike.
    rub = 0.5 * drive.tooth_loss * load
    spur_torque = tangential * drive.spur_radius + sleeve
    spur_torque -= (drive.spur_drag[0] + rub * drive.spur_radius) * soft_sign(shaft[6])
    spur_torque -= drive.spur_drag[1] * shaft[6]
    wheel_torque = -line - drive.wheel_drag[0] * soft_sign(shaft[7])
    wheel_torque -= (drive.wheel_drag[1] + drive.wheel_drag[2] * abs(shaft[7])) * shaft[7]
    pinion_torque = -screw - tangential * drive.pinion_radius
    pinion_torque -= rub * drive.pinion_radius * soft_sign(shaft[5])
    shaft[4] += dt * (torque + screw) / motor.rotor_inertia
    shaft[5] += dt * pinion_torque / drive.pinion_inertia
    shaft[6] += dt * spur_torque / drive.spur_inertia
    shaft[7] += dt * wheel_torque / drive.wheel_inertia
    shaft[9] += dt * (line - sleeve) / drive.sleeve_inertia
    shaft[8] += dt * shaft[9]
    for part in range(4):
        shaft[part] += dt * shaft[4 + part]
    return tangential, separating, torque


@compiled
def step_sleeve(sleeve: Sleeve, motor: Motor, state: State, dt: float) -> None:
    """Advance the sleeve across its shaft.

    The set screw's friction holds it where it was tightened, off centre by the clearance; once
    that lets go the bore rides on the shaft under gravity and what hangs on the sleeve.
    """
    axes = motor.axes
    body = state.sleeve
    d1 = body[0]
    d2 = body[1]
    v1 = body[2]
    v2 = body[3]
    for column in range(3):
        d1 -= axes[0, column] * state.anchor[0, 3 * DRIVELINE_JOINT + column]
        d2 -= axes[1, column] * state.anchor[0, 3 * DRIVELINE_JOINT + column]
        v1 -= axes[0, column] * state.anchor[1, 3 * DRIVELINE_JOINT + column]
        v2 -= axes[1, column] * state.anchor[1, 3 * DRIVELINE_JOINT + column]
    turning = state.shaft[9]
    sine = math.sin(state.shaft[8])
    cosine = math.cos(state.shaft[8])
    along_1 = d1 * sine + d2 * cosine
    along_2 = d1 * cosine - d2 * sine
    hold = state.sleeve_grip
    step_1 = along_1 - hold[2]
    step_2 = along_2 - hold[3]
    hold[2] = along_1
    hold[3] = along_2
    hold[0], hold[1] = slip_2d(
        hold[0], hold[1], step_1, step_2, sleeve.grip_stiffness, sleeve.limit
    )
    grip_1 = hold[0]
    grip_2 = hold[1]
    if grip_1 * grip_1 + grip_2 * grip_2 < 0.998 * sleeve.limit * sleeve.limit:
        lossy = min(sleeve.grip_damping * sleeve.grip_stiffness / dt, 0.2 * sleeve.mass / (dt * dt))
        grip_1 -= lossy * step_1
        grip_2 -= lossy * step_2
    f1, f2 = bore_force(
        d1, d2, v1, v2, turning, sleeve.clearance, sleeve.bore_stiffness, sleeve.bore_damping,
        sleeve.bore_cap, sleeve.bore_friction,
    )  # fmt: skip
    f1 += grip_1 * sine + grip_2 * cosine
    f2 += grip_1 * cosine - grip_2 * sine
    swing = sleeve.force * min(turning * turning * 2e-6, 1.0)
    body[2] += dt * (f1 + swing * (0.5 * sine + sine * cosine)) / sleeve.mass
    body[3] += dt * ((f2 + swing * 0.5 * cosine) / sleeve.mass - GRAVITY)
    body[0] += dt * body[2]
    body[1] += dt * body[3]
    state.joint_force[DRIVELINE_AT] = -f1
    state.joint_force[DRIVELINE_AT + 1] = -f2
    for column in range(3):
        state.force[3 * DRIVELINE_JOINT + column] = -axes[0, column] * f1 - axes[1, column] * f2
