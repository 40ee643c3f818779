"""``vibecheck bench``: bench checks, kept in the garage."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

import typer

from vibecheck.cli.garage_source import (
    CarOption,
    CheckOption,
    DataOption,
    JsonOption,
    find_sitting,
    open_garage,
    take_in,
)
from vibecheck.cli.json_out import print_json
from vibecheck.cli.take_options import (
    ColumnsOption,
    SampleRateOption,
    SensorOption,
    SpotsOption,
    TimeUnitOption,
    UnitOption,
)
from vibecheck.cli.texts import help_text, markup_mode

BENCH_HELP = "Keep bench checks in the garage: takes, result, hand check, your own decision."
START_HELP = help_text(
    "Begin a bench check of a car.",
    "A car has one open bench check at a time; it stays open until you close it, over a power cut "
    "too. A car file that is named is kept with every version of it.",
    examples=[
        ("The first time, with the car's file:", "vibecheck bench start --car saltflat8.toml"),
        (
            "Later by name, after four runs, on other tyres:",
            'vibecheck bench start --car "Saltflat 8" --runs 4 --tyres "foam, glued"',
        ),
    ],
)
ADD_HELP = help_text(
    "Add recordings to the open bench check.",
    "A copy goes into the garage. To have them judged too, use vibecheck check --keep. Takes added "
    "after a complete hand check that left everything snug become the car's baseline.",
    examples=[
        ("", "vibecheck bench add spin.m4a"),
        ("", "vibecheck bench add a.wav b.wav --spot motor_mount --spot wheel_rear_left"),
    ],
)
SHOW_HELP = help_text(
    "Show a bench check: the open one, else the newest.",
    examples=[("", "vibecheck bench show"), ("", "vibecheck bench show --check 12 --json")],
)
LIST_HELP = help_text(
    "List bench checks, newest last.",
    examples=[("", "vibecheck bench list"), ("", 'vibecheck bench list --car "Saltflat 8"')],
)
NOTE_HELP = help_text(
    "Write down your own decision and words. vibecheck never makes that decision.",
    examples=[
        ("", 'vibecheck bench note "Front left nut renewed, second look after one run" --go'),
        ("", 'vibecheck bench note "Mesh feels notchy" --no-go'),
    ],
)
CLOSE_HELP = help_text(
    "End a bench check.",
    examples=[("", "vibecheck bench close"), ("", "vibecheck bench close --check 12")],
)

bench_app = typer.Typer(
    name="bench", help=BENCH_HELP, no_args_is_help=True, rich_markup_mode=markup_mode()
)


@bench_app.command("start", help=START_HELP)
def start(
    car: Annotated[
        str, typer.Option(metavar="CAR", help="A car of the garage by name, or a car file.")
    ],
    runs: Annotated[
        float,
        typer.Option(metavar="COUNT", help="Runs since the car's last bench check."),
    ] = 1.0,
    pinion: Annotated[
        int | None, typer.Option(min=1, metavar="TEETH", help="Pinion, if not as in the car file.")
    ] = None,
    spur: Annotated[
        int | None, typer.Option(min=1, metavar="TEETH", help="Spur, if not as in the car file.")
    ] = None,
    tyres: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="What tyres, in your words; by default as last time."),
    ] = None,
    cells: Annotated[
        int | None, typer.Option(min=1, metavar="COUNT", help="Cells, if not as in the car file.")
    ] = None,
    clock_is_right: Annotated[
        bool,
        typer.Option(
            "--clock-is-right", help="Begin although the newest bench check has a later date."
        ),
    ] = False,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck bench start`` (the help text is `START_HELP`)."""
    from vibecheck.bench.set_up import next_set_up
    from vibecheck.bench.words import BEFORE_SPIN_UP
    from vibecheck.cli import terminal

    with open_garage(data, make=True) as garage:
        stored = take_in(garage, car)
        set_up = next_set_up(garage, stored)
        said: dict[str, Any] = {
            "pinion_teeth": pinion, "spur_teeth": spur, "tyres": tyres, "cells": cells,
        }  # fmt: skip
        set_up = replace(set_up, **{key: value for key, value in said.items() if value is not None})
        sitting = garage.start_sitting(
            stored.id, set_up=set_up, runs_since_last=runs, clock_is_right=clock_is_right
        )
    _print(sitting, as_json)
    terminal.say(BEFORE_SPIN_UP)
    terminal.say(
        "Next: the recordings (vibecheck check TAKE --car CAR --keep), then the hand check "
        "(vibecheck hand-check)."
    )


