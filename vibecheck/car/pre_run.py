"""What to go through before every run, beyond the fasteners.

Own wording; common practice, no source. The list never says that a car may go out: that is the
owner's own decision.
"""

from __future__ import annotations

from dataclasses import dataclass

from vibecheck.car.profile import Car


@dataclass(frozen=True)
class PreRunItem:
    """One line of the list.

    Attributes
    ----------
    name : str
        Short, stable, for a record.
    when : {"power off", "power on", "before driving off", "after the first run"}
        Which part of the sitting it belongs to.
    title, how : str
        What, and how to tell.
    zone : str
        The zone it belongs to; empty where to none.
    """

    name: str
    when: str
    title: str
    how: str
    zone: str = ""


POWER_OFF, POWER_ON, DRIVE_OFF, AFTER = (
    "power off",
    "power on",
    "before driving off",
    "after the first run",
)
WHEN = (POWER_OFF, POWER_ON, DRIVE_OFF, AFTER)
"""Parts of the list, in order."""

# Common practice, no source, all of it.
ITEMS: tuple[PreRunItem, ...] = (
    PreRunItem(
        "moving_parts",
        POWER_OFF,
        "Moving parts free",
        "Body off, battery unplugged. Move each arm, shock, steering link and wheel by hand over "
        "its whole way: nothing binds, nothing rubs, nothing clicks. Look for wires near what "
        "turns.",
    ),
    PreRunItem(
        "gear_mesh",
        POWER_OFF,
        "Gear mesh",
        "Turn the spur through one whole turn by hand. A hair of play everywhere: a strip of thin "
        "paper between the teeth is the usual gauge. No tight place, no missing tooth, no stone.",
        "gear_mesh",
    ),
    PreRunItem(
        "pinion",
        POWER_OFF,
        "Pinion on its flat",
        "Set screw on the flat of the shaft, thread-locker, snug and not forced. Try to twist and "
        "to slide the pinion.",
        "gear_mesh",
    ),
    PreRunItem(
        "motor_after_gears",
        POWER_OFF,
        "Motor screws after a gear change",
        "After every change of gears try the motor screws once more: the mesh was set with them.",
        "motor_mount",
    ),
    PreRunItem(
        "lock_nuts",
        POWER_OFF,
        "Lock nuts all the same",
        "A lock nut can come loose like any other: feel each one, the wheel nuts above all. One "
        "that turns on by hand is done.",
    ),
    PreRunItem(
        "tyres",
        POWER_OFF,
        "Tyres and glue",
        "Pull the bead away from the rim all round, both sides. Look for cuts, cracks and lumps. A "
        "tyre that lets go at speed strikes whoever stands near.",
    ),
    PreRunItem(
        "battery",
        POWER_OFF,
        "Battery and leads",
        "Not swollen, not damaged, held so that it cannot shift in any direction; plugs go home, "
        "leads cannot reach anything that turns.",
        "battery_hold_down",
    ),
    PreRunItem(
        "aero",
        POWER_OFF,
        "Aero parts fitted",
        "Front part, wing, splitter and bumper on, none cracked. Without its front part a fast car "
        "can lift: fit it before any fast run.",
        "body_and_aero",
    ),
    PreRunItem(
        "fail_safe",
        POWER_ON,
        "Radio fail-safe",
        "Wheels off the ground. Transmitter on first, then the car. Switch the transmitter off: "
        "the throttle must go to neutral or brake. Switch it on again and try steering and brake.",
    ),
    PreRunItem(
        "range",
        POWER_ON,
        "Batteries of both ends",
        "The transmitter's battery is charged, and the car answers at the distance you will drive.",
    ),
    PreRunItem(
        "body",
        DRIVE_OFF,
        "Body and pins",
        "Every pin through its post and closed, body clear of all four wheels at full lock.",
        "body_and_aero",
    ),
    PreRunItem(
        "place",
        DRIVE_OFF,
        "The place",
        "Nobody in the way or behind the line, a clear run-out, local rules kept. A hard surface "
        "forgives nothing that loosens.",
    ),
    PreRunItem(
        "gearing",
        DRIVE_OFF,
        "Gearing",
        "Tall gearing is for short bursts with time to cool between them. Begin with part "
        "throttle.",
    ),
    PreRunItem(
        "temperatures",
        AFTER,
        "Temperatures",
        "At once after the run: motor, speed controller, battery and plugs. The makers' limits "
        "decide; what is too hot to keep a finger on needs an answer before the next run.",
    ),
    PreRunItem(
        "again",
        AFTER,
        "What was undone, once more",
        "Every fastener that was undone or found loose settles in the first run: try it again now, "
        "the wheel nuts first.",
    ),
)


def pre_run_list(car: Car | None = None) -> tuple[PreRunItem, ...]:
    """Return the list for a car: lines about zones that it does not have are left out."""
    if car is None:
        return ITEMS
    zones = {zone.name for zone in car.zones}
    return tuple(item for item in ITEMS if not item.zone or item.zone in zones)
