"""Zones and fasteners: what a hand check touches, and the defaults of each layout."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Locking = Literal[
    "none", "nylon_insert", "threadlocker", "spring_washer", "serrated", "set_screw_flat"
]
Into = Literal["steel", "aluminium", "plastic"]

WHEEL_ZONES = ("wheel_front_left", "wheel_front_right", "wheel_rear_left", "wheel_rear_right")
ZONE_NAMES = (
    *WHEEL_ZONES,
    "motor_mount",
    "gear_mesh",
    "driveline",
    "shock_tower_front",
    "shock_tower_rear",
    "battery_hold_down",
    "chassis_screws",
    "body_and_aero",
    "steering",
)
CENTRE_SPOT = "centre"


@dataclass(frozen=True)
class Fastener:
    """One kind of fastener in a zone."""

    name: str
    thread: str = "M3x0.5"
    count: int = 1
    locking: Locking = "none"
    into: Into = "steel"


@dataclass(frozen=True)
class Zone:
    """A place to hand-check.

    Attributes
    ----------
    name : str
        ``snake_case``; one of `ZONE_NAMES` or a name of the car's own.
    severity : int
        1 (a nuisance) to 3 (a part leaves the car at speed).
    fasteners : tuple of Fastener
    check_effort : int
        1 (a finger) to 3 (parts come off first); breaks ties in the ranking, easiest first.
    how_to_check : str
        One or two sentences in the owner's words.
    """

    name: str
    severity: int = 2
    fasteners: tuple[Fastener, ...] = ()
    check_effort: int = 2
    how_to_check: str = ""