@bench_app.command("add", help=ADD_HELP)
def add(
    takes: Annotated[list[str], typer.Argument(metavar="TAKE", help="Recordings.")],
    spot: SpotsOption = None,
    sensor: SensorOption = None,
    unit: UnitOption = None,
    time_unit: TimeUnitOption = None,
    sample_rate: SampleRateOption = None,
    columns: ColumnsOption = None,
    car: CarOption = None,
    check: CheckOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck bench add`` (the help text is `ADD_HELP`)."""
    from vibecheck.cli import terminal
    from vibecheck.cli.check import column_roles, one_each
    from vibecheck.cli.keep import how_to_read, refuse_records

    spots = one_each(spot or [], len(takes), "--spot", "take")
    reading = how_to_read(unit, time_unit, sample_rate, column_roles(columns or []))
    refuse_records(takes)
    with open_garage(data) as garage:
        sitting = find_sitting(garage, car, check, must_be_open=True)
        from vibecheck.recording.read import read_take

        # All are read before the first is kept: nothing that cannot be read goes in.
        read = [
            read_take(path, sensor=sensor.value if sensor else None, spot=at, **reading)
            for path, at in zip(takes, spots, strict=True)
        ]
        for path, take in zip(takes, read, strict=True):
            garage.add_take(sitting.id, path, sensor=take.sensor, spot=take.spot, reading=reading)
            terminal.say(f"Kept: {path}")
        _print(garage.sitting(sitting.id), as_json)


@bench_app.command("show", help=SHOW_HELP)
def show(
    check: CheckOption = None,
    car: CarOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck bench show`` (the help text is `SHOW_HELP`)."""
    with open_garage(data) as garage:
        sitting = find_sitting(garage, car, check)
        _print(sitting, as_json, garage.result(sitting.id) if as_json else None)


@bench_app.command("list", help=LIST_HELP)
def list_(
    car: CarOption = None,
    newest: Annotated[
        int, typer.Option(min=1, metavar="COUNT", help="How many, from the newest.")
    ] = 20,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck bench list`` (the help text is `LIST_HELP`)."""
    from vibecheck.bench.sitting_json import sitting_to_dict
    from vibecheck.cli import terminal
    from vibecheck.cli.bench_view import show_list

    with open_garage(data) as garage:
        sittings = garage.sittings(car, limit=newest)[::-1]
    if as_json:
        print_json([sitting_to_dict(one) for one in sittings])
    elif sittings:
        show_list(terminal.console(), sittings)
    else:
        terminal.say("There is no bench check yet.")


@bench_app.command("note", help=NOTE_HELP)
def note(
    text: Annotated[str, typer.Argument(metavar="TEXT", help="Your own words.")] = "",
    go: Annotated[
        bool | None,
        typer.Option(
            "--go/--no-go", help="Your own decision; without either, the one before stays."
        ),
    ] = None,
    check: CheckOption = None,
    car: CarOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck bench note`` (the help text is `NOTE_HELP`)."""
    from vibecheck.errors import CallError

    if not text.strip() and go is None:
        raise CallError("There is nothing to write down.", advice="Give a text, --go or --no-go.")
    with open_garage(data) as garage:
        sitting = find_sitting(garage, car, check)
        decision = sitting.decision if go is None else ("go" if go else "no_go")
        words = text.strip() or sitting.note
        _print(garage.note_decision(sitting.id, decision, words), as_json)


@bench_app.command("close", help=CLOSE_HELP)
def close(
    check: CheckOption = None,
    car: CarOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run ``vibecheck bench close`` (the help text is `CLOSE_HELP`)."""
    from vibecheck.cli import terminal

    with open_garage(data) as garage:
        sitting = find_sitting(garage, car, check, must_be_open=True)
        closed = garage.close_sitting(sitting.id)
    _print(closed, as_json)
    if not closed.hand_check_done:
        terminal.say("No hand check was logged with it. It is due before the car goes out.")


def _print(sitting: Any, as_json: bool, result: dict[str, Any] | None = None) -> None:
    from vibecheck.bench.sitting_json import sitting_to_dict
    from vibecheck.cli import terminal
    from vibecheck.cli.bench_view import show_sitting

    if as_json:
        print_json(sitting_to_dict(sitting, result))
    else:
        show_sitting(terminal.console(), sitting)
