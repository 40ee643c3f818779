"""Sensor boards at a pseudo-terminal, and their lines from a file."""

from __future__ import annotations

import contextlib
import io
import os
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vibecheck.capture import board as module
from vibecheck.capture.board import Board, GrowingTable, LineFile, serial_ports
from vibecheck.capture.decode import LineDecoder, LineOptions
from vibecheck.capture.note import CaptureNote, note_from_json
from vibecheck.capture.source import Block
from vibecheck.errors import CallError, InputError, MissingExtraError
from vibecheck.recording.read import read_take
from vibecheck.units import STANDARD_GRAVITY_M_S2

pytest.importorskip("serial", reason="pyserial is not installed")

NOTE = CaptureNote(
    "Saltflat 8", "centre", "accelerometer", "/dev/board", datetime(2026, 5, 3, tzinfo=UTC)
)
RATE_HZ = 800.0


def lines(
    seconds: float, *, header: str = "t_us,x_g,y_g,z_g", from_s: float = 0.0, start_us: int = 0
) -> bytes:
    """What a board prints: a 40 Hz shake of 0.1 g on top of gravity."""
    n = np.arange(round(from_s * RATE_HZ), round((from_s + seconds) * RATE_HZ))
    shake = 0.1 * np.sin(2 * np.pi * 40.0 * n / RATE_HZ)
    rows = [
        f"{(start_us + round(k * 1e6 / RATE_HZ)) % 2**32},{s:.5f},{-s:.5f},{1 + s:.5f}"
        for k, s in zip(n.tolist(), shake.tolist(), strict=True)
    ]
    return ((header + "\n" if header else "") + "\n".join(rows) + "\n").encode()


class Pretend:
    """A board at the other end of a pseudo-terminal."""

    def __init__(self, first: bytes, *, seconds: float, start_us: int = 0) -> None:
        pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")
        self.leader, self.follower = pty.openpty()
        self.name = os.ttyname(self.follower)
        self._first, self._seconds, self._start_us = first, seconds, start_us
        self._thread = threading.Thread(target=self._print, daemon=True)
        self.stopped = threading.Event()

    def open(self, name: str, baud: int) -> Any:
        """Open the port as the program does; a board begins to print then."""
        port = module._open_port(name, baud)
        self._thread.start()
        return port

    def _print(self) -> None:
        begun = time.monotonic()
        os.write(self.leader, self._first)
        at_s = 0.0
        while at_s < self._seconds and not self.stopped.is_set():
            with contextlib.suppress(OSError):
                os.write(
                    self.leader,
                    lines(0.05, header="", from_s=at_s, start_us=self._start_us),
                )
            at_s += 0.05
            time.sleep(max(0.0, begun + at_s - time.monotonic()))

    def unplug(self) -> None:
        self.stopped.set()
        if self._thread.ident is not None:
            self._thread.join(timeout=5.0)
        if self.leader >= 0:
            os.close(self.leader)
            self.leader = -1


@pytest.fixture
def pretend() -> Iterator[Any]:
    made: list[Pretend] = []

    def make(first: bytes, **options: Any) -> Pretend:
        made.append(Pretend(first, **options))
        return made[-1]

    yield make
    for one in made:
        one.unplug()
        os.close(one.follower)


def recorded(source: Any, path: Path, seconds: float) -> int:
    grown = source.grow(path)
    while grown.n_samples < seconds * source.sample_rate_hz and source.ended is None:
        block = source.read(0.2)
        if block is not None:
            grown.write(block)
    grown.close()
    return int(grown.n_samples)


