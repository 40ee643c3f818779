"""Report: a car's orders, gearing, zones and plan as rows of words, the same on every face."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from vibecheck.report.words import zone_words

if TYPE_CHECKING:
    from vibecheck.car.plan import BenchPlan, HoldSpeed
    from vibecheck.car.profile import Car, Order
    from vibecheck.car.zones import Fastener

_PART = {
    "cage": "a turn of the cage",
    "outer_race": "a ball over the outer race",
    "inner_race": "a ball over the inner race",
    "ball_spin": "a ball about itself",
}
_MEANING = {
    "motor": "a turn of the motor",
    "electrical": "an electrical turn (poles / 2)",
    "mesh": "a tooth of pinion and spur meets",
    "spur": "a turn of the spur",
    "wheel": "a turn of a wheel",
}
SHOWN_PAIRS = 6


def file_name(name: str) -> str:
    """Return a name for a car's file."""
    stem = "-".join(re.findall(r"[a-z0-9]+", name.lower()))
    return f"{stem or 'car'}.toml"


def order_rows(car: Car) -> list[tuple[str, str, str, str]]:
    """Return name, ratio, frequency at the bench cap and meaning of each order."""
    from vibecheck.car.drivetrain import bench_cap

    cap_hz = None if car.drivetrain is None else bench_cap(car.drivetrain).motor_rpm / 60.0
    return [
        (
            zone_words(order.name),
            f"{order.ratio:.6g}",
            "" if cap_hz is None else f"{order.ratio * cap_hz:.1f} Hz",
            order_meaning(order),
        )
        for order in car.orders
    ]


def order_meaning(order: Order) -> str:
    """Say what happens once per cycle of an order; empty where its name says it all."""
    if order.kind == "bearing" and order.name.startswith("bearing_"):
        for part, words in _PART.items():
            if order.name.endswith(part):
                return f"{order.name.split('_')[1]} bearing: {words}"
    return _MEANING.get(order.name, order.kind if order.kind != "other" else "")


def fastener_words(fastener: Fastener) -> str:
    """Say a fastener in a line."""
    locking = "" if fastener.locking == "none" else f", {fastener.locking.replace('_', ' ')}"
    return f"{fastener.count} × {fastener.name}, {fastener.thread}, into {fastener.into}{locking}"


def gearing_rows(car: Car) -> list[tuple[str, str, str]]:
    """Return what, value and meaning of the gearing; empty without a drivetrain."""
    from vibecheck.car.drivetrain import gearing_table

    if car.drivetrain is None:
        return []
    facts = gearing_table(car)
    wear = (
        "every tooth meets every other (hunting tooth): even wear"
        if facts.hunting_tooth
        else f"common divisor {facts.common_divisor}: the same teeth keep meeting"
    )
    return [
        ("gear ratio", f"{facts.gear_ratio:.4g}", "motor turns per spur turn"),
        ("internal ratio", f"{facts.internal_ratio:.4g}", "spur turns per wheel turn"),
        ("final ratio", f"{facts.final_ratio:.4g}", "motor turns per wheel turn"),
        ("roll-out", f"{facts.roll_out_mm:.2f} mm", "travel per motor turn"),
        ("same two teeth meet", f"every {facts.tooth_repeat_turns:g}", f"motor turns; {wear}"),
    ]


def speed_rows(car: Car) -> list[tuple[str, list[str]]]:
    """Return each speed with no load, nominal and full; empty without a drivetrain."""
    from vibecheck.car.drivetrain import gearing_table

    if car.drivetrain is None:
        return []
    rows = gearing_table(car).charges
    return [
        ("voltage", [f"{row.volts:.1f} V" for row in rows]),
        ("motor", [f"{row.motor_rpm:.0f} rpm" for row in rows]),
        ("electrical", [f"{row.electrical_hz:.0f} Hz" for row in rows]),
        ("spur", [f"{row.spur_rpm:.0f} rpm" for row in rows]),
        ("wheels", [f"{row.wheel_rpm:.0f} rpm" for row in rows]),
        ("tyre surface", [f"{row.surface_speed_m_s:.1f} m/s" for row in rows]),
        ("geared speed", [f"{row.speed_km_h:.0f} km/h" for row in rows]),
        ("pull at the tyre", [f"{row.centripetal_g:.0f} g" for row in rows]),
    ]


def cap_words(car: Car) -> str:
    """Say how fast the wheels may turn on the bench; empty without a drivetrain."""
    from vibecheck.car.drivetrain import bench_cap

    if car.drivetrain is None:
        return ""
    cap = bench_cap(car.drivetrain)
    return f"{cap.wheel_rpm:.0f} wheel rpm ({cap.motor_rpm:.0f} motor rpm), {cap.reason}"


def plan_lines(plan: BenchPlan) -> list[str]:
    """Return the sentences below the table of the speeds to hold."""
    band = plan.band
    cap = f"{plan.cap_rpm:.0f} {plan.shaft} rpm"
    if plan.cap_wheel_rpm is not None:
        cap = f"{plan.cap_wheel_rpm:.0f} wheel rpm ({cap})"
    lines = [
        f"Never above {cap}: {plan.cap_reason}.",
        f"The sensor shows {band.low_hz:g} to {band.high_hz:g} Hz. A line width of "
        f"{plan.order_resolution:g} {plan.slowest_shaft} orders needs {plan.needed_turns:.0f} "
        f"{plan.slowest_shaft} turns in each hold.",
        "The distances above are kept while the speed stays within ± 2 %.",
    ]
    for hold in plan.holds:
        for first, second in hold.meets[:3]:
            lines.append(f"Near {hold.reference_rpm:.0f} rpm, {first} may meet {second}.")
        if len(hold.meets) > 3:
            lines.append(f"… and {len(hold.meets) - 3} more such pairs near that speed.")
    for pair in plan.close_pairs[:SHOWN_PAIRS]:
        if pair.needed_turns is None:
            lines.append(f"{pair.first} and {pair.second} are one tone at every speed.")
        else:
            lines.append(
                f"{pair.first} and {pair.second} are too close for this resolution; "
                f"{pair.needed_turns:.0f} turns of the {plan.shaft} shaft would part them."
            )
    if len(plan.close_pairs) > SHOWN_PAIRS:
        more = len(plan.close_pairs) - SHOWN_PAIRS
        lines.append(f"… and {more} more pairs too close at every speed.")
    return lines


def apart_words(hold: HoldSpeed) -> str:
    """Say by how much the tones of a hold are kept apart."""
    if hold.closest is None:
        return "nothing near"
    return "not all apart" if hold.score < 1.0 else f"{hold.separation_hz:.1f} Hz"


def script_rows(plan: BenchPlan) -> list[tuple[str, str, str]]:
    """Return span, speed and what to do of each step of the throttle script."""
    rows, start = [], 0.0
    for step in plan.script:
        end = start + step.seconds
        rpm = f"{step.from_rpm:.0f}"
        if step.to_rpm != step.from_rpm:
            rpm += f" → {step.to_rpm:.0f}"
        rows.append((f"{start:.0f} to {end:.0f} s", rpm, step.words))
        start = end
    return rows
