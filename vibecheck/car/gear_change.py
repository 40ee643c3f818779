"""What another pinion, spur, tyre or pack does to a car, and what must be looked at again.

The arithmetic is kinematics and a motor's proportional torque and current; the advice is common
practice, no source, and the vehicle's manual comes before it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from vibecheck.car.drivetrain import BenchCap, GearingTable, derive_orders, gearing_table
from vibecheck.car.profile import Car
from vibecheck.car.read import parse_car
from vibecheck.car.write import car_to_toml
from vibecheck.car.zones import WHEEL_ZONES, Fastener
from vibecheck.errors import CallError, InputError

Joint = tuple[str, str]
"""Zone and fastener, as in the car file."""

MUCH_HARDER = 1.1
"""From here on the motor's extra work is worth a warning; common practice, no source."""
MESH_CAUTIONS = (
    "Unplug the battery before you put a finger near the gears.",
    "Set the mesh anew: a strip of thin paper run between the teeth is the usual gauge; without it "
    "there should be a hair of play.",
    "Turn the spur by hand through one whole turn: the play must stay, and nothing may bind at its "
    "tightest place.",
    "Put the pinion's set screw on the flat of the shaft, clean, with thread-locker, snug and not "
    "forced; give the thread-locker the time its maker states before you run.",
    "Tighten the motor screws, then feel the mesh once more: tightening moves it.",
)
"""Common practice, no source."""
HARDER_CAUTIONS = (
    "Make the first run short, at part throttle, and feel the motor, the speed controller and the "
    "battery's leads at once after it.",
    "Tall gearing is for short bursts with time to cool between them, not for long running.",
    "The limits of the motor's and the speed controller's makers decide; they come before any "
    "figure here.",
)
"""Common practice, no source."""


@dataclass(frozen=True)
class GearChange:
    """A car before and after a change of gearing.

    Attributes
    ----------
    before, after : Car
    changed : tuple of str
        Words of what changed: ``pinion``, ``spur``, ``tyres``, ``cells``.
    gearing_before, gearing_after : GearingTable
    cap_before, cap_after : BenchCap
        Of a spin-up with no load.
    torque_factor : float
        Motor torque, and so current, for the same pull at the tyre, against before: the motor's
        torque is pull × roll-out / 2π, so the factor is that of the roll-outs.
    heat_factor : float
        Heat in the winding for the same pull: the square of the current.
    top_torque_factor : float
        Motor torque at the geared top speed, where drag of the air rules (∝ speed²).
    run_time_factor : float
        Run time at the same winding heat, 1 / `heat_factor`, at most 1: a rough guide.
    wheel_limit_rpm : float or None
        The car file's ``wheel_max_rpm``.
    over_limit_rpm : float
        By how much the wheels would pass it at full charge with no load; 0 where they do not, or
        where no limit is known.
    disturbed : tuple of (zone, fastener)
        Joints that the change undoes: check them before the first run and again after it.
    stale : tuple of str
        What no longer fits the baselines that were recorded before.
    cautions : tuple of str
    """

    before: Car
    after: Car
    changed: tuple[str, ...]
    gearing_before: GearingTable
    gearing_after: GearingTable
    torque_factor: float
    top_torque_factor: float
    wheel_limit_rpm: float | None
    over_limit_rpm: float
    disturbed: tuple[Joint, ...]
    stale: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def heat_factor(self) -> float:
        """Heat in the winding for the same pull, against before."""
        return self.torque_factor**2

    @property
    def run_time_factor(self) -> float:
        """Run time at the same winding heat, against before, at most 1."""
        return min(1.0, 1.0 / self.heat_factor)

    @property
    def cap_before(self) -> BenchCap:
        """Fastest spin-up with no load, before."""
        return self.gearing_before.bench_cap

    @property
    def cap_after(self) -> BenchCap:
        """Fastest spin-up with no load, after."""
        return self.gearing_after.bench_cap


def change_gear(
    car: Car,
    *,
    pinion_teeth: int | None = None,
    spur_teeth: int | None = None,
    tyre_diameter_mm: float | None = None,
    cells: int | None = None,
) -> GearChange:
    """Work out what a change of pinion, spur, tyres or pack does.

    Parameters
    ----------
    car : Car
        Before the change; it needs a drivetrain.
    pinion_teeth, spur_teeth, tyre_diameter_mm, cells : optional
        What is fitted now; absent where it stays.

    Raises
    ------
    InputError
        If the car has no drivetrain, or a number lies outside the car file's rules.
    CallError
        If nothing changes.
    """
    before = gearing_table(car)
    old = car.drivetrain
    assert old is not None  # gearing_table has refused a car without one
    wanted = {
        "pinion_teeth": pinion_teeth,
        "spur_teeth": spur_teeth,
        "tyre_diameter_mm": tyre_diameter_mm,
        "cells": cells,
    }
    new = {key: value for key, value in wanted.items() if value not in (None, getattr(old, key))}
    if not new:
        raise CallError(
            "Nothing changes: the car file says the same.",
            advice="Say what is fitted now, for example --pinion 24.",
        )
    drivetrain = replace(old, **new)  # type: ignore[arg-type]
    if not (drivetrain.pinion_teeth > 0 and drivetrain.spur_teeth > 0):
        raise InputError("A gear needs at least one tooth.", advice="Count the teeth again.")
    made = replace(car, drivetrain=drivetrain, orders=derive_orders(drivetrain, car.bearings))
    # Read back what would be written: the rules of the car file hold for the new numbers too.
    after_car = replace(parse_car(car_to_toml(made), where=f"{car.name}, changed"), file=car.file)
    after = gearing_table(after_car)
    torque = after.roll_out_mm / before.roll_out_mm
    speed = after.charges[0].speed_km_h / before.charges[0].speed_km_h
    limit = drivetrain.wheel_max_rpm
    over = 0.0 if limit is None else max(0.0, after.charges[-1].wheel_rpm - limit)
    changed = tuple(
        word
        for key, word in (
            ("pinion_teeth", "pinion"),
            ("spur_teeth", "spur"),
            ("tyre_diameter_mm", "tyres"),
            ("cells", "cells"),
        )
        if key in new
    )
    return GearChange(
        before=car,
        after=after_car,
        changed=changed,
        gearing_before=before,
        gearing_after=after,
        torque_factor=torque,
        top_torque_factor=torque * speed**2,
        wheel_limit_rpm=limit,
        over_limit_rpm=over,
        disturbed=disturbed_by(car, changed),
        stale=_stale(changed),
        cautions=_cautions(changed, torque, limit, over, after),
    )


