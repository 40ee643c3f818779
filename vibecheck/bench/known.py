"""At the bench: what the garage knows of a car when its takes are judged. `what_is_known`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from vibecheck.bench.set_up import next_set_up
from vibecheck.errors import CallError, InputError, VibecheckError
from vibecheck.recording.read import read_take

if TYPE_CHECKING:
    from vibecheck.garage import Garage, SetUp, Sitting, StoredCar, StoredTake
    from vibecheck.recording.take import Take
    from vibecheck.risk.log import CarLog

SNUG_TAKES = 4
"""So many baseline takes of each sensor and spot are listened to, the newest ones."""
Place = tuple[str, str]
"""Sensor and spot."""
Say = Callable[[str], None]


@dataclass(frozen=True)
class Known:
    """What the garage knows of a car.

    Attributes
    ----------
    log : CarLog or None
        Its hand checks.
    set_up : SetUp or None
        What is fitted to it.
    baseline : tuple of Take
        Snug takes that match the takes of the check.
    """

    log: CarLog | None = None
    set_up: SetUp | None = None
    baseline: tuple[Take, ...] = ()


def what_is_known(
    garage: Garage,
    stored: StoredCar,
    takes: Sequence[Take],
    *,
    with_baseline: bool = True,
    say: Say = lambda _sentence: None,
) -> Known:
    """Read a car's log and the baseline takes that match the takes of a check.

    The check belongs to the car's open bench check; where none is open, to one that is yet to
    begin, one run later.

    Parameters
    ----------
    garage : Garage
    stored : StoredCar
    takes : sequence of Take
        Of the check.
    with_baseline : bool, optional
    say : callable, optional
        Called with a sentence for every baseline take that is left out, and for how many serve.
    """
    opened = garage.open_sitting(stored.id)
    log = garage.car_log(stored.id)
    last = garage.sittings(stored.id, limit=1)
    if last and opened is None:
        log = replace(log, runs=log.runs + 1.0)
    set_up = next_set_up(garage, stored) if opened is None else opened.set_up
    if not with_baseline or not last:
        return Known(log, set_up)
    own = {take.sha256 for take in takes}
    wanted = {(take.sensor, take.spot) for take in takes}
    kept = garage.baseline_takes(stored.id, set_up)
    baseline = tuple(read_each(matching(kept, wanted, own), "Left out of the baseline", say))
    if baseline:
        say(f"Against {len(baseline)} baseline take{'s'[: len(baseline) > 1]} of the garage.")
    return Known(log, set_up, baseline)


def matching(
    kept: Sequence[StoredTake], wanted: Iterable[Place], own: set[str]
) -> tuple[StoredTake, ...]:
    """Return the newest `SNUG_TAKES` takes of each wanted sensor and spot, oldest first.

    Parameters
    ----------
    kept : sequence of StoredTake
        Oldest first.
    wanted : iterable of (sensor, spot)
    own : set of str
        Hashes of takes that must not be held against themselves.
    """
    count = dict.fromkeys(wanted, 0)
    chosen = []
    for take in reversed(kept):
        place = (take.sensor, take.spot)
        if place in count and count[place] < SNUG_TAKES and take.sha256 not in own:
            chosen.append(take)
            count[place] += 1
    return tuple(reversed(chosen))


def read_each(kept: Sequence[StoredTake], what: str, say: Say) -> Iterator[Take]:
    """Read takes of the garage; say which cannot be read, and go on without them."""
    for take in kept:
        try:
            yield read_stored(take)
        except VibecheckError as error:
            say(f"{what}: {take.file_name}. {error.what}")


def read_stored(kept: StoredTake) -> Take:
    """Read a take of the garage under the name that it had.

    Raises
    ------
    InputError
        If it cannot be read, or is no longer the recording that was kept.
    """
    sensor: Any = kept.sensor
    take = read_take(kept.path, sensor=sensor, spot=kept.spot, **kept.reading)
    if take.sha256 != kept.sha256:
        raise InputError("The recording in the garage is no longer the one that was kept.")
    return replace(take, file=kept.file_name)


def refuse_kept_elsewhere(garage: Garage, takes: Sequence[Take], sitting: Sitting | None) -> None:
    """Refuse takes that another bench check holds already.

    Raises
    ------
    CallError
        If there is one.
    """
    for take in takes:
        kept = garage.take_of_content(take.sha256)
        if kept is None or (sitting is not None and kept.sitting == sitting.id):
            continue
        other = garage.sitting(kept.sitting)
        raise CallError(
            f"This recording is kept already, in bench check {other.number} of {other.car}.",
            where=take.file,
            advice="Leave --keep out to judge it once more.",
        )
