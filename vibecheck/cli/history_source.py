"""Command line: find a car and its log for ``vibecheck history``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from vibecheck.car.profile import Car
from vibecheck.car.read import read_car
from vibecheck.errors import CallError
from vibecheck.risk.drift import TakeValues
from vibecheck.risk.log import CarLog


@dataclass(frozen=True)
class HistorySource:
    """A car, its log, and the feature values of its takes."""

    car: Car
    log: CarLog
    takes: tuple[TakeValues, ...] = ()
    simulated: bool = False


def find_car(wanted: str | None, data: str | None) -> HistorySource:
    """Find a car by its file.

    Raises
    ------
    CallError
        If no car is named.
    """
    if wanted is None:
        raise CallError("No car is named.", advice="Name one with --car.")
    car = read_car(Path(wanted))
    return HistorySource(car, CarLog(car.name, 0.0, (), ()))
