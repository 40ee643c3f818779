"""What no single row of a manifest can tell: takes named twice, checks at odds, changed files."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from vibecheck.dataset.columns import PART_CHECKED
from vibecheck.dataset.row import ManifestRow
from vibecheck.errors import InputError
from vibecheck.whole_file import file_hash

Progress = Callable[[int, int], None]


def check_rows(rows: Sequence[ManifestRow], manifest: Path) -> None:
    """Refuse rows that contradict each other or themselves.

    Raises
    ------
    InputError
        A take is there twice (one file, or one content under two names); one bench check has two
        cars, kinds or states; one car has two car files; a kind contradicts the states.
    """
    for problem in row_problems(rows, manifest):
        raise problem


def row_problems(rows: Sequence[ManifestRow], manifest: Path) -> Iterator[InputError]:
    """Yield what `check_rows` refuses, every case of it, in the order of the rows."""
    by_file: dict[str, ManifestRow] = {}
    by_hash: dict[str, ManifestRow] = {}
    by_check: dict[str, ManifestRow] = {}
    by_car: dict[str, ManifestRow] = {}
    for row in rows:
        at = f"{manifest}, line {row.line}"
        yield from _kind_problems(row, at)
        first = by_file.setdefault(os.path.normpath(row.file), row)
        if first is not row:
            yield InputError(
                f'The take "{row.file.name}" is also on line {first.line}.',
                where=at,
                advice="Take one of the lines out.",
            )
            continue
        first = by_hash.setdefault(row.sha256, row)
        if first is not row:
            yield InputError(
                f'The take "{row.file.name}" is the same recording as "{first.file.name}" on line '
                f"{first.line}, by its hash: one take under two names{_leak(first, row)}.",
                where=at,
                advice="Take one of the lines out: it would count as two witnesses.",
            )
        first = by_car.setdefault(row.car, row)
        if os.path.normpath(first.car_file) != os.path.normpath(row.car_file):
            yield InputError(
                f'The car "{row.car}" has another car file than on line {first.line}.',
                where=at,
                advice="Give each car one car file, or two cars two names.",
            )
        yield from _sitting_problems(by_check.setdefault(row.check, row), row, at)


def _leak(first: ManifestRow, row: ManifestRow) -> str:
    """Say where one recording counts for two cars or two bench checks: folds are then no folds."""
    if first.car != row.car:
        return f' and two cars ("{first.car}" and "{row.car}")'
    if first.check != row.check:
        return f' and two bench checks ("{first.check}" and "{row.check}")'
    return ""


def _kind_problems(row: ManifestRow, at: str) -> Iterator[InputError]:
    if row.kind == "loose":
        if all(state is None or state[0] >= 1.0 for state in row.state.values()):
            yield InputError(
                "The kind is loose, yet every zone is snug."
                if not row.unknown_zones
                else "The kind is loose, yet every zone that was looked at is snug.",
                where=at,
                advice="Give the state of what was loose, or another kind.",
            )
    elif row.loose_zones:
        yield InputError(
            f"The kind is {row.kind}, which means nothing loose, yet {row.loose_zones[0]} is.",
            where=at,
            advice='Correct the state, or the kind to "loose".',
        )
    elif row.kind == PART_CHECKED and not row.unknown_zones:
        yield InputError(
            f"The kind is {PART_CHECKED}, yet the state of every zone is known.",
            where=at,
            advice="Leave the cells of the zones at which nobody looked empty, or give another "
            "kind.",
        )
    elif row.kind != PART_CHECKED and row.unknown_zones:
        yield InputError(
            f"The kind is {row.kind}, which means nothing loose anywhere, yet nobody looked at "
            f"{row.unknown_zones[0]}.",
            where=at,
            advice=f'Give the state of that zone, or the kind "{PART_CHECKED}".',
        )


def _sitting_problems(first: ManifestRow, row: ManifestRow, at: str) -> Iterator[InputError]:
    """One bench check is one sitting of one car in one state."""
    named = f'The bench check "{row.check}"'
    advice = "Give every sitting a name of its own."
    if first.car != row.car:
        yield InputError(
            f'{named} is of two cars: "{first.car}" on line {first.line}, "{row.car}" here.',
            where=at,
            advice=advice,
        )
    if first.kind != row.kind:
        yield InputError(
            f"{named} is of two kinds: {first.kind} on line {first.line}, {row.kind} here.",
            where=at,
            advice=advice,
        )
    for zone, state in row.state.items():
        if first.state[zone] != state:
            yield InputError(
                f"{named} has two states of {zone}: another one on line {first.line}.",
                where=at,
                advice=advice,
            )
            return


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
    found = file_problems(rows, progress)
    if not found:
        return
    first = found[0]
    more = len(found) - 1
    rest = f" So it is with {more} more of {len(rows)} takes." if more else ""
    raise InputError(first.what + rest, where=first.where, advice=first.advice)


def file_problems(
    rows: Sequence[ManifestRow], progress: Progress | None = None
) -> list[InputError]:
    """Return what is wrong with every take that is missing, cannot be read or has changed."""
    found: list[InputError] = []
    for number, row in enumerate(rows, start=1):
        problem = _file_problem(row)
        if problem is not None:
            found.append(problem)
        if progress is not None:
            progress(number, len(rows))
    return found


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
    return tuple(
        zone
        for zone in zones
        if len({row.is_loose(zone) for row in rows if row.is_known(zone)}) == 2
    )


def has_one_class(rows: Sequence[ManifestRow]) -> bool:
    """Tell whether no take has something loose, or none is snug: nothing to learn from."""
    return not any(row.loose_zones for row in rows) or not any(row.is_snug for row in rows)
