"""``vibecheck serve`` as a process of its own, on addresses of this machine only (127.0.0.x)."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

LAN = "127.0.0.5"
"""Stands in for the local network's address: reached from this machine alone."""
_AS_ON_A_NETWORK = f"""
import sys
from vibecheck.web.access import addresses
addresses.lan_addresses = lambda: ("{LAN}",)
addresses.machine_names = lambda _name: ("localhost", "bench", "bench.local")
from vibecheck.cli import main
sys.exit(main(sys.argv[1:]))
"""


@dataclass
class Serving:
    """A running server and what it wrote so far."""

    process: subprocess.Popen[str]
    out: list[str] = field(default_factory=list)
    err: list[str] = field(default_factory=list)

    @property
    def address(self) -> str:
        """The first address that it names."""
        line = self.wait_for(self.out, "Address")
        return line.split()[-1]

    @property
    def code(self) -> str:
        """The newest pairing code."""
        self.wait_for(self.out, "Pairing code")
        lines = [line for line in self.out if "Pairing code" in line]
        return lines[-1].split()[2]

    def wait_for(self, lines: list[str], words: str, *, count: int = 1) -> str:
        """Wait until a line holds some words, so many times; return the last such line."""
        for _ in range(1000):
            found = [line for line in lines if words in line]
            if len(found) >= count:
                return found[-1]
            if self.process.poll() is not None:
                break
            time.sleep(0.02)
        raise AssertionError(f"no {words!r} in {lines} (and {self.err})")

    def end(self, by: signal.Signals = signal.SIGTERM) -> int:
        """Send a signal; return the exit code."""
        self.process.send_signal(by)
        code = self.process.wait(30)
        time.sleep(0.05)  # the last lines are being read
        return code


@contextmanager
def serving(data: Path, *arguments: str, lan: bool = False) -> Iterator[Serving]:
    """Start ``vibecheck serve`` with a free port; end it if the test did not."""
    start = ["-c", _AS_ON_A_NETWORK] if lan else ["-m", "vibecheck"]
    words = ["serve", "--no-open", "--port", "0", "--data", str(data), *arguments]
    with subprocess.Popen(
        [sys.executable, *start, *words, *(["--lan"] if lan else [])],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "VIBECHECK_DEBUG": ""},
    ) as process:
        made = Serving(process)
        readers = [
            threading.Thread(target=_read, args=(stream, lines), daemon=True)
            for stream, lines in ((process.stdout, made.out), (process.stderr, made.err))
        ]
        for reader in readers:
            reader.start()
        try:
            yield made
        finally:
            if process.poll() is None:
                process.kill()
            process.wait(30)
            for reader in readers:
                reader.join(10)


def _read(stream: IO[str] | None, lines: list[str]) -> None:
    assert stream is not None
    for line in stream:
        lines.append(line.rstrip("\n"))
