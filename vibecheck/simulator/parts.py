"""The numbers of the equations of motion: one tuple of arrays per part of the car.

Axes: x forward, y left, z up; small rotations about them. Wheels turn about y, forward driving
positive, which carries z towards x. The motor has its own axes: 1 and 2 across its shaft (2 is
up), 3 along it. SI units throughout.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRAVITY = 9.80665
WHEEL_CHANNELS = 6  # force x y z, moment about x y z, on the hub
MOTOR_CHANNELS = 6  # force 1 2 3, moment 1 2 3, on the plate
MESH_CHANNELS = 2  # tangential and separating force on the spur
DRIVELINE_CHANNELS = 3  # force 1 2 on the gearbox, torque of the set screw
DECK_CHANNELS = 3  # force x y z on the chassis
MOTOR_AT = 4 * WHEEL_CHANNELS
MESH_AT = MOTOR_AT + MOTOR_CHANNELS
DRIVELINE_AT = MESH_AT + MESH_CHANNELS
DECK_AT = DRIVELINE_AT + DRIVELINE_CHANNELS
MOTOR_JOINT = 4
GEARBOX_JOINT = 5
DRIVELINE_JOINT = 6
DECK_JOINT = 7
BULKHEAD = 3  # the deck that carries the inner gears


class Chassis(NamedTuple):
    """Rigid body (6) and flexible modes.

    Joints: 0-3 wheels, 4 motor, 5 gearbox, 6 driveline, 7… decks.
    """

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
    arm_play: Array  # half gap of the arm's bushes, along x and z
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
    slot_line: Array  # (2,) the slots' direction, towards the spur
    slot_open: float  # how far a screw may move along its slot away from the spur
    slot_close: float
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
    sleeve_inertia: float  # of the part behind the spur that a set screw holds
    sleeve_stiffness: float
    sleeve_damping: float
    sleeve_play: float  # half angle
    sleeve_grip_stiffness: float
    sleeve_limit: float  # friction torque
    line_stiffness: float
    line_damping: float
    line_play: float
    case_lever: float  # force on the bulkhead per torque of the line, 1/m
    inner_share: float  # of the inner gears' force that the bulkhead carries
    internal_ratio: float
    pinion_radius: float
    spur_radius: float
    pressure_tangent: float
    line: Array  # (2,) direction from pinion to spur in the motor's 1-2 plane
    mesh_stiffness: float
    mesh_damping: float
    backlash: float  # below 0 where the gears are pressed into each other
    opening: float  # of the centre distance as set, m
    opening_growth: float  # of tooth error and stiffness swing, per m of opening
    tooth_friction: float
    tooth_loss: float  # drag per tooth load, of the pitch line
    # (n, 5) over a turn: stiffness swing, error but for the profile's in m, runout in m, way of
    # sliding, profile error in m
    pinion_table: Array
    spur_table: Array  # (n, 3) over a turn: error, runout, force of the inner gears in N
    spur_unbalance: float


class Sleeve(NamedTuple):
    """The sleeve behind the spur, across its shaft (axes 1 and 2 of the motor)."""

    mass: float
    clearance: float
    grip_stiffness: float
    grip_damping: float
    limit: float
    bore_stiffness: float
    bore_damping: float
    bore_cap: float
    bore_friction: float
    force: float  # once and twice per turn, of the shaft that hangs on it


class Decks(NamedTuple):
    """Masses screwed, strapped or clipped to the chassis."""

    mass: Array
    order: NDArray[np.int64]  # (decks, 3) car axes: two across the screws, one along them
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
    path_joint: NDArray[np.int64]  # (paths,) 3 · joint + axis whose anchor rides on a deck
    path_deck: NDArray[np.int64]  # (paths,) 3 · deck + axis it rides on
    path_gain: Array  # (paths,)


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
    shaft: Array  # (10,) angles, then speeds: rotor, pinion, spur, wheels; then the sleeve's two
    screw_grip: Array  # (2,) friction torques of pinion and sleeve
    sleeve: Array  # (4,)
    sleeve_grip: Array  # (4,) in the turning frame
    deck: Array  # (decks, 6)
    deck_grip: Array  # (decks, 4)
    base: Array  # (2, 3 · joints) places and speeds of the joints on the chassis
    anchor: Array  # (2, 3 · 7) the same for the joints before the decks, with what rides on decks
    force: Array  # (3 · joints,) on the chassis
    load: Array  # (3 · decks,) what a deck carries for other joints
    moment: Array  # (3,)
    scratch: Array  # (32,)
    acceleration: Array  # (6 + modes,)
    joint_force: Array  # (channels,)
