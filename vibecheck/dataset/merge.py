"""Putting another set into one's own: `merge`. Twice is the same as once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from vibecheck.dataset.checks import verify_files
from vibecheck.dataset.labelled_set import (
    UNPACKING,
    Added,
    NewTake,
    add_while_locked,
    locked,
    manifest_of,
)
from vibecheck.dataset.manifest import ManifestRow, read_manifest
from vibecheck.dataset.unpack import unpack
from vibecheck.errors import InputError
from vibecheck.whole_file import scratch_folder


def merge(folder: Path, source: Path, *, owner: str = "") -> Added:
    """Put a pack, or another set, into a set.

    Parameters
    ----------
    folder : Path
        The set; made where it is missing.
    source : Path
        A pack (zip file), the folder of a set, or its manifest.
    owner : str
        Put before the names of its cars and bench checks, where two owners use the same names.

    Returns
    -------
    Added

    Raises
    ------
    InputError
        If the source cannot be used, or does not go with the set. The set is then as it was.
    """
    with locked(folder):
        if source.is_dir() or source.suffix.lower() == ".csv":
            rows = read_manifest(manifest_of(source))
            verify_files(rows)
            return add_while_locked(folder, _takes(rows, owner))
        try:
            with scratch_folder(folder / UNPACKING) as temporary:
                return add_while_locked(folder, _takes(unpack(source, temporary), owner))
        except OSError as error:
            raise InputError(
                f"The set cannot be written: {error.strerror}.",
                where=str(folder),
                advice="See to the folder's permissions and to the space on the disk.",
            ) from error


def _takes(rows: Sequence[ManifestRow], owner: str) -> list[NewTake]:
    before = f"{owner.strip()} " if owner.strip() else ""
    texts = {row.car_file: row.car_file.read_text(encoding="utf-8-sig") for row in rows}
    return [
        NewTake(replace(row, car=before + row.car, check=before + row.check), texts[row.car_file])
        for row in rows
    ]
