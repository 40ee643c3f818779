"""Recording at the bench: sensor boards on a serial line or USB (pyserial), and their lines in
a file."""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import shutil
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any

from vibecheck.capture.decode import BEGAN_ANEW, LineDecoder, LineOptions, Row
from vibecheck.capture.growing import open_new, put
from vibecheck.capture.note import CaptureNote, Sensor
from vibecheck.capture.sound_writer import Bits
from vibecheck.capture.source import Block
from vibecheck.errors import CallError, InputError, MissingExtraError
from vibecheck.whole_file import whole_file

BAUD = 115_200
BOOT_S, SETTLE_S, STALLED_S = 8.0, 1.5, 3.0
"""A board may take seconds to start when its port is opened; it is listened to for so long then."""
WAITING = 4096
FILE_PIECE = 65_536


def serial_ports() -> tuple[tuple[str, str], ...]:
    """List the serial ports as pairs of name and description.

    Raises
    ------
    MissingExtraError
        If pyserial is not installed.
    """
    _load_serial()
    from serial.tools import list_ports

    return tuple(
        (str(port.device), "" if port.description in (None, "n/a") else str(port.description))
        for port in sorted(list_ports.comports(), key=lambda port: str(port.device))
    )


class _Lines:
    """What boards and files of lines have in common; see `vibecheck.capture.source.Source`."""

    sensor: Sensor = "accelerometer"

    def __init__(self, label: str, options: LineOptions, *, from_the_middle: bool) -> None:
        self.label = label
        self.decoder = LineDecoder(options, from_the_middle=from_the_middle)
        self._gaps = 0

    @property
    def sample_rate_hz(self) -> float:
        """Lines a second."""
        return self.decoder.sample_rate_hz

    @property
    def n_channels(self) -> int:
        """Number of axes."""
        return len(self.decoder.axes)

    @property
    def gaps(self) -> int:
        """Places at which lines were lost since `begin`."""
        return self._gaps + self.decoder.lost[0]

    @property
    def dropped_frames(self) -> int:
        """Lines that were lost since `begin`, by the board's own time."""
        return self.decoder.lost[1]

    def grow(self, path: Path) -> GrowingTable:
        """Begin the table that grows while it records."""
        return GrowingTable(path, self.decoder.axes, self.sample_rate_hz)

    def finish(self, grown: Path, out_path: Path, note: CaptureNote, bits: Bits) -> None:
        """Make the finished table of the grown one, whole or not at all."""
        write_table(grown, out_path, note)


class Board(_Lines):
    """A board on a serial port, read on a thread of its own.

    Parameters
    ----------
    port : str
        Such as ``/dev/ttyACM0`` or ``COM3``.
    baud : int
        Bits a second; boards that are USB themselves do not care.
    options : LineOptions
    open_port : callable, optional
        Opens the port; pyserial where absent.
    """

    def __init__(
        self,
        port: str,
        *,
        baud: int = BAUD,
        options: LineOptions | None = None,
        open_port: Callable[[str, int], Any] | None = None,
    ) -> None:
        super().__init__(port, options or LineOptions(), from_the_middle=True)
        self._name, self._baud = port, baud
        self._open = open_port or _open_port
        self._port: Any = None
        self._waiting: queue.Queue[bytes] = queue.Queue(maxsize=WAITING)
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._gone = threading.Event()
        self._last = 0.0

    @property
    def ended(self) -> str | None:
        """Why nothing more will come; ``None`` while it runs."""
        if self.decoder.restarted:
            return BEGAN_ANEW
        if self._port is None or self._stopping.is_set() or not self._waiting.empty():
            return None
        if self._gone.is_set():
            return "The board is gone. Was it unplugged?"
        if time.monotonic() - self._last > STALLED_S:
            return "The board sends nothing any more."
        return None

    def start(self) -> None:
        """Open the port and listen until it is known what the lines mean, with the car at rest.

        Raises
        ------
        MissingExtraError
            If pyserial is not installed.
        InputError
            If the port cannot be opened, or nothing useful comes.
        """
        self._port = self._open(self._name, self._baud)
        self._last = time.monotonic()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()
        try:
            self._settle()
        except InputError:
            self.close()
            raise

    def _settle(self) -> None:
        rows: list[Row] = []
        opened = time.monotonic()
        first: float | None = None
        came = False
        while True:
            now = time.monotonic()
            if first is not None and now - first >= SETTLE_S:
                break
            if now - opened >= BOOT_S or (self._gone.is_set() and self._waiting.empty()):
                break
            try:
                data = self._waiting.get(timeout=0.05)
            except queue.Empty:
                continue
            came = True
            new = self.decoder.feed(data)
            if new and first is None:
                # What was waiting in the port before came at once, and tells nothing of time.
                first, new = time.monotonic(), new[-1:]
            rows += new
        if not came:
            raise InputError(
                f"{self._name} is open, but nothing comes from it.",
                advice="Does the board print by itself? Is it the right port? List them with: "
                "vibecheck record --list-devices",
            )
        self.decoder.settle(rows, None if first is None else time.monotonic() - first)

    def begin(self) -> None:
        """Forget what came in so far, and the losses."""
        with contextlib.suppress(queue.Empty):
            while True:
                self.decoder.feed(self._waiting.get_nowait())
        self.decoder.begin()
        self._gaps = 0

    def read(self, timeout_s: float) -> Block | None:
        """Return what came in, waiting for it at most so long; ``None`` for nothing."""
        try:
            parts = [self._waiting.get(timeout=timeout_s)]
        except queue.Empty:
            return None
        with contextlib.suppress(queue.Empty):
            while len(parts) < WAITING:
                parts.append(self._waiting.get_nowait())
        return self.decoder.decode(self.decoder.feed(b"".join(parts)))

    def stop(self) -> None:
        """Take nothing more in; what waits can still be read."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=2.0)

    def close(self) -> None:
        """Let go of the port."""
        self.stop()
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(OSError):
                port.close()

    def _listen(self) -> None:
        while not self._stopping.is_set():
            try:
                data = self._port.read(max(1, min(FILE_PIECE, self._port.in_waiting)))
            except (OSError, TypeError, ValueError):  # unplugged; pyserial's error is an OSError
                self._gone.set()
                return
            if not data:
                continue
            self._last = time.monotonic()
            try:
                self._waiting.put_nowait(data)
            except queue.Full:
                self._gaps += 1


class LineFile(_Lines):
    """The same lines from a file, or from another program through a pipe, to their end.

    Parameters
    ----------
    stream : binary file
    label : str
        Its name.
    options : LineOptions
    """

    def __init__(self, stream: IO[bytes], label: str, options: LineOptions | None = None) -> None:
        super().__init__(label, options or LineOptions(), from_the_middle=False)
        self._stream = stream
        self._rows: list[Row] = []
        self._at_end = False

    @property
    def ended(self) -> str | None:
        """``None`` until the board began anew; a file's end is told by `at_end`."""
        return BEGAN_ANEW if self.decoder.restarted else None

    @property
    def at_end(self) -> bool:
        """Whether all was read."""
        return self._at_end and not self._rows

    def start(self) -> None:
        """Read the first lines and find out what they mean.

        Raises
        ------
        InputError
            If nothing useful is in them.
        """
        while not self._at_end and len(self._rows) < 2_000:
            self._fill()
        self.decoder.settle(self._rows, None)

    def begin(self) -> None:
        """Nothing is lost by beginning: the file is read from its first line."""
        self.decoder.begin(from_the_first_line=True)

    def read(self, timeout_s: float) -> Block | None:
        """Return the next lines; ``None`` where there is nothing useful in them."""
        if not self._rows and not self._at_end:
            self._fill()
        rows, self._rows = self._rows, []
        return self.decoder.decode(rows)

    def stop(self) -> None:
        """Read no further."""
        self._at_end = True

    def close(self) -> None:
        """Let go of the file."""
        self._stream.close()

    def _fill(self) -> None:
        try:
            data = self._stream.read(FILE_PIECE)
        except OSError as error:
            raise InputError(
                f"The lines cannot be read ({error.strerror}).", where=self.label
            ) from None
        if data:
            self._rows += self.decoder.feed(data)
        else:
            self._rows += self.decoder.end()
            self._at_end = True


