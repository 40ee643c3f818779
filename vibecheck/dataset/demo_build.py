"""Building the demo set: many bench checks on several cores, resumable, the same bytes each time.

Each finished bench check leaves a note under ``parts`` with its plan, the fingerprint of the code
that made it, and the hashes of its files: a note that still fits is not made again. The manifest
is written from the notes once all are there.
"""

from __future__ import annotations

import ast
import hashlib
import json
import multiprocessing
import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

from vibecheck.dataset.demo_plan import CarPlan
from vibecheck.dataset.files import write_text
from vibecheck.dataset.manifest import (
    KINDS,
    ManifestRow,
    manifest_cells,
    read_manifest,
    write_cells,
)
from vibecheck.dataset.simulated import (
    SimulatedCheck,
    row_of,
    simulate_check,
    take_name,
    truth_of,
    write_recording,
)
from vibecheck.simulator import draw_car, profile_toml
from vibecheck.whole_file import file_hash

Progress = Callable[[int, int], None]
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
FOLDERS = ("takes", "truth", "cars", "parts")
TRUTH_RATE_HZ = 20.0
_PACKAGE = Path(__file__).resolve().parent.parent


def build_set(
    out: Path, plans: Sequence[CarPlan], workers: int, progress: Progress | None = None
) -> list[ManifestRow]:
    """Make every bench check that is not there yet, then the manifest.

    Parameters
    ----------
    out : Path
        Folder; made where it is missing, resumed where it exists. One build at a time.
    plans : sequence of CarPlan
    workers : int
        Processes, at least 1.
    progress : callable, optional
        Called with the number of bench checks that are there and of all.

    Returns
    -------
    list of ManifestRow
        As read back from the manifest.

    Raises
    ------
    VibecheckError
        If a check cannot be simulated or a file not be written.
    """
    for name in FOLDERS:
        (out / name).mkdir(parents=True, exist_ok=True)
        for left in (out / name).glob("*.part*"):  # of a build that was killed
            left.unlink()
    for plan in plans:
        write_text(out / plan.car_file, profile_toml(plan.car))
    jobs = [(plan, check) for plan in plans for check in plan.checks]
    waiting = [(plan, check) for plan, check in jobs if not is_whole(out, plan, check)]
    done = len(jobs) - len(waiting)
    if progress is not None:
        progress(done, len(jobs))
    # One linear algebra thread per worker: faster here, and sums in one order.
    os.environ.update(dict.fromkeys(THREADS, "1"))
    if waiting:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, mp_context=context, initializer=_follow_parent) as pool:
            # One job first: it compiles, and the others find the machine code ready.
            for batch in (waiting[:1], waiting[1:]):
                futures = [
                    pool.submit(build_check, out, plan.car.seed, plan.car_file, check)
                    for plan, check in batch
                ]
                try:
                    for future in as_completed(futures):
                        future.result()
                        done += 1
                        if progress is not None:
                            progress(done, len(jobs))
                except BaseException:
                    pool.shutdown(wait=False, cancel_futures=True)
                    raise
    cells = [row for plan, check in jobs for row in _note(out, check)["rows"]]
    write_cells(out / "manifest.csv", cells)
    return read_manifest(out / "manifest.csv")


def build_check(out: Path, car_seed: int, car_file: str, check: SimulatedCheck) -> None:
    """Make one check's files, then its note: the note is the sign that all is there."""
    car = draw_car(car_seed)
    recordings = simulate_check(car, check)
    rows = []
    for recording in recordings:
        take = out / "takes" / take_name(check, recording)
        digest = write_recording(recording, take)
        row = row_of(car, check, recording, take, out / car_file, digest)
        rows.append(manifest_cells(row, out))
    truth = out / "truth" / f"{check.name}.truth.json"
    write_text(truth, json.dumps(truth_of(car, check, recordings, TRUTH_RATE_HZ)) + "\n")
    note = {
        "plan": plan_key(car_file, check),
        "truth": {"file": f"truth/{truth.name}", "sha256": file_hash(truth)},
        "rows": rows,
    }
    write_text(_note_path(out, check), json.dumps(note, indent=1) + "\n")


