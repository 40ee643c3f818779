"""``vibecheck hand-check``: guide and log the hand check, print the list before a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.cli.garage_source import (
    CarOption,
    CheckOption,
    DataOption,
    find_sitting,
    open_garage,
    take_in,
)
from vibecheck.cli.history_options import NutRemovalsOption, habits_of
from vibecheck.cli.texts import help_text
from vibecheck.errors import CallError

if TYPE_CHECKING:
    from vibecheck.garage import Garage, Sitting
    from vibecheck.risk.kind_log import Habits

HELP = help_text(
    "Go through the hand check, zone by zone in the order of risk, and keep what you find.",
    "Each answer is kept at once: stop when you like, and go on later with the same command. What "
    "you find labels the recordings of the bench check. Whether the car goes out is your own "
    "decision; vibecheck makes none.",
    examples=[
        ("Go on with the open bench check, or begin one:", "vibecheck hand-check --car CAR.toml"),
        ("The list to read, or to print:", "vibecheck hand-check --car CAR.toml --list"),
        ("", "vibecheck hand-check --car CAR.toml --print list.html"),
    ],
)


def hand_check_command(
    car: CarOption = None,
    check: CheckOption = None,
    runs: Annotated[
        float | None,
        typer.Option(
            metavar="COUNT",
            help="Runs since the car's last bench check, where this one begins; by default 1.",
        ),
    ] = None,
    show_list: Annotated[
        bool, typer.Option("--list", help="Show the whole list and stop: nothing is logged.")
    ] = False,
    page: Annotated[
        str | None,
        typer.Option(
            "--print", metavar="OUT.html", help="Write the list as a page for A4, and stop."
        ),
    ] = None,
    nut_removals: NutRemovalsOption = 5,
    data: DataOption = None,
) -> None:
    """Run ``vibecheck hand-check`` (the help text is `HELP`)."""
    habits = habits_of(nut_removals)
    if show_list or page is not None:
        if check is not None or runs is not None:
            raise CallError(
                "--check and --runs go with a hand check that is logged.",
                advice="Leave them away with --list and --print.",
            )
        _show_list(car, data, page, habits, show_list=show_list)
        return
    from vibecheck.cli.hand_check_walk import walk_through

    with open_garage(data, make=car is not None) as garage:
        walk_through(garage, _sitting(garage, car, check, runs), habits)


def _sitting(garage: Garage, car: str | None, check: str | None, runs: float | None) -> Sitting:
    """Find the open bench check; begin one of a named car that has none."""
    if car is not None and check is None:
        stored = take_in(garage, car)
        found = garage.open_sitting(stored.id)
        if found is None:
            return garage.start_sitting(stored.id, runs_since_last=1.0 if runs is None else runs)
    else:
        found = find_sitting(garage, car, check, must_be_open=True)
    if runs is not None:
        raise CallError(
            f"Bench check {found.number} is open already, and its runs are kept.",
            where="--runs",
            advice="Its hand check is done: end it with vibecheck bench close, then begin the next."
            if found.hand_check_done
            else "Leave --runs away.",
        )
    return found


def _show_list(
    car: str | None, data: Path | None, page: str | None, habits: Habits, *, show_list: bool
) -> None:
    from datetime import UTC, datetime

    from vibecheck.cli import terminal
    from vibecheck.cli.hand_check_walk import show_pre_run
    from vibecheck.cli.history_source import find_car
    from vibecheck.report.files import check_output, write_whole
    from vibecheck.risk.history import read_history
    from vibecheck.risk.walk import zones_to_check

    target = None if page is None else check_output(page, "--print")
    source = find_car(car, None if data is None else str(data))
    history = read_history(source.car.zones, source.log, habits=habits)
    walk = zones_to_check(source.car, history)
    if target is not None:
        from vibecheck.report.pre_run_page import pre_run_to_html

        created = datetime.now(UTC).astimezone()
        write_whole(target, pre_run_to_html(source.car, history, walk, created=created))
        terminal.say(f"List: {target}")
    if show_list:
        show_pre_run(source.car, history, walk)
