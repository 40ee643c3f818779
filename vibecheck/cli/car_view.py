"""How a car and its bench plan look in the terminal: tables and plain sentences, no logic."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from vibecheck.car.profile import Car, Order
from vibecheck.findings import Finding

if TYPE_CHECKING:
    from vibecheck.car.plan import BenchPlan, HoldSpeed

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


def show_warnings(console: Console, findings: Iterable[Finding]) -> None:
    """Print what looks odd, one line each."""
    for finding in findings:
        word = "Note" if finding.weight == "note" else "Warning"
        console.print(Text(f"{word}: {finding.message} {finding.advice}"))


def show_car(console: Console, car: Car) -> None:
    """Print orders, gearing, zones and fasteners."""
    title = f"{car.name} ({car.layout})" if car.layout else car.name
    console.print(Text(title, style="bold"))
    _show_orders(console, car)
    if car.drivetrain is not None:
        _show_gearing(console, car)
    if car.zones:
        _show_zones(console, car)


def _show_orders(console: Console, car: Car) -> None:
    cap_hz = None
    if car.drivetrain is not None:
        from vibecheck.car.drivetrain import bench_cap

        cap_hz = bench_cap(car.drivetrain).motor_rpm / 60.0
    table = _table(f"Orders: events per turn of the {car.shaft} shaft")
    table.add_column("order", no_wrap=True)
    table.add_column("ratio", justify="right", no_wrap=True)
    if cap_hz is not None:
        table.add_column("at bench cap", justify="right", no_wrap=True)
    table.add_column("what happens")
    for order in car.orders:
        at_cap = [] if cap_hz is None else [f"{order.ratio * cap_hz:.1f} Hz"]
        table.add_row(Text(order.name), f"{order.ratio:.6g}", *at_cap, _meaning(order))
    console.print()
    console.print(table)


def _meaning(order: Order) -> str:
    if order.kind == "bearing" and order.name.startswith("bearing_"):
        for part, words in _PART.items():
            if order.name.endswith(part):
                shaft = order.name.split("_")[1]
                return f"{shaft} bearing: {words}"
    return _MEANING.get(order.name, order.kind if order.kind != "other" else "")


def _show_gearing(console: Console, car: Car) -> None:
    from vibecheck.car.drivetrain import gearing_table

    facts = gearing_table(car)
    table = _table("Gearing")
    table.add_column("what")
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("meaning")
    table.add_row("gear ratio", f"{facts.gear_ratio:.4g}", "motor turns per spur turn")
    table.add_row("internal ratio", f"{facts.internal_ratio:.4g}", "spur turns per wheel turn")
    table.add_row("final ratio", f"{facts.final_ratio:.4g}", "motor turns per wheel turn")
    table.add_row("roll-out", f"{facts.roll_out_mm:.2f} mm", "travel per motor turn")
    wear = (
        "every tooth meets every other (hunting tooth): even wear"
        if facts.hunting_tooth
        else f"common divisor {facts.common_divisor}: the same teeth keep meeting"
    )
    table.add_row(
        "same two teeth meet", f"every {facts.tooth_repeat_turns:g}", "motor turns; " + wear
    )
    console.print()
    console.print(table)

    speeds = _table("Speeds with no load")
    speeds.add_column("")
    for row in facts.charges:
        per_cell = "3.7 V a cell" if row.charge == "nominal" else "4.2 V a cell"
        speeds.add_column(f"{row.charge} ({per_cell})", justify="right")
    rows = (
        ("voltage", [f"{row.volts:.1f} V" for row in facts.charges]),
        ("motor", [f"{row.motor_rpm:.0f} rpm" for row in facts.charges]),
        ("electrical", [f"{row.electrical_hz:.0f} Hz" for row in facts.charges]),
        ("spur", [f"{row.spur_rpm:.0f} rpm" for row in facts.charges]),
        ("wheels", [f"{row.wheel_rpm:.0f} rpm" for row in facts.charges]),
        ("tyre surface", [f"{row.surface_speed_m_s:.1f} m/s" for row in facts.charges]),
        ("geared speed", [f"{row.speed_km_h:.0f} km/h" for row in facts.charges]),
        ("pull at the tyre", [f"{row.centripetal_g:.0f} g" for row in facts.charges]),
    )
    for name, cells in rows:
        speeds.add_row(name, *cells)
    console.print()
    console.print(speeds)
    console.print(Padding(Text(facts.note), (0, 0, 0, 2)))
    cap = facts.bench_cap
    words = (
        f"Bench cap: {cap.wheel_rpm:.0f} wheel rpm ({cap.motor_rpm:.0f} motor rpm), {cap.reason}."
    )
    console.print(Padding(Text(words), (0, 0, 0, 2)))


def _show_zones(console: Console, car: Car) -> None:
    table = _table("Zones and fasteners")
    table.add_column("zone")
    table.add_column("severity", justify="right")
    table.add_column("effort", justify="right")
    table.add_column("fasteners")
    for zone in car.zones:
        lines = [
            f"{f.count} × {f.name}, {f.thread}, into {f.into}"
            + ("" if f.locking == "none" else f", {f.locking.replace('_', ' ')}")
            for f in zone.fasteners
        ]
        table.add_row(
            Text(zone.name), str(zone.severity), str(zone.check_effort), Text("\n".join(lines))
        )
    console.print()
    console.print(table)
    words = (
        "Severity: 1 a nuisance, 2 a broken run, 3 a part that leaves the car at speed. "
        "Effort: 1 a finger, 2 a tool, 3 parts come off first."
    )
    console.print(Padding(Text(words), (0, 0, 0, 2)))


def show_plan(console: Console, plan: BenchPlan) -> None:
    """Print a bench plan; the cautions stand where they are due."""
    band = plan.band
    console.print(Text(f"Bench plan for {plan.car}, {band.sensor}", style="bold"))
    _list(console, "Before power is on", plan.before)
    _show_holds(console, plan)
    _list(console, "While it turns", plan.during)
    _show_script(console, plan)
    _show_spots(console, plan)
    _list(console, "After each take", plan.after)
    _list(console, "Good to know", plan.notes)


def _show_holds(console: Console, plan: BenchPlan) -> None:
    band = plan.band
    wheels = plan.cap_wheel_rpm is not None
    table = _table("Speeds to hold")
    table.add_column(f"{plan.shaft} rpm", justify="right")
    if wheels:
        table.add_column("wheel rpm", justify="right")
        table.add_column("throttle", justify="right")
    table.add_column("tones kept apart by", justify="right")
    table.add_column("needs at least", justify="right")
    table.add_column("highest order shown", justify="right")
    for hold in plan.holds:
        cells = [f"{hold.reference_rpm:.0f}"]
        if hold.wheel_rpm is not None:
            share = (
                "" if hold.throttle_share is None else f"about {100 * hold.throttle_share:.0f} %"
            )
            cells += [f"{hold.wheel_rpm:.0f}", share]
        cells += [_apart(hold), f"{hold.needed_s:.1f} s", f"{hold.highest_order:.1f}"]
        table.add_row(*cells)
    console.print()
    console.print(table)
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
    for pair in plan.close_pairs[:6]:
        if pair.needed_turns is None:
            lines.append(f"{pair.first} and {pair.second} are one tone at every speed.")
        else:
            lines.append(
                f"{pair.first} and {pair.second} are too close for this resolution; "
                f"{pair.needed_turns:.0f} turns of the {plan.shaft} shaft would part them."
            )
    if len(plan.close_pairs) > 6:
        lines.append(f"… and {len(plan.close_pairs) - 6} more pairs too close at every speed.")
    for line in lines:
        console.print(Padding(Text(line), (0, 0, 0, 2)))


def _apart(hold: HoldSpeed) -> str:
    if hold.closest is None:
        return "nothing near"
    if hold.score < 1.0:
        return "not all apart"
    return f"{hold.separation_hz:.1f} Hz"


def _show_script(console: Console, plan: BenchPlan) -> None:
    table = _table(
        f"Throttle script: {plan.take_s:.0f} s a take (at the very least {plan.least_take_s:.0f} s)"
    )
    table.add_column("from", justify="right", no_wrap=True)
    table.add_column("to", justify="right", no_wrap=True)
    table.add_column(f"{plan.shaft} rpm", justify="right", no_wrap=True)
    table.add_column("what to do")
    start = 0.0
    for step in plan.script:
        end = start + step.seconds
        rpm = f"{step.from_rpm:.0f}"
        if step.to_rpm != step.from_rpm:
            rpm += f" → {step.to_rpm:.0f}"
        table.add_row(f"{start:.0f} s", f"{end:.0f} s", rpm, step.words)
        start = end
    console.print()
    console.print(table)


def _show_spots(console: Console, plan: BenchPlan) -> None:
    table = _table(
        "Where the sensor goes: one take each, in this order; the first one matters most"
    )
    table.add_column("", justify="right")
    table.add_column("spot", no_wrap=True)
    table.add_column("place")
    for number, spot in enumerate(plan.spots, start=1):
        table.add_row(str(number), Text(spot.name), Text(spot.words))
    console.print()
    console.print(table)


def _list(console: Console, title: str, lines: Iterable[str]) -> None:
    console.print()
    console.print(Text(title, style="bold"))
    for line in lines:
        row = Table.grid(padding=(0, 1))
        row.add_column(width=1)
        row.add_column()
        row.add_row("-", Text(line))
        console.print(Padding(row, (0, 0, 0, 2)))


def _table(title: str) -> Table:
    return Table(
        title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False
    )
