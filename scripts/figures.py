"""Figures of the benches, for `bench.py`: each bench names its own as it prints them.

Where the environment names a file in ``VIBECHECK_FIGURES``, `figure` adds a line to it; without, it
does nothing, and a bench run by itself only prints.
"""

from __future__ import annotations

import json
import os
import platform
from dataclasses import asdict, dataclass
from pathlib import Path

ENVIRONMENT = "VIBECHECK_FIGURES"


@dataclass(frozen=True)
class Figure:
    """One measured figure.

    Attributes
    ----------
    what : str
    ours, reference : str
        With units; the reference says what it is.
    ratio : str
        One against the other, in words that say which way is better.
    limit : str
        The target; empty where there is none.
    met : bool or None
        Whether it was met; ``None`` without a target.
    """

    what: str
    ours: str
    reference: str
    ratio: str
    limit: str = ""
    met: bool | None = None


def figure(
    what: str, ours: str, reference: str, ratio: str, limit: str = "", met: bool | None = None
) -> None:
    """Report a figure to `bench.py`."""
    target = os.environ.get(ENVIRONMENT)
    if target:
        made = Figure(what, ours, reference, ratio, limit, None if met is None else bool(met))
        with open(target, "a", encoding="utf-8") as out:
            out.write(json.dumps(asdict(made)) + "\n")


def read_figures(path: Path) -> list[Figure]:
    """Read what the benches reported."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return [Figure(**json.loads(line)) for line in lines]


def machine() -> str:
    """Describe this machine in a line."""
    import numpy
    import scipy

    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = [
            line.partition(":")[2].strip()
            for line in info.read_text("utf-8", "replace").splitlines()
            if line.startswith("model name")
        ]
        model = names[0] if names else model
    return (
        f"{os.cpu_count()} × {model}, {platform.system()}, Python {platform.python_version()}, "
        f"numpy {numpy.__version__}, scipy {scipy.__version__}"
    )
