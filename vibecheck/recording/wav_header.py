"""Recordings: what a RIFF/WAVE header says that libsndfile does not pass on.

How many samples the header promises (to notice a file that breaks off), and when the recording
began (Broadcast Wave ``bext`` chunk, EBU Tech 3285).
"""

from __future__ import annotations

import io
import re
import struct
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

_DATE_TIME = re.compile(
    r"\s*(\d{4})[-:/](\d{2})[-:/](\d{2})[T :_-]+(\d{2})[:.-](\d{2})[:.-](\d{2})"
    r"(?:[.,](\d{1,9}))?\s*(Z|[+-]\d{2}:?\d{2})?\s*$"
)

_CHUNK_NAME = re.compile(rb"[A-Za-z][A-Za-z0-9 ]{3}|$")
_UNKNOWN_SIZE = 0xFFFFFFFF


@dataclass(frozen=True)
class WavHeader:
    """Samples per channel that the header promises, and when the recording began."""

    n_declared: int | None
    start: datetime | None
    unfinished_at: int | None = None
    """Where the data begins in a file whose recorder was cut off: it says 0 bytes, yet bytes
    follow."""


def started_at(text: str) -> datetime | None:
    """Parse a date with a time of day; None for anything else (a year alone is no start time)."""
    match = _DATE_TIME.match(text)
    if match is None:
        return None
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    micros = (fraction or "0")[:6].ljust(6, "0")
    stamp = f"{year}-{month}-{day}T{hour}:{minute}:{second}.{micros}"
    stamp += "+00:00" if zone == "Z" else (zone or "")
    try:
        return datetime.fromisoformat(stamp)
    except ValueError:
        return None


def read_wav_header(path: Path) -> WavHeader | None:
    """Walk the chunks of a RIFF/WAVE file; None where it is not one."""
    size = path.stat().st_size
    with open(path, "rb") as stream:
        head = stream.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
            return None
        position, block_align = 12, 0
        start: datetime | None = None
        long_data_size: int | None = None
        while position + 8 <= size:
            stream.seek(position)
            name, length = struct.unpack("<4sI", stream.read(8))
            body = position + 8
            if name == b"fmt " and length >= 16 and body + 16 <= size:
                block_align = struct.unpack("<H", stream.read(16)[12:14])[0]
            elif name == b"ds64" and length >= 24 and body + 24 <= size:
                long_data_size = struct.unpack("<QQQ", stream.read(24))[1]
            elif name == b"bext" and length >= 338 and body + 338 <= size:
                stream.seek(body + 320)
                date, time = struct.unpack("10s8s", stream.read(18))
                start = started_at(f"{date.decode('latin-1')}T{time.decode('latin-1')}")
            elif name == b"data":
                if length == _UNKNOWN_SIZE and long_data_size is not None:
                    length = long_data_size
                if length == 0 and not _CHUNK_NAME.match(stream.read(4)) and body < size:
                    return WavHeader(None, start, unfinished_at=body)
                known = block_align and length not in (0, _UNKNOWN_SIZE)
                return WavHeader(length // block_align if known else None, start)
            position = body + length + length % 2
    return WavHeader(None, start)


class FinishedWav(io.FileIO):
    """A WAV file whose recorder was cut off, read as if its header had been finished."""

    def __init__(self, path: Path, data_at: int) -> None:
        super().__init__(path, "rb")
        size = min(path.stat().st_size, _UNKNOWN_SIZE)
        self._patches = {
            4: struct.pack("<I", size - 8),
            data_at - 4: struct.pack("<I", size - data_at),
        }

    def readinto(self, buffer: Any, /) -> int:
        """Read bytes, the two sizes in the header put right."""
        first = self.tell()
        view = memoryview(buffer).cast("B")
        n = super().readinto(view)
        for at, patch in self._patches.items():
            for index, byte in enumerate(patch, at - first):
                if 0 <= index < n:
                    view[index] = byte
        return n
