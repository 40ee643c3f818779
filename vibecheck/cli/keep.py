"""Command line: what ``vibecheck check`` asks of the garage, and keeps there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibecheck.cli import terminal
from vibecheck.cli.garage_source import take_in
from vibecheck.errors import CallError

if TYPE_CHECKING:
    from vibecheck.bench.known import Known
    from vibecheck.car.profile import Car
    from vibecheck.garage import Sitting
    from vibecheck.recording.take import Take
    from vibecheck.result import CheckResult


def how_to_read(
    unit: str | None,
    time_unit: str | None,
    sample_rate_hz: float | None,
    columns: Mapping[str, str],
) -> dict[str, Any]:
    """Return the arguments of `read_take` that a file needs, without those that say nothing."""
    given = {
        "unit": unit,
        "time_unit": time_unit,
        "sample_rate_hz": sample_rate_hz,
        "columns": dict(columns) or None,
    }
    return {key: value for key, value in given.items() if value is not None}


def refuse_records(takes: Sequence[str]) -> None:
    """Refuse one record of a file that holds several: the garage keeps whole files.

    Raises
    ------
    CallError
        If such a take is named.
    """
    for path in takes:
        if "#" in path and not Path(path).exists():
            raise CallError(
                "The garage keeps whole files, not one record of several.",
                where=path,
                advice="Save the record as a file of its own, or leave --keep out.",
            )


def refuse_unwritable(data: Path | None) -> None:
    """Refuse before any work a garage that could not be written.

    Raises
    ------
    CallError
        If its folder cannot be made or written into.
    """
    from vibecheck.garage.place import garage_folder
    from vibecheck.report.files import check_folder

    folder = garage_folder(data)
    try:
        check_folder(folder, "--data")
    except CallError as error:
        if data is not None:
            raise
        raise CallError(
            "The garage cannot be kept in its usual place: it may not be written into.",
            where=error.where,
            advice="Name another folder with --data.",
        ) from error


def ask_garage(
    data: Path | None, car: Car, takes: Sequence[Take], *, keep: bool, with_baseline: bool
) -> Known:
    """Ask the garage, if there is one, what it knows of a car.

    Raises
    ------
    CallError
        If the takes are to be kept, and one is kept in another bench check already.
    """
    from vibecheck.bench.known import Known, refuse_kept_elsewhere, what_is_known
    from vibecheck.garage.place import garage_exists, garage_folder

    if not garage_exists(data):
        if not keep:
            terminal.say(
                f"There is no garage in {garage_folder(data)}: nothing is known of the car."
            )
        return Known()
    from vibecheck.garage import Garage

    with Garage.open(data) as garage:
        known = garage.knows(car.name)
        if keep:
            refuse_kept_elsewhere(garage, takes, garage.open_sitting(car.name) if known else None)
        if not known:
            if not keep:
                terminal.say(f"The garage does not know {car.name}: it is judged as any car.")
            return Known()
        stored = garage.find_car(car.name)
        return what_is_known(garage, stored, takes, with_baseline=with_baseline, say=terminal.say)


def keep_check(
    data: Path | None,
    car_named: Path,
    paths: Sequence[str],
    takes: Sequence[Take],
    reading: Mapping[str, Any],
    result: CheckResult,
) -> Sitting:
    """Keep the takes and the result in the car's open bench check, or in a new one."""
    from vibecheck.garage import Garage

    with Garage.open(data) as garage:
        car = take_in(garage, str(car_named))
        sitting = garage.open_sitting(car.id) or garage.start_sitting(car.id)
        for path, take in zip(paths, takes, strict=True):
            garage.add_take(sitting.id, path, sensor=take.sensor, spot=take.spot, reading=reading)
        return garage.set_result(sitting.id, result.to_dict())
