"""Change the code in small ways and count how often the tests notice: prints a Markdown table.

    pip install "mutmut>=3.8,<4"
    python scripts/mutation_check.py                          # every mutant of every part: hours
    python scripts/mutation_check.py --part risk              # one part
    python scripts/mutation_check.py --sample 300 --seed 7    # 300 mutants drawn from each part

A mutant is the code with one change: `<` for `<=`, 2 for 1, an argument left out. The tests kill it
if one of them fails or runs on without end. What is committed is copied into a temporary folder and
mutated there; this checkout is not touched. A part's mutants meet the tests that reach them among
the part's test files, the quick ones first. Of a sample, the share of all mutants is told with its
Clopper-Pearson 95 % interval. mutmut leaves decorated functions (properties) and values at module
level alone. docs/mutation.md holds the figures and says why the rest survives.

Needs git, the packages of the `dev` extra, and mutmut, which is on no list of this project's
dependencies. Runs on Linux and macOS (mutmut forks).
"""

from __future__ import annotations

import argparse
import importlib.util
import io
import json
import os
import random
import subprocess
import sys
import tarfile
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from scipy.stats import beta

ROOT = Path(__file__).resolve().parent.parent
KILLED = ("killed", "timeout")
OUTSIDE = "tests/outside/test_outside_checks.py"
SPEED = (
    "tests/test_speed.py",
    "tests/test_speed_search.py",
    "tests/test_speed_coast.py",
    "tests/test_speed_readings.py",
)
ORDERS = ("tests/test_orders.py", "tests/test_orders_edges.py", "tests/test_orders_pins.py")
# Comparisons by a library that compiles, and of generated pages, take longer than all the rest.
LEAVE_OUT = "not librosa and not up_to_date"


@dataclass(frozen=True)
class Part:
    """Files that are changed and test files that should notice."""

    files: tuple[str, ...]
    tests: tuple[str, ...]


PARTS = {
    "risk": Part(
        ("vibecheck/risk/*.py",),
        ("tests/risk", OUTSIDE),
    ),
    "speed": Part(("vibecheck/speed.py",), (*SPEED, OUTSIDE)),
    "orders": Part(("vibecheck/orders/*.py",), (*ORDERS, "tests/features", OUTSIDE)),
    "dsp": Part(
        ("vibecheck/dsp/*.py",),
        ("tests/dsp", *SPEED, *ORDERS, "tests/test_impulses.py", OUTSIDE),
    ),
}


def snapshot(folder: Path, part: Part) -> None:
    """Copy what is committed into `folder` and add mutmut's settings for one part."""
    packed = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, capture_output=True)
    if packed.returncode:
        raise SystemExit(
            f"This needs a git checkout; `git archive HEAD` said: {packed.stderr.decode().strip()}"
        )
    with tarfile.open(fileobj=io.BytesIO(packed.stdout)) as archive:
        archive.extractall(folder, filter="data")
    also = [p.name for p in folder.iterdir() if p.name not in ("vibecheck", "tests", ".git")]
    settings = {
        "source_paths": ["vibecheck/"],
        "only_mutate": list(part.files),
        "also_copy": sorted(also),
        "pytest_add_cli_args_test_selection": list(part.tests),
        "pytest_add_cli_args": ["-p", "no:cacheprovider", "-k", LEAVE_OUT],
        "timeout_multiplier": 6.0,
        "timeout_constant": 3.0,
    }
    lines = [f"{name} = {json.dumps(value)}" for name, value in settings.items()]
    lines += ["use_git_change_detection = false", "track_dependencies = false"]
    with (folder / "pyproject.toml").open("a", encoding="utf-8") as file:
        file.write("\n[tool.mutmut]\n" + "\n".join(lines) + "\n")


