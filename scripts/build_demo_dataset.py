"""Build labelled demo recordings of invented cars from equations of motion. All simulated.

    python scripts/build_demo_dataset.py OUT --cars 28 --checks 20 --workers 2 --seed 1

Writes OUT/takes/*.flac and *.parquet, OUT/cars/*.toml and OUT/manifest.csv (one row a take).
Resumable: a bench check that is there and whole is not made again. The same options give the
same bytes on the same machine and library versions.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import math
import multiprocessing
import os
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from vibecheck.simulator import (
    WHEELS,
    ZONES,
    Conditions,
    FastenerState,
    SimulatedCar,
    SimulatedRecording,
    draw_accelerometer,
    draw_car,
    draw_phone,
    draw_script,
    draw_surroundings,
    profile_toml,
    simulate_spots,
)

LICENCE = "CC0-1.0"
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
SECOND_SPOTS = (*WHEELS, "motor_mount")


@dataclass(frozen=True)
class CheckPlan:
    """One bench check to be made."""

    car_index: int
    number: int
    kind: str  # baseline, loose, or a hard negative's name
    states: dict[str, FastenerState]
    conditions: Conditions
    disturbance: str
    seed: int


def slug(name: str) -> str:
    return name.lower().replace(" ", "-")


def draw_state(rng: np.random.Generator, zone: str) -> FastenerState:
    """Graded looseness: one in five lost preload only, the others have backed off."""
    share = 0.5 if zone == "motor_mount" and rng.random() < 0.3 else 1.0
    if rng.random() < 0.2:
        return FastenerState(preload=round(float(rng.uniform(0.03, 0.5)), 3), share=share)
    most = {"gear_mesh": 1.0, "motor_mount": 1.5}.get(zone, 2.0)
    turns = math.exp(rng.uniform(math.log(0.1), math.log(most)))
    return FastenerState(preload=0.0, turns=round(float(turns), 3), share=share)


def plan_car(car_index: int, car: SimulatedCar, checks: int) -> list[CheckPlan]:
    """Lay out a car's bench checks: a quarter snug, a tenth hard negatives, the rest loose."""
    rng = np.random.default_rng([car.seed, 61])
    n_baseline = max(2, round(0.25 * checks))
    n_negative = max(1, round(0.1 * checks)) if checks >= 5 else 0
    n_loose = max(0, checks - n_baseline - n_negative)
    zones: list[str] = []
    while len(zones) < n_loose:
        zones += [str(zone) for zone in rng.permutation(ZONES)]
    plans = []
    for number in range(checks):
        states: dict[str, FastenerState] = {}
        conditions = Conditions(
            backlash=float(rng.uniform(0.75, 1.35)), temperature=float(rng.normal(0.0, 0.03))
        )
        disturbance = ""
        if number < n_baseline:
            kind = "baseline"
        elif number < n_baseline + n_negative:
            which = int(rng.integers(4)) if number > n_baseline else 0
            kind = ("out_of_balance", "second_motor", "speech", "mesh_setting")[which]
            if kind == "out_of_balance":
                factor = [1.0] * 4
                driven = [i for i in range(4) if car.driven[i]]
                factor[int(rng.choice(driven))] = float(rng.uniform(2.0, 4.5))
                conditions = replace(conditions, wheel_unbalance=tuple(factor))
            elif kind == "mesh_setting":
                conditions = replace(conditions, backlash=float(rng.choice([0.15, 2.5, 3.5])))
            else:
                disturbance = kind
        else:
            kind = "loose"
            first = zones[number - n_baseline - n_negative]
            states[first] = draw_state(rng, first)
            if rng.random() < 0.15:
                second = str(rng.choice([zone for zone in ZONES if zone != first]))
                states[second] = draw_state(rng, second)
            if rng.random() < 0.08:
                factor = [1.0] * 4
                factor[int(rng.integers(4))] = float(rng.uniform(1.5, 3.0))
                conditions = replace(conditions, wheel_unbalance=tuple(factor))
        plans.append(
            CheckPlan(
                car_index=car_index,
                number=number,
                kind=kind,
                states=states,
                conditions=conditions,
                disturbance=disturbance,
                seed=car.seed * 1000 + number,
            )
        )
    return plans


