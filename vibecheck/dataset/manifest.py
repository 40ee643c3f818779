"""The manifest of a labelled data set (CSV, one row a take): reading it strictly, writing it.

`read_manifest` refuses what would spoil a training run, by file and line, before any sound is
read: a zone nobody knows, a state that cannot be, a take that is missing or named twice, a bench
check that contradicts itself. `verify_files` then compares every file with its hash.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from vibecheck.car.profile import Car
from vibecheck.car.zones import ZONE_NAMES
from vibecheck.dataset.checks import (
    cars,
    check_rows,
    has_one_class,
    verify_files,
    zones_with_both_classes,
)
from vibecheck.dataset.columns import (
    COLUMNS,
    HARD_NEGATIVES,
    KINDS,
    LOOSE_PRELOAD,
    MESH_SETTINGS,
    NEEDED,
    PRELOAD,
    TURNS,
    ordered_columns,
)
from vibecheck.dataset.files import write_text
from vibecheck.dataset.row import ManifestRow, row_from_cells
from vibecheck.errors import InputError, did_you_mean
from vibecheck.whole_file import file_hash

__all__ = [
    "COLUMNS",
    "HARD_NEGATIVES",
    "KINDS",
    "LOOSE_PRELOAD",
    "MESH_SETTINGS",
    "ManifestRow",
    "cars",
    "file_hash",
    "has_one_class",
    "manifest_cells",
    "read_manifest",
    "verify_files",
    "write_cells",
    "write_manifest",
    "zones_with_both_classes",
]

MAX_FILE_BYTES = 200_000_000


def read_manifest(path: str | os.PathLike[str], *, check_files: bool = True) -> list[ManifestRow]:
    """Read a manifest (CSV, one row a take) and refuse what contradicts itself.

    Parameters
    ----------
    path : path-like
    check_files : bool
        Whether takes and car files must be there; unknown zones are told by the car files.

    Returns
    -------
    list of ManifestRow
        Paths are joined to the manifest's folder.

    Raises
    ------
    InputError
        Naming the file and the line: it cannot be read, holds no take, lacks a column, names an
        unknown zone, kind, sensor or origin, a state is no number or out of range, a take or a
        car file is missing, a take is there twice, or a bench check contradicts itself.
    """
    manifest = Path(path)
    header, lines, zones = read_header(manifest)
    known_cars: dict[Path, Car | None] = {}
    rows = []
    for number, values in lines:
        cells = dict(zip(header, (value.strip() for value in values), strict=True))
        rows.append(row_from_cells(cells, zones, manifest, number, known_cars, check_files))
    cars_read = [car for car in known_cars.values() if car is not None]
    for problem in zone_name_problems(zones, cars_read, manifest):
        raise problem
    check_rows(rows, manifest)
    return rows


def read_header(manifest: Path) -> tuple[list[str], list[tuple[int, list[str]]], list[str]]:
    """Return the column names, (line number, cells) of every row, and the zones with states.

    Raises
    ------
    InputError
        If it is no such table.
    """
    header, lines = _table(manifest)
    return header, lines, _zones(header, manifest)


def write_manifest(path: str | os.PathLike[str], rows: Sequence[ManifestRow]) -> None:
    """Write a manifest whole or not at all; paths are written relative to its folder.

    Raises
    ------
    InputError
        If there is no row, the rows know different zones, or the file cannot be written.
    """
    folder = Path(path).parent
    write_cells(path, [manifest_cells(row, folder) for row in rows])


def manifest_cells(row: ManifestRow, folder: Path) -> dict[str, str]:
    """Return a row as the text of its cells, by column."""
    cells = {
        "file": _relative(row.file, folder),
        "sha256": row.sha256,
        "car": row.car,
        "car_file": _relative(row.car_file, folder),
        "bench_check": row.check,
        "kind": row.kind,
        "sensor": row.sensor,
        "spot": row.spot,
        "device": row.device,
        "sample_rate_hz": "" if row.sample_rate_hz is None else f"{row.sample_rate_hz:.12g}",
        "duration_s": "" if row.duration_s is None else f"{row.duration_s:.12g}",
        "origin": row.origin,
        "seed": "" if row.seed is None else str(row.seed),
        "licence": row.licence,
    }
    for zone, state in row.state.items():
        texts = ("", "") if state is None else (f"{state[0]:.12g}", f"{state[1]:.12g}")
        cells[zone + PRELOAD], cells[zone + TURNS] = texts
    return {**row.other, **cells}


def write_cells(path: str | os.PathLike[str], cells: Sequence[Mapping[str, str]]) -> None:
    """Write rows of cells (see `manifest_cells`) as a manifest.

    Raises
    ------
    InputError
        If there is no row, the rows know different zones, or the file cannot be written.
    """
    if not cells:
        raise InputError(
            "The manifest holds no take.", where=str(path), advice="Add takes before writing it."
        )
    zones = _zones_of(cells[0])
    if any(_zones_of(row) != zones for row in cells):
        raise InputError(
            "All takes of a manifest must name the same zones.",
            where=str(path),
            advice="Give every take the state of every zone.",
        )
    others = list(dict.fromkeys(name for row in cells for name in row))
    others = [name for name in others if not name.endswith((PRELOAD, TURNS))]
    columns = ordered_columns(sorted(zones), others)
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, fieldnames=columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(cells)
    write_text(Path(path), out.getvalue())


def _zones_of(cells: Mapping[str, str]) -> set[str]:
    return {name.removesuffix(TURNS) for name in cells if name.endswith(TURNS)}


def _relative(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path, folder)).as_posix()


def _table(manifest: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Return the header and (line number, cells) of every row that is not empty."""
    try:
        if manifest.stat().st_size > MAX_FILE_BYTES:
            raise InputError(
                "This is far too long for a manifest.",
                where=str(manifest),
                advice="Name the manifest.csv, not a recording.",
            )
        text = manifest.read_bytes().decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        lines = [(reader.line_num, cells) for cells in reader if any(c.strip() for c in cells)]
    except (OSError, ValueError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else "this is no CSV text in UTF-8"
        raise InputError(
            f"The manifest cannot be read: {reason}.",
            where=str(manifest),
            advice="Name a manifest.csv.",
        ) from error
    if len(lines) < 2:
        raise InputError(
            "The manifest holds no take.", where=str(manifest), advice="Add takes first."
        )
    header = [name.strip() for name in lines[0][1]]
    if len(header) == 1 and ";" in header[0]:
        raise InputError(
            "The manifest's cells are separated by semicolons.",
            where=str(manifest),
            advice="Save it as CSV with commas.",
        )
    for name in header:
        if header.count(name) > 1:
            raise InputError(
                f'The manifest has the column "{name}" twice.',
                where=str(manifest),
                advice="Leave one of them out.",
            )
    for number, cells in lines[1:]:
        if len(cells) != len(header):
            raise InputError(
                f"This line has {len(cells)} cells where the header has {len(header)}.",
                where=f"{manifest}, line {number}",
                advice="Correct the line.",
            )
    return header, lines[1:]


def _zones(header: Sequence[str], manifest: Path) -> list[str]:
    """Return the zones whose states are there; refuse a lacking column."""
    for name in NEEDED:
        if name not in header:
            raise InputError(
                f'The manifest lacks the column "{name}".{did_you_mean(name, header)}',
                where=str(manifest),
                advice=f"It needs: {', '.join(NEEDED)}, and ZONE_preload and ZONE_turns.",
            )
    zones = []
    for name in header:
        for own, other in ((TURNS, PRELOAD), (PRELOAD, TURNS)):
            if name.endswith(own) and name != own:
                zone = name.removesuffix(own)
                if zone + other not in header:
                    raise InputError(
                        f'The manifest lacks the column "{zone + other}".',
                        where=str(manifest),
                        advice=f'It has "{name}", and every zone needs both.',
                    )
                if zone not in zones:
                    zones.append(zone)
    if not zones:
        raise InputError(
            "The manifest holds no zone states.",
            where=str(manifest),
            advice="It needs columns such as motor_mount_preload and motor_mount_turns.",
        )
    return zones


def zone_name_problems(
    zones: Sequence[str], cars: Sequence[Car], manifest: Path
) -> Iterator[InputError]:
    """Yield a refusal for every zone with a column that no car has."""
    known = list(dict.fromkeys([*ZONE_NAMES, *(zone.name for car in cars for zone in car.zones)]))
    for zone in zones:
        if zone not in known:
            yield InputError(
                f'No car has a zone "{zone}" (column "{zone}{TURNS}").{did_you_mean(zone, known)}',
                where=f"{manifest}, line 1",
                advice=f"Known zones: {', '.join(known)}. A zone of a car's own stands in its car "
                "file.",
            )
