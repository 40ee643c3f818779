"""How a car and its bench plan look in the terminal: tables and plain sentences, no logic."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from vibecheck.findings import Finding
from vibecheck.report import car_words

if TYPE_CHECKING:
    from vibecheck.car.plan import BenchPlan
    from vibecheck.car.profile import Car


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
        table.add_row(
            Text(order.name), f"{order.ratio:.6g}", *at_cap, car_words.order_meaning(order)
        )
    console.print()
    console.print(table)


def _show_gearing(console: Console, car: Car) -> None:
    from vibecheck.car.drivetrain import gearing_table

    facts = gearing_table(car)
    table = _table("Gearing")
    table.add_column("what")
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("meaning")
    for row in car_words.gearing_rows(car):
        table.add_row(*row)
    console.print()
    console.print(table)

    speeds = _table("Speeds with no load")
    speeds.add_column("")
    for charged in facts.charges:
        per_cell = "3.7 V a cell" if charged.charge == "nominal" else "4.2 V a cell"
        speeds.add_column(f"{charged.charge} ({per_cell})", justify="right")
    for name, cells in car_words.speed_rows(car):
        speeds.add_row(name, *cells)
    console.print()
    console.print(speeds)
    console.print(Padding(Text(facts.note), (0, 0, 0, 2)))
    words = f"Bench cap: {car_words.cap_words(car)}."
    console.print(Padding(Text(words), (0, 0, 0, 2)))


def _show_zones(console: Console, car: Car) -> None:
    table = _table("Zones and fasteners")
    table.add_column("zone")
    table.add_column("severity", justify="right")
    table.add_column("effort", justify="right")
    table.add_column("fasteners")
    for zone in car.zones:
        lines = [car_words.fastener_words(one) for one in zone.fasteners]
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
        cells += [
            car_words.apart_words(hold),
            f"{hold.needed_s:.1f} s",
            f"{hold.highest_order:.1f}",
        ]
        table.add_row(*cells)
    console.print()
    console.print(table)
    for line in car_words.plan_lines(plan):
        console.print(Padding(Text(line), (0, 0, 0, 2)))


def _show_script(console: Console, plan: BenchPlan) -> None:
    table = _table(
        f"Throttle script: {plan.take_s:.0f} s a take (at the very least {plan.least_take_s:.0f} s)"
    )
    table.add_column("when", justify="right", no_wrap=True)
    table.add_column(f"{plan.shaft} rpm", justify="right", no_wrap=True)
    table.add_column("what to do")
    for span, rpm, words in car_words.script_rows(plan):
        table.add_row(span, rpm, words)
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
