"""Build labelled demo recordings of invented cars from equations of motion. All simulated.

    python scripts/build_demo_dataset.py OUT --cars 44 --checks 26 --workers 2 --seed 1
    python scripts/build_demo_dataset.py datasets/demo --small --seed 32

Writes OUT/takes/*.flac and *.parquet, OUT/truth/*.json, OUT/cars/*.toml and OUT/manifest.csv (one
row a take). Resumable: a bench check that is there and whole is not made again. The same options
give the same bytes on the same machine and library versions. ``--small`` makes the sample that
lies in the repository: four cars, few and short takes, of another seed than the training set.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import sys
from pathlib import Path

from vibecheck.dataset.demo_build import build_set, counts_table, stray_takes
from vibecheck.dataset.demo_plan import (
    CarPlan,
    draw_cars,
    draw_small_cars,
    plan_set,
    plan_small_set,
)
from vibecheck.dataset.files import write_text
from vibecheck.errors import VibecheckError

SMALL_CHECKS = 6
SMALL_DURATION_S = 8.5
COUNTS_BEGIN = "<!-- counts: written by scripts/build_demo_dataset.py -->\n"
COUNTS_END = "<!-- end of counts -->\n"


def read_options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("out", type=Path, help="folder to write to; resumed where it exists")
    parser.add_argument("--cars", type=int, default=44)
    parser.add_argument("--checks", type=int, help="bench checks per car; 26, or 6 with --small")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--duration", type=float, help="length of every take; drawn by default, 8.5 s with --small"
    )
    parser.add_argument(
        "--small", action="store_true", help="the sample for the repository: four cars, few takes"
    )
    options = parser.parse_args()
    if options.checks is None:
        options.checks = SMALL_CHECKS if options.small else 26
    if options.duration is None and options.small:
        options.duration = SMALL_DURATION_S
    if options.cars < 1 or options.checks < 2 or options.workers < 1 or options.seed < 0:
        parser.error("--cars and --workers must be at least 1, --checks at least 2, --seed >= 0")
    if options.duration is not None and not 8.0 <= options.duration <= 60.0:
        parser.error("--duration must be from 8 to 60")
    return options


def plans_of(options: argparse.Namespace) -> list[CarPlan]:
    if options.small:
        return plan_small_set(draw_small_cars(options.seed), options.checks, options.seed)
    return plan_set(draw_cars(options.cars, options.seed), options.checks, options.seed)


def build(options: argparse.Namespace) -> None:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    out: Path = options.out
    plans = [plan.lasting(options.duration) for plan in plans_of(options)]
    with Progress(
        "[progress.description]{task.description}",
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
    ) as bar:
        task = bar.add_task("Bench checks", total=None)
        first: list[int] = []

        def progress(done: int, total: int) -> None:
            first.append(done)
            bar.update(task, completed=done, total=total)

        rows = build_set(out, plans, options.workers, progress)
    counts = counts_table(rows)
    if options.small:
        shutil.rmtree(out / "parts")  # notes for resuming; the sample does not keep them
        fill_card(out / "README.md", counts)
    print(counts)
    made = first[-1] - first[0]
    if made:
        usage = resource.getrusage(resource.RUSAGE_CHILDREN)
        seconds = usage.ru_utime + usage.ru_stime
        print(f"{seconds / made:.2f} CPU seconds a bench check ({made} made)", file=sys.stderr)
    stray = stray_takes(out, rows)
    if stray:
        print(f"{len(stray)} files in {out / 'takes'} are of no row, such as {stray[0].name}.",
              file=sys.stderr)  # fmt: skip


def fill_card(card: Path, counts: str) -> None:
    """Write the counts into the data card, between their marks."""
    if not card.is_file():
        return
    text = card.read_text(encoding="utf-8")
    before, begin, rest = text.partition(COUNTS_BEGIN)
    _, end, after = rest.partition(COUNTS_END)
    if begin and end:
        write_text(card, f"{before}{begin}\n{counts}\n{end}{after}")


def main() -> int:
    options = read_options()
    try:
        build(options)
    except VibecheckError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
