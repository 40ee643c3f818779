"""From a drawn drivetrain and the state of its joints to the arrays of the equations of motion."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.parameters import MeshParameters, SimulatedCar
from vibecheck.simulator.parts import Drive, Sleeve
from vibecheck.simulator.states import Sitting

Array = NDArray[np.float64]
TABLE = 4096


def _smooth_pitch_error(rng: np.random.Generator, teeth: int, size: float) -> Array:
    """Tooth-to-tooth error over a turn: independent teeth, blended from one to the next."""
    teeth_error = rng.normal(0.0, size, teeth)
    place = np.arange(TABLE) / TABLE * teeth
    index = place.astype(np.int64)
    share = place - index
    ease = 0.5 - 0.5 * np.cos(np.pi * share)
    result: Array = teeth_error[index] * (1 - ease) + teeth_error[(index + 1) % teeth] * ease
    return result


def mesh_tables(mesh: MeshParameters, pinion_runout: float) -> tuple[Array, Array]:
    """Return the tables of the pinion (5 columns, see `Drive`) and of the spur (error, runout).

    Profile error: harmonics of the mesh. Eccentricity: once per turn, along the pitch line and,
    a quarter turn later, across it (a change of the centre distance). Sliding: which way the
    teeth rub, turning round at the pitch point.
    """
    rng = np.random.default_rng([mesh.table_seed, 31])
    turn = 2.0 * np.pi * np.arange(TABLE) / TABLE
    pinion = _smooth_pitch_error(rng, mesh.pinion_teeth, mesh.pitch_error[0])
    spur = _smooth_pitch_error(rng, mesh.spur_teeth, mesh.pitch_error[1])
    profile = np.zeros(TABLE)
    for harmonic, size in enumerate(mesh.profile_error, start=1):
        phase = rng.uniform(0.0, 2.0 * np.pi)
        profile += size * np.cos(harmonic * mesh.pinion_teeth * turn + phase)
    phase_1, phase_2 = rng.uniform(0.0, 2.0 * np.pi, 2)
    e_1 = mesh.eccentricity[0] + pinion_runout
    e_2 = mesh.eccentricity[1]
    pinion = pinion + e_1 * np.cos(turn + phase_1)
    spur = spur + e_2 * np.cos(turn + phase_2)
    # A spur that is not quite round: twice per turn.
    spur = spur + 0.3 * e_2 * np.cos(2.0 * turn + rng.uniform(0.0, 2.0 * np.pi))
    swing = mesh.stiffness_swing * np.cos(mesh.pinion_teeth * turn + rng.uniform(0.0, 2.0 * np.pi))
    way = mesh.pinion_teeth * turn + rng.uniform(0.0, 2.0 * np.pi)
    sliding = np.sin(way) / np.sqrt(np.sin(way) ** 2 + 0.1)
    return (
        np.stack((swing, pinion, e_1 * np.sin(turn + phase_1), sliding, profile), axis=1),
        np.stack((spur, e_2 * np.sin(turn + phase_2)), axis=1),
    )


def build_drive(car: SimulatedCar, sitting: Sitting) -> Drive:
    """Return torque path and gear mesh in the state of the run."""
    mesh, motor, line = car.mesh, car.motor, car.driveline
    drivetrain = car.profile["drivetrain"]
    state = sitting.states["gear_mesh"]
    ratio = mesh.spur_teeth / mesh.pinion_teeth
    internal = car.internal_ratio
    driven = sum(car.driven)
    wheel_inertia = driven * car.wheels[0].polar_inertia / internal**2
    wheel_inertia += 0.3 * mesh.spur_inertia
    total = wheel_inertia + mesh.spur_inertia + motor.rotor_inertia * ratio**2
    top = drivetrain["bench_max_wheel_rpm"] / 60.0 * 2.0 * math.pi * internal
    # Drag that stops the drivetrain in about the coast time: a third each dry, viscous, air.
    torque = 1.2 * total * top / (mesh.coast_time_s * sitting.coast_factor)
    pinion_radius = 0.5 * mesh.module * mesh.pinion_teeth
    grip = state.preload * sitting.preload_factor["gear_mesh"]
    runout = mesh.screw_clearance * (1.0 - min(1.0, grip / 0.2))
    pinion, spur = mesh_tables(mesh, runout)
    stiffness = mesh.stiffness * (1.0 + sitting.temperature)
    mass = 1.0 / (pinion_radius**2 / motor.rotor_inertia)
    angle = 2.0 * np.pi * np.arange(TABLE) / TABLE
    chance = np.random.default_rng([mesh.table_seed, 32])
    inner = np.zeros(TABLE)
    for k, size in ((1, 1.0), (2, 0.45), (3, 0.2)):
        phase = chance.uniform(0.0, 2.0 * np.pi)
        inner += line.inner_force * size * np.cos(k * line.inner_teeth * angle + phase)
    ripple_order = 3 * motor.poles  # six commutation steps per electrical turn
    cogging_order = math.lcm(motor.slots, motor.poles)
    kt = 60.0 / (2.0 * math.pi * drivetrain["kv_rpm_per_v"])
    screw = mesh.screw_stiffness * (0.3 + 0.7 * min(1.0, grip))
    behind = sitting.states["driveline"]
    hold = behind.preload * sitting.preload_factor["driveline"]
    sleeve = line.screw_stiffness * (0.3 + 0.7 * min(1.0, hold))
    tangent = math.tan(math.radians(20.0))
    # Set too tight, the gears are pressed into each other: backlash below 0.
    tight = max(1.0 - sitting.backlash / 0.25, 0.0)
    return Drive(
        back_emf=kt,
        resistance=motor.resistance,
        current_max=motor.current_max,
        current_brake=motor.current_brake,
        rotor_table=np.stack(
            (
                motor.ripple
                * (
                    np.cos(ripple_order * angle + sitting.phases[9])
                    + 0.4 * np.cos(2 * ripple_order * angle + 1.0)
                ),
                motor.cogging
                * (np.cos(cogging_order * angle) + 0.25 * np.cos(2 * cogging_order * angle)),
            ),
            axis=1,
        ),
        rotor_drag=np.array([0.1 * torque / ratio, 0.1 * torque / (top * ratio)]),
        spur_drag=np.array([0.1 * torque, 0.15 * torque / top]),
        wheel_drag=np.array([0.2 * torque, 0.15 * torque / top, 0.2 * torque / top**2]),
        pinion_inertia=mesh.pinion_inertia,
        spur_inertia=mesh.spur_inertia,
        wheel_inertia=wheel_inertia,
        screw_stiffness=screw,
        screw_damping=2.0 * 0.4 * math.sqrt(screw * mesh.pinion_inertia),
        screw_play=state.turns * mesh.screw_pitch / mesh.screw_flat,
        screw_grip_stiffness=0.5 * mesh.screw_stiffness * min(1.0, grip + 0.02),
        screw_limit=mesh.screw_limit * grip + 0.002,
        sleeve_inertia=line.sleeve_inertia,
        sleeve_stiffness=sleeve,
        sleeve_damping=2.0 * 0.3 * math.sqrt(sleeve * line.sleeve_inertia),
        sleeve_play=behind.turns * line.screw_pitch / line.screw_flat,
        sleeve_grip_stiffness=0.5 * line.screw_stiffness * min(1.0, hold + 0.02),
        sleeve_limit=line.screw_limit * hold + 0.002,
        line_stiffness=line.line_stiffness,
        line_damping=2.0
        * line.line_damping_ratio
        * math.sqrt(line.line_stiffness * mesh.spur_inertia),
        line_play=line.line_play,
        case_lever=line.case_lever,
        inner_share=line.inner_share,
        internal_ratio=internal,
        pinion_radius=pinion_radius,
        spur_radius=0.5 * mesh.module * mesh.spur_teeth,
        pressure_tangent=tangent,
        line=np.array([math.cos(mesh.line_angle), math.sin(mesh.line_angle)]),
        mesh_stiffness=stiffness,
        mesh_damping=2.0 * mesh.damping_ratio * math.sqrt(stiffness * min(mass, 0.05)),
        backlash=mesh.backlash * sitting.backlash - mesh.press * tight,
        opening=max(sitting.backlash - 1.0, 0.0) * mesh.backlash / (2.0 * tangent),
        opening_growth=mesh.opening_growth / mesh.module,
        tooth_friction=mesh.tooth_friction,
        # Mean loss of a pair of spur gears, about π·μ·(1/z₁ + 1/z₂) (value from memory).
        tooth_loss=math.pi
        * mesh.tooth_friction
        * (1.0 / mesh.pinion_teeth + 1.0 / mesh.spur_teeth),
        pinion_table=pinion,
        spur_table=np.concatenate((spur, inner[:, None]), axis=1),
        spur_unbalance=mesh.spur_unbalance,
    )


def build_sleeve(car: SimulatedCar, sitting: Sitting) -> Sleeve:
    """Return the sleeve behind the spur, across its shaft, in the state of the run."""
    line = car.driveline
    hold = sitting.states["driveline"].preload * sitting.preload_factor["driveline"]
    return Sleeve(
        mass=line.sleeve_mass,
        clearance=line.sleeve_clearance,
        grip_stiffness=line.grip_stiffness * min(1.0, hold) ** (1.0 / 3.0),
        grip_damping=line.grip_damping * sitting.damping_factor,
        limit=line.screw_friction * line.screw_preload * hold,
        bore_stiffness=line.bore_stiffness,
        bore_damping=line.bore_damping * sitting.damping_factor,
        bore_cap=line.bore_cap,
        bore_friction=line.screw_friction,
        force=line.sleeve_force,
    )