def car_devices(car: SimulatedCar) -> tuple[str, bool]:
    """The car's second spot, and whether its owner also has an accelerometer."""
    rng = np.random.default_rng([car.seed, 62])
    return str(rng.choice(SECOND_SPOTS)), bool(rng.random() < 0.5)


def make_check(car: SimulatedCar, plan: CheckPlan) -> tuple[SimulatedRecording, ...]:
    """Simulate one bench check."""
    rng = np.random.default_rng([plan.seed, 63])
    second, has_accelerometer = car_devices(car)
    phone = draw_phone(car.seed if rng.random() < 0.9 else plan.seed)
    room = draw_surroundings(car.seed)
    surroundings = replace(room, noise_db=room.noise_db + float(rng.normal(0.0, 3.0)))
    if plan.disturbance == "second_motor":
        surroundings = replace(
            surroundings,
            second_motor_rpm=float(rng.uniform(3000.0, 16000.0)),
            second_motor_db=float(rng.uniform(45.0, 62.0)),
        )
    elif plan.disturbance == "speech":
        surroundings = replace(surroundings, speech_db=float(rng.uniform(50.0, 66.0)))
    spots: list[tuple[Any, str]] = [("microphone", "centre"), ("microphone", second)]
    if has_accelerometer:
        spots.append(("accelerometer", "centre"))
    return simulate_spots(
        car,
        plan.states,
        draw_script(plan.seed),
        spots,
        plan.seed,
        phone=phone,
        accelerometer=draw_accelerometer(car.seed),
        conditions=plan.conditions,
        surroundings=surroundings,
    )


def write_recording(recording: SimulatedRecording, path: Path) -> str:
    """Write one take (temporary name, then rename) and return its SHA-256."""
    import soundfile

    temporary = path.with_name(f"{path.stem}.part{path.suffix}")
    if recording.sensor == "microphone":
        soundfile.write(
            temporary,
            (recording.samples[0] * 32768.0).round().astype(np.int16),
            int(recording.sample_rate_hz),
            subtype="PCM_16",
            format="FLAC",
        )
    else:
        import pyarrow
        import pyarrow.parquet

        x, y, z = recording.samples.astype(np.float32)
        table = pyarrow.table({"time_s": recording.time_s, "x_m_s2": x, "y_m_s2": y, "z_m_s2": z})
        pyarrow.parquet.write_table(table, temporary, compression="zstd")
    digest = hashlib.sha256(temporary.read_bytes()).hexdigest()
    os.replace(temporary, path)
    return digest


def write_text(path: Path, text: str) -> None:
    temporary = path.with_name(path.name + ".part")
    temporary.write_text(text, encoding="utf-8")
    os.replace(temporary, path)


def row_of(
    car: SimulatedCar, plan: CheckPlan, recording: SimulatedRecording, file: str, sha256: str
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "file": file,
        "sha256": sha256,
        "car": car.name,
        "car_file": f"cars/{slug(car.name)}.toml",
        "bench_check": f"{slug(car.name)}-{plan.number:02d}",
        "kind": plan.kind,
        "sensor": recording.sensor,
        "spot": recording.spot,
        "device": recording.device,
        "sample_rate_hz": f"{recording.sample_rate_hz:g}",
        "duration_s": f"{recording.truth.phases[-1].end_s:.3f}",
    }
    for zone in ZONES:
        state = recording.truth.states[zone]
        row[f"{zone}_preload"] = f"{state.preload:g}"
        row[f"{zone}_turns"] = f"{state.turns:g}"
    row["motor_mount_share"] = f"{recording.truth.states['motor_mount'].share:g}"
    row["wheel_unbalance"] = " ".join(f"{x:.3g}" for x in plan.conditions.wheel_unbalance)
    row["backlash_factor"] = f"{plan.conditions.backlash:.3g}"
    row["phases"] = " ".join(
        f"{p.name}:{p.start_s:.2f}-{p.end_s:.2f}" for p in recording.truth.phases
    )
    row["top_motor_rpm"] = f"{recording.truth.motor_rpm.max():.0f}"
    row["origin"] = "simulated"
    row["seed"] = plan.seed
    row["licence"] = LICENCE
    return row


