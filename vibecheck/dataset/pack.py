"""A labelled set as one archive to share: `write_pack`.

A zip file without compression (sound is compressed already), with no time, no owner and no path in
it: the same set and options give the same bytes. Takes and car files lie under the names of their
hashes. ``pack.json`` lists every file with hash and size and says what the privacy pass did to
each take. Hashes tell damage and careless changes; they are no signature.
"""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vibecheck import __version__
from vibecheck.dataset.files import write_file
from vibecheck.dataset.labelled_set import ORIGINAL, manifest_of
from vibecheck.dataset.manifest import ManifestRow, read_manifest, verify_files, write_manifest
from vibecheck.dataset.privacy import PrivacyOptions, PrivacyReport, private_copy
from vibecheck.errors import InputError
from vibecheck.whole_file import file_hash, scratch_folder

SCHEMA = "vibecheck.pack/1"
CONTENTS = "pack.json"
MANIFEST_NAME = "manifest.csv"
EARLIEST = (1980, 1, 1, 0, 0, 0)
"""The earliest time that a zip file can hold: no clock in the bytes."""

Progress = Callable[[str, int, int], None]
COMPARING = "Comparing files with their hashes"
TREATING = "Taking voices out"


@dataclass(frozen=True)
class Packed:
    """What was packed.

    Attributes
    ----------
    file : Path
    n_bytes : int
    rows : tuple of ManifestRow
        As in the pack.
    reports : tuple of PrivacyReport
        One a take.
    """

    file: Path
    n_bytes: int
    rows: tuple[ManifestRow, ...]
    reports: tuple[PrivacyReport, ...]


def write_pack(
    source: Path,
    out: Path,
    *,
    privacy: PrivacyOptions | None,
    progress: Progress | None = None,
) -> Packed:
    """Pack a set.

    Parameters
    ----------
    source : Path
        Folder of the set, or its manifest.
    out : Path
        The archive; written whole or not at all.
    privacy : PrivacyOptions or None
        ``None`` to pack the bytes as they are.
    progress : callable, optional
        Called with the stage, the number of takes done and of all takes.

    Raises
    ------
    InputError
        If the set cannot be read, a take has changed, or the archive cannot be written.
    """
    say = progress or (lambda _stage, _done, _total: None)
    rows = read_manifest(manifest_of(source))
    verify_files(rows, lambda done, total: say(COMPARING, done, total))
    packed: list[ManifestRow] = []
    reports: list[PrivacyReport] = []
    try:
        with scratch_folder(out) as folder:
            (folder / "takes").mkdir()
            (folder / "cars").mkdir()
            for number, row in enumerate(rows, start=1):
                made, report = _packed_take(row, folder, privacy)
                packed.append(made)
                reports.append(report)
                say(TREATING if privacy else "Copying", number, len(rows))
            write_manifest(folder / MANIFEST_NAME, packed)
            contents = _contents(folder, privacy, packed, reports)
            text = json.dumps(contents, indent=1, sort_keys=True) + "\n"
            (folder / CONTENTS).write_text(text, encoding="utf-8", newline="\n")
            names = [CONTENTS, *(one["name"] for one in contents["files"])]
            write_file(out, lambda target: _write_zip(target, folder, names))
    except InputError as error:
        if ".part" not in str(error.where):
            raise
        # Of a file of the scratch folder, which is gone by now: the archive is what is meant.
        raise InputError(error.what, where=str(out), advice=error.advice) from error
    except OSError as error:
        raise InputError(
            f"The archive cannot be written: {error.strerror or error}.",
            where=str(out),
            advice="Free some space or choose another folder; nothing was left half-written.",
        ) from error
    return Packed(out, out.stat().st_size, tuple(packed), tuple(reports))


def _packed_take(
    row: ManifestRow, folder: Path, privacy: PrivacyOptions | None
) -> tuple[ManifestRow, PrivacyReport]:
    """Put a take and its car file into the folder under the names of their hashes."""
    suffix = row.file.suffix.lower()
    fresh = folder / "takes" / f"fresh{suffix}"
    if privacy is not None and row.sensor == "microphone":
        fresh = fresh.with_suffix(".flac")
        report = private_copy(row, fresh, privacy)
    else:
        shutil.copyfile(row.file, fresh)
        why = "a table of accelerations holds no voices" if privacy else "packed as it is"
        report = PrivacyReport(False, why, 0.0, None, row.duration_s or 0.0, 0.0, 0.0, 0, 0)
    digest = file_hash(fresh)
    take = fresh.rename(folder / "takes" / f"{digest[:16]}{fresh.suffix}")
    car_text = row.car_file.read_bytes()
    car_file = folder / "cars" / f"{file_hash(row.car_file)[:16]}.toml"
    car_file.write_bytes(car_text)
    other = dict(row.other)
    if digest != row.sha256:
        other.setdefault(ORIGINAL, row.sha256)
        other[ORIGINAL] = other[ORIGINAL] or row.sha256
    return replace(row, file=take, car_file=car_file, sha256=digest, other=other), report


def _contents(
    folder: Path,
    privacy: PrivacyOptions | None,
    rows: Sequence[ManifestRow],
    reports: Sequence[PrivacyReport],
) -> dict[str, Any]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    plain: Mapping[str, Any] | None = None
    if privacy is not None:
        plain = {"high_pass_hz": privacy.high_pass_hz, "mask_speech": privacy.mask_speech}
    return {
        "schema": SCHEMA,
        "made_by": f"vibecheck {__version__}",
        "origins": sorted({row.origin for row in rows}),
        "privacy": plain,
        "takes": [
            {"sha256": row.sha256, **report.plain()}
            for row, report in zip(rows, reports, strict=True)
        ],
        "files": [
            {
                "name": path.relative_to(folder).as_posix(),
                "sha256": file_hash(path),
                "bytes": path.stat().st_size,
            }
            for path in files
        ],
    }


def _write_zip(target: Path, folder: Path, names: Sequence[str]) -> None:
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for name in names:
            info = zipfile.ZipInfo(name, EARLIEST)
            info.create_system = 3
            info.external_attr = 0o100644 << 16
            info.file_size = (folder / name).stat().st_size
            with (folder / name).open("rb") as source, archive.open(info, "w") as part:
                shutil.copyfileobj(source, part, 1 << 20)
