"""Report: a change of gearing as rows and sentences, the same on every face."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibecheck.report.words import zone_words

if TYPE_CHECKING:
    from vibecheck.car.gear_change import GearChange


def change_rows(change: GearChange) -> list[tuple[str, ...]]:
    """Return what, before and now, of everything that the gearing decides."""
    sides = (change.gearing_before, change.gearing_after)
    gears = (change.before.drivetrain, change.after.drivetrain)
    rows: list[tuple[str, ...]] = [
        ("pinion / spur", *(f"{one.pinion_teeth} / {one.spur_teeth}" for one in gears if one)),
        ("gear ratio", *(f"{one.gear_ratio:.3f}" for one in sides)),
        ("final ratio", *(f"{one.final_ratio:.3f}" for one in sides)),
        ("roll-out", *(f"{one.roll_out_mm:.2f} mm" for one in sides)),
    ]
    for place, name in enumerate(("nominal", "full charge")):
        charges = [one.charges[place] for one in sides]
        rows += [
            (f"geared speed, {name}", *(f"{one.speed_km_h:.0f} km/h" for one in charges)),
            (f"motor, {name}", *(f"{one.motor_rpm:.0f} rpm" for one in charges)),
            (f"wheels, {name}", *(f"{one.wheel_rpm:.0f} rpm" for one in charges)),
        ]
    caps = (change.cap_before, change.cap_after)
    return [
        *rows,
        ("bench cap, wheels", *(f"{one.wheel_rpm:.0f} rpm" for one in caps)),
        ("bench cap, motor", *(f"{one.motor_rpm:.0f} rpm" for one in caps)),
    ]


def change_lines(change: GearChange) -> list[str]:
    """Return the sentences below the rows."""
    lines = [
        "Speeds are worked out from Kv × voltage with nothing to hold the motor back: the real "
        "speed is lower.",
        work_words(change),
    ]
    after = change.gearing_after
    if not after.hunting_tooth:
        lines.append(
            f"The teeth counts share the divisor {after.common_divisor}: the same teeth keep "
            "meeting."
        )
    return lines


def undone_lines(change: GearChange) -> list[str]:
    """Return the joints that the change undoes, one line a zone."""
    joints: dict[str, list[str]] = {}
    for zone, name in change.disturbed:
        joints.setdefault(zone, []).append(name)
    return [f"{zone_words(zone)}: {', '.join(names)}" for zone, names in joints.items()]


def work_words(change: GearChange) -> str:
    """Say how much harder the motor works."""
    torque = 100.0 * (change.torque_factor - 1.0)
    if abs(torque) < 0.5:
        return "For the same pull the motor works as hard as before."
    heat = 100.0 * (change.heat_factor - 1.0)
    if torque < 0.0:
        return (
            f"For the same pull the motor needs {-torque:.0f} % less torque and current; its "
            f"winding heats {-heat:.0f} % less."
        )
    top = 100.0 * (change.top_torque_factor - 1.0)
    return (
        f"For the same pull the motor needs {torque:.0f} % more torque and current; its winding "
        f"heats {heat:.0f} % more. At the new geared top speed, against the air, it needs "
        f"{top:.0f} % more torque. As a rough guide, shorten runs to "
        f"{100.0 * change.run_time_factor:.0f} % and let it cool between them."
    )