def build_check(out: Path, car_seed: int, plan: CheckPlan) -> Path:
    """Make one check's files, then its row file: the row file is the sign that all is there."""
    car = draw_car(car_seed)
    rows = []
    for recording in make_check(car, plan):
        suffix = "flac" if recording.sensor == "microphone" else "parquet"
        name = (
            f"takes/{slug(car.name)}-{plan.number:02d}-{recording.spot}-"
            f"{recording.sensor[:3]}.{suffix}"
        )
        rows.append(row_of(car, plan, recording, name, write_recording(recording, out / name)))
    target = rows_path(out, plan, car)
    write_text(target, json.dumps({"plan": plan_key(plan), "rows": rows}, indent=1))
    return target


def rows_path(out: Path, plan: CheckPlan, car: SimulatedCar) -> Path:
    return out / "parts" / f"{slug(car.name)}-{plan.number:02d}.json"


def plan_key(plan: CheckPlan) -> str:
    """What a finished check must agree with to be kept."""
    text = json.dumps(asdict(plan), sort_keys=True, default=asdict)
    return hashlib.sha256(text.encode()).hexdigest()


def is_whole(out: Path, plan: CheckPlan, car: SimulatedCar) -> bool:
    """Tell whether a check was made with this plan and its files have the noted content."""
    try:
        part = json.loads(rows_path(out, plan, car).read_text(encoding="utf-8"))
        return part["plan"] == plan_key(plan) and all(
            hashlib.sha256((out / row["file"]).read_bytes()).hexdigest() == row["sha256"]
            for row in part["rows"]
        )
    except (OSError, ValueError, KeyError):
        return False


def write_manifest(out: Path, parts: list[Path]) -> int:
    rows = [row for part in parts for row in json.loads(part.read_text(encoding="utf-8"))["rows"]]
    temporary = out / "manifest.csv.part"
    with temporary.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    os.replace(temporary, out / "manifest.csv")
    return len(rows)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("out", type=Path, help="folder to write to; resumed where it exists")
    parser.add_argument("--cars", type=int, default=28)
    parser.add_argument("--checks", type=int, default=20, help="bench checks per car")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.cars < 1 or options.checks < 2 or options.workers < 1 or options.seed < 0:
        parser.error("--cars and --workers must be at least 1, --checks at least 2, --seed >= 0")

    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    out: Path = options.out
    for folder in ("takes", "cars", "parts"):
        (out / folder).mkdir(parents=True, exist_ok=True)
    jobs: list[tuple[SimulatedCar, CheckPlan]] = []
    names: set[str] = set()
    seed = options.seed * 10_000
    cars = []
    while len(cars) < options.cars:
        car = draw_car(seed)
        seed += 1
        if car.name not in names:
            names.add(car.name)
            cars.append(car)
    for index, car in enumerate(cars):
        write_text(out / "cars" / f"{slug(car.name)}.toml", profile_toml(car))
        jobs += [(car, plan) for plan in plan_car(index, car, options.checks)]
    console = Console(stderr=True)
    waiting = [(car, plan) for car, plan in jobs if not is_whole(out, plan, car)]
    with Progress(
        "[progress.description]{task.description}",
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=console,
    ) as progress:
        task = progress.add_task(
            "Bench checks", total=len(jobs), completed=len(jobs) - len(waiting)
        )
        # One linear algebra thread per worker: faster here, and sums in one order.
        os.environ.update(dict.fromkeys(THREADS, "1"))
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(options.workers, mp_context=context) as pool:
            # One job first: it compiles, and the others find the machine code ready.
            for batch in (waiting[:1], waiting[1:]):
                futures = [pool.submit(build_check, out, car.seed, plan) for car, plan in batch]
                for future in as_completed(futures):
                    future.result()
                    progress.advance(task)
    n_rows = write_manifest(out, [rows_path(out, plan, car) for car, plan in jobs])
    print(f"{n_rows} simulated takes of {len(cars)} invented cars in {out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
