"""``vibecheck hand-check`` in a real pseudo-terminal, key by key, as an owner at the bench."""

from __future__ import annotations

import contextlib
import os
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest
from made_up import GARAGE_CAR

from vibecheck.garage import Garage
from vibecheck.risk.log import FastenerFinding

pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")
fcntl = pytest.importorskip("fcntl", reason="this system has no pseudo-terminals")
termios = pytest.importorskip("termios", reason="this system has no pseudo-terminals")

# Ordered by risk: the motor mount has the looser locking, and the higher rate, of the two.
CAR_FILE = (
    GARAGE_CAR
    + """\
[[zones]]
name = "motor_mount"
severity = 3
[[zones.fasteners]]
name = "mount screw"
count = 4
into = "aluminium"
[[zones.fasteners]]
name = "motor screw"
count = 2
[[zones]]
name = "wheel_front_left"
severity = 1
[[zones.fasteners]]
name = "wheel nut"
thread = "M5x0.8"
locking = "nylon_insert"
"""
)
CLEARS = re.compile(r"\b(OK|pass(ed)?|safe|healthy|good to go)\b", re.IGNORECASE)
LONGEST_WAIT_S = 30.0


def _own_terminal() -> None:
    """Make standard input the controlling terminal, so that Ctrl-C reaches the program."""
    os.setsid()
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


class Terminal:
    """A program in a terminal of its own: wait for words, then hit keys."""

    def __init__(self, *words: str) -> None:
        self.seen = ""
        self._read_to = 0
        leader, follower = pty.openpty()
        self._leader = leader
        environment = dict(os.environ, TERM="xterm", COLUMNS="100", NO_COLOR="1", LINES="40")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "vibecheck", *words],
            stdin=follower,
            stdout=follower,
            stderr=follower,
            env=environment,
            preexec_fn=_own_terminal,
        )
        os.close(follower)

    def wait_for(self, words: str) -> str:
        """Return what is shown up to some words, from where the last wait ended."""
        while words not in self.seen[self._read_to :]:
            if not self._read():
                raise AssertionError(f'"{words}" never came. Seen:\n{self.seen}')
        end = self.seen.index(words, self._read_to) + len(words)
        shown, self._read_to = self.seen[self._read_to : end], end
        return shown

    def hit(self, key: str) -> None:
        """Hit a key once a key is waited for: what is hit before its question is not taken."""
        self._wait_for_mode(by_line=False)
        os.write(self._leader, key.encode())

    def type_line(self, text: str) -> None:
        """Type a line and Enter, once a line is waited for."""
        self._wait_for_mode(by_line=True)
        os.write(self._leader, text.encode() + b"\n")

    def _wait_for_mode(self, *, by_line: bool) -> None:
        ends = time.monotonic() + LONGEST_WAIT_S
        while bool(termios.tcgetattr(self._leader)[3] & termios.ICANON) != by_line:
            if time.monotonic() > ends or self.process.poll() is not None:
                raise AssertionError(f"Nothing is asked. Seen:\n{self.seen}")
            time.sleep(0.005)

    def end(self) -> int:
        """Read to the end and return the exit code."""
        while self._read():
            pass
        return self.process.wait(LONGEST_WAIT_S)

    def close(self) -> None:
        """End the program whatever it waits for."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._leader)

    def _read(self) -> bool:
        if not select.select([self._leader], [], [], LONGEST_WAIT_S)[0]:
            return False
        with contextlib.suppress(OSError):  # Linux answers so where the program has ended
            got = os.read(self._leader, 4096)
            self.seen += got.decode("utf-8", "replace").replace("\r", "")
            return bool(got)
        return False


@pytest.fixture
def car_file(tmp_path: Path) -> Path:
    """The car's file."""
    file = tmp_path / "saltflat8.toml"
    file.write_text(CAR_FILE, encoding="utf-8")
    return file


