"""Recording at the bench: sound files with their note inside, written whole or not at all."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.capture.note import CaptureNote, note_from_json
from vibecheck.errors import CallError, InputError
from vibecheck.plain_text import library_name
from vibecheck.whole_file import whole_file

Bits = Literal["float", "24"]

BLOCK_FRAMES = 65_536
"""Samples of each channel that are held in memory at a time."""
LEAST_RATE_HZ, MOST_RATE_HZ = 1_000.0, 768_000.0
MOST_CHANNELS = 8
_FORMATS = {".wav": "WAV", ".flac": "FLAC"}
_LONG_WAV_BYTES = 2**32 - 2**20
"""Above this a WAV file's 32-bit sizes would run over: RF64 (EBU Tech 3306) is written."""


def write_sound(
    out_path: str | os.PathLike[str],
    blocks: Iterable[NDArray[Any]],
    sample_rate_hz: float,
    channels: int,
    note: CaptureNote,
    *,
    bits: Bits = "float",
    expected_frames: int = 0,
) -> int:
    """Write a sound file with its note as metadata, whole or not at all.

    Parameters
    ----------
    out_path : path-like
        Ends in ``.wav`` or ``.flac``. What stood there before is replaced once all is written.
    blocks : iterable of ndarray, shape (n_frames, channels), float32
        In fractions of full scale. Only one is held at a time.
    sample_rate_hz : float, 1 000 to 768 000
        Rounded to a whole number: neither format holds another.
    channels : int, 1 to 8
    note : CaptureNote
        Title, date, program and, as compact JSON, the comment of the file.
    bits : {"float", "24"}
        ``"float"``: 32-bit floating point, WAV only. ``"24"``: 24-bit whole numbers; what is above
        full scale is cut off there.
    expected_frames : int
        Where known: a WAV file past 4 GiB needs another header from the start.

    Returns
    -------
    int
        Samples written to each channel.

    Raises
    ------
    CallError
        If the format, the rate or the channels cannot be written.
    InputError
        If nothing was there to write, or the file could not be written.
    """
    import soundfile

    target = Path(out_path)
    subtype = "FLOAT" if bits == "float" else "PCM_24"
    file_format = _format_for(target, bits)
    rate_hz = _whole_rate(sample_rate_hz)
    _check_channels(channels)
    n_bytes = expected_frames * channels * (4 if bits == "float" else 3)
    if file_format == "WAV" and n_bytes > _LONG_WAV_BYTES:
        file_format = "RF64"
    written = 0
    try:
        with whole_file(target) as temporary:
            with soundfile.SoundFile(
                library_name(temporary),
                "w",
                samplerate=rate_hz,
                channels=channels,
                format=file_format,
                subtype=subtype,
            ) as sound:
                sound.title = note.title
                sound.date = note.started.isoformat(timespec="milliseconds")
                sound.software = f"vibecheck {note.program_version}"
                sound.comment = note.to_json()
                for block in blocks:
                    sound.write(np.asarray(block, dtype=np.float32))
                    written += len(block)
            if not written:
                raise InputError(
                    "Nothing was recorded.",
                    where=str(target),
                    advice="Record again for a few seconds at least.",
                )
    except (OSError, AssertionError, soundfile.SoundFileError) as error:
        # soundfile asserts that all was written; on a full disk it was not.
        reason = getattr(error, "strerror", None) or getattr(error, "error_string", None)
        raise InputError(
            f"The recording could not be written ({reason or 'the disk may be full'}).",
            where=str(target),
            advice="Free some space or choose another folder; nothing was left half-written.",
        ) from None
    return written


def wrap_pcm_f32le(
    raw_path: str | os.PathLike[str],
    out_path: str | os.PathLike[str],
    sample_rate_hz: float,
    channels: int,
    note: CaptureNote,
    *,
    bits: Bits = "float",
) -> int:
    """Make a sound file of bare 32-bit floating point samples, block by block.

    Parameters
    ----------
    raw_path : path-like
        Little-endian float32, the channels of each sample side by side, nothing else.
    out_path : path-like
        ``.wav`` (float or 24-bit) or ``.flac`` (24-bit).
    sample_rate_hz : float, 1 000 to 768 000
    channels : int, 1 to 8
    note : CaptureNote
    bits : {"float", "24"}

    Returns
    -------
    int
        Samples in each channel.

    Raises
    ------
    CallError
        If the format, the rate or the channels cannot be written.
    InputError
        If the bytes are no whole number of samples, are none, or cannot be read or written.

    Notes
    -----
    Every bit is kept with ``bits="float"``. Memory does not grow with the file.
    """
    _check_channels(channels)
    raw = Path(raw_path)
    try:
        size = raw.stat().st_size
    except OSError as error:
        raise InputError(
            f"The recorded samples cannot be read ({error.strerror}).", where=str(raw)
        ) from None
    if size % (4 * channels):
        raise InputError(
            f"The recorded samples are no whole number of samples: {size} bytes, where "
            f"{4 * channels} make one.",
            where=raw.name,
            advice="The end was lost on the way: send or record it again.",
        )
    return write_sound(
        out_path,
        _raw_blocks(raw, channels),
        sample_rate_hz,
        channels,
        note,
        bits=bits,
        expected_frames=size // (4 * channels),
    )


def read_capture_note(path: str | os.PathLike[str]) -> CaptureNote | None:
    """Return the note inside a sound file; ``None`` where there is none, or no such sound file."""
    import soundfile

    try:
        with Path(path).open("rb") as stream:
            if stream.read(4) not in (b"RIFF", b"RF64", b"fLaC"):
                return None
        with soundfile.SoundFile(library_name(path)) as sound:
            comment = str(sound.copy_metadata().get("comment", ""))
    except (OSError, RuntimeError, soundfile.SoundFileError):
        return None
    return note_from_json(comment)


def _raw_blocks(raw: Path, channels: int) -> Iterator[NDArray[np.float32]]:
    with raw.open("rb") as stream:
        while piece := stream.read(BLOCK_FRAMES * channels * 4):
            yield np.frombuffer(piece, dtype="<f4").reshape(-1, channels)


def _format_for(target: Path, bits: Bits) -> str:
    file_format = _FORMATS.get(target.suffix.lower())
    if file_format is None:
        raise CallError(
            f"A recording is written as .wav or .flac. Got {target.suffix!r} instead.",
            where=str(target),
            advice="Name the file accordingly, for example spin.wav.",
        )
    if bits not in ("float", "24"):
        raise CallError(f"bits must be float or 24. Got {bits!r} instead.", where="--bits")
    if file_format == "FLAC" and bits == "float":
        raise CallError(
            "FLAC holds whole numbers only, not floating point.",
            where=str(target),
            advice="Choose 24 bits, or WAV.",
        )
    return file_format


def _whole_rate(sample_rate_hz: float) -> int:
    if not (math.isfinite(sample_rate_hz) and LEAST_RATE_HZ <= sample_rate_hz <= MOST_RATE_HZ):
        raise CallError(
            f"sample_rate_hz must be between {LEAST_RATE_HZ:.0f} and {MOST_RATE_HZ:.0f}. "
            f"Got {sample_rate_hz!r} instead."
        )
    return round(sample_rate_hz)


def _check_channels(channels: int) -> None:
    if isinstance(channels, bool) or not 1 <= channels <= MOST_CHANNELS:
        raise CallError(
            f"channels must be between 1 and {MOST_CHANNELS}. Got {channels!r} instead."
        )
