"""From a manifest of labelled takes to the feature table; every take's features are kept."""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from vibecheck.car.read import read_car
from vibecheck.dataset.manifest import ManifestRow
from vibecheck.errors import InputError, MissingExtraError, VibecheckError
from vibecheck.features.catalogue import CATALOGUE_VERSION, NAMES
from vibecheck.features.vector import FeatureVector
from vibecheck.training.table import FeatureTable
from vibecheck.whole_file import whole_file

Progress = Callable[[int, int], None]

_PACKAGE = Path(__file__).resolve().parent.parent
_ABOUT_FEATURES = ("dsp", "features", "recording", "quality", "car")
_MODULES = ("arrays", "findings", "impulses", "orders", "quality", "speed", "track", "units")


@lru_cache(maxsize=1)
def code_fingerprint() -> str:
    """Hash of the code that features depend on: kept features are dropped when it changes."""
    digest = hashlib.sha256(CATALOGUE_VERSION.encode())
    parts: list[Path] = []
    for name in _ABOUT_FEATURES:
        parts += sorted((_PACKAGE / name).rglob("*.py"))
    parts += [_PACKAGE / f"{name}.py" for name in _MODULES]
    for part in parts:
        if part.is_file():
            digest.update(part.read_bytes())
    return digest.hexdigest()[:16]


def kept_file(row: ManifestRow, cache: str | os.PathLike[str]) -> Path:
    """Return where a take's features are kept: it hangs on the code, the take and its car file.

    Parameters
    ----------
    row : ManifestRow
    cache : path-like
        The folder given to `build_table`.
    """
    return _kept_in(row, Path(cache) / code_fingerprint())


def _kept_in(row: ManifestRow, folder: Path) -> Path:
    digest = hashlib.sha256(row.car_file.read_bytes())
    digest.update(f"{row.sha256}|{row.sensor}|{row.spot}".encode())
    return folder / f"{row.sha256[:16]}-{digest.hexdigest()[:16]}.npz"


def keep(kept: Path, found: FeatureVector | None, *, limited: bool) -> None:
    """Keep a take's features, whole or not at all; ``None`` for an unusable take."""
    content: dict[str, Any] = {"usable": np.array(found is not None), "limited": np.array(limited)}
    if found is not None:
        content |= {"values": found.values, "missing": found.missing}
    with whole_file(kept) as temporary:
        np.savez(temporary, **content)


def _read_kept(kept: Path) -> tuple[FeatureVector | None, bool] | None:
    """Return what was kept of a take; ``None`` where there is nothing, or it is damaged."""
    try:
        # Opened here: numpy leaves the file open where it finds no archive in it.
        with kept.open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
            if not archive["usable"]:
                return None, True
            vector = FeatureVector(NAMES, archive["values"], archive["missing"], CATALOGUE_VERSION)
            return vector, bool(archive["limited"])
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, VibecheckError):
        return None


def measure_take(row: ManifestRow, cache: Path | None) -> tuple[FeatureVector | None, bool]:
    """Return a take's features and whether the quality gate found limits.

    ``None`` where the take is unusable, exactly as in a check.
    """
    kept = None if cache is None else _kept_in(row, cache)
    known = None if kept is None else _read_kept(kept)
    if known is not None:
        return known
    from vibecheck.features.extract import extract_features
    from vibecheck.quality import assess_quality
    from vibecheck.recording.read import read_take
    from vibecheck.speed import track_speed

    car = read_car(row.car_file)
    take = read_take(row.file, sensor=row.sensor, spot=row.spot)  # type: ignore[arg-type]
    speed = track_speed(take, car)
    quality = assess_quality(take, speed, car)
    usable = quality.verdict != "unusable"
    limited = quality.verdict != "usable"
    found = extract_features(take, speed, car) if usable else None
    if kept is not None:
        with contextlib.suppress(OSError):  # a full disk: the take is measured anew another time
            keep(kept, found, limited=limited)
    return found, limited


