"""A folder of simulated takes of one car: takes, their truth, a copy of the car file, manifest."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vibecheck.dataset.faults import Fault
from vibecheck.dataset.files import write_text
from vibecheck.dataset.manifest import ManifestRow, write_manifest
from vibecheck.dataset.simulated import (
    SimulatedCheck,
    draw_backlash,
    file_name,
    row_of,
    simulate_check,
    take_name,
    truth_name,
    truth_of,
    write_recording,
)
from vibecheck.errors import CallError, InputError
from vibecheck.simulator import WHEELS, Conditions, SimulatedCar
from vibecheck.simulator.simulate import Sensor

MANIFEST = "manifest.csv"
Progress = Callable[[str], None]


@dataclass(frozen=True)
class WrittenTake:
    """One take in its folder, and the file with its truth."""

    row: ManifestRow
    truth: Path


def file_slug(text: str) -> str:
    """Return a text fit for a file's name: letters, digits, underscores and single dashes."""
    kept = "".join(c if c.isascii() and (c.isalnum() or c == "_") else "-" for c in text.lower())
    return "-".join(part for part in kept.split("-") if part)[:40]


def plan_faults(
    car: SimulatedCar,
    faults: Sequence[Fault],
    spots: Sequence[tuple[Sensor, str]],
    seed: int,
    duration_s: float | None = None,
) -> list[SimulatedCheck]:
    """Lay out the bench checks of a fault list: same car, phone and room, other spin-ups.

    Parameters
    ----------
    car : SimulatedCar
    faults : sequence of Fault
    spots : sequence of (sensor, spot)
        All record the same spin-up.
    seed : int
        At least 0.
    duration_s : float, optional
        Length of the takes, at least 8 s; drawn where absent.
    """
    checks: list[SimulatedCheck] = []
    stem = file_slug(car.name) or "car"
    for fault in (entry for entry in faults for _ in range(entry.takes)):
        number = len(checks) + 1
        check_seed = seed * 10_000 + number
        backlash = 1.0
        if fault.mesh:
            backlash = draw_backlash(f"mesh_{fault.mesh}", np.random.default_rng([check_seed, 65]))
        front_left, front_right, rear_left, rear_right = (
            fault.unbalance.get(wheel, 1.0) for wheel in WHEELS
        )
        name = file_slug(fault.name)
        checks.append(
            SimulatedCheck(
                name=f"{stem}-{number:02d}" + (f"-{name}" if name else ""),
                kind=fault.kind,
                seed=check_seed,
                spots=tuple(spots),
                states=dict(fault.loose),
                conditions=Conditions(
                    wheel_unbalance=(front_left, front_right, rear_left, rear_right),
                    backlash=backlash,
                ),
                odd=fault.odd,
                phone_seed=car.seed,
                sensor_seed=car.seed,
                room_seed=car.seed,
                duration_s=duration_s,
            )
        )
    return checks


def refuse_overwriting(
    folder: Path, checks: Sequence[SimulatedCheck], others: Sequence[str], option: str
) -> None:
    """Refuse a folder in which files of the wanted names are there already.

    Raises
    ------
    CallError
        Naming the first of them.
    """
    names = [MANIFEST, *others]
    for check in checks:
        for sensor, spot in check.spots:
            take = file_name(check, sensor, spot)
            names += [take, truth_name(take)]
    for name in names:
        if (folder / name).exists():
            raise CallError(
                f"{option} must name a folder without simulated takes of these names. "
                "There is such a file already.",
                where=str(folder / name),
                advice="Choose another folder, or replace it with --force.",
            )


def write_simulated_set(
    folder: Path,
    car: SimulatedCar,
    car_file: str,
    car_text: str | None,
    checks: Sequence[SimulatedCheck],
    progress: Progress | None = None,
) -> list[WrittenTake]:
    """Simulate bench checks and write takes, truth, car file and, last, the manifest.

    New files are taken away again where the work is stopped or fails.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    car : SimulatedCar
    car_file : str
        Name of the car file's copy.
    car_text : str or None
        Its text; ``None`` where the file is there already.
    checks : sequence of SimulatedCheck
    progress : callable, optional
        Called with a sentence before each check.

    Raises
    ------
    CallError, InputError, MissingExtraError
        If a check cannot be simulated or a file not be written.
    """
    takes: list[WrittenTake] = []
    made: list[Path] = []

    def note(path: Path) -> Path:
        if not path.exists():
            made.append(path)
        return path

    absent = _make_folder(folder)
    try:
        for number, check in enumerate(checks, start=1):
            if progress is not None:
                progress(f"Simulating {check.name}" + _patience(number))
            recordings = simulate_check(car, check)
            if number == 1 and car_text is not None:
                write_text(note(folder / car_file), car_text)
            for recording in recordings:
                take = note(folder / take_name(check, recording))
                truth = note(folder / truth_name(take.name))
                digest = write_recording(recording, take)
                plain = truth_of(car, check, [recording])
                write_text(truth, json.dumps({"file": take.name, "sha256": digest, **plain}) + "\n")
                row = row_of(car, check, recording, take, folder / car_file, digest)
                takes.append(WrittenTake(row, truth))
        write_manifest(note(folder / MANIFEST), [take.row for take in takes])
    except BaseException:
        for path in made:
            path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):  # somebody else has put something there
            for path in absent:
                path.rmdir()
        raise
    return takes


def _make_folder(folder: Path) -> list[Path]:
    """Make a folder before any work; return those that were missing, the innermost first."""
    absent = [path for path in (folder, *folder.parents) if not path.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"The folder could not be made: {error.strerror}.",
            where=str(folder),
            advice="Choose another folder.",
        ) from error
    return absent


def _patience(number: int) -> str:
    return " (the first run compiles the equations: a minute or two)" if number == 1 else ""