class GrowingTable:
    """A CSV table that is whole up to its last line at every moment.

    Parameters
    ----------
    path : Path
        Must not exist yet.
    axes : sequence of str
    sample_rate_hz : float
        For samples without a time of their own.
    """

    def __init__(self, path: Path, axes: Sequence[str], sample_rate_hz: float) -> None:
        self.path = path
        self.n_samples = 0
        self._rate_hz = sample_rate_hz
        self._stream = open_new(path)
        self._bytes = 0
        self._add("time_s," + ",".join(f"{axis} (m/s^2)" for axis in axes) + "\n")

    def write(self, block: Block) -> None:
        """Add the rows of a block.

        Raises
        ------
        InputError
            If the disk is full.
        """
        lines = []
        for index, row in enumerate(block.values):
            if block.time_s is not None:
                time_s = float(block.time_s[index])
            else:
                time_s = (self.n_samples + index) / self._rate_hz
            lines.append(f"{time_s:.6f}," + ",".join(f"{value:.6g}" for value in row) + "\n")
        self._add("".join(lines))
        self.n_samples += len(block.values)

    def close(self) -> None:
        """End the file."""
        self._stream.close()

    def _add(self, text: str) -> None:
        data = text.encode("ascii")
        put(self._stream, self._bytes, data, self.path)
        self._bytes += len(data)


def write_table(grown: Path, out_path: Path, note: CaptureNote) -> None:
    """Put a note, as two lines of remarks, before a table; whole or not at all.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    head = (
        f"# {note.title}, {note.started.isoformat(timespec='milliseconds')}\n# {note.to_json()}\n"
    )
    try:
        with (
            whole_file(out_path) as temporary,
            temporary.open("wb") as target,
            grown.open("rb") as body,
        ):
            target.write(head.encode("utf-8"))
            shutil.copyfileobj(body, target)
    except OSError as error:
        raise InputError(
            f"The recording could not be written ({error.strerror}).",
            where=str(out_path),
            advice="Free some space or choose another folder; nothing was left half-written.",
        ) from None


def _load_serial() -> Any:
    try:
        import serial
    except ImportError:
        raise MissingExtraError("Recording from a board", "record") from None
    return serial


def _open_port(name: str, baud: int) -> Any:
    serial = _load_serial()
    try:
        return serial.Serial(name, baud, timeout=0.05)
    except ValueError as error:
        raise CallError(f"The port cannot run at {baud} baud ({error}).", where="--baud") from None
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno else str(error)
        denied = error.errno in (errno.EACCES, errno.EPERM)
        raise InputError(
            f"The port cannot be opened ({reason}).",
            where=name,
            advice="Your user may not use serial ports. On Debian or Ubuntu: sudo adduser $USER "
            "dialout, then log in anew."
            if denied
            else "Is the board plugged in? Close other programs that use it. List the ports with: "
            "vibecheck record --list-devices",
        ) from None
