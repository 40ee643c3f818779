"""From a drawn car and the state of its joints to the arrays of the equations of motion."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.parameters import (
    N_FORCE_CHANNELS,
    WHEELS,
    MeshParameters,
    SimulatedCar,
)
from vibecheck.simulator.parts import (
    GRAVITY,
    Chassis,
    Decks,
    Drive,
    Motor,
    State,
    Wheels,
)
from vibecheck.simulator.states import Sitting

Array = NDArray[np.float64]
TABLE = 4096


def rest_depth(force: float, stiffness: float) -> float:
    """Depth at which a contact of F = K·d^1.5 carries a force."""
    return float((max(force, 0.0) / stiffness) ** (2.0 / 3.0))


def build_chassis(car: SimulatedCar) -> Chassis:
    """Return the chassis arrays; the stand is tuned to the whole car's mass."""
    c = car.chassis
    carried = np.zeros(c.position.shape[0])
    for i, wheel in enumerate(car.wheels):
        carried[i] = wheel.mass + wheel.hub_mass
    carried[4] = car.motor.mass + car.motor.plate_mass
    carried[6:] = car.deck.mass
    total = c.mass + carried.sum()
    inertia = c.inertia.copy()
    for joint, hung in enumerate(carried.tolist()):
        square = c.position[joint] ** 2
        inertia += hung * (square.sum() - square)
    rate = 2.0 * math.pi * c.stand_frequency_hz
    # The stand is tuned to the whole car; the equation of the chassis alone feels k/m_chassis.
    whole = np.concatenate((np.full(3, total), inertia))
    alone = np.concatenate((np.full(3, c.mass), c.inertia))
    mode_rate = 2.0 * math.pi * c.mode_frequency_hz
    joint_map = rigid_map(c.position)
    joint_map = np.vstack((joint_map, c.mode_shape.reshape(mode_rate.size, -1)))
    weight = np.zeros_like(c.position)
    weight[:, 2] = carried * GRAVITY
    return Chassis(
        inverse_mass=1.0 / np.concatenate((alone, c.mode_mass)),
        loss=np.concatenate(
            (2.0 * c.stand_damping * rate * whole / alone, 2.0 * c.mode_damping * mode_rate)
        ),
        spring=np.concatenate((rate**2 * whole / alone, mode_rate**2)),
        rest_drive=joint_map @ weight.ravel(),
        joint_map=np.ascontiguousarray(joint_map),
    )


def rigid_map(position: Array) -> Array:
    """Displacement u = d + φ × p of points p, per unit of d (3) and φ (3); shape (6, 3·n)."""
    rows = np.zeros((6, position.shape[0], 3))
    x, y, z = position.T
    for axis in range(3):
        rows[axis, :, axis] = 1.0
    rows[3, :, 1], rows[3, :, 2] = -z, y
    rows[4, :, 0], rows[4, :, 2] = z, -x
    rows[5, :, 0], rows[5, :, 1] = -y, x
    result: Array = rows.reshape(6, -1)
    return result


