"""Equations of motion of the drivetrain: torque, gear mesh, shafts (compiled)."""

from __future__ import annotations

import math

from vibecheck.simulator.compiled import compiled
from vibecheck.simulator.elements import dead_zone_force, place_in_turn, slip_1d
from vibecheck.simulator.parts import Drive, Motor, State


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
