"""Recordings: sound through libsndfile (wav, flac, ogg, opus, mp3, aiff, caf)."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.plain_text import library_name
from vibecheck.recording.stream import BLOCK
from vibecheck.recording.wav_header import FinishedWav, read_wav_header, started_at

# Formats whose seek leaves nothing of the decoder's state behind. MP3 and Vorbis blocks lean on the
# blocks before them: those files are read from the start.
_EXACT_SEEK = frozenset(["WAV", "WAVEX", "RF64", "W64", "AIFF", "AU", "CAF", "FLAC"])
_LOSSLESS = ("PCM_", "FLOAT", "DOUBLE", "ALAC_")
_CODEC_NAMES = {"MPEG_LAYER_III": "mp3", "MPEG_LAYER_II": "mp2", "MPEG_LAYER_I": "mp1"}
_SALVAGE_BLOCK = 1024

_stderr_lock = threading.Lock()


class SoundFileSource:
    """One sound file, read in blocks of float32 through libsndfile.

    Attributes
    ----------
    sample_rate_hz : float
    n_channels : int
    n_declared : int or None
        Samples per channel that the header promises.
    codec : str
        ``"pcm"`` for lossless sound, else the codec's name.
    lossless_float : bool
        True where the samples are stored as floating point numbers.
    bit_rate_bps : float or None
    start : datetime or None
    unfinished : bool
        True where the recorder was cut off before it finished the header.
    damage : list of str
        What went wrong while reading, in the library's words.
    """

    streams = 1
    stopped = ""

    def __init__(self, path: Path, where: str) -> None:
        import soundfile

        self._path = path
        self._quiet = path.suffix.lower() == ".mp3" or _starts_like_mp3(path)
        self.damage: list[str] = []
        self.skipped_s = 0.0
        header = read_wav_header(path)
        self._unfinished_at = header.unfinished_at if header is not None else None
        self.unfinished = self._unfinished_at is not None
        try:
            with self._open() as handle:
                self.sample_rate_hz = float(handle.samplerate)
                self.n_channels = int(handle.channels)
                frames = int(handle.frames)
                self._format = str(handle.format)
                subtype = str(handle.subtype)
                tags = handle.copy_metadata()
        except (soundfile.SoundFileError, RuntimeError, OSError) as error:
            raise InputError(
                f"The sound cannot be read ({_reason(error)}).",
                where=where,
                advice="Copy or export the recording again.",
            ) from None
        self.n_declared: int | None = frames if 0 < frames < 1 << 62 else None
        lossless = self._format == "FLAC" or subtype.startswith(_LOSSLESS)
        self.codec = "pcm" if lossless else _CODEC_NAMES.get(subtype, subtype.lower())
        self.lossless_float = subtype in ("FLOAT", "DOUBLE")
        self.bit_rate_bps: float | None = None
        if not lossless and self.n_declared:
            seconds = self.n_declared / self.sample_rate_hz
            self.bit_rate_bps = 8.0 * path.stat().st_size / seconds
        self.start: datetime | None = started_at(str(tags.get("date", "")))
        if header is not None:
            self.start = header.start or self.start
            if header.n_declared is not None and header.n_declared > frames:
                self.n_declared = header.n_declared

    def blocks(self, first: int = 0) -> Iterator[NDArray[np.float32]]:
        """Yield blocks (n_channels, n) from a sample on; stop where the file breaks off."""
        position = 0
        for block in self._blocks(first):
            position += block.shape[1]
            yield block
        if not self.damage:
            return
        # libsndfile drops a whole block on an error: fetch its readable part in small steps.
        for block in self._blocks(first, salvage_from=position):
            yield block

    def _blocks(self, first: int, salvage_from: int | None = None) -> Iterator[NDArray[np.float32]]:
        import soundfile

        salvaging = salvage_from is not None
        skip = salvage_from or 0
        try:
            with self._open() as handle:
                if first and self._format in _EXACT_SEEK:
                    handle.seek(first)
                else:
                    skip += first
                while skip > 0:
                    skipped = handle.read(min(skip, BLOCK), dtype="float32", always_2d=True)
                    if not len(skipped):
                        return
                    skip -= len(skipped)
                size = _SALVAGE_BLOCK if salvaging else BLOCK
                while True:
                    block = handle.read(size, dtype="float32", always_2d=True)
                    if not len(block):
                        return
                    yield np.ascontiguousarray(block.T)
        except (soundfile.SoundFileError, RuntimeError) as error:
            if not salvaging:
                self.damage.append(_reason(error))

    @contextlib.contextmanager
    def _open(self) -> Iterator[Any]:
        """Open the file in libsndfile."""
        import soundfile

        with contextlib.ExitStack() as stack:
            stack.enter_context(self._silence())
            file: Any = library_name(self._path)
            if self._unfinished_at is not None:
                file = stack.enter_context(FinishedWav(self._path, self._unfinished_at))
            handle = stack.enter_context(soundfile.SoundFile(file))
            # After each read of a seekable file soundfile seeks to where it already is, which
            # resets the MP3 and Vorbis decoders: every block after the first would begin wrong.
            handle.seekable = lambda: False
            yield handle

    @contextlib.contextmanager
    def _silence(self) -> Iterator[None]:
        """Keep libmpg123, which writes to the process's stderr itself, from doing so."""
        if not self._quiet or not _stderr_lock.acquire(blocking=False):
            yield
            return
        try:
            saved = os.dup(2)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            try:
                os.dup2(nowhere, 2)
                yield
            finally:
                os.dup2(saved, 2)
                os.close(saved)
                os.close(nowhere)
        finally:
            _stderr_lock.release()


def _starts_like_mp3(path: Path) -> bool:
    with open(path, "rb") as stream:
        head = stream.read(3)
    return head == b"ID3" or head[:1] == b"\xff"


def _reason(error: Any) -> str:
    """The library's reason without its repetition of the path."""
    text = getattr(error, "error_string", None) or str(error)
    text = text.rpartition("': ")[2].strip().rstrip(".")
    return text or "the data breaks off or is damaged"