def build_wheels(car: SimulatedCar, sitting: Sitting) -> Wheels:
    """Return the arrays of hubs, wheels and their joints in the states of the run."""
    soft = 1.0 + sitting.temperature
    loss = sitting.damping_factor
    driven = np.array(car.driven, dtype=np.float64)
    seat_depth, nut_depth = np.empty(4), np.empty(4)
    for i, (zone, wheel) in enumerate(zip(WHEELS, car.wheels, strict=True)):
        state = sitting.states[zone]
        force = state.preload * sitting.preload_factor[zone] * wheel.preload
        seat_depth[i] = rest_depth(force, wheel.seat_stiffness * soft)
        nut_depth[i] = rest_depth(force, wheel.nut_stiffness * soft)
        nut_depth[i] -= state.turns * wheel.thread_pitch
    w = car.wheels
    # The hex recess widens outward: the further the wheel moves out, the more it rocks.
    slack = 1.0 + np.array([0.6 * sitting.states[zone].turns for zone in WHEELS])
    outboard = np.array([1.0, -1.0, 1.0, -1.0])
    arm = np.array([one.arm_stiffness for one in w]) * soft
    hung = np.array([one.hub_mass + one.mass for one in w])
    arm_damping = (
        2.0 * np.array([one.arm_damping_ratio for one in w]) * np.sqrt(arm * hung[:, None]) * loss
    )

    def row(name: str) -> Array:
        return np.array([getattr(one, name) for one in w], dtype=np.float64)

    def turned(size: Array, angle: Array) -> Array:
        return np.stack((size * np.cos(angle), size * np.sin(angle)), axis=1)

    return Wheels(
        hub_mass=row("hub_mass"),
        arm_stiffness=arm,
        arm_damping=arm_damping,
        arm_play=row("arm_play"),
        mass=row("mass"),
        transverse_inertia=row("transverse_inertia"),
        polar_inertia=row("polar_inertia"),
        outboard=outboard,
        driven=driven,
        unbalance=turned(row("unbalance") * sitting.unbalance_factor, sitting.phases[0:4]),
        growth=row("growth"),
        couple=turned(row("couple") * sitting.unbalance_factor, sitting.phases[4:8]),
        shaft_force=row("shaft_force") * driven,
        shaft_swing=row("shaft_swing") * driven,
        hex_play=row("hex_play") * slack,
        hex_stiffness=row("hex_stiffness"),
        hex_damping=2.0 * 0.06 * np.sqrt(row("hex_stiffness") * row("polar_inertia")),
        hex_uneven=np.array([one.hex_uneven for one in w]),
        spin_drag=row("spin_drag") * driven,
        face_offset=row("face_offset") * outboard,
        face_radius=row("face_radius"),
        seat_stiffness=row("seat_stiffness") * soft,
        nut_stiffness=row("nut_stiffness") * soft,
        seat_depth=seat_depth,
        nut_depth=nut_depth,
        face_damping=row("face_damping") * loss,
        face_cap=row("face_cap"),
        face_friction=row("face_friction"),
        grip_ratio=row("grip_ratio"),
        grip_damping=row("grip_damping") * loss,
        bore_offset=np.array([one.bore_offset for one in w]) * outboard[:, None],
        bore_clearance=np.array([one.bore_clearance for one in w])
        * np.stack((slack, np.ones(4)), axis=1),
        bore_stiffness=row("bore_stiffness") * soft,
        bore_damping=row("bore_damping") * loss,
        bore_cap=row("bore_cap"),
        bore_friction=row("bore_friction"),
    )


def build_motor(car: SimulatedCar, sitting: Sitting) -> Motor:
    """Return motor and mount in the state of the run."""
    m = car.motor
    state = sitting.states["motor_mount"]
    half = 0.5 * m.length
    b1, b2 = math.cos(m.screw_angle), math.sin(m.screw_angle)
    points = []
    for sign in (1.0, -1.0):
        for spread in (1.0, -1.0):
            points.append(
                [
                    sign * m.screw_radius * b1 - spread * m.screw_spread * b2,
                    sign * m.screw_radius * b2 + spread * m.screw_spread * b1,
                    half,
                ]
            )
    seat, head = np.empty(4), np.empty(4)
    for point in range(4):
        affected = state.share >= 0.75 or point // 2 == sitting.loose_screw
        preload = state.preload if affected else 1.0
        turns = state.turns if affected else 0.0
        force = 0.5 * preload * sitting.preload_factor["motor_mount"] * m.screw_preload
        seat[point] = rest_depth(force, m.face_stiffness)
        head[point] = seat[point] - turns * m.thread_pitch
    across = m.mass * (3.0 * m.radius**2 + m.length**2) / 12.0
    stiffness = m.plate_stiffness * (1.0 + 0.5 * sitting.temperature)
    loss = 2.0 * m.plate_damping_ratio * np.sqrt(stiffness * (m.mass + m.plate_mass))
    axes = (
        np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
        if m.along_car
        else np.array([[-1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0]])
    )
    return Motor(
        axes=axes,
        plate_mass=m.plate_mass,
        plate_stiffness=stiffness,
        plate_damping=loss * sitting.damping_factor,
        mass=m.mass,
        inertia=np.array([across, across, 0.4 * m.mass * m.radius**2]),
        points=np.array(points),
        seat_stiffness=m.face_stiffness,
        head_stiffness=m.face_stiffness,
        seat_depth=seat,
        head_depth=head,
        face_damping=m.face_damping * sitting.damping_factor,
        face_cap=m.face_cap,
        face_friction=m.face_friction,
        grip_ratio=m.grip_ratio,
        grip_damping=m.grip_damping,
        hole_clearance=m.hole_clearance,
        hole_stiffness=m.hole_stiffness,
        hole_damping=m.face_damping,
        hole_cap=20.0,
        rotor_inertia=m.rotor_inertia,
        unbalance=m.unbalance,
        pull=m.pull,
        poles=float(m.poles),
        pinion_arm=half + 0.008,
    )


