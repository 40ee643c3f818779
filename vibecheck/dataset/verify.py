"""Everything that is wrong with a labelled set, at once: `verify_set` lists, and refuses nothing.

Beside what `read_manifest` refuses at the first case, it looks for leaks: ways in which one
recording, or one car, could stand on both sides of a split and make a model look better than it
is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vibecheck.car.profile import Car
from vibecheck.dataset.checks import file_problems, row_problems
from vibecheck.dataset.labelled_set import LOCK, ORIGINAL, manifest_of
from vibecheck.dataset.manifest import read_header, zone_name_problems
from vibecheck.dataset.row import ManifestRow, row_from_cells
from vibecheck.errors import InputError, VibecheckError

Progress = Callable[[str, int, int], None]
HASHING = "Comparing files with their hashes"
LISTENING = "Looking for one sound in two files"


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong.

    Attributes
    ----------
    code : str
        ``manifest``, ``row``, ``label``, ``file``, ``duplicate`` or ``leak``.
    what : str
    where : str
        File and line.
    advice : str
    """

    code: str
    what: str
    where: str
    advice: str


@dataclass(frozen=True)
class Verified:
    """What was found.

    Attributes
    ----------
    manifest : Path
    rows : tuple of ManifestRow
        Those that could be read.
    problems : tuple of Problem
    notes : tuple of str
        What is worth knowing and no fault.
    """

    manifest: Path
    rows: tuple[ManifestRow, ...]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]


def verify_set(path: Path, *, listen: bool = True, progress: Progress | None = None) -> Verified:
    """Look for everything that is wrong with a set.

    Parameters
    ----------
    path : Path
        Folder of the set, or its manifest.
    listen : bool
        Whether recordings are read to find one sound in two files (a WAV file and its FLAC copy).
    progress : callable, optional
        Called with the stage, the number of takes done and of all takes.

    Raises
    ------
    InputError
        If the manifest cannot be read as a table at all.
    """
    say = progress or (lambda _stage, _done, _total: None)
    manifest = manifest_of(path)
    header, lines, zones = read_header(manifest)
    problems: list[Problem] = []
    rows: list[ManifestRow] = []
    cars: dict[Path, Car | None] = {}
    for number, values in lines:
        cells = dict(zip(header, (value.strip() for value in values), strict=True))
        try:
            rows.append(row_from_cells(cells, zones, manifest, number, cars, check_files=False))
        except InputError as error:
            problems.append(_problem("row", error))
    known_cars = [car for car in cars.values() if car is not None]
    problems += [_problem("row", one) for one in zone_name_problems(zones, known_cars, manifest)]
    problems += list(_missing_cars(rows, manifest))
    problems += [_problem(_code(one), one) for one in row_problems(rows, manifest)]
    problems += list(_labels_that_cannot_be(rows, cars, manifest))
    problems += list(_leaks(rows, manifest))
    wrong = file_problems(rows, lambda done, total: say(HASHING, done, total))
    problems += [_problem("file", one) for one in wrong]
    if listen:
        bad = {one.where for one in wrong}
        whole = [row for row in rows if not any(str(row.file) in (w or "") for w in bad)]
        problems += list(_same_sounds(whole, manifest, say))
    return Verified(manifest, tuple(rows), tuple(problems), tuple(_notes(rows, manifest)))


def _problem(code: str, error: VibecheckError) -> Problem:
    return Problem(code, error.what, error.where or "", error.advice or "")


def _code(error: InputError) -> str:
    if "two cars" in error.what or "two bench checks" in error.what:
        return "leak"
    return (
        "duplicate" if "same recording" in error.what or "also on line" in error.what else "label"
    )


def _at(manifest: Path, row: ManifestRow) -> str:
    return f"{manifest}, line {row.line}"


def _missing_cars(rows: Sequence[ManifestRow], manifest: Path) -> Iterator[Problem]:
    told: set[Path] = set()
    for row in rows:
        if row.car_file not in told and not row.car_file.is_file():
            told.add(row.car_file)
            yield Problem(
                "file",
                f'The car file of "{row.car}" is missing.',
                f"{row.car_file} (line {row.line} of the manifest)",
                "Put the file back.",
            )


def _labels_that_cannot_be(
    rows: Sequence[ManifestRow], cars: dict[Path, Car | None], manifest: Path
) -> Iterator[Problem]:
    for row in rows:
        car = cars.get(row.car_file)
        own = None if car is None else {zone.name for zone in car.zones}
        for zone in row.loose_zones:
            if own is not None and zone not in own:
                yield Problem(
                    "label",
                    f"{zone} is labelled loose, and the car has no such zone.",
                    _at(manifest, row),
                    "Correct the label, or add the zone to the car file.",
                )
        if row.origin == "own" and row.seed is not None:
            yield Problem(
                "label",
                "The take is of a real car and yet has a seed, which only simulated ones have.",
                _at(manifest, row),
                "Correct origin, or leave the seed empty.",
            )


