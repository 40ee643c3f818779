"""From a drawn car and the state of its joints to the arrays of the equations of motion."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.parameters import (
    N_FORCE_CHANNELS,
    WHEELS,
    SimulatedCar,
)
from vibecheck.simulator.parts import (
    DECK_JOINT,
    DRIVELINE_JOINT,
    GRAVITY,
    MOTOR_JOINT,
    Chassis,
    Motor,
    Sleeve,
    State,
    Wheels,
)
from vibecheck.simulator.states import Sitting

Array = NDArray[np.float64]


def rest_depth(force: float, stiffness: float) -> float:
    """Depth at which a contact of F = K·d^1.5 carries a force."""
    return float((max(force, 0.0) / stiffness) ** (2.0 / 3.0))


def build_chassis(car: SimulatedCar) -> Chassis:
    """Return the chassis arrays; the stand is tuned to the whole car's mass."""
    c = car.chassis
    carried = np.zeros(c.position.shape[0])
    for i, wheel in enumerate(car.wheels):
        carried[i] = wheel.mass + wheel.hub_mass
    carried[MOTOR_JOINT] = car.motor.mass + car.motor.plate_mass
    carried[DRIVELINE_JOINT] = car.driveline.sleeve_mass
    carried[DECK_JOINT:] = [deck.mass for deck in car.decks]
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
        slot_line=np.array([math.cos(car.mesh.line_angle), math.sin(car.mesh.line_angle)]),
        slot_open=m.slot_open,
        slot_close=m.slot_close,
        rotor_inertia=m.rotor_inertia,
        unbalance=m.unbalance,
        pull=m.pull,
        poles=float(m.poles),
        pinion_arm=half + 0.008,
    )


def rest_state(car: SimulatedCar, sitting: Sitting, wheels: Wheels, sleeve: Sleeve) -> State:
    """Return the state at rest; snug wheels and sleeves sit where their fastener caught them."""
    n_modes = car.chassis.mode_frequency_hz.size
    joints = car.chassis.position.shape[0]
    decks = joints - DECK_JOINT
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
        shaft=np.zeros(10),
        screw_grip=np.zeros(2),
        sleeve=np.zeros(4),
        sleeve_grip=np.zeros(4),
        deck=np.zeros((decks, 6)),
        deck_grip=np.zeros((decks, 4)),
        base=np.zeros((2, 3 * joints)),
        anchor=np.zeros((2, 3 * DECK_JOINT)),
        force=np.zeros(3 * joints),
        load=np.zeros(3 * decks),
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
    # The set screw pushes the sleeve to one side of its clearance.
    angle = sitting.phases[10]
    place_1, place_2 = (
        0.6 * sleeve.clearance * math.cos(angle),
        0.6 * sleeve.clearance * math.sin(angle),
    )
    state.sleeve[:2] = place_2, place_1
    state.sleeve_grip[2:] = place_1, place_2
    return state