def test_a_board_is_recorded_into_a_table_that_needs_no_words(tmp_path: Path, pretend: Any) -> None:
    # It was printing before, boots, and its counter of microseconds wraps in the middle.
    board = pretend(
        b"17,0.2,0.3\r\nboot\nt_us,x_g,y_g,z_g\n", seconds=6.0, start_us=2**32 - 2_000_000
    )
    source = Board(board.name, open_port=board.open)
    source.start()
    assert source.sample_rate_hz == pytest.approx(RATE_HZ, rel=0.02)
    assert source.n_channels == 3
    source.begin()
    n = recorded(source, tmp_path / "a.recording.csv", 1.5)
    assert source.ended is None
    source.stop()
    source.finish(tmp_path / "a.recording.csv", tmp_path / "a.csv", NOTE, "float")
    source.close()

    assert (source.gaps, source.dropped_frames, source.decoder.garbage) == (0, 0, 0)
    take = read_take(tmp_path / "a.csv")
    assert (take.sensor, take.unit, take.channel_names) == (
        "accelerometer", "m/s^2", ("x", "y", "z"),
    )  # fmt: skip
    assert not take.findings
    assert take.n_samples == n
    assert take.sample_rate_hz == pytest.approx(RATE_HZ, rel=1e-3)
    assert take.samples[2].mean() == pytest.approx(STANDARD_GRAVITY_M_S2, rel=1e-3)
    assert np.ptp(take.samples[0]) == pytest.approx(0.2 * STANDARD_GRAVITY_M_S2, rel=0.01)
    remarks = (tmp_path / "a.csv").read_text().splitlines()[:3]
    assert remarks[0] == "# Saltflat 8, centre, 2026-05-03T00:00:00.000+00:00"
    assert note_from_json(remarks[1].removeprefix("# ")) == NOTE
    assert remarks[2] == "time_s,x (m/s^2),y (m/s^2),z (m/s^2)"


def test_a_board_that_is_unplugged_keeps_what_came(tmp_path: Path, pretend: Any) -> None:
    board = pretend(b"", seconds=3.2)
    source = Board(board.name, open_port=board.open)
    source.start()
    source.begin()
    board._thread.join(timeout=5.0)
    board.unplug()
    n = recorded(source, tmp_path / "a.recording.csv", 100.0)
    assert source.ended is not None
    assert "unplugged" in source.ended
    assert n > 100
    # The unit of time came from the clock on the wall, that of acceleration from gravity.
    take = read_take(tmp_path / "a.recording.csv")
    assert take.sample_rate_hz == pytest.approx(RATE_HZ, rel=1e-3)
    source.close()


def test_a_port_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        Board(str(tmp_path / "none")).start()


@pytest.mark.parametrize(
    ("first", "said"),
    [(b"", "nothing comes"), (b"a\nhello\xff\nhello\n", 'The last line: "hello"')],
)
def test_a_board_that_prints_no_numbers_is_said(
    monkeypatch: pytest.MonkeyPatch, pretend: Any, first: bytes, said: str
) -> None:
    monkeypatch.setattr(module, "BOOT_S", 0.4)
    board = pretend(first, seconds=0.0)
    with pytest.raises(InputError, match=said):
        Board(board.name, open_port=board.open).start()


def test_a_denied_port_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    def denied(*_: Any, **__: Any) -> Any:
        raise serial.SerialException(13, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "Serial", denied)
    with pytest.raises(InputError, match="dialout"):
        Board("/dev/ttyACM0").start()


def test_a_missing_package_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    assert isinstance(serial_ports(), tuple)
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(MissingExtraError, match="vibecheck\\[record\\]"):
        serial_ports()


def from_file(data: bytes, **options: Any) -> LineFile:
    source = LineFile(io.BytesIO(data), "log.txt", LineOptions(**options))
    source.start()
    return source


def all_of(source: LineFile) -> Block:
    blocks = []
    while not source.at_end and source.ended is None:
        block = source.read(0.0)
        if block is not None:
            blocks.append(block)
    times = [block.time_s for block in blocks if block.time_s is not None]
    return Block(
        np.concatenate([block.values for block in blocks]),
        np.concatenate(times) if times else None,
    )


