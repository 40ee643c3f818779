"""Uploads: read one file in a process of its own, with bounded memory and time.

Standard input: ``{"path", "sensor", "reading"}``. Standard output: ``{}`` where it can be read,
else ``{"what", "advice"}``.
"""

from __future__ import annotations

import contextlib
import json
import sys

MOST_MEMORY_BYTES = 3 * 2**30
"""Address space, most of which the libraries only reserve."""
MOST_CPU_S = 30


def bound_this_process() -> None:
    """Bound memory and processor time, where the system can."""
    try:
        import resource
    except ImportError:
        return
    limits = (
        (resource.RLIMIT_AS, MOST_MEMORY_BYTES),
        (resource.RLIMIT_CPU, MOST_CPU_S),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_FSIZE, 2**20),
    )
    for kind, most in limits:
        with contextlib.suppress(OSError, ValueError):
            hard = resource.getrlimit(kind)[1]
            bound = most if hard == resource.RLIM_INFINITY else min(most, hard)
            resource.setrlimit(kind, (bound, hard))


def main() -> None:
    """Read the file that standard input names."""
    from vibecheck.errors import VibecheckError
    from vibecheck.recording.read import read_take

    bound_this_process()
    asked = json.loads(sys.stdin.read())
    said: dict[str, str] = {}
    try:
        read_take(asked["path"], sensor=asked["sensor"], **asked["reading"])
    except VibecheckError as error:
        said = {"what": error.what, "advice": error.advice or ""}
    except MemoryError:
        said = {
            "what": "The file asks for more memory than a recording needs.",
            "advice": "Cut it to the spin-up.",
        }
    sys.stdout.write(json.dumps(said))


if __name__ == "__main__":
    main()
