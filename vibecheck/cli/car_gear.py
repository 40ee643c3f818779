"""``vibecheck car gear``: what another pinion, spur, tyre or pack does, and what to look at."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.cli.garage_source import DataOption, JsonOption, open_garage
from vibecheck.cli.texts import help_text
from vibecheck.errors import CallError

if TYPE_CHECKING:
    from rich.console import Console

    from vibecheck.car.gear_change import GearChange

HELP = help_text(
    "Work out a change of pinion, spur, tyres or pack: ratio, speeds, limits, how much harder the "
    "motor works, and which fasteners must be checked again.",
    "Rough guides, with no load and without losses. The vehicle's manual and the limits of motor, "
    "speed controller, battery and tyres come first.",
    examples=[
        ("A taller pinion:", "vibecheck car gear saltflat8.toml --pinion 30"),
        (
            "Keep it: write the changed car file, and log what was undone in the garage:",
            "vibecheck car gear saltflat8.toml --pinion 30 --write saltflat8.toml \\\n"
            "    --force --log",
        ),
    ],
)


def gear_command(
    car_file: Annotated[Path, typer.Argument(metavar="CAR.toml", help="The car file, as it was.")],
    pinion: Annotated[
        int | None, typer.Option(metavar="TEETH", help="Teeth of the pinion now.")
    ] = None,
    spur: Annotated[
        int | None, typer.Option(metavar="TEETH", help="Teeth of the spur gear now.")
    ] = None,
    tyre_diameter_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="Diameter of the tyres now.")
    ] = None,
    cells: Annotated[
        int | None, typer.Option(metavar="COUNT", help="Cells of the pack in series now.")
    ] = None,
    write: Annotated[
        Path | None, typer.Option(metavar="OUT.toml", help="Write the changed car file.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file of that name.")] = False,
    log: Annotated[
        bool,
        typer.Option(
            "--log", help="Log in the garage which fasteners were undone: they are due again soon."
        ),
    ] = False,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck car gear`` (the help text is `HELP`)."""
    from vibecheck.car.gear_change import change_gear, gear_change_to_dict
    from vibecheck.car.read import read_car
    from vibecheck.car.write import write_car
    from vibecheck.cli import terminal

    if data is not None and not log:
        raise CallError("--data goes with --log.", advice="Add --log, or leave --data away.")
    change = change_gear(
        read_car(car_file),
        pinion_teeth=pinion,
        spur_teeth=spur,
        tyre_diameter_mm=tyre_diameter_mm,
        cells=cells,
    )
    if log:
        with open_garage(data) as garage:
            stored = garage.find_car(str(car_file))
            if write is not None:
                write_car(change.after, write, overwrite=force)
            garage.log_disturbances(
                stored.name, change.disturbed, f"change of {', '.join(change.changed)}"
            )
    elif write is not None:
        write_car(change.after, write, overwrite=force)
    if as_json:
        import json

        typer.echo(json.dumps(gear_change_to_dict(change), ensure_ascii=False, indent=2))
    else:
        show_change(terminal.console(), change)
    if write is not None:
        terminal.say(f"Written: {write}")
    if log:
        terminal.say(f"Logged as undone: {len(change.disturbed)} kinds of fasteners.")


def show_change(console: Console, change: GearChange) -> None:
    """Print a change: two columns of figures, then plain sentences."""
    from rich import box
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    from vibecheck.report.words import zone_words

    before, after = change.gearing_before, change.gearing_after
    console.print(Text(f"{change.after.name}: change of {', '.join(change.changed)}", style="bold"))
    table = Table(box=box.SIMPLE_HEAD, title_justify="left")
    table.add_column("")
    for name in ("before", "now"):
        table.add_column(name, justify="right", no_wrap=True)
    sides = (before, after)
    gears = (change.before.drivetrain, change.after.drivetrain)
    table.add_row("pinion / spur", *(f"{g.pinion_teeth} / {g.spur_teeth}" for g in gears if g))
    table.add_row("gear ratio", *(f"{side.gear_ratio:.3f}" for side in sides))
    table.add_row("final ratio", *(f"{side.final_ratio:.3f}" for side in sides))
    table.add_row("roll-out", *(f"{side.roll_out_mm:.2f} mm" for side in sides))
    for place, charge in enumerate(("nominal", "full charge")):
        rows = [side.charges[place] for side in sides]
        table.add_row(f"geared speed, {charge}", *(f"{row.speed_km_h:.0f} km/h" for row in rows))
        table.add_row(f"motor, {charge}", *(f"{row.motor_rpm:.0f} rpm" for row in rows))
        table.add_row(f"wheels, {charge}", *(f"{row.wheel_rpm:.0f} rpm" for row in rows))
    caps = (change.cap_before, change.cap_after)
    table.add_row("bench cap, wheels", *(f"{cap.wheel_rpm:.0f} rpm" for cap in caps))
    table.add_row("bench cap, motor", *(f"{cap.motor_rpm:.0f} rpm" for cap in caps))
    console.print(table)
    lines = [
        "Speeds are worked out from Kv × voltage with nothing to hold the motor back: the real "
        "speed is lower.",
        work_words(change),
    ]
    if not after.hunting_tooth:
        lines.append(
            f"The teeth counts share the divisor {after.common_divisor}: the same teeth keep "
            "meeting."
        )
    for line in lines:
        console.print(Padding(Text(line), (0, 0, 0, 2)))
    _bullets(console, "Cautions", change.cautions)
    _bullets(console, "Baselines that no longer fit", change.stale)
    joints: dict[str, list[str]] = {}
    for zone, name in change.disturbed:
        joints.setdefault(zone, []).append(name)
    _bullets(
        console,
        "Undone by the change: check before the first run, and again after it",
        tuple(f"{zone_words(zone)}: {', '.join(names)}" for zone, names in joints.items()),
    )


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


def _bullets(console: Console, title: str, lines: tuple[str, ...]) -> None:
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    if not lines:
        return
    table = Table.grid(padding=(0, 1, 0, 0))
    for line in lines:
        table.add_row(Text("-"), Text(line))
    console.print()
    console.print(Text(title, style="bold"))
    console.print(Padding(table, (0, 0, 0, 2)))