def disturbed_by(car: Car, changed: tuple[str, ...]) -> tuple[Joint, ...]:
    """Return the joints of a car that a change undoes, in the order of its zones.

    A new pinion undoes its set screw, and the motor slides in its slots for the mesh; a new spur
    its own screws and the motor's; tyres every wheel nut; another pack the hold-down.
    """
    gears = {"pinion", "spur"} & set(changed)
    rules: dict[str, Callable[[Fastener], bool]] = {}
    if gears:
        rules["motor_mount"] = lambda one: "motor" in one.name.lower()
    if gears == {"pinion"}:
        rules["gear_mesh"] = _is_of_pinion
    elif gears == {"spur"}:
        rules["gear_mesh"] = lambda one: not _is_of_pinion(one)
    elif gears:
        rules["gear_mesh"] = lambda _one: True
    if "tyres" in changed:
        rules |= dict.fromkeys(WHEEL_ZONES, lambda one: "nut" in one.name.lower())
    if "cells" in changed:
        rules["battery_hold_down"] = lambda _one: True
    found: list[Joint] = []
    for zone in car.zones:
        rule = rules.get(zone.name)
        if rule is not None:
            chosen = [one for one in zone.fasteners if rule(one)]
            # A zone with names of the owner's own: rather all of them than none.
            found += [(zone.name, one.name) for one in chosen or zone.fasteners]
    return tuple(found)


def _is_of_pinion(one: Fastener) -> bool:
    return "pinion" in one.name.lower() or one.locking == "set_screw_flat"


def _stale(changed: tuple[str, ...]) -> tuple[str, ...]:
    found = []
    if "pinion" in changed or "spur" in changed:
        found.append(
            "All baselines of the old gears: the mesh, the spur and the wheels now lie at other "
            "orders of the motor, and another pair of gears sounds different."
        )
    if "tyres" in changed:
        found.append(
            "All baselines on the old tyres: their balance and their weight shake the car another "
            "way."
        )
    if "cells" in changed:
        found.append(
            "All baselines with the old pack: its weight and its hold-down are part of what is "
            "heard, and the motor reaches other speeds."
        )
    return tuple(found)


def _cautions(
    changed: tuple[str, ...],
    torque: float,
    limit: float | None,
    over_rpm: float,
    after: GearingTable,
) -> tuple[str, ...]:
    found: list[str] = []
    if over_rpm > 0.0 and limit is not None:
        found.append(
            f"At full charge and no load the wheels could turn at "
            f"{after.charges[-1].wheel_rpm:.0f} rpm, {over_rpm:.0f} more than the {limit:.0f} rpm "
            "they are rated or trusted for. Tyres balloon and shed pieces: hold the throttle back, "
            "or choose other gears."
        )
    elif limit is None:
        found.append(
            "The car file names no wheel_max_rpm: look up what the tyres and wheels are rated for."
        )
    if "pinion" in changed or "spur" in changed:
        found += MESH_CAUTIONS
    if torque >= MUCH_HARDER:
        found += HARDER_CAUTIONS
    if "tyres" in changed:
        found.append("Look at the glue of the tyres all round before the first fast run.")
    if "cells" in changed:
        found.append(
            "Check that the motor and the speed controller are rated for the new number of cells, "
            "and that the pack is held at its new length."
        )
    found.append("The vehicle's manual comes before any figure here.")
    return tuple(found)


def gear_change_to_dict(change: GearChange) -> dict[str, object]:
    """Return a change as plain values, for JSON."""

    def side(table: GearingTable) -> dict[str, object]:
        return {
            "gear_ratio": table.gear_ratio,
            "final_ratio": table.final_ratio,
            "roll_out_mm": table.roll_out_mm,
            "hunting_tooth": table.hunting_tooth,
            "bench_max_wheel_rpm": table.bench_cap.wheel_rpm,
            "bench_max_motor_rpm": table.bench_cap.motor_rpm,
            "charges": [
                {
                    "charge": row.charge,
                    "motor_rpm": row.motor_rpm,
                    "wheel_rpm": row.wheel_rpm,
                    "speed_km_h": row.speed_km_h,
                }
                for row in table.charges
            ],
        }

    return {
        "schema": "vibecheck.gear_change/1",
        "car": change.after.name,
        "changed": list(change.changed),
        "before": side(change.gearing_before),
        "after": side(change.gearing_after),
        "torque_factor": change.torque_factor,
        "heat_factor": change.heat_factor,
        "top_torque_factor": change.top_torque_factor,
        "run_time_factor": change.run_time_factor,
        "wheel_max_rpm": change.wheel_limit_rpm,
        "over_limit_rpm": change.over_limit_rpm,
        "disturbed": [{"zone": zone, "fastener": name} for zone, name in change.disturbed],
        "stale": list(change.stale),
        "cautions": list(change.cautions),
    }
