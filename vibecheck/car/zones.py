"""Zones and fasteners: what a hand check touches, and the defaults of each layout.

The default zones, threads and counts are common practice on 1:12 to 1:7 cars (no source): a start
for the owner to correct against the vehicle's manual, not a description of any one car.
"""

from __future__ import annotations

from collections.abc import Iterable
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


def driven_wheels(layout: str | None) -> tuple[str, ...]:
    """Return the wheel zones whose wheels turn on the bench under the motor's power."""
    if layout == "rwd":
        return WHEEL_ZONES[2:]
    if layout == "fwd":
        return WHEEL_ZONES[:2]
    return WHEEL_ZONES if layout == "4wd" else ()


def default_zones(layout: str | None) -> tuple[Zone, ...]:
    """Return every zone of the vocabulary with the usual fasteners of a layout.

    Parameters
    ----------
    layout : {"4wd", "rwd", "fwd"} or None
        ``None`` (a bare machine) has no default zones.
    """
    if layout is None:
        return ()
    wheels = tuple(_wheel(name, driven=name in driven_wheels(layout)) for name in WHEEL_ZONES)
    return (
        *wheels,
        Zone(
            "motor_mount",
            3,
            (
                Fastener("motor screw", "M3x0.5", 2, "threadlocker", "aluminium"),
                Fastener("mount screw", "M3x0.5", 4, "none", "aluminium"),
            ),
            1,
            "With the battery unplugged and the motor cold, take hold of its can and try to wiggle "
            "it in every direction: the motor must not move against the mount, nor the mount "
            "against the chassis. Then try each screw in the tightening direction with a short "
            "driver, without force.",
        ),
        Zone(
            "gear_mesh",
            3,
            (
                Fastener("pinion set screw", "M4x0.7", 1, "set_screw_flat", "steel"),
                Fastener("spur screw", "M3x0.5", 4, "none", "steel"),
            ),
            2,
            "With the battery unplugged, hold the spur still and rock the pinion: there should be "
            "a hair of play between the teeth, the same all the way round. Try to slide and to "
            "twist the pinion on the motor shaft; it must not move. Feel its set screw with the "
            "right key, without force.",
        ),
        _driveline(layout),
        _tower("front"),
        _tower("rear"),
        Zone(
            "battery_hold_down",
            3,
            (Fastener("hold-down screw", "M3x0.5", 4, "none", "plastic"),),
            1,
            "Push the pack to both sides, forward, back and up: it must not shift. Look at straps "
            "and posts for cracks, and feel each screw or clip.",
        ),
        Zone(
            "chassis_screws",
            2,
            (
                Fastener("chassis plate screw", "M3x0.5", 16, "none", "plastic"),
                Fastener("brace screw", "M3x0.5", 4, "none", "aluminium"),
            ),
            2,
            "Turn the car over and try each screw of the plate in the tightening direction with a "
            "short driver, without force; stop when the head seats. Then twist the chassis gently "
            "and listen for clicks.",
        ),
        Zone(
            "body_and_aero",
            2,
            (
                Fastener("body post screw", "M3x0.5", 4, "none", "plastic"),
                Fastener("wing screw", "M3x0.5", 2, "nylon_insert", "plastic"),
            ),
            1,
            "Lift and shake the body at each post and each clip, and push on the wing or splitter "
            "from both sides. Nothing may click or shift.",
        ),
        Zone(
            "steering",
            3,
            (
                Fastener("servo screw", "M3x0.5", 4, "none", "plastic"),
                Fastener("servo arm screw", "M3x0.5", 1, "threadlocker", "steel"),
                Fastener("link ball stud", "M3x0.5", 6, "nylon_insert", "plastic"),
            ),
            1,
            "With the battery unplugged, turn one front wheel by hand and watch the other: they "
            "should move together, with hardly any slack. Wiggle the servo arm and pull at each "
            "ball joint.",
        ),
    )


def merge_zones(defaults: Iterable[Zone], own: Iterable[Zone]) -> tuple[Zone, ...]:
    """Lay a car's own zones over the defaults: same name replaces in place, new names follow."""
    merged = {zone.name: zone for zone in defaults}
    merged.update({zone.name: zone for zone in own})
    return tuple(merged.values())


def _wheel(name: str, *, driven: bool) -> Zone:
    fasteners = [Fastener("wheel nut", "M5x0.8", 1, "nylon_insert", "steel")]
    how = (
        "Grip the wheel at 12 and 6 o'clock and rock it, then at 3 and 9 o'clock: feel for a click "
        "and watch whether the nut, the hub or the arm moves. Feel the nut with its wrench in the "
        "tightening direction, without force; replace a nylon nut that turns on by hand."
    )
    if driven:
        fasteners.append(Fastener("wheel hex set screw", "M3x0.5", 1, "set_screw_flat", "steel"))
        how += " Hold the axle and twist the wheel: hardly any slack should be felt."
    else:
        how += (
            " This wheel is not driven and stands still on the bench: spin it by hand and listen."
        )
    if "front" in name:
        fasteners.append(Fastener("steering knuckle screw", "M3x0.5", 2, "none", "aluminium"))
    else:
        fasteners.append(Fastener("hub carrier pin screw", "M3x0.5", 1, "none", "plastic"))
    return Zone(name, 3, tuple(fasteners), 1, how)


def _driveline(layout: str) -> Zone:
    ends = {"4wd": 2, "rwd": 1, "fwd": 1}[layout]
    fasteners = [Fastener("drive cup set screw", "M3x0.5", 2 * ends, "set_screw_flat", "steel")]
    if layout == "4wd":
        fasteners.append(Fastener("centre shaft set screw", "M4x0.7", 2, "set_screw_flat", "steel"))
    fasteners.append(Fastener("gearbox screw", "M3x0.5", 4 * ends, "none", "plastic"))
    where = {"4wd": "front and rear", "rwd": "rear", "fwd": "front"}[layout]
    how = (
        f"With the battery unplugged, hold the spur and turn each {where} wheel back and forth: "
        "the slack should be small and alike on both sides. Push each drive shaft along its length "
        "and twist it in its cups; feel every set screw with the right key."
    )
    if layout == "4wd":
        how += " Twist the centre shafts the same way."
    return Zone("driveline", 2, tuple(fasteners), 2, how)


def _tower(end: str) -> Zone:
    return Zone(
        f"shock_tower_{end}",
        2,
        (
            Fastener("tower screw", "M3x0.5", 4, "none", "aluminium"),
            Fastener("shock mount nut", "M3x0.5", 2, "nylon_insert", "steel"),
        ),
        2,
        f"Hold the {end} shock tower at its top and rock it forward, back and sideways: it must "
        "move with the chassis only. Wiggle each shock on its mounts, then try the screws in the "
        "tightening direction, without force.",
    )
