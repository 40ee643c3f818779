"""``vibecheck car list``, ``rename`` and ``hide``: the cars of the garage."""

from __future__ import annotations

from typing import Annotated

import typer

from vibecheck.cli.garage_source import DataOption, JsonOption, open_garage
from vibecheck.cli.json_out import print_json
from vibecheck.cli.texts import help_text

LIST_HELP = help_text(
    "List the cars of the garage.",
    examples=[("", "vibecheck car list"), ("", "vibecheck car list --hidden")],
)
RENAME_HELP = help_text(
    "Give a car of the garage another name.",
    "Its history stays with it, and a car file that still has the old name finds it.",
    examples=[("", 'vibecheck car rename "Saltflat 8" "Old Saltflat"')],
)
HIDE_HELP = help_text(
    "Put a car of the garage away, or bring it back.",
    "For a car that was sold or broken up. Nothing is deleted: its history still counts.",
    examples=[
        ("", 'vibecheck car hide "Saltflat 8"'),
        ("", 'vibecheck car hide "Saltflat 8" --undo'),
    ],
)

CarName = Annotated[str, typer.Argument(metavar="CAR", help="A car of the garage.")]


def list_command(
    hidden: Annotated[
        bool, typer.Option("--hidden", help="Show also those that were put away.")
    ] = False,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck car list`` (the help text is `LIST_HELP`)."""
    from vibecheck.cli import terminal

    with open_garage(data) as garage:
        cars = garage.cars(hidden=hidden)
    if as_json:
        plain = [
            {"id": car.id, "name": car.name, "runs": car.runs, "hidden": car.hidden} for car in cars
        ]
        print_json(plain)
        return
    if not cars:
        terminal.say(
            "There is no car yet." if hidden else "There is no car, or all were put away: --hidden."
        )
    for car in cars:
        away = "  (put away)" if car.hidden else ""
        typer.echo(f"{car.name}: {car.runs:g} run{'' if car.runs == 1.0 else 's'}{away}")


def rename_command(
    car: CarName,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The new name.")],
    data: DataOption = None,
) -> None:
    """Run ``vibecheck car rename`` (the help text is `RENAME_HELP`)."""
    with open_garage(data) as garage:
        before = garage.find_car(car).name
        typer.echo(f"{before} is now {garage.rename_car(car, name).name}.")


def hide_command(
    car: CarName,
    undo: Annotated[bool, typer.Option("--undo", help="Bring it back.")] = False,
    data: DataOption = None,
) -> None:
    """Run ``vibecheck car hide`` (the help text is `HIDE_HELP`)."""
    with open_garage(data) as garage:
        found = garage.hide_car(car, not undo)
    typer.echo(f"{found.name} is {'back' if undo else 'put away; nothing was deleted'}.")