def test_the_same_lines_from_a_file() -> None:
    source = from_file(lines(4.0) + b"3,1,", unit=None)
    block = all_of(source)
    assert len(block.values) == 4 * RATE_HZ
    assert block.time_s is not None
    np.testing.assert_allclose(block.time_s, np.arange(3200) / RATE_HZ, atol=1e-6)
    assert source.decoder.garbage == 1
    assert source.decoder.last_garbage == "3,1,"


def test_lost_lines_and_damaged_stamps_are_counted() -> None:
    rows = lines(4.0).splitlines(keepends=True)
    del rows[1000:1003]
    rows[2000] = b"9" + rows[2000]
    source = from_file(b"".join(rows))
    block = all_of(source)
    assert len(block.values) == 3200 - 3 - 1
    assert (source.gaps, source.dropped_frames) == (2, 4)
    assert source.decoder.garbage == 1


def test_a_board_that_begins_anew_ends_the_take() -> None:
    source = from_file(lines(3.0, header="") + lines(2.0, header=""))
    block = all_of(source)
    assert len(block.values) == 3 * RATE_HZ
    assert source.ended is not None
    assert "anew" in source.ended


def test_raw_counts_and_lines_without_time_need_the_owners_word(tmp_path: Path) -> None:
    counts = b"\n".join(b"%d %d %d" % (k % 7, -k % 5, 16_383 + k % 3) for k in range(2_000)) + b"\n"
    with pytest.raises(InputError, match="--counts-per-g"):
        from_file(counts, sample_rate_hz=500.0)
    with pytest.raises(InputError, match="--sample-rate"):
        from_file(counts, counts_per_g=16_384.0)
    source = from_file(counts, counts_per_g=16_384.0, sample_rate_hz=500.0)
    recorded(source, tmp_path / "a.csv", 4.0)
    take = read_take(tmp_path / "a.csv")
    assert take.sample_rate_hz == pytest.approx(500.0)
    assert take.samples[2] == pytest.approx(STANDARD_GRAVITY_M_S2, rel=1e-4)
    assert (source.gaps, source.dropped_frames) == (0, 0)


def test_the_unit_of_time_can_be_asked_for() -> None:
    data = b"\n".join(b"%d,0,0,1" % (5 * k) for k in range(400)) + b"\n"
    assert from_file(data, time_unit="ms").sample_rate_hz == pytest.approx(200.0)
    with pytest.raises(InputError, match="--time-unit"):
        from_file(data[:700])  # too short to tell
    with pytest.raises(InputError, match="does not run"):
        from_file(b"7,0,0,1\n" * 400, time_unit="ms")


@pytest.mark.parametrize(
    "options",
    [
        {"time_unit": "min"},
        {"unit": "lsb"},
        {"sample_rate_hz": -1.0},
        {"counts_per_g": float("nan")},
        {"unit": "g", "counts_per_g": 2.0},
    ],
)
def test_options_that_cannot_be_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(CallError):
        LineOptions(**options)


def test_a_few_lines_are_not_enough() -> None:
    with pytest.raises(InputError, match="Only 3 lines of numbers"):
        from_file(b"1,0,0,1\n2,0,0,1\n3,0,0,1\n")
    with pytest.raises(InputError, match="Nothing that came"):
        from_file(b"")
    assert LineDecoder(LineOptions(), from_the_middle=False).decode([(1.0,)]) is None


def test_a_growing_table_is_whole_after_every_block(tmp_path: Path) -> None:
    table = GrowingTable(tmp_path / "a.csv", ("x", "y"), 100.0)
    for part in range(4):
        table.write(Block(np.full((50, 2), float(part))))
    assert table.n_samples == 200
    rows = (tmp_path / "a.csv").read_text().splitlines()
    assert (rows[0], rows[1], rows[-1], len(rows)) == (
        "time_s,x (m/s^2),y (m/s^2)", "0.000000,0,0", "1.990000,3,3", 201,
    )  # fmt: skip
    table.close()
