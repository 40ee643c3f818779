"""Command line: find a car, its log and its takes for ``vibecheck history``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from vibecheck.bench.history import HistorySource, read_source
from vibecheck.car.profile import Car
from vibecheck.car.read import read_car
from vibecheck.cli import terminal
from vibecheck.errors import CallError
from vibecheck.garage import garage_folder
from vibecheck.garage.place import garage_exists
from vibecheck.risk.log import CarLog

if TYPE_CHECKING:
    from vibecheck.garage import Garage, StoredCar


def find_car(wanted: str | None, data: str | None) -> HistorySource:
    """Find a car of the garage, or a car file that the garage need not know.

    Parameters
    ----------
    wanted : str or None
        A name or a car file; ``None`` for the only car of the garage.
    data : str or None
        Folder of the garage.

    Raises
    ------
    CallError
        If the car cannot be told.
    InputError
        If the car file or the garage cannot be read.
    """
    file = _car_file(wanted)
    if not garage_exists(data):
        if file is None:
            raise CallError(
                "There is no garage yet, so that no car of it can be shown.",
                where=str(garage_folder(data)),
                advice="Name a car file with --car, or begin a bench check: "
                "vibecheck bench start --car CAR.toml",
            )
        return _unknown(file)
    from vibecheck.garage import Garage

    with Garage.open(data) as garage:
        if file is None:
            stored = garage.find_car(wanted) if wanted is not None else None
            return read_source(garage, (stored or _only_car(garage)).name)
        known = {car.name.casefold(): car.name for car in garage.cars(hidden=True)}
        name = known.get(file.name.casefold())
        return _unknown(file) if name is None else read_source(garage, name, file)


def _car_file(wanted: str | None) -> Car | None:
    if wanted is None or not (Path(wanted).suffix == ".toml" or Path(wanted).is_file()):
        return None
    return read_car(Path(wanted))


def _unknown(car: Car) -> HistorySource:
    terminal.say(f"The garage has no log of {car.name}: it is ranked as any car of its kind.")
    return HistorySource(car, CarLog(car.name, 0.0, (), ()))


def _only_car(garage: Garage) -> StoredCar:
    cars = garage.cars()
    if len(cars) == 1:
        return cars[0]
    if not cars:
        raise CallError(
            "The garage has no car yet.",
            where=str(garage.folder),
            advice="Name a car file with --car, or begin a bench check: "
            "vibecheck bench start --car CAR.toml",
        )
    raise CallError(
        f"The garage has {len(cars)} cars: say which one.",
        where="--car",
        advice=f"It has: {', '.join(car.name for car in cars)}.",
    )