def mutmut(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run mutmut in `folder` with one thread per process."""
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run(
        [sys.executable, "-m", "mutmut", *words],
        cwd=folder,
        env={**os.environ, **threads},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def results(folder: Path) -> dict[str, str]:
    """Status of each mutant by its name."""
    lines = mutmut(folder, "results", "--all", "true").stdout.splitlines()
    return dict(line.strip().rsplit(": ", 1) for line in lines if "__mutmut_" in line)


def share_interval(killed: int, tried: int) -> tuple[float, float]:
    """Clopper-Pearson 95 % interval of a share."""
    low = beta.ppf(0.025, killed, tried - killed + 1) if killed else 0.0
    high = beta.ppf(0.975, killed + 1, tried - killed) if killed < tried else 1.0
    return float(low), float(high)


def row(name: str, statuses: list[str], of: int) -> str:
    """One line of the table; `of` is the number of mutants of the part."""
    count = Counter(statuses)
    killed, tried = sum(count[status] for status in KILLED), len(statuses)
    late = f" ({count['timeout']} by time)" if count["timeout"] else ""
    share = f"{100 * killed / tried:.1f} %"
    if tried < of:
        low, high = share_interval(killed, tried)
        share += f" ({100 * low:.1f} to {100 * high:.1f})"
    mutants = f"{tried}" if tried == of else f"{tried} of {of}"
    survived, none = count["survived"], count["no tests"]
    rest = tried - killed - survived - none
    unsure = f" ({rest} ended otherwise)" if rest else ""
    return f"| {name} | {mutants} | {killed}{late} | {survived}{unsure} | {none} | {share} |"


def check(name: str, folder: Path, workers: int, sample: int | None, seed: int) -> str:
    """Mutate one part in `folder`, or `sample` of its mutants; list survivors, return its line."""
    snapshot(folder, PARTS[name])
    chosen: list[str] = []
    if sample is not None:
        # A name that no mutant has: the mutants are made and the tests timed, none is tried.
        said = mutmut(folder, "run", "--max-children", str(workers), "none of them*").stdout
        known = sorted(results(folder))
        if not known:
            raise SystemExit(f"{name}: mutmut made no mutants. It said:\n{said[-3000:]}")
        chosen = sorted(random.Random(seed).sample(known, min(sample, len(known))))
    said = mutmut(folder, "run", "--max-children", str(workers), *chosen).stdout
    found = results(folder)
    taken = {one: found[one] for one in chosen or found}
    if not taken or set(taken.values()) <= {"not checked", "no tests"}:
        raise SystemExit(f"{name}: no mutant was tried. mutmut said:\n{said[-3000:]}")
    for one, status in taken.items():
        if status not in KILLED:
            print(f"{name}: {status}: {one}", file=sys.stderr, flush=True)
    return row(name, list(taken.values()), len(found))


def positive(text: str) -> int:
    """Whole number of at least 1."""
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"at least 1, not {text}")
    return number


def main() -> None:
    """Read the words, run the parts, print the table."""
    words = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    words.add_argument("--part", action="append", choices=sorted(PARTS), help="default: all")
    words.add_argument("--sample", type=positive, help="mutants drawn from each part; default: all")
    words.add_argument("--seed", type=int, default=1, help="of the draw; default 1")
    words.add_argument("--workers", type=positive, default=os.cpu_count() or 1, help="processes")
    words.add_argument(
        "--keep", type=Path, help="empty folder for the copies, to look at a mutant later"
    )
    given = words.parse_args()
    if importlib.util.find_spec("mutmut") is None:
        raise SystemExit('mutmut is not installed here: pip install "mutmut>=3.8,<4"')
    with tempfile.TemporaryDirectory(prefix="mutation-") as temporary:
        base = given.keep or Path(temporary)
        if base.exists() and any(base.iterdir()):
            raise SystemExit(f"{base} is not empty: name a new folder")
        if given.sample is not None:
            print(f"Sample of {given.sample} of each part, seed {given.seed}.\n")
        print("| part | mutants | killed | survived | no test | share killed, 95 % interval |")
        print("|---|---|---|---|---|---|", flush=True)
        for name in given.part or PARTS:
            folder = base / name
            folder.mkdir(parents=True)
            print(check(name, folder, given.workers, given.sample, given.seed), flush=True)
            if given.keep:
                print(
                    f"{name}: a mutant's change: cd {folder} && mutmut show NAME",
                    file=sys.stderr,
                )


if __name__ == "__main__":
    main()
