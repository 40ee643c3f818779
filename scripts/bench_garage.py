"""How much longer do commands take with 10 000 bench checks of 20 cars than with one?

Fills a garage with invented bench checks (two takes with features, a result of usual size and a
whole hand check each), then runs each command as a process of its own on that garage and on one
that holds a single bench check. Prints the fastest of a few rounds for both, the difference and
the ratio. The analysis of a check is left out: ``check`` stands for what it asks of the garage.

Usage: python scripts/bench_garage.py [--checks 10000] [--cars 20] [--rounds 5] [--folder DIR]
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from figures import figure

from vibecheck.car.read import parse_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.features.catalogue import CATALOGUE_VERSION, NAMES
from vibecheck.garage import Garage, schema
from vibecheck.garage.connection import engine_of, writing

RESULT_BYTES = 35_000
"""A packed result of two takes of twelve seconds."""
ONLY = "Car 1"
ASK = (
    "import sys; from pathlib import Path; from vibecheck.cli.keep import ask_garage; "
    "from vibecheck.car.read import parse_car; from vibecheck.garage import Garage; "
    "car = Garage.open(sys.argv[1]).find_car('Car 1').car; "
    "ask_garage(Path(sys.argv[1]), car, [], keep=False, with_baseline=True)"
)


def car_text(number: int) -> str:
    """Return a car file of a name of its own."""
    text = shipped_car_path("saltflat8").read_text(encoding="utf-8")
    return text.replace(parse_car(text).name, f"Car {number}")


def fill(folder: Path, n_checks: int, n_cars: int) -> None:
    """Write invented bench checks into a new garage, in one transaction."""
    draw = np.random.default_rng(1)
    with Garage.open(folder) as garage:
        cars = [garage.add_car_text(car_text(k + 1)) for k in range(n_cars)]
    engine = engine_of(folder / "garage.sqlite")
    start = datetime(2020, 1, 1, tzinfo=UTC)
    with writing(engine, folder / "garage.sqlite") as connection:
        connection.execute(
            schema.feature_names.insert().values(
                id=1, catalogue_version=CATALOGUE_VERSION, names=json.dumps(sorted(NAMES))
            )
        )
        for k in range(n_checks):
            car = cars[k % n_cars]
            sitting, date = f"{k:032x}", (start + timedelta(hours=k / 10)).isoformat()
            finds = draw.random() < 0.3
            connection.execute(
                schema.sittings.insert().values(
                    id=sitting, car_id=car.id, date=date, pinion_teeth=26, spur_teeth=46, cells=6,
                    runs=k // n_cars + 1.0, runs_since_last=1.0, is_open=0, hand_check_date=date,
                    hand_check_complete=1, verdict="nothing_stood_out",
                )
            )  # fmt: skip
            connection.execute(
                schema.results.insert().values(sitting_id=sitting, packed=draw.bytes(RESULT_BYTES))
            )
            for spot in ("centre", "motor_mount"):
                number = 2 * k + (spot != "centre") + 1
                connection.execute(
                    schema.takes.insert().values(
                        id=number, sitting_id=sitting, sha256=f"{number:064x}", file_name="a.wav",
                        stored="aa/a.wav", sensor="microphone", spot=spot, added=date, reading="{}",
                    )
                )  # fmt: skip
                connection.execute(
                    schema.take_features.insert().values(
                        take_id=number, names_id=1, numbers=draw.normal(size=len(NAMES)).tobytes()
                    )
                )
            connection.execute(
                schema.findings.insert(),
                [
                    {
                        "sitting_id": sitting, "zone": zone.name, "fastener": kind.name,
                        "outcome": "took_a_turn" if finds and draw.random() < 0.05 else "snug",
                        "count": kind.count, "logged": date,
                    }
                    for zone in car.car.zones
                    for kind in zone.fasteners
                ],
            )  # fmt: skip


def commands(folder: Path) -> dict[str, list[str]]:
    """Return the commands, by name."""
    program = [sys.executable, "-m", "vibecheck"]
    data = ["--data", str(folder)]
    car = ["--car", ONLY]
    return {
        "bench start": [*program, "bench", "start", *car, *data],
        "bench note": [*program, "bench", "note", "mine", *car, *data],
        "bench close": [*program, "bench", "close", *car, *data],
        "bench show": [*program, "bench", "show", *car, *data],
        "bench list": [*program, "bench", "list", *data],
        "bench list --car": [*program, "bench", "list", *car, *data],
        "car list": [*program, "car", "list", *data],
        "history": [*program, "history", *car, *data],
        "history --json": [*program, "history", *car, *data, "--json", "-"],
        "hand-check --list": [*program, "hand-check", "--list", *car, *data],
        "check (the garage's part)": [sys.executable, "-c", ASK, str(folder)],
    }


def seconds(command: list[str]) -> float:
    """Run a command; a failure is shown and counts as no time."""
    begun = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ)
    if done.returncode:
        print(
            f"  {' '.join(command[2:5])}: {done.stderr.strip().splitlines()[:1]}", file=sys.stderr
        )
        return float("nan")
    return time.perf_counter() - begun


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--checks", type=int, default=10_000)
    parser.add_argument("--cars", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=None)
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        place = words.folder or Path(temporary)
        few, many = place / "few", place / "many"
        if not few.exists():
            fill(few, 1, 1)
        if not many.exists():
            begun = time.perf_counter()
            fill(many, words.checks, words.cars)
            size = (many / "garage.sqlite").stat().st_size / 1e6
            print(f"filled in {time.perf_counter() - begun:.0f} s, {size:.0f} MB")
        best: dict[tuple[str, Path], float] = {}
        for _ in range(words.rounds):
            for folder in (few, many):
                for name, command in commands(folder).items():
                    took = seconds(command)
                    best[name, folder] = min(took, best.get((name, folder), took))
        print(f"{'command':<28}{'one check':>11}{words.checks:>9} checks{'more':>9}{'ratio':>8}")
        for name in commands(few):
            one, all_ = best[name, few], best[name, many]
            figure(
                f"{name}: a garage of {words.checks} bench checks",
                f"{all_:.2f} s",
                f"a garage of one: {one:.2f} s",
                f"{all_ / one:.2f} × its time",
            )
            print(f"{name:<28}{one:>9.2f} s{all_:>14.2f} s{all_ - one:>7.2f} s{all_ / one:>8.2f}")


if __name__ == "__main__":
    main()
