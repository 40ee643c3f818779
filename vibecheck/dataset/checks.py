"""What no single row of a manifest can tell: takes named twice, checks at odds, changed files."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from vibecheck.dataset.columns import HARD_NEGATIVES, MESH_SETTINGS
from vibecheck.dataset.row import ManifestRow
from vibecheck.errors import InputError

Progress = Callable[[int, int], None]
_BLOCK = 1 << 20


def check_rows(rows: Sequence[ManifestRow], manifest: Path) -> None:
    """Refuse rows that contradict each other or themselves.

    Raises
    ------
    InputError
        A take is there twice (one file, or one content under two names); one bench check has two
        cars, kinds or states; one car has two car files; a kind contradicts the states.
    """
    by_file: dict[str, ManifestRow] = {}
    by_hash: dict[str, ManifestRow] = {}
    by_check: dict[str, ManifestRow] = {}
    by_car: dict[str, ManifestRow] = {}
    for row in rows:
        at = f"{manifest}, line {row.line}"
        _check_kind(row, at)
        first = by_file.setdefault(os.path.normpath(row.file), row)
        if first is not row:
            raise InputError(
                f'The take "{row.file.name}" is also on line {first.line}.',
                where=at,
                advice="Take one of the lines out.",
            )
        first = by_hash.setdefault(row.sha256, row)
        if first is not row:
            raise InputError(
                f'The take "{row.file.name}" is the same recording as "{first.file.name}" on line '
                f"{first.line}, by its hash: one take under two names.",
                where=at,
                advice="Take one of the lines out: it would count as two witnesses.",
            )
        first = by_car.setdefault(row.car, row)
        if os.path.normpath(first.car_file) != os.path.normpath(row.car_file):
            raise InputError(
                f'The car "{row.car}" has another car file than on line {first.line}.',
                where=at,
                advice="Give each car one car file, or two cars two names.",
            )
        _check_sitting(by_check.setdefault(row.check, row), row, at)


def _check_kind(row: ManifestRow, at: str) -> None:
    if row.kind == "loose":
        if all(preload >= 1.0 and turns == 0.0 for preload, turns in row.state.values()):
            raise InputError(
                "The kind is loose, yet every zone is snug.",
                where=at,
                advice="Give the state of what was loose, or another kind.",
            )
    elif row.loose_zones and row.kind in ("baseline", *MESH_SETTINGS, *HARD_NEGATIVES):
        raise InputError(
            f"The kind is {row.kind}, which means nothing loose, yet {row.loose_zones[0]} is.",
            where=at,
            advice='Correct the state, or the kind to "loose".',
        )


def _check_sitting(first: ManifestRow, row: ManifestRow, at: str) -> None:
    """One bench check is one sitting of one car in one state."""
    named = f'The bench check "{row.check}"'
    advice = "Give every sitting a name of its own."
    if first.car != row.car:
        raise InputError(
            f'{named} is of two cars: "{first.car}" on line {first.line}, "{row.car}" here.',
            where=at,
            advice=advice,
        )
    if first.kind != row.kind:
        raise InputError(
            f"{named} is of two kinds: {first.kind} on line {first.line}, {row.kind} here.",
            where=at,
            advice=advice,
        )
    for zone, state in row.state.items():
        if first.state[zone] != state:
            raise InputError(
                f"{named} has two states of {zone}: another one on line {first.line}.",
                where=at,
                advice=advice,
            )


def verify_files(rows: Sequence[ManifestRow], progress: Progress | None = None) -> None:
    """Compare every take with its hash.

    Parameters
    ----------
    rows : sequence of ManifestRow
    progress : callable, optional
        Called with the number of takes compared and of all takes.

    Raises
    ------
    InputError
        Naming the first take that is missing, cannot be read or has changed, and how many more
        there are.
    """
    found: list[InputError] = []
    for number, row in enumerate(rows, start=1):
        problem = _file_problem(row)
        if problem is not None:
            found.append(problem)
        if progress is not None:
            progress(number, len(rows))
    if not found:
        return
    first = found[0]
    more = len(found) - 1
    rest = f" So it is with {more} more of {len(rows)} takes." if more else ""
    raise InputError(first.what + rest, where=first.where, advice=first.advice)


def file_hash(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _file_problem(row: ManifestRow) -> InputError | None:
    where = str(row.file) + (f" (line {row.line} of the manifest)" if row.line else "")
    try:
        digest = file_hash(row.file)
    except FileNotFoundError:
        return InputError(
            "The take is missing.", where=where, advice="Put the file back, or take the line out."
        )
    except OSError as error:
        return InputError(
            f"The take cannot be read: {error.strerror}.", where=where, advice="Check the file."
        )
    if digest != row.sha256:
        return InputError(
            "The take is not the one that was labelled: its hash differs from the manifest's.",
            where=where,
            advice="Put the labelled file back, or take the line out.",
        )
    return None


def cars(rows: Sequence[ManifestRow]) -> tuple[str, ...]:
    """Return the cars in the order in which they come."""
    return tuple(dict.fromkeys(row.car for row in rows))


def zones_with_both_classes(rows: Sequence[ManifestRow]) -> tuple[str, ...]:
    """Return the zones that are loose in some bench checks and snug in others."""
    zones = rows[0].state if rows else {}
    return tuple(zone for zone in zones if len({row.is_loose(zone) for row in rows}) == 2)


def has_one_class(rows: Sequence[ManifestRow]) -> bool:
    """Tell whether all takes have something loose, or none has: nothing to learn from."""
    return len({bool(row.loose_zones) for row in rows}) < 2
