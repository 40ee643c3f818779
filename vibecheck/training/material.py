"""What a manifest must hold before a model is trained or judged on it; else it is refused."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

from vibecheck.dataset.checks import cars, has_one_class, verify_files
from vibecheck.dataset.manifest import ManifestRow, read_manifest
from vibecheck.errors import InputError
from vibecheck.training.fit import MIN_SENSOR_TAKES
from vibecheck.training.rows import MIN_SNUG_TAKES

MIN_CARS = 2


def open_manifest(
    manifest: str | os.PathLike[str], progress: Callable[[int, int], None] | None = None
) -> list[ManifestRow]:
    """Read a manifest and hold every take against its hash.

    Raises
    ------
    InputError
        See `vibecheck.dataset.manifest.read_manifest` and `verify_files`.
    """
    rows = read_manifest(manifest)
    verify_files(rows, progress)
    return rows


def refuse_one_class(rows: Sequence[ManifestRow], where: str) -> None:
    """Refuse takes of which all have something loose, or none has.

    Raises
    ------
    InputError
    """
    if has_one_class(rows):
        loose = any(row.loose_zones for row in rows)
        raise InputError(
            f"{'Something is' if loose else 'Nothing is'} loose in every take: there is nothing "
            "to tell apart.",
            where=where,
            advice="Add takes from right after a complete hand check that found everything snug."
            if loose
            else "Add takes of before a hand check that found something loose.",
        )


def refuse_too_little(rows: Sequence[ManifestRow], where: str) -> None:
    """Refuse a manifest from which nothing can be learned, before anything is measured.

    Raises
    ------
    InputError
        One class only, one car only, too few snug takes, or too few takes by one kind of sensor.
    """
    refuse_one_class(rows, where)
    names = cars(rows)
    if len(names) < MIN_CARS:
        raise InputError(
            f'All takes are of one car ("{names[0]}"): a model is judged on cars that it never '
            "met, so it takes at least 2.",
            where=where,
            advice="Add takes of another car.",
        )
    snug = sum(row.is_snug for row in rows)
    if snug < MIN_SNUG_TAKES:
        raise InputError(
            f"Training needs at least {MIN_SNUG_TAKES} takes with nothing loose. "
            f"Got {snug} instead.",
            where=where,
            advice="Add takes from right after a complete hand check that found everything snug.",
        )
    counts = dict.fromkeys(("microphone", "accelerometer"), 0)
    for row in rows:
        counts[row.sensor] += 1
    if max(counts.values()) < MIN_SENSOR_TAKES:
        raise InputError(
            f"Training needs at least {MIN_SENSOR_TAKES} takes by one kind of sensor. Got "
            + " and ".join(f"{n} by {sensor}" for sensor, n in counts.items())
            + ".",
            where=where,
            advice="Add takes; 20 and more checks each of several cars make a useful model.",
        )


def origin_of(rows: Sequence[ManifestRow]) -> str:
    """Return ``"simulated"``, ``"own"``, or ``"pooled"`` where takes are of both origins."""
    origins = {row.origin for row in rows}
    return origins.pop() if len(origins) == 1 else "pooled"
