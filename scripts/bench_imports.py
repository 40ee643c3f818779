"""Where a cold `vibecheck check` spends its start: imports by package, and the very first run.

a. what `vibecheck check` imports, by package, beside the whole of it (`python -X importtime`: each
   module's own time, without what it imports in turn; this way of asking slows imports down)
b. the very first run, before there is any compiled bytecode of anything, against a usual one; an
   installer usually compiles beforehand, so this is the worst that a newcomer meets

Nothing here is compiled at run time, so that the first run has nothing else to wait for.

    python scripts/bench_imports.py [--repeats 5]
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from figures import figure

ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
DATA = Path(__file__).resolve().parent.parent / "vibecheck" / "data"
CALL = [
    *("-m", "vibecheck", "check", str(DATA / "demo" / "2-something-loose-centre.flac")),
    *("--car", str(DATA / "cars" / "saltflat8.toml")),
]
WHY = {
    "numpy": "arrays",
    "scipy": "transforms, filters, distributions",
    "typer": "the command line",
    "click": "the command line",
    "rich": "the terminal",
    "pydantic": "strict car files",
    "pydantic_core": "strict car files",
    "soundfile": "sound files",
    "vibecheck": "itself",
}
LEAST_SHARE = 0.02
LIMIT_FIRST_S = 15.0


def own_times(python: str) -> Counter[str]:
    """Seconds of imports by package, of one call."""
    call = [python, "-X", "importtime", *CALL]
    done = subprocess.run(call, check=True, capture_output=True, text=True, env=environment())
    times: Counter[str] = Counter()
    for line in done.stderr.splitlines():
        if line.startswith("import time:") and "self [us]" not in line:
            own, _, name = line.removeprefix("import time:").split("|")
            times[package_of(name.strip())] += int(own) / 1e6
    return times


def package_of(module: str) -> str:
    """Package of a module; everything that comes with Python is one."""
    top = module.partition(".")[0]
    known = top in sys.stdlib_module_names or top.startswith("_")
    return "Python's own library" if known and top != "_pydantic" else top


def environment(**more: str) -> dict[str, str]:
    """Environment of a call."""
    return {**os.environ, **ONE_THREAD, **more}


def wall_s(**more: str) -> float:
    """Wall seconds of one call."""
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, *CALL], check=True, capture_output=True, env=environment(**more)
    )
    return time.perf_counter() - start


def main() -> int:
    """Print the figures; 1 where the first run keeps a newcomer waiting."""
    options = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    options.add_argument("--repeats", type=int, default=5)
    repeats = options.parse_args().repeats
    wall_s()  # disk and bytecode are warm from here on
    runs = [own_times(sys.executable) for _ in range(repeats)]
    names = {name for run in runs for name in run}
    times = {name: statistics.median(run[name] for run in runs) for name in names}
    total = sum(times.values())
    print(f"a. imports of vibecheck check: {total:.3f} s")
    small = 0.0
    for name, seconds in sorted(times.items(), key=lambda item: -item[1]):
        if seconds < LEAST_SHARE * total:
            small += seconds
            continue
        why = WHY.get(name, "")
        said = f"imports of `vibecheck check`: {name}" + (f" ({why})" if why else "")
        print(f"   {name:24} {1e3 * seconds:6.0f} ms  {seconds / total:4.0%}  {why}")
        figure(
            said, f"{1e3 * seconds:.0f} ms", f"all imports: {total:.2f} s", f"{seconds / total:.0%}"
        )
    print(f"   {'all others':24} {1e3 * small:6.0f} ms  {small / total:4.0%}")

    usual = [wall_s() for _ in range(repeats)]
    first = []
    for _ in range(repeats):
        with tempfile.TemporaryDirectory() as empty:
            first.append(wall_s(PYTHONPYCACHEPREFIX=empty))
    ratio = statistics.median(first) / statistics.median(usual)
    met = max(first) <= LIMIT_FIRST_S
    print(
        f"\nb. very first run, nothing compiled: {statistics.median(first):.2f} s, usual run: "
        f"{statistics.median(usual):.2f} s ({ratio:.2f} times)"
    )
    figure(
        "`vibecheck check`, the very first run: no bytecode anywhere",
        f"{statistics.median(first):.2f} s (at most {max(first):.2f})",
        f"a usual run: {statistics.median(usual):.2f} s",
        f"{ratio:.2f} × its time",
        f"< {LIMIT_FIRST_S:.0f} s",
        met,
    )
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