def findings(folder: Path) -> dict[str, list[FastenerFinding]]:
    """Return what the only bench check holds, by fastener."""
    kept: dict[str, list[FastenerFinding]] = {}
    with Garage.open(folder) as garage:
        (sitting,) = garage.sittings()
        for one in garage.findings(sitting.id):
            kept.setdefault(one.fastener, []).append(one)
    return kept


def test_stopped_resumed_and_finished(tmp_path: Path, car_file: Path) -> None:
    data = tmp_path / "garage"
    words = ("hand-check", "--car", str(car_file), "--data", str(data))

    first = Terminal(*words, "--runs", "3")
    try:
        zone = first.wait_for("stop here")
        assert "1 of 2  MOTOR MOUNT" in zone
        for told in ("4 × mount screw, M3x0.5 into aluminium", "2.5 mm hex", "N·m"):
            assert told in zone
        first.hit("f")
        first.wait_for("mount screw:")
        first.hit("l")
        first.wait_for("How many of the 4?")
        first.type_line("1")
        first.wait_for("in degrees?")
        first.type_line("45")
        first.wait_for("that is all")
        first.hit("t")
        first.wait_for("+ tightened")
        first.hit("l")
        first.wait_for("+ thread-locker")
        first.hit("\r")
        first.wait_for("The other 3:")
        first.hit("s")
        first.wait_for("motor screw:")
        # What was answered is on the disk while the next question still waits.
        assert [one.outcome for one in findings(data)["mount screw"]] == ["loose", "snug"]
        first.hit("\x03")
        assert first.end() == 0, first.seen
    finally:
        first.close()
    assert "is kept" in first.seen
    assert "Traceback" not in first.seen

    second = Terminal(*words)
    try:
        zone = second.wait_for("stop here")
        assert "Answered: motor mount: mount screw loose (45°)" in zone
        second.hit("s")  # fills in what has no answer; the loose screw stays
        zone = second.wait_for("stop here")
        assert "2 of 2  FRONT LEFT WHEEL" in zone
        assert "8 mm" in zone
        second.hit("s")  # a zone that is all snug is one key
        end = second.wait_for("Your own decision")
        assert "motor mount: mount screw loose (45°); tightened, thread-locker" in end
        assert "Due again after the first run" in end
        second.hit("n")
        second.wait_for("Your own words")
        second.type_line("waits for the locker to cure")
        assert second.end() == 0, second.seen
    finally:
        second.close()
    for seen in (first.seen, second.seen):
        assert not CLEARS.search(seen), CLEARS.search(seen)

    kept = findings(data)
    loose, snug = kept["mount screw"]
    assert (loose.outcome, loose.count, loose.turned_deg) == ("loose", 1, 45.0)
    assert loose.done == ("tightened", "threadlocker")
    assert (snug.outcome, snug.count) == ("snug", 3)
    assert [one.outcome for one in kept["motor screw"]] == ["snug"]
    assert [one.outcome for one in kept["wheel nut"]] == ["snug"]
    with Garage.open(data) as garage:
        (sitting,) = garage.sittings()
        (check,) = garage.car_log("Saltflat 8").hand_checks
    assert check.complete
    assert sitting.runs_since_last == 3.0
    assert (sitting.decision, sitting.note) == ("no_go", "waits for the locker to cure")


def test_end_of_input_keeps_what_was_answered(tmp_path: Path, car_file: Path) -> None:
    data = tmp_path / "garage"
    terminal = Terminal("hand-check", "--car", str(car_file), "--data", str(data))
    try:
        terminal.wait_for("stop here")
        terminal.hit("s")
        terminal.wait_for("FRONT LEFT WHEEL")
        terminal.wait_for("stop here")
        terminal.hit("\x04")
        assert terminal.end() == 0, terminal.seen
    finally:
        terminal.close()
    assert "1 of 2 zones" in terminal.seen
    assert set(findings(data)) == {"mount screw", "motor screw"}
