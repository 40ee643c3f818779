"""From the start of the process ``vibecheck serve`` to its first page: wall time and CPU time.

Each round starts a process anew and asks for ``/`` until it answers 200. CPU time is that of the
process until then: about the wall time of a machine that does nothing else. The reference of the
same run is ``vibecheck --version``, the least that the program can do.

    python scripts/bench_serve_start.py [ROUNDS]
"""

from __future__ import annotations

import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request

import psutil
from figures import figure

PROGRAM = [sys.executable, "-m", "vibecheck"]


def free_port() -> int:
    """Return a port that nobody uses."""
    with socket.socket() as asking:
        asking.bind(("127.0.0.1", 0))
        return int(asking.getsockname()[1])


def first_page_s(data: str) -> tuple[float, float]:
    """Return seconds from the start of a process to its first page: wall, CPU."""
    port = free_port()
    begun = time.perf_counter()
    process = subprocess.Popen(
        [*PROGRAM, "serve", "--no-open", "--port", str(port), "--data", data],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        while True:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
                    answer.read()
                    wall_s = time.perf_counter() - begun
                    spent = psutil.Process(process.pid).cpu_times()
                    return wall_s, spent.user + spent.system
            except urllib.error.HTTPError:
                raise
            except OSError:
                if process.poll() is not None:
                    raise SystemExit("the server ended by itself") from None
                time.sleep(0.005)
    finally:
        process.terminate()
        process.wait(20)


def version_s() -> float:
    """Return seconds of the least that the program can do."""
    begun = time.perf_counter()
    subprocess.run([*PROGRAM, "--version"], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def main() -> None:
    """Print the figures."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    least = statistics.median(version_s() for _ in range(5))
    with tempfile.TemporaryDirectory() as data:
        for what, count in (("new garage", 1), ("known garage", rounds)):
            wall, cpu = zip(*[first_page_s(data) for _ in range(count)], strict=True)
            figure(
                f"serve, start to first page, {what}",
                f"median {statistics.median(wall):.2f} s, worst {max(wall):.2f} s",
                f"vibecheck --version: {least:.2f} s",
                f"{statistics.median(wall) / least:.1f} × its time",
                "≤ 1.5 s",
                max(wall) <= 1.5,
            )
            print(
                f"{what}, {count} starts: wall median {statistics.median(wall):.2f} s, worst "
                f"{max(wall):.2f} s; CPU median {statistics.median(cpu):.2f} s, worst "
                f"{max(cpu):.2f} s"
            )
    print(f"reference, vibecheck --version: wall {least:.2f} s")


if __name__ == "__main__":
    main()
