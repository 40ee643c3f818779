"""How well the measuring of a data set spreads over two processes.

Measures the features of the demo set's takes by `vibecheck.training.build.build_table` with one
worker and with two, nothing kept between the runs. Efficiency is the time of one worker over
twice the time of two, both after a run that is not counted (it starts the processes).

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python scripts/bench_scaling.py [--takes 40]
"""

from __future__ import annotations

import argparse
import os
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from figures import figure

from vibecheck.dataset.manifest import read_manifest
from vibecheck.training.build import build_table

MANIFEST = Path(__file__).resolve().parent.parent / "datasets" / "demo" / "manifest.csv"
LIMIT = 0.85


def main() -> int:
    """Print the figures; 1 where the limit was missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=60)
    rows = read_manifest(MANIFEST)[: parser.parse_args().takes]
    took: dict[int, float] = {}
    for n_workers in (1, 2):
        build_table(rows[:4], n_jobs=n_workers)
        times = []
        for _ in range(3):
            start = time.perf_counter()
            build_table(rows, n_jobs=n_workers)
            times.append(time.perf_counter() - start)
        took[n_workers] = min(times)
        print(f"{len(rows)} takes, {n_workers} worker(s): {took[n_workers]:.2f} s")
    efficiency = took[1] / (2.0 * took[2])
    met = efficiency >= LIMIT
    print(f"efficiency {efficiency:.0%}; limit {LIMIT:.0%}: {'met' if met else 'MISSED'}")
    figure(
        f"features of a set of {len(rows)} takes, two processes",
        f"{took[2]:.2f} s",
        f"one process: {took[1]:.2f} s",
        f"{took[1] / took[2]:.2f} × faster, {efficiency:.0%} of two cores",
        f"≥ {LIMIT:.0%}",
        met,
    )
    return 0 if met else 1


if __name__ == "__main__":
    raise SystemExit(main())
