"""A labelled set on disk: a folder with ``manifest.csv``, ``takes/`` and ``cars/``.

`add_to_set` is the one way in. Files go in first, each under the name of its hash, the manifest
last: a stop at any moment leaves the set as it was, with at most some files that no line names.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vibecheck.car.read import parse_car
from vibecheck.dataset.checks import check_rows
from vibecheck.dataset.columns import PART_CHECKED
from vibecheck.dataset.manifest import ManifestRow, read_manifest, write_manifest
from vibecheck.dataset.row import SNUG, State
from vibecheck.dataset.simulated_set import MANIFEST, file_slug
from vibecheck.errors import InputError
from vibecheck.whole_file import file_hash, whole_file

ORIGINAL = "original_sha256"
LOCK = ".vibecheck-lock"
UNPACKING = "unpacking"


@dataclass(frozen=True)
class NewTake:
    """A take that is to go into a set.

    Attributes
    ----------
    row : ManifestRow
        ``file`` lies where the take lies now; ``car_file`` names the car, whatever its path.
    car_text : str
        Text of the car file.
    """

    row: ManifestRow
    car_text: str


@dataclass(frozen=True)
class Added:
    """What adding did.

    Attributes
    ----------
    added : tuple of ManifestRow
        As they now stand in the manifest.
    known : int
        Takes that were there already.
    n_takes : int
        Takes of the set now.
    """

    added: tuple[ManifestRow, ...]
    known: int
    n_takes: int


def manifest_of(path: Path) -> Path:
    """Return the manifest of a set: the file itself, or ``manifest.csv`` in the folder."""
    return path / MANIFEST if path.is_dir() else path


def read_set(path: Path) -> list[ManifestRow]:
    """Read a set by its folder or its manifest.

    Raises
    ------
    InputError
    """
    return read_manifest(manifest_of(path))


def add_to_set(folder: Path, takes: Sequence[NewTake]) -> Added:
    """Put takes into a set; those that are there already are left as they are.

    A take is there already where its hash, or the hash it had before a privacy pass, is.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    takes : sequence of NewTake

    Returns
    -------
    Added

    Raises
    ------
    InputError
        If a take is there with other labels, the set would contradict itself, or a file cannot be
        read or written. The set is then as it was.
    """
    with locked(folder):
        return add_while_locked(folder, takes)


def add_while_locked(folder: Path, takes: Sequence[NewTake]) -> Added:
    """Do what `add_to_set` does, for a caller that holds the folder (`locked`)."""
    made: list[Path] = []
    manifest = folder / MANIFEST
    old = read_manifest(manifest) if manifest.exists() else []
    new, known = _new_takes(old, takes)
    if not new:
        return Added((), known, len(old))
    try:
        rows: list[ManifestRow] = []
        for take in new:
            rows.append(_place(take, folder, [*old, *rows], made))
        together = same_zones([*old, *rows])
        check_rows(together, manifest)
        write_manifest(manifest, together)
    except BaseException:
        _take_back(made, manifest)
        raise
    return Added(tuple(together[len(old) :]), known, len(together))


def _take_back(made: Sequence[Path], manifest: Path) -> None:
    """Remove files that were put in, unless the manifest names them by now.

    A stop from the keyboard may come when the manifest has just been put in place.
    """
    named: set[Path] = set()
    if manifest.exists():
        for row in read_manifest(manifest):
            named |= {row.file.absolute(), row.car_file.absolute()}
    for path in made:
        if path.absolute() not in named:
            path.unlink(missing_ok=True)


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder for one program at a time; the hold ends with the program, however it ends.

    Raises
    ------
    InputError
        If another program holds it, or the folder cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stream = (folder / LOCK).open("ab")
    except OSError as error:
        raise InputError(
            f"The folder cannot be written: {error.strerror}.",
            where=str(folder),
            advice="Choose another folder, or see to its permissions.",
        ) from error
    with stream:
        try:
            _take_lock(stream.fileno())
        except OSError as error:
            raise InputError(
                "Another program is writing to this set.",
                where=str(folder),
                advice="Wait until it has ended, then try again.",
            ) from error
        _clear(folder)
        yield


def _clear(folder: Path) -> None:
    """Take away what a program that was killed has left; nobody else is at work here."""
    for left in (*(folder / "takes").glob("*.part*"), *(folder / "cars").glob("*.part*")):
        left.unlink(missing_ok=True)
    for left in folder.glob(f".{UNPACKING}.*.part"):
        shutil.rmtree(left, ignore_errors=True)
    for left in folder.glob(f".{Path(MANIFEST).stem}.*.part{Path(MANIFEST).suffix}"):
        left.unlink(missing_ok=True)


def _take_lock(descriptor: int) -> None:
    if os.name == "nt":  # pragma: no cover
        import msvcrt

        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    else:
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def hashes_of(row: ManifestRow) -> set[str]:
    """Return the hashes by which a take may be known: now, and before a privacy pass."""
    return {row.sha256, row.other.get(ORIGINAL, "")} - {""}


def _new_takes(old: Sequence[ManifestRow], takes: Sequence[NewTake]) -> tuple[list[NewTake], int]:
    """Leave out what is there already; refuse one recording under two labels."""
    there = {one: row for row in old for one in hashes_of(row)}
    new: list[NewTake] = []
    known = 0
    for take in takes:
        twin = next((there[one] for one in sorted(hashes_of(take.row)) if one in there), None)
        if twin is None:
            new.append(take)
            there |= dict.fromkeys(hashes_of(take.row), take.row)
            continue
        other = _difference(twin, take.row)
        if other:
            raise InputError(
                f'The take "{take.row.file.name}" is in the set already, with another {other}.',
                where=str(take.row.file),
                advice="Settle which is right: take the line out of the one manifest or the other.",
            )
        known += 1
    return new, known


def _difference(one: ManifestRow, two: ManifestRow) -> str:
    """Name what two rows of one recording disagree on; nothing where they agree.

    Names of the car and the check may differ: a merge may have put a name before them. A zone that
    only one of them labels is no quarrel either.
    """
    for name in ("kind", "sensor", "spot"):
        if getattr(one, name) != getattr(two, name):
            return name
    for zone, state in one.state.items():
        other = two.state.get(zone)
        if state is not None and other is not None and state != other:
            return f"state of {zone}"
    return ""


def _place(
    take: NewTake, folder: Path, old: Sequence[ManifestRow], made: list[Path]
) -> ManifestRow:
    row = take.row
    target = folder / "takes" / f"{row.sha256[:16]}{row.file.suffix.lower()}"
    _copy(row.file, target, row.sha256, made)
    return replace(row, file=target, car_file=_car_file(take, folder, old, made))


def _copy(source: Path, target: Path, sha256: str, made: list[Path]) -> None:
    """Copy a take to its name, durable before the manifest may name it."""
    try:
        if target.exists() and file_hash(target) == sha256:
            return  # left by an addition that was stopped
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(target) as temporary:
            shutil.copyfile(source, temporary)
            _flush(temporary)
            found = file_hash(temporary)
            if found != sha256:
                raise InputError(
                    "The take changed while it was copied, or is not the one that was labelled.",
                    where=str(source),
                    advice="Hash the file again, or put the labelled file back.",
                )
        made.append(target)
    except OSError as error:
        raise _not_written(target, error) from error


def _car_file(take: NewTake, folder: Path, old: Sequence[ManifestRow], made: list[Path]) -> Path:
    """Return the file of a car of this name; refuse a car of which the set has another file."""
    for row in old:
        if row.car == take.row.car:
            if row.car_file.read_text(encoding="utf-8-sig") != take.car_text:
                raise InputError(
                    f'The set has a car "{row.car}" with another car file.',
                    where=str(row.car_file),
                    advice="Put the same car file in both places where it is one car; where it "
                    "is another, give it a name of its own.",
                )
            return row.car_file
    parse_car(take.car_text)
    number, stem = 1, file_slug(take.row.car) or "car"
    while True:
        target = folder / "cars" / (f"{stem}.toml" if number == 1 else f"{stem}-{number}.toml")
        if not target.exists():
            break
        if target not in {row.car_file for row in old} and (
            target.read_text(encoding="utf-8") == take.car_text
        ):
            return target
        number += 1
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(target) as temporary:
            temporary.write_text(take.car_text, encoding="utf-8", newline="\n")
            _flush(temporary)
        made.append(target)
    except OSError as error:
        raise _not_written(target, error) from error
    return target


def _flush(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def _not_written(path: Path, error: OSError) -> InputError:
    return InputError(
        f"A file could not be copied: {error.strerror or error}.",
        where=str(error.filename or path),
        advice="Free some space or choose another folder; the set is as it was.",
    )


def same_zones(rows: Sequence[ManifestRow]) -> list[ManifestRow]:
    """Give all rows the same zones: what a row does not speak of is snug or open, by its kind."""
    zones = list(dict.fromkeys(zone for row in rows for zone in row.state))
    return [replace(row, state=_filled(row, zones)) for row in rows]


def _filled(row: ManifestRow, zones: Sequence[str]) -> Mapping[str, State | None]:
    # A simulated car has all its zones snug but those that are named, and so has a snug own car.
    is_open = row.origin == "own" and row.kind in ("loose", PART_CHECKED)
    rest = None if is_open else SNUG
    return {zone: row.state.get(zone, rest) for zone in zones}
