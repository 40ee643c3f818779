"""Command line: options that say how a recording is read, shared by the commands that take one."""

from __future__ import annotations

import enum
from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.errors import CallError, did_you_mean

if TYPE_CHECKING:
    from vibecheck.car.profile import Car


class SensorName(enum.StrEnum):
    """What recorded a take."""

    microphone = "microphone"
    accelerometer = "accelerometer"


SpotsOption = Annotated[
    list[str] | None,
    typer.Option(
        "--spot",
        metavar="ZONE",
        help="Where the phone or sensor sat: a zone, or centre. Once for all, or once a take.",
    ),
]
SensorOption = Annotated[
    SensorName | None,
    typer.Option(
        "--sensor",
        metavar="SENSOR",
        help="microphone or accelerometer, where the file does not tell which.",
    ),
]
UnitOption = Annotated[
    str | None,
    typer.Option("--unit", metavar="UNIT", help="Unit of a table's acceleration: g, mg or m/s^2."),
]
TimeUnitOption = Annotated[
    str | None,
    typer.Option(
        "--time-unit", metavar="UNIT", help="Unit of a table's time column: s, ms, us or ns."
    ),
]
SampleRateOption = Annotated[
    float | None,
    typer.Option(
        "--sample-rate", metavar="HZ", help="Samples per second, for files that do not say."
    ),
]
ColumnsOption = Annotated[
    list[str] | None,
    typer.Option(
        "--columns",
        metavar="ROLE=NAME",
        help="Which column of a table is what: time=, x=, y=, z=, signal=, rate=. Once a column.",
    ),
]


def check_spot(spot: str, car: Car | None) -> str:
    """Refuse a spot that is no zone of the car nor the centre.

    Raises
    ------
    CallError
        If it is none.
    """
    from vibecheck.car.zones import CENTRE_SPOT, ZONE_NAMES

    known = [CENTRE_SPOT, *(ZONE_NAMES if car is None else (zone.name for zone in car.zones))]
    if spot not in known and not (car is not None and not car.zones):
        raise CallError(
            f'A spot must be a zone of the car, or centre. Got "{spot}" instead.'
            + did_you_mean(spot, known),
            where="--spot",
            advice=f"Known: {', '.join(known)}.",
        )
    return spot
