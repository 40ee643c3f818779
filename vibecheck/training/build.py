"""From a manifest of labelled takes to the feature table; every take's features are kept."""

from __future__ import annotations

import csv
import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vibecheck.car.read import read_car
from vibecheck.errors import InputError, MissingExtraError, VibecheckError
from vibecheck.features.catalogue import CATALOGUE_VERSION, NAMES
from vibecheck.features.vector import FeatureVector
from vibecheck.training.table import FeatureTable

Progress = Callable[[int, int], None]

LOOSE_PRELOAD = 0.6
"""A fastener that holds less than this share of its snug preload takes a turn in a hand check and
counts as loose, with or without play. Common practice, no source."""
_NEEDED = ("file", "sha256", "car", "car_file", "bench_check", "kind", "sensor", "spot")
_PACKAGE = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class ManifestRow:
    """One labelled take.

    Attributes
    ----------
    file, car_file : Path
    sha256, car, check, kind, sensor, spot : str
    state : dict of zone to (preload, turns)
    """

    file: Path
    car_file: Path
    sha256: str
    car: str
    check: str
    kind: str
    sensor: str
    spot: str
    state: Mapping[str, tuple[float, float]]

    def is_loose(self, zone: str) -> bool:
        """Tell whether a hand check would find something loose in a zone."""
        preload, turns = self.state[zone]
        return turns > 0.0 or preload < LOOSE_PRELOAD


def read_manifest(path: str | os.PathLike[str]) -> list[ManifestRow]:
    """Read a manifest (CSV, one row a take).

    Raises
    ------
    InputError
        If it cannot be read, lacks a column, or a state is no number.
    """
    manifest = Path(path)
    try:
        with manifest.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(
            "The manifest cannot be read.", where=str(path), advice="Name a manifest.csv."
        ) from error
    if not rows:
        raise InputError("The manifest holds no take.", where=str(path), advice="Add takes first.")
    lacking = [name for name in _NEEDED if name not in rows[0]]
    if lacking:
        raise InputError(
            f'The manifest lacks the column "{lacking[0]}".',
            where=str(path),
            advice=f"It needs: {', '.join(_NEEDED)}, and ZONE_preload and ZONE_turns.",
        )
    zones = [name.removesuffix("_turns") for name in rows[0] if name.endswith("_turns")]
    zones = [zone for zone in zones if f"{zone}_preload" in rows[0]]
    if not zones:
        raise InputError(
            "The manifest holds no zone states.",
            where=str(path),
            advice="It needs columns such as motor_mount_preload and motor_mount_turns.",
        )
    found = []
    for number, row in enumerate(rows, start=2):
        try:
            state = {
                zone: (float(row[f"{zone}_preload"]), float(row[f"{zone}_turns"])) for zone in zones
            }
        except (TypeError, ValueError) as error:
            raise InputError(
                "A zone's preload and turns must be numbers.",
                where=f"{path}, line {number}",
                advice="Correct the line.",
            ) from error
        found.append(
            ManifestRow(
                file=manifest.parent / row["file"],
                car_file=manifest.parent / row["car_file"],
                sha256=row["sha256"],
                car=row["car"],
                check=row["bench_check"],
                kind=row["kind"],
                sensor=row["sensor"],
                spot=row["spot"],
                state=state,
            )
        )
    return found


def code_fingerprint() -> str:
    """Hash of the code that features depend on: kept features are dropped when it changes."""
    digest = hashlib.sha256(CATALOGUE_VERSION.encode())
    parts: list[Path] = []
    for name in ("dsp", "features", "recording", "quality", "car"):
        parts += sorted((_PACKAGE / name).rglob("*.py"))
    parts += [_PACKAGE / "speed.py", _PACKAGE / "orders.py", _PACKAGE / "impulses.py"]
    for part in parts:
        if part.is_file():
            digest.update(part.read_bytes())
    return digest.hexdigest()[:16]


def measure_take(row: ManifestRow, cache: Path | None) -> tuple[FeatureVector | None, bool]:
    """Return a take's features and whether the quality gate found limits.

    ``None`` where the take is unusable, exactly as in a check.
    """
    kept = None if cache is None else cache / f"{row.sha256}.npz"
    if kept is not None and kept.is_file():
        with np.load(kept, allow_pickle=False) as archive:
            if not archive["usable"]:
                return None, True
            vector = FeatureVector(NAMES, archive["values"], archive["missing"], CATALOGUE_VERSION)
            return vector, bool(archive["limited"])
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
        content: dict[str, Any] = {"usable": np.array(usable), "limited": np.array(limited)}
        if found is not None:
            content |= {"values": found.values, "missing": found.missing}
        temporary = kept.with_name(f"{kept.stem}.{os.getpid()}.part.npz")
        np.savez(temporary, **content)
        os.replace(temporary, kept)
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
        folder.mkdir(parents=True, exist_ok=True)
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
        is_baseline=np.array([row.kind == "baseline" for row, _, _ in used]),
        is_hard=np.array([row.kind not in ("baseline", "loose") for row, _, _ in used]),
        zones=np.array(zones),
        loose=np.array([[row.is_loose(zone) for zone in zones] for row, _, _ in used]),
        preload=np.array([[row.state[zone][0] for zone in zones] for row, _, _ in used]),
        turns=np.array([[row.state[zone][1] for zone in zones] for row, _, _ in used]),
    )
    return table, left_out


def _measure_or_say(row: ManifestRow, cache: Path | None) -> tuple[FeatureVector | None, bool, str]:
    try:
        found, limited = measure_take(row, cache)
    except VibecheckError as error:
        return None, True, str(error)
    return found, limited, ""


def data_hash(table: FeatureTable) -> str:
    """One hash over the hashes of all takes used."""
    return hashlib.sha256("\n".join(sorted(table.sha256.tolist())).encode()).hexdigest()
