"""``vibecheck car gear``: what another pinion, spur, tyre or pack does, and what to look at."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.cli.garage_source import DataOption, JsonOption, open_garage
from vibecheck.cli.json_out import print_json
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
        print_json(gear_change_to_dict(change))
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

    from vibecheck.report.gear_words import change_lines, change_rows, undone_lines

    console.print(Text(f"{change.after.name}: change of {', '.join(change.changed)}", style="bold"))
    table = Table(box=box.SIMPLE_HEAD, title_justify="left")
    table.add_column("")
    for name in ("before", "now"):
        table.add_column(name, justify="right", no_wrap=True)
    for row in change_rows(change):
        table.add_row(*row)
    console.print(table)
    for line in change_lines(change):
        console.print(Padding(Text(line), (0, 0, 0, 2)))
    _bullets(console, "Cautions", change.cautions)
    _bullets(console, "Baselines that no longer fit", change.stale)
    _bullets(
        console,
        "Undone by the change: check before the first run, and again after it",
        tuple(undone_lines(change)),
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
