"""Command line: what ``vibecheck check`` asks of the garage, and keeps there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibecheck.cli import terminal
from vibecheck.cli.garage_source import take_in
from vibecheck.errors import CallError, VibecheckError

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.garage import Garage, Sitting, StoredTake
    from vibecheck.recording.take import Take
    from vibecheck.result import CheckResult
    from vibecheck.risk.log import CarLog

SNUG_TAKES = 4
"""So many baseline takes of each sensor and spot are listened to, the newest ones."""


@dataclass(frozen=True)
class Known:
    """What the garage knows of a car."""

    log: CarLog | None = None
    baseline: tuple[Take, ...] = ()


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


def what_is_known(
    data: Path | None, car: Car, takes: Sequence[Take], *, keep: bool, with_baseline: bool
) -> Known:
    """Read a car's log and the baseline takes that match the takes of a check.

    Raises
    ------
    CallError
        If the takes are to be kept, and one is kept in another bench check already.
    """
    from vibecheck.garage.place import garage_exists, garage_folder

    if not garage_exists(data):
        if not keep:
            terminal.say(
                f"There is no garage in {garage_folder(data)}: nothing is known of the car."
            )
        return Known()
    from vibecheck.garage import Garage, SetUp

    with Garage.open(data) as garage:
        known = garage.knows(car.name)
        if keep:
            opened = garage.open_sitting(car.name) if known else None
            for take in takes:
                _refuse_other(garage, take, None if opened is None else opened.id)
        if not known:
            if not keep:
                terminal.say(f"The garage does not know {car.name}: it is judged as any car.")
            return Known()
        log = garage.car_log(car.name)
        last = garage.sittings(car.name, limit=1)
        if last and not last[0].is_open:  # the check belongs to a sitting that is yet to begin
            log = replace(log, runs=log.runs + 1.0)
        if not with_baseline or not last:
            return Known(log)
        fitted = last[0].set_up
        if not last[0].is_open:
            fitted = SetUp.of(car, tyres=fitted.tyres)
        return Known(log, _listen(garage.baseline_takes(car.name, fitted), takes))


def _listen(kept: Sequence[StoredTake], takes: Sequence[Take]) -> tuple[Take, ...]:
    from vibecheck.recording.read import read_take

    wanted = {(take.sensor, take.spot) for take in takes}
    own = {take.sha256 for take in takes}
    count = dict.fromkeys(wanted, 0)
    snug: list[Take] = []
    for take in reversed(kept):
        place: Any = (take.sensor, take.spot)
        if place not in count or count[place] >= SNUG_TAKES or take.sha256 in own:
            continue
        try:
            read = read_take(take.path, sensor=place[0], spot=take.spot, **take.reading)
        except VibecheckError as error:
            terminal.say(f"Left out of the baseline: {take.file_name}. {error}")
            continue
        if read.sha256 != take.sha256:
            terminal.say(
                f"Left out of the baseline: {take.file_name}. The recording in the garage is no "
                "longer the one that was kept."
            )
            continue
        snug.append(replace(read, file=take.file_name))
        count[place] += 1
    if snug:
        terminal.say(f"Against {len(snug)} baseline take{'s'[: len(snug) > 1]} of the garage.")
    return tuple(reversed(snug))


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


def _refuse_other(garage: Garage, take: Take, sitting: str | None) -> None:
    kept = garage.take_of_content(take.sha256)
    if kept is None or kept.sitting == sitting:
        return
    other = garage.sitting(kept.sitting)
    raise CallError(
        f"This recording is kept already, in bench check {other.number} of {other.car}.",
        where=take.file,
        advice="Leave --keep out to judge it once more.",
    )