def _leaks(rows: Sequence[ManifestRow], manifest: Path) -> Iterator[Problem]:
    by_original: dict[str, ManifestRow] = {}
    by_key: dict[str, ManifestRow] = {}
    by_text: dict[bytes, ManifestRow] = {}
    splits: dict[str, ManifestRow] = {}
    for row in rows:
        at = _at(manifest, row)
        original = row.other.get(ORIGINAL, "") or row.sha256
        first = by_original.setdefault(original, row)
        if first is not row and first.sha256 != row.sha256:
            yield Problem(
                "leak",
                f'"{row.file.name}" is the same recording as "{first.file.name}" on line '
                f"{first.line}: both come from one original.",
                at,
                "Take one of the lines out: it would count as two witnesses.",
            )
        first = by_key.setdefault(_car_key(row.car), row)
        if first.car != row.car:
            yield Problem(
                "leak",
                f'The cars "{first.car}" (line {first.line}) and "{row.car}" differ in case or '
                "spaces only: one car would stand on both sides of a split.",
                at,
                "Write the name alike in all lines.",
            )
        if row.car_file.is_file():
            first = by_text.setdefault(_content(row.car_file), row)
            if first.car != row.car and _car_key(first.car) != _car_key(row.car):
                yield Problem(
                    "leak",
                    f'The cars "{first.car}" (line {first.line}) and "{row.car}" have the very '
                    "same car file: one car under two names would stand on both sides of a split.",
                    at,
                    "Give one car one name; where they are two cars, say so in their car files.",
                )
                by_text[_content(row.car_file)] = row
        split = row.other.get("split", "")
        if split:
            first = splits.setdefault(row.car, row)
            if first.other.get("split") != split:
                yield Problem(
                    "leak",
                    f'The car "{row.car}" is in two splits: "{first.other.get("split")}" on line '
                    f'{first.line}, "{split}" here.',
                    at,
                    "Put all takes of a car into one split.",
                )


def _car_key(name: str) -> str:
    return " ".join(name.casefold().split())


def _content(path: Path) -> bytes:
    return hashlib.sha256(path.read_bytes()).digest()


def _same_sounds(rows: Sequence[ManifestRow], manifest: Path, say: Progress) -> Iterator[Problem]:
    heard: dict[str, ManifestRow] = {}
    for number, row in enumerate(rows, start=1):
        try:
            sound = sound_hash(row)
        except VibecheckError as error:
            yield Problem("file", error.what, _at(manifest, row), error.advice or "")
        else:
            first = heard.setdefault(sound, row)
            if first is not row and first.sha256 != row.sha256:
                where = "" if first.car == row.car else f' of another car ("{first.car}")'
                yield Problem(
                    "leak",
                    f'"{row.file.name}" holds the same samples as "{first.file.name}"{where} on '
                    f"line {first.line}: one recording in two files.",
                    _at(manifest, row),
                    "Take one of the lines out: it would count as two witnesses.",
                )
        say(LISTENING, number, len(rows))


def sound_hash(row: ManifestRow) -> str:
    """Return a hash of what a take holds, whatever kind of file holds it.

    Samples are rounded to 16 bits of their largest value, so that a copy in another lossless format
    has the same hash.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    from vibecheck.recording.read import read_take

    take = read_take(row.file, sensor=row.sensor, spot=row.spot)  # type: ignore[arg-type]
    samples = take.samples.astype(np.float64)
    largest = float(np.abs(samples).max()) or 1.0
    whole = np.round(samples / largest * 32767.0).astype("<i2")
    digest = hashlib.sha256(f"{take.sample_rate_hz:.6g} {whole.shape}".encode())
    digest.update(whole.tobytes())
    return digest.hexdigest()


def _notes(rows: Sequence[ManifestRow], manifest: Path) -> Iterator[str]:
    folder = manifest.parent.resolve()
    outside = [row for row in rows if not row.file.resolve().is_relative_to(folder)]
    if outside:
        yield (
            f"Takes outside the set's folder: {len(outside)}, the first on line "
            f"{outside[0].line}. A copy of the folder would not hold them."
        )
    is_open = [row for row in rows if row.unknown_zones]
    if is_open:
        yield (
            f"Takes with zones at which nobody looked: {len(is_open)}. Those zones are not "
            "labelled, and such takes do not judge a model."
        )
    named = {row.file.resolve() for row in rows}
    stray = [
        path
        for path in sorted((folder / "takes").glob("*"))
        if path.is_file() and path.resolve() not in named and path.name != LOCK
    ]
    if stray:
        yield (
            f"Files in takes that no line of the manifest names: {len(stray)}, such as "
            f"{stray[0].name}."
        )
