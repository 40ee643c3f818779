"""A small labelled set of made-up sounds on disk, for tests of sets and packs."""

from __future__ import annotations

from pathlib import Path

from made_up import TESTBED, write_take

from vibecheck.dataset.manifest import ManifestRow, write_manifest

CAR = TESTBED.replace("Testbed", "{name}")
SNUG = (1.0, 0.0)


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