def build_table(
    rows: Sequence[ManifestRow],
    *,
    cache: str | os.PathLike[str] | None = None,
    n_jobs: int = 2,
    progress: Progress | None = None,
) -> tuple[FeatureTable, list[str]]:
    """Measure all takes.

    Parameters
    ----------
    rows : sequence of ManifestRow
    cache : path-like, optional
        Folder in which every take's features are kept, by the take's hash and the code's.
    n_jobs : int
    progress : callable, optional
        Called with the number of takes done and of all takes.

    Returns
    -------
    table : FeatureTable
        Usable takes only.
    left_out : list of str
        Takes that were unusable or could not be read, with the reason.
    """
    try:
        from joblib import Parallel, delayed
    except ImportError as error:
        raise MissingExtraError("Training", "training") from error
    folder = None if cache is None else Path(cache) / code_fingerprint()
    if folder is not None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"The folder for the takes' features could not be made: {error.strerror}.",
                where=str(folder),
                advice="Choose another with --cache.",
            ) from error
    # A worker of a cluster has a working directory of its own.
    folder = None if folder is None else Path(os.path.abspath(folder))
    rows = [
        replace(
            row,
            file=Path(os.path.abspath(row.file)),
            car_file=Path(os.path.abspath(row.car_file)),
        )
        for row in rows
    ]
    results: list[tuple[FeatureVector | None, bool, str]] = []
    parallel = Parallel(n_jobs=n_jobs, return_as="generator")
    for result in parallel(delayed(_measure_or_say)(row, folder) for row in rows):
        results.append(result)
        if progress:
            progress(len(results), len(rows))
    left_out = [
        f"{row.file.name}: {why or 'unusable'}"
        for row, (found, _limited, why) in zip(rows, results, strict=True)
        if found is None
    ]
    used = [
        (row, found, limited)
        for row, (found, limited, _why) in zip(rows, results, strict=True)
        if found is not None
    ]
    if not used:
        raise InputError("No take of the manifest is usable.", advice="Record again.")
    zones = list(used[0][0].state)
    layouts = {file: read_car(file).layout or "" for file in {row.car_file for row, _, _ in used}}
    table = FeatureTable(
        values=np.stack([found.values for _, found, _ in used]),
        missing=np.stack([found.missing for _, found, _ in used]),
        car=np.array([row.car for row, _, _ in used]),
        check=np.array([row.check for row, _, _ in used]),
        layout=np.array([layouts[row.car_file] for row, _, _ in used]),
        file=np.array([row.file.name for row, _, _ in used]),
        sha256=np.array([row.sha256 for row, _, _ in used]),
        spot=np.array([row.spot for row, _, _ in used]),
        sensor=np.array([row.sensor for row, _, _ in used]),
        limited=np.array([limited for _, _, limited in used]),
        kind=np.array([row.kind for row, _, _ in used]),
        zones=np.array(zones),
        loose=np.array([[row.is_loose(zone) for zone in zones] for row, _, _ in used]),
        preload=np.array([[_sizes(row, zone)[0] for zone in zones] for row, _, _ in used]),
        turns=np.array([[_sizes(row, zone)[1] for zone in zones] for row, _, _ in used]),
        known=np.array([[row.is_known(zone) for zone in zones] for row, _, _ in used]),
    )
    return table, left_out


def _sizes(row: ManifestRow, zone: str) -> tuple[float, float]:
    """Preload and turns of a zone; NaN for what a hand check cannot tell."""
    state = row.state[zone]
    if state is None:
        return math.nan, math.nan
    if row.origin == "own" and row.is_loose(zone) and state[1] == 0.0:
        return math.nan, 0.0
    return state


def _measure_or_say(row: ManifestRow, cache: Path | None) -> tuple[FeatureVector | None, bool, str]:
    try:
        found, limited = measure_take(row, cache)
    except MissingExtraError:
        raise
    except VibecheckError as error:
        return None, True, str(error)
    return found, limited, ""


def data_hash(table: FeatureTable) -> str:
    """One hash over the hashes of all takes used."""
    return hashlib.sha256("\n".join(sorted(table.sha256.tolist())).encode()).hexdigest()
