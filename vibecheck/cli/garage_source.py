"""Command line: find the garage, a car of it, and a bench check of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.errors import CallError

if TYPE_CHECKING:
    from vibecheck.garage import Garage, Sitting, StoredCar

DataOption = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="DIR",
        help="Folder of the garage; by default VIBECHECK_DATA of the environment, else your "
        "user's data folder.",
    ),
]
CarOption = Annotated[
    str | None, typer.Option("--car", metavar="CAR", help="A car of the garage, or its car file.")
]
CheckOption = Annotated[
    str | None,
    typer.Option(
        "--check",
        metavar="NUMBER",
        help="The bench check, by its number; by default the one that is open.",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]


def open_garage(data: Path | None, *, make: bool = False) -> Garage:
    """Open the garage.

    Raises
    ------
    CallError
        If there is none yet, and none is to be made.
    """
    from vibecheck.garage.place import garage_exists, garage_folder

    if not make and not garage_exists(data):
        raise CallError(
            "There is no garage yet.",
            where=str(garage_folder(data)),
            advice="Begin one with: vibecheck bench start --car CAR.toml",
        )
    from vibecheck.garage import Garage

    return Garage.open(data)


def is_car_file(car: str) -> bool:
    """Whether a car was named by its file."""
    return Path(car).suffix.lower() == ".toml" or Path(car).is_file()


def take_in(garage: Garage, car: str) -> StoredCar:
    """Find a car; a car file is added, or kept as the newest version of a known car."""
    return garage.add_car(car) if is_car_file(car) else garage.find_car(car)


def find_sitting(
    garage: Garage, car: str | None, check: str | None, *, must_be_open: bool = False
) -> Sitting:
    """Find a bench check: by number, else the open one of a car, else the only open one.

    Where a closed one serves too and none is open, the newest one is meant.

    Raises
    ------
    CallError
        If there is none, or several are open.
    """
    if check is not None:
        found = garage.sitting(check)
        if car is not None and garage.find_car(car).id != found.car_id:
            raise CallError(f"Bench check {found.number} is one of {found.car}.", where="--check")
        return found
    opened = garage.open_sittings(car)
    if len(opened) == 1:
        return opened[0]
    if opened:
        raise CallError(
            f"{len(opened)} bench checks are open: "
            + ", ".join(f"{one.number} of {one.car}" for one in opened)
            + ".",
            advice="Say which with --car or --check.",
        )
    newest = () if must_be_open else garage.sittings(car, limit=1)
    if not newest:
        raise CallError(
            "No bench check is open." if must_be_open else "There is no bench check yet.",
            where=str(garage.folder),
            advice="Begin one with: vibecheck bench start --car CAR",
        )
    return newest[0]
