"""A small labelled set of made-up sounds on disk, for tests of sets and packs."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import soundfile

from vibecheck.dataset.manifest import ManifestRow, write_manifest

CAR = """name = "{name}"
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
SNUG = (1.0, 0.0)


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


def small_set(folder: Path, car: str = "Dune Runner 3", first: int = 0, n: int = 3) -> Path:
    """Write a set of one car: baseline, loose, part checked, each a check of one take."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "rec").mkdir()
    (folder / "car.toml").write_text(CAR.format(name=car), encoding="utf-8")
    kinds = ("baseline", "loose", "part_checked")
    rows = []
    for k in range(n):
        kind = kinds[k % 3]
        file = folder / "rec" / f"take {k}.wav"
        rows.append(
            ManifestRow(
                file=file,
                car_file=folder / "car.toml",
                sha256=write_take(file, first + k),
                car=car,
                check=f"{car} {k}",
                kind=kind,
                sensor="microphone",
                spot="centre",
                state={
                    "motor_mount": (0.0, 0.5) if kind == "loose" else SNUG,
                    "driveline": None if kind == "part_checked" else SNUG,
                },
                other={"found": "motor_mount: loose" if kind == "loose" else ""},
            )
        )
    write_manifest(folder / "manifest.csv", rows)
    return folder / "manifest.csv"
