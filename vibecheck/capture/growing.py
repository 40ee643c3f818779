"""Recording at the bench: files that are whole at every moment while they grow.

A recorder that is killed leaves a file that can be read as it is.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.capture.sound_writer import BLOCK_FRAMES
from vibecheck.capture.source import Block
from vibecheck.errors import InputError
from vibecheck.plain_text import library_name
from vibecheck.whole_file import cut_name

PART = ".recording"
"""Before the suffix of a file that is growing."""
_ROOM_BYTES = 32
"""Of the longest name that systems allow, 255 bytes, left for a number, `PART` and the suffix."""
_FLOAT, _MOST_BYTES = 3, 2**32 - 2**16


def growing_name(out_path: Path, suffix: str) -> Path:
    """Return a free name beside the wanted file: ``spin.recording.wav``."""
    stem = out_path.stem
    if len(os.fsencode(stem)) > 255 - _ROOM_BYTES:
        stem = cut_name(stem, 255 - _ROOM_BYTES)
    for number in range(1, 1000):
        counted = "" if number == 1 else f"-{number}"
        path = out_path.with_name(f"{stem}{counted}{PART}{suffix}")
        if not path.exists():
            return path
    raise InputError(
        "There are too many unfinished recordings.",
        where=str(out_path.parent),
        advice=f"Look through the files with {PART} in their names and remove them.",
    )


class GrowingWav:
    """A 32-bit floating point WAV file whose header is right after every block.

    Parameters
    ----------
    path : Path
        Must not exist yet.
    sample_rate_hz : float
    n_channels : int

    Raises
    ------
    InputError
        If it cannot be written.
    """

    def __init__(self, path: Path, sample_rate_hz: float, n_channels: int) -> None:
        self.path = path
        self.n_channels = n_channels
        self._rate_hz = round(sample_rate_hz)
        self._bytes = 0
        self._stream = open_new(path)
        self._put(0, self._header())

    @property
    def n_samples(self) -> int:
        """Samples written to each channel."""
        return self._bytes // (4 * self.n_channels)

    def write(self, block: Block) -> None:
        """Add a block of shape (n_samples, n_channels).

        Raises
        ------
        InputError
            If the disk is full, or the file cannot get longer (4 GiB).
        """
        data = np.ascontiguousarray(block.values, dtype="<f4").tobytes()
        if self._bytes + len(data) > _MOST_BYTES:
            raise InputError(
                "The recording cannot get longer than 4 GiB.",
                where=str(self.path),
                advice="What was recorded is in the file.",
            )
        head = len(self._header())
        self._put(head + self._bytes, data)
        self._bytes += len(data)
        self._put(0, self._header())

    def close(self) -> None:
        """End the file."""
        self._stream.close()

    def _put(self, position: int, data: bytes) -> None:
        put(self._stream, position, data, self.path)

    def _header(self) -> bytes:
        align = 4 * self.n_channels
        form = struct.pack(
            "<HHIIHHH", _FLOAT, self.n_channels, self._rate_hz, self._rate_hz * align, align, 32, 0
        )
        chunks = b"fmt " + struct.pack("<I", len(form)) + form
        chunks += b"fact" + struct.pack("<II", 4, self.n_samples)
        chunks += b"data" + struct.pack("<I", self._bytes)
        return b"RIFF" + struct.pack("<I", 4 + len(chunks) + self._bytes) + b"WAVE" + chunks


def wav_blocks(path: Path) -> Iterator[NDArray[np.float32]]:
    """Yield the samples of a sound file in blocks of shape (n_samples, n_channels)."""
    import soundfile

    with soundfile.SoundFile(library_name(path)) as sound:
        while len(block := sound.read(BLOCK_FRAMES, dtype="float32", always_2d=True)):
            yield block


def open_new(path: Path) -> IO[Any]:
    """Open a new file without a buffer of its own.

    Raises
    ------
    InputError
        If it cannot be made.
    """
    try:
        return path.open("xb", buffering=0)
    except OSError as error:
        raise InputError(
            f"The recording cannot be written ({error.strerror}).",
            where=str(path),
            advice="Choose another folder.",
        ) from None


def put(stream: IO[Any], position: int, data: bytes, path: Path) -> None:
    """Write bytes at a place, all of them.

    Raises
    ------
    InputError
        If the disk is full, for one. What was written before stays.
    """
    try:
        stream.seek(position)
        view = memoryview(data)
        while view:
            view = view[stream.write(view) :]
    except OSError as error:
        raise InputError(
            f"The recording cannot be written any further ({error.strerror}).",
            where=str(path),
            advice="Free some space. What was recorded so far is in the file.",
        ) from None