def _smooth_pitch_error(rng: np.random.Generator, teeth: int, size: float) -> Array:
    """Tooth-to-tooth error over a turn: independent teeth, blended from one to the next."""
    teeth_error = rng.normal(0.0, size, teeth)
    place = np.arange(TABLE) / TABLE * teeth
    index = place.astype(np.int64)
    share = place - index
    ease = 0.5 - 0.5 * np.cos(np.pi * share)
    result: Array = teeth_error[index] * (1 - ease) + teeth_error[(index + 1) % teeth] * ease
    return result


def mesh_tables(mesh: MeshParameters, pinion_runout: float) -> tuple[Array, ...]:
    """Return transmission error and runout of pinion and spur, and the pinion's stiffness swing.

    Profile error: harmonics of the mesh. Eccentricity: once per turn, along the pitch line and,
    a quarter turn later, across it (a change of the centre distance).
    """
    rng = np.random.default_rng([mesh.table_seed, 31])
    turn = 2.0 * np.pi * np.arange(TABLE) / TABLE
    pinion = _smooth_pitch_error(rng, mesh.pinion_teeth, mesh.pitch_error[0])
    spur = _smooth_pitch_error(rng, mesh.spur_teeth, mesh.pitch_error[1])
    for harmonic, size in enumerate(mesh.profile_error, start=1):
        phase = rng.uniform(0.0, 2.0 * np.pi)
        pinion = pinion + size * np.cos(harmonic * mesh.pinion_teeth * turn + phase)
    phase_1, phase_2 = rng.uniform(0.0, 2.0 * np.pi, 2)
    e_1 = mesh.eccentricity[0] + pinion_runout
    e_2 = mesh.eccentricity[1]
    pinion = pinion + e_1 * np.cos(turn + phase_1)
    spur = spur + e_2 * np.cos(turn + phase_2)
    # A spur that is not quite round: twice per turn.
    spur = spur + 0.3 * e_2 * np.cos(2.0 * turn + rng.uniform(0.0, 2.0 * np.pi))
    swing = 1.0 + mesh.stiffness_swing * np.cos(
        mesh.pinion_teeth * turn + rng.uniform(0.0, 2.0 * np.pi)
    )
    return pinion, spur, e_1 * np.sin(turn + phase_1), e_2 * np.sin(turn + phase_2), swing


