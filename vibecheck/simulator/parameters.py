"""An invented car's physical parameters, SI units; `vibecheck.simulator.draw` draws them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Layout = Literal["4wd", "rwd", "fwd"]

WHEELS = ("wheel_front_left", "wheel_front_right", "wheel_rear_left", "wheel_rear_right")
DECKS = (
    "shock_tower_front",
    "shock_tower_rear",
    "battery_hold_down",
    "chassis_screws",
    "body_and_aero",
    "steering",
)
"""The masses that are screwed, strapped or clipped to the chassis."""
ZONES = (*WHEELS, "motor_mount", "gear_mesh", "driveline", *DECKS)
"""The zones whose joints this model holds."""
JOINTS = ZONES
"""Where parts hang on the chassis, in the order of the equations of motion."""


@dataclass(frozen=True, eq=False)
class ChassisParameters:
    """Rigid body, stand, and the flexible modes that move the joints."""

    mass: float
    inertia: Array
    stand_frequency_hz: Array
    stand_damping: Array
    position: Array
    mode_frequency_hz: Array
    mode_damping: Array
    mode_mass: Array
    mode_shape: Array


@dataclass(frozen=True, eq=False)
class WheelParameters:
    """One wheel on its hub."""

    mass: float
    radius: float
    polar_inertia: float
    transverse_inertia: float
    unbalance: float
    couple: float
    growth: float
    hub_mass: float
    arm_stiffness: Array
    arm_damping_ratio: Array
    arm_play: float
    thread_pitch: float
    preload: float
    face_radius: float
    face_offset: float
    seat_stiffness: float
    nut_stiffness: float
    face_damping: float
    face_cap: float
    face_friction: float
    grip_ratio: float
    grip_damping: float
    bore_offset: Array
    bore_clearance: Array
    bore_stiffness: float
    bore_damping: float
    bore_cap: float
    bore_friction: float
    shaft_force: float
    shaft_swing: float
    hex_play: float
    hex_stiffness: float
    hex_uneven: Array
    spin_drag: float


@dataclass(frozen=True, eq=False)
class MotorParameters:
    """Motor, its plate and its two screws."""

    along_car: bool
    mass: float
    radius: float
    length: float
    plate_mass: float
    plate_stiffness: Array
    plate_damping_ratio: float
    screw_radius: float
    screw_angle: float
    screw_spread: float
    screw_preload: float
    thread_pitch: float
    face_stiffness: float
    face_damping: float
    face_cap: float
    face_friction: float
    grip_ratio: float
    grip_damping: float
    hole_clearance: float
    hole_stiffness: float
    slot_open: float
    slot_close: float
    rotor_inertia: float
    unbalance: float
    pull: float
    poles: int
    slots: int
    cogging: float
    ripple: float
    resistance: float
    current_max: float
    current_brake: float


@dataclass(frozen=True, eq=False)
class MeshParameters:
    """Pinion and spur."""

    module: float
    pinion_teeth: int
    spur_teeth: int
    line_angle: float
    stiffness: float
    stiffness_swing: float
    damping_ratio: float
    backlash: float
    press: float
    opening_growth: float
    profile_error: Array
    pitch_error: tuple[float, float]
    eccentricity: tuple[float, float]
    table_seed: int
    spur_unbalance: float
    pinion_inertia: float
    spur_inertia: float
    screw_stiffness: float
    screw_limit: float
    screw_pitch: float
    screw_flat: float
    screw_clearance: float
    tooth_friction: float
    coast_time_s: float


@dataclass(frozen=True, eq=False)
class DrivelineParameters:
    """What follows the spur: a sleeve held by a set screw, shafts or a belt, the final drive.

    `case_lever` is the force on the bulkhead per torque of the shaft (1/m), `inner_share` the
    part of the inner gears' force that the bulkhead carries.
    """

    belt: bool
    sleeve_mass: float
    sleeve_inertia: float
    sleeve_clearance: float
    sleeve_force: float
    screw_preload: float
    screw_friction: float
    screw_pitch: float
    screw_flat: float
    screw_stiffness: float
    screw_limit: float
    grip_stiffness: float
    grip_damping: float
    bore_stiffness: float
    bore_damping: float
    bore_cap: float
    line_stiffness: float
    line_damping_ratio: float
    line_play: float
    inner_teeth: int
    inner_force: float
    inner_share: float
    case_lever: float


@dataclass(frozen=True, eq=False)
class DeckParameters:
    """A mass screwed, strapped or clipped to the chassis.

    `normal` is the car axis of its screws. `paths` lists the forces it carries for other
    joints, each as (joint, axis of the joint's force, own axis, share): see
    `vibecheck.simulator.motion.move_anchors`.
    """

    mass: float
    normal: int
    preload: float
    thread_pitch: float
    seat_stiffness: float
    head_stiffness: float
    damping: float
    cap: float
    friction: float
    grip_ratio: float
    grip_damping: float
    hole_clearance: float
    hole_stiffness: float
    paths: tuple[tuple[int, int, int, float], ...]


@dataclass(frozen=True, eq=False)
class ModeBank:
    """Structural modes above the integrated ones: rung by joint forces, heard at the spots.

    `group` is the joint whose parts ring (index into `JOINTS`), or -1 for the chassis.
    `drive` maps recorded force channels to modes; `area` is the radiating area in m².
    `patch`, shape (n_modes, 1 + n_joints), is the size of each mode's shape at the centre and at
    every joint: a mode that a joint drives strongly also moves, and radiates, strongly near it.
    The rows of `drive` and the motions `attached` (same places, 3 axes) are built on it.
    """

    frequency_hz: Array
    damping: Array
    mass: Array
    group: NDArray[np.int64]
    drive: Array
    area: Array
    direction: Array
    patch: Array
    attached: Array


@dataclass(frozen=True, eq=False)
class SimulatedCar:
    """One invented car: physical parameters and the profile its owner would write.

    Attributes
    ----------
    name : str
        Invented.
    layout : {"4wd", "rwd", "fwd"}
    profile : dict
        What the car file holds (see `vibecheck.simulator.profile.profile_toml`).
    seed : int
        The seed it was drawn from.
    """

    name: str
    layout: Layout
    scale: str
    seed: int
    chassis: ChassisParameters
    wheels: tuple[WheelParameters, ...]
    motor: MotorParameters
    mesh: MeshParameters
    driveline: DrivelineParameters
    decks: tuple[DeckParameters, ...]
    modes: ModeBank
    profile: dict[str, Any] = field(default_factory=dict)

    @property
    def internal_ratio(self) -> float:
        """Spur turns per wheel turn."""
        return float(self.profile["drivetrain"]["internal_ratio"])

    @property
    def wheel_ratio(self) -> float:
        """Wheel turns per motor turn."""
        return self.mesh.pinion_teeth / (self.mesh.spur_teeth * self.internal_ratio)

    @property
    def driven(self) -> tuple[bool, bool, bool, bool]:
        """Which wheels turn, in the order of `WHEELS`."""
        front = self.layout in ("4wd", "fwd")
        rear = self.layout in ("4wd", "rwd")
        return front, front, rear, rear


# Recorded force channels of each joint (see vibecheck.simulator.motion).
CHANNELS_OF_JOINT: tuple[tuple[int, ...], ...] = (
    *(tuple(range(6 * i, 6 * i + 6)) for i in range(4)),
    tuple(range(24, 30)),
    (30, 31),
    (32, 33, 34),
    *(tuple(range(35 + 3 * k, 38 + 3 * k)) for k in range(len(DECKS))),
)
N_FORCE_CHANNELS = 35 + 3 * len(DECKS)
MOMENT_CHANNELS = (3, 4, 5, 9, 10, 11, 15, 16, 17, 21, 22, 23, 27, 28, 29, 34)
MOMENT_ARM = 0.02