def is_whole(out: Path, plan: CarPlan, check: SimulatedCheck) -> bool:
    """Tell whether a check was made with this plan and its files have the noted content."""
    try:
        note = _note(out, check)
        files = [note["truth"], *note["rows"]]
        return note["plan"] == plan_key(plan.car_file, check) and all(
            file_hash(out / file["file"]) == file["sha256"] for file in files
        )
    except (OSError, ValueError, KeyError, TypeError):
        return False


def plan_key(car_file: str, check: SimulatedCheck) -> str:
    """Return what a finished check must agree with to be kept: its plan and the code."""
    text = json.dumps([simulator_fingerprint(), car_file, asdict(check)], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def simulator_fingerprint() -> str:
    """Return a hash of the code that takes depend on; comments and docstrings do not count."""
    digest = hashlib.sha256()
    files = [*sorted((_PACKAGE / "simulator").rglob("*.py")), _PACKAGE / "dataset" / "simulated.py"]
    for file in files:
        tree = ast.parse(file.read_bytes())
        for node in ast.walk(tree):
            body = getattr(node, "body", None)
            if isinstance(body, list):
                node.body = [part for part in body if not _is_text(part)]  # type: ignore[attr-defined]
        digest.update(f"{file.name}\n{ast.dump(tree)}\n".encode())
    return digest.hexdigest()


def _is_text(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )


def _note_path(out: Path, check: SimulatedCheck) -> Path:
    return out / "parts" / f"{check.name}.json"


def _note(out: Path, check: SimulatedCheck) -> dict[str, Any]:
    note: dict[str, Any] = json.loads(_note_path(out, check).read_text(encoding="utf-8"))
    return note


def _follow_parent() -> None:
    """End this worker when the build itself has been killed: nothing writes on behind its back."""
    parent = os.getppid()

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(0.5)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def stray_takes(out: Path, rows: Sequence[ManifestRow]) -> list[Path]:
    """Return files among the takes that no row names, such as those of another plan."""
    named = {row.file.name for row in rows}
    return sorted(path for path in (out / "takes").iterdir() if path.name not in named)


def counts_table(rows: Sequence[ManifestRow]) -> str:
    """Return what a set holds, as Markdown tables for its data card."""
    checks = {row.check: row for row in rows}
    by_kind = Counter(row.kind for row in checks.values())
    takes_by_kind = Counter(row.kind for row in rows)
    lines = [
        f"{len(rows)} simulated takes of {len({row.car for row in rows})} invented cars, "
        f"{len(checks)} bench checks, {_megabytes(rows):.1f} MB.",
        "",
        "| kind | bench checks | takes |",
        "|---|---|---|",
    ]
    lines += [f"| `{k}` | {by_kind[k]} | {takes_by_kind[k]} |" for k in KINDS if by_kind[k]]
    lines += ["", "| zone | loose, bench checks | of these preload only |", "|---|---|---|"]
    for zone in rows[0].state:
        loose = [row.state[zone] for row in checks.values() if row.is_loose(zone)]
        only = sum(state is not None and state[1] == 0.0 for state in loose)
        lines.append(f"| `{zone}` | {len(loose)} | {only} |")
    places = Counter((row.sensor, "centre" if row.spot == "centre" else "a zone") for row in rows)
    lines += ["", "| sensor | spot | takes |", "|---|---|---|"]
    lines += [f"| {sensor} | {spot} | {n} |" for (sensor, spot), n in sorted(places.items())]
    return "\n".join(lines) + "\n"


def _megabytes(rows: Sequence[ManifestRow]) -> float:
    return sum(row.file.stat().st_size for row in rows) / 1e6
