"""A tiny labelled set on disk: two real takes, and made-up features kept for all the others."""

from __future__ import annotations

import hashlib
from pathlib import Path

from fake_table import ZONES, fake_table
from made_up import TESTBED, write_take

from vibecheck.dataset.manifest import ManifestRow, read_manifest, write_manifest
from vibecheck.training.build import keep, kept_file
from vibecheck.training.table import FeatureTable


def tiny_set(folder: Path, n_cars: int = 4, n_checks: int = 11, first_car: int = 0) -> Path:
    """Write manifest, car files and takes; keep the features of all takes but two in ``cache``.

    Cars are called ``car 0``, ``car 1``, … from ``first_car`` on. The last take of the manifest is
    no recording. Returns the manifest.
    """
    (folder / "takes").mkdir(parents=True)
    table = fake_table(first_car + n_cars, n_checks)
    rows = []
    for k in range(table.n_takes):
        number = int(str(table.car[k]).removeprefix("car "))
        if number < first_car:
            continue
        car_file = folder / f"car-{number}.toml"
        car_file.write_text(TESTBED.replace("Testbed", str(table.car[k])), encoding="utf-8")
        file = folder / "takes" / f"{number}-{k}.wav"
        is_real = len(rows) == 0
        if is_real:
            digest = write_take(file, first_car)
        else:
            file.write_bytes(f"made up, cars from {first_car}, take {k}".encode())
            digest = hashlib.sha256(file.read_bytes()).hexdigest()
        row = row_of(table, k, file, digest, car_file)
        rows.append(row)
        if not is_real:
            kept = kept_file(row, folder / "cache")
            kept.parent.mkdir(parents=True, exist_ok=True)
            keep(kept, table.vector(k), limited=False)
    text = folder / "takes" / "text.wav"
    text.write_text(f"no recording {first_car}", encoding="utf-8")
    digest = hashlib.sha256(text.read_bytes()).hexdigest()
    rows.append(row_of(table, table.n_takes - 1, text, digest, rows[-1].car_file))
    write_manifest(folder / "manifest.csv", rows)
    assert len(read_manifest(folder / "manifest.csv")) == len(rows)
    return folder / "manifest.csv"


def row_of(table: FeatureTable, k: int, file: Path, digest: str, car_file: Path) -> ManifestRow:
    """One row of the manifest from one row of the table."""
    kind = "loose"
    if not table.loose[k].any():
        kind = "baseline" if table.is_baseline[k] else "speech"
    return ManifestRow(
        file=file,
        car_file=car_file,
        sha256=digest,
        car=str(table.car[k]),
        check=str(table.check[k]),
        kind=kind,
        sensor="microphone",
        spot=str(table.spot[k]),
        state={
            zone: (float(table.preload[k, z]), float(table.turns[k, z]))
            for z, zone in enumerate(ZONES)
        },
        origin="simulated",
        seed=0,
        licence="CC0-1.0",
    )
