"""Command line: options about how a car's log is read, shared by the commands that read it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.errors import CallError

if TYPE_CHECKING:
    from vibecheck.risk.kind_log import Habits

NutRemovalsOption = Annotated[
    int,
    typer.Option(
        "--nut-removals",
        metavar="COUNT",
        help="After how many removals a nut with a nylon insert is due for a new one.",
    ),
]


def habits_of(nut_removals: int) -> Habits:
    """Return the habits that the options state.

    Raises
    ------
    CallError
        If a number is outside its range.
    """
    from vibecheck.risk.kind_log import Habits

    if nut_removals < 1:
        raise CallError(
            f"--nut-removals must be at least 1. Got {nut_removals} instead.",
            advice="For example: --nut-removals 3",
        )
    return Habits(nut_removals=nut_removals)
