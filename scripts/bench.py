"""Run the benches and write one table of ratios: `docs/benchmarks.md`, and the README's short one.

Each row is measured against a reference of the same run. Left out by default: what takes an hour
(``bench_models.py`` needs the training set; its own table is in models/comparison.md).

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python scripts/bench.py [--only cost …] [--data DIR]
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from figures import ENVIRONMENT, Figure, machine, read_figures
from marks import put_between

ROOT = Path(__file__).resolve().parent.parent
SCRIPTS = ROOT / "scripts"
PAGE = ROOT / "docs" / "benchmarks.md"
README = ROOT / "README.md"
BENCHES: dict[str, list[str]] = {
    "cost": ["bench_cost.py"],
    "imports": ["bench_imports.py"],
    "speed": ["bench_speed.py", "--part", "a", "b", "d"],
    "orders": ["bench_orders.py"],
    "features": ["bench_features.py"],
    "quality": ["bench_quality.py", "--seeds", "2"],
    "memory": ["bench_memory.py"],
    "simulator": ["bench_simulator.py"],
    "garage": ["bench_garage.py"],
    "scaling": ["bench_scaling.py"],
    "serve": ["bench_serve_start.py"],
    "uploads": ["bench_web_uploads.py"],
    "live": ["bench_web_live.py"],
}
MARKS = "benchmarks"
HEAD = """\
# Benchmarks

Written by `scripts/bench.py`; every row is measured against a reference of the same run, on one
thread unless the row says otherwise. Machine: {machine}. {date}.

How well the model hears, against other ways of hearing the same takes:
[models/comparison.md](../models/comparison.md).
"""


def rows_of(figures: list[Figure]) -> list[str]:
    """Return a table in Markdown."""
    rows = ["| what | ours | reference | ratio | target |", "|---|---|---|---|---|"]
    for one in figures:
        target = one.limit
        if one.met is not None:
            target += ": met" if one.met else ": **missed**"
        rows.append(f"| {one.what} | {one.ours} | {one.reference} | {one.ratio} | {target} |")
    return rows


def run(name: str, data: Path | None) -> tuple[list[Figure], str]:
    """Run one bench; return its figures, and what went wrong."""
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "figures.jsonl"
        call = [sys.executable, str(SCRIPTS / BENCHES[name][0]), *BENCHES[name][1:]]
        environment = {**os.environ, ENVIRONMENT: str(kept)}
        if data is not None:
            environment["VIBECHECK_OUTSIDE_DATA"] = str(data)
        start = time.monotonic()
        done = subprocess.run(call, env=environment, capture_output=True, text=True)
        print(f"[{time.monotonic() - start:5.0f} s] {name}", file=sys.stderr, flush=True)
        print(done.stdout, flush=True)
        figures = read_figures(kept)
    # A bench may leave with 1 because it missed a target: the row says so.
    wrong = "" if figures else f"{name} gave no figure: {done.stderr.strip()[-500:]}"
    return figures, wrong


def main() -> int:
    """Run the benches and write the table; 1 where one gave no figure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="*", choices=list(BENCHES), default=list(BENCHES))
    parser.add_argument("--data", type=Path, help="folder of open recordings")
    parser.add_argument("--print", action="store_true", help="print the table and write nothing")
    wanted = parser.parse_args()
    text = [HEAD.format(machine=machine(), date=f"{datetime.now(UTC):%Y-%m-%d}")]
    failed, every = [], []
    for name in wanted.only:
        figures, wrong = run(name, wanted.data)
        failed += [wrong] if wrong else []
        every += figures
        text += [f"## `{BENCHES[name][0]}`", "", *rows_of(figures), ""]
    if wanted.print or wanted.only != list(BENCHES):
        print("\n".join(text))
    else:
        PAGE.write_text("\n".join(text), encoding="utf-8")
        short = [f"Machine: {machine()}.", "", *rows_of([one for one in every if one.limit])]
        put_between(README, MARKS, "\n".join(short))
    for one in failed:
        print(one, file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
