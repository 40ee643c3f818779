"""A tiny labelled set on disk: two real takes, and made-up features kept for all the others."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import soundfile
from fake_table import ZONES, fake_table

from vibecheck.dataset.manifest import ManifestRow, read_manifest, write_manifest
from vibecheck.training.build import keep, kept_file
from vibecheck.training.table import FeatureTable

CAR = """name = "Testbed"
layout = "4wd"
[drivetrain]
motor_poles = 4
kv_rpm_per_v = 2000.0
cells = 3
pinion_teeth = 20
spur_teeth = 50
internal_ratio = 2.5
tyre_diameter_mm = 100.0
"""


def write_take(path: Path, seed: int) -> str:
    """A spin-up of tones and noise, 8 kHz, 6 s; returns its hash."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(48_000) / 8000.0
    hz = np.interp(time_s, [0.0, 1.0, 3.0, 4.5, 6.0], [0.0, 0.0, 150.0, 150.0, 40.0])
    turns = np.cumsum(hz) / 8000.0
    tone = sum(np.cos(2 * np.pi * order * turns) for order in (1.0, 2.0, 20.0)) * (hz > 0)
    sound = 0.05 * tone + (0.002 + 0.02 * hz / 150.0) * rng.standard_normal(time_s.size)
    soundfile.write(path, sound, 8000, subtype="PCM_16")
    return hashlib.sha256(path.read_bytes()).hexdigest()


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
        car_file.write_text(CAR.replace("Testbed", str(table.car[k])), encoding="utf-8")
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