def build_drive(car: SimulatedCar, sitting: Sitting) -> Drive:
    """Return torque path and gear mesh in the state of the run."""
    mesh, motor = car.mesh, car.motor
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
    pinion, spur, run_1, run_2, swing = mesh_tables(mesh, runout)
    stiffness = mesh.stiffness * (1.0 + sitting.temperature)
    mass = 1.0 / (pinion_radius**2 / motor.rotor_inertia)
    angle = 2.0 * np.pi * np.arange(TABLE) / TABLE
    chance = np.random.default_rng([mesh.table_seed, 32])
    inner = mesh.inner_force * sum(
        size * np.cos(k * mesh.inner_teeth * angle + chance.uniform(0.0, 2.0 * np.pi))
        for k, size in ((1, 1.0), (2, 0.45), (3, 0.2))
    )
    ripple_order = 3 * motor.poles  # six commutation steps per electrical turn
    cogging_order = math.lcm(motor.slots, motor.poles)
    kt = 60.0 / (2.0 * math.pi * drivetrain["kv_rpm_per_v"])
    screw = mesh.screw_stiffness * (0.3 + 0.7 * min(1.0, grip))
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
        line_stiffness=mesh.line_stiffness,
        line_damping=2.0 * 0.06 * math.sqrt(mesh.line_stiffness * mesh.spur_inertia),
        line_play=mesh.line_play,
        internal_ratio=internal,
        pinion_radius=pinion_radius,
        spur_radius=0.5 * mesh.module * mesh.spur_teeth,
        pressure_tangent=math.tan(math.radians(20.0)),
        line=np.array([math.cos(mesh.line_angle), math.sin(mesh.line_angle)]),
        mesh_stiffness=stiffness,
        mesh_damping=2.0 * mesh.damping_ratio * math.sqrt(stiffness * min(mass, 0.05)),
        backlash=mesh.backlash * sitting.backlash,
        pinion_table=np.stack((swing, pinion, run_1), axis=1),
        spur_table=np.stack((spur, run_2, inner), axis=1),
        spur_unbalance=mesh.spur_unbalance,
    )


def build_decks(car: SimulatedCar, sitting: Sitting) -> Decks:
    """Return the screwed-on masses in the state of the run."""
    d = car.deck
    state = sitting.states["chassis_screws"]
    force = state.preload * sitting.preload_factor["chassis_screws"] * d.preload
    depth = rest_depth(force, d.stiffness)

    def one(value: float) -> Array:
        return np.array([value])

    return Decks(
        mass=one(d.mass),
        seat_stiffness=one(d.stiffness),
        head_stiffness=one(d.stiffness),
        seat_depth=one(depth),
        head_depth=one(depth - state.turns * d.thread_pitch),
        damping=one(d.damping * sitting.damping_factor),
        cap=one(d.cap),
        friction=one(d.friction),
        grip_ratio=one(d.grip_ratio),
        grip_damping=one(d.grip_damping),
        hole_clearance=one(d.hole_clearance),
        hole_stiffness=one(d.hole_stiffness),
    )


def rest_state(car: SimulatedCar, sitting: Sitting, wheels: Wheels) -> State:
    """Return the state at rest; snug wheels sit off centre where the nut caught them."""
    n_modes = car.chassis.mode_frequency_hz.size
    joints = car.chassis.position.shape[0]
    decks = joints - 6
    state = State(
        body=np.zeros((2, 6 + n_modes)),
        hub=np.zeros((4, 6)),
        wheel=np.zeros((4, 10)),
        wheel_grip=np.zeros((4, 4)),
        wheel_angle=np.zeros(4),
        wheel_spin=np.zeros((4, 3)),
        plate=np.zeros(6),
        motor=np.zeros(12),
        motor_grip=np.zeros((4, 4)),
        shaft=np.zeros(8),
        screw_grip=np.zeros(1),
        deck=np.zeros((decks, 6)),
        deck_grip=np.zeros((decks, 4)),
        base=np.zeros((2, 3 * joints)),
        force=np.zeros(3 * joints),
        moment=np.zeros(3),
        scratch=np.zeros(32),
        acceleration=np.zeros(6 + n_modes),
        joint_force=np.zeros(N_FORCE_CHANNELS),
    )
    for i in range(4):
        # At angle 0 the turning frame's first axis is z, its second x.
        place = sitting.seat_place[i] * wheels.bore_clearance[i].min()
        state.wheel[i, 0] = place[1]
        state.wheel[i, 2] = place[0]
        state.wheel_grip[i, 2] = place[0]
        state.wheel_grip[i, 3] = place[1]
        state.hub[i, 2] = (
            -GRAVITY * (wheels.mass[i] + wheels.hub_mass[i]) / (wheels.arm_stiffness[i, 2])
        )
        state.wheel[i, 2] += state.hub[i, 2]
    return state
