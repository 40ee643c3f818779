"""Recordings: sound through libav (m4a, aac, mp4, mov, webm, 3gp, amr), as phones make them.

Frames are taken as decoded. libav's own down-mix is never used: it adds 3 dB to equal channels.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.recording.stream import BLOCK
from vibecheck.recording.wav_header import started_at

# A raw AAC stream (ADTS) does not say that its encoder began with a block of priming samples.
ADTS_PRIMING = 1024
# An MP4 ends with a padded block; its header says where the sound ends. A longer overhang means
# that the header is wrong, and the decoded sound is believed.
_LONGEST_PADDING = 4096
# Decoders need sound before the wanted sample (AAC 2 blocks, Opus 80 ms) until they are exact.
_PREROLL_S = 1.0
# Time stamps may be rounded to 1 ms; a larger step is missing sound.
_GAP_S = 0.005
_PROBED_FRAMES = 4
# A jump longer than this is a damaged time stamp, not missing sound.
_LONGEST_GAP_S = 600.0
# Samples times channels of silence put into one file: ten minutes of stereo at 48 kHz. A damaged
# file of a few kilobytes may claim far more of it.
_MOST_SILENCE = 60_000_000
_LOSSLESS = frozenset(("alac", "flac", "wavpack", "ape", "tta", "mlp", "truehd"))
_INTEGER_SCALE = {"u8": 2.0**7, "s16": 2.0**15, "s32": 2.0**31, "s64": 2.0**63}


def _open(path: Path) -> Any:
    """Open a container; letters in its tags that are no text do no harm."""
    import av

    try:
        return av.open(str(path), metadata_errors="replace")
    except TypeError:  # PyAV 19 and newer see to it by themselves
        return av.open(str(path))


class ContainerSource:
    """The first audio stream of a container, read in blocks of float32 through libav.

    Same attributes as ``SoundFileSource``; ``streams`` counts the audio streams, and
    ``skipped_s`` the seconds of silence put in where the time stamps jump, and ``stopped`` says why
    the rest was left out.
    """

    lossless_float = False
    unfinished = False

    def __init__(self, path: Path, where: str) -> None:
        import av

        self._path = path
        self._where = where
        self.damage: list[str] = []
        self.skipped_s = 0.0
        self.stopped = ""
        try:
            with _open(path) as container:
                self.streams = len(container.streams.audio)
                if not self.streams:
                    raise InputError(
                        "There is no sound in this file.",
                        where=where,
                        advice="Record with sound, or choose another file.",
                    )
                stream = container.streams.audio[0]
                context = stream.codec_context
                if context is None:
                    raise InputError(
                        "The sound is encrypted or in an unknown coding.",
                        where=where,
                        advice="Export it as WAV, FLAC or M4A.",
                    )
                self._format = str(container.format.name)
                name = str(context.codec.canonical_name)
                frames = list(itertools.islice(_frames(container, stream, []), _PROBED_FRAMES))
                if not frames:
                    raise InputError(
                        "The file has a header but no sound that can be decoded.",
                        where=where,
                        advice="Copy or export the recording again.",
                    )
                # Extensions of AAC may announce themselves only after the first block.
                self.sample_rate_hz = float(frames[-1].sample_rate)
                self.n_channels = int(frames[-1].layout.nb_channels)
                self._base = float(stream.time_base or 0)
                self._origin = (frames[0].pts or 0) * self._base
                tags = {**container.metadata, **stream.metadata}
                seconds = stream.duration * self._base if stream.duration else None
                bit_rate = stream.bit_rate or container.bit_rate
        except (av.error.FFmpegError, OSError, ValueError, RuntimeError) as error:
            raise InputError(
                f"The sound cannot be read ({_reason(error)}).",
                where=where,
                advice="If the recorder was interrupted the file may be unfinished: "
                "copy or export it again.",
            ) from None
        self.codec = "pcm" if name.startswith("pcm_") or name in _LOSSLESS else name
        self.bit_rate_bps = float(bit_rate) if bit_rate and self.codec != "pcm" else None
        self.start: datetime | None = started_at(
            tags.get("com.apple.quicktime.creationdate") or tags.get("creation_time") or ""
        )
        self._is_mp4 = "mp4" in self._format
        self._priming = ADTS_PRIMING if self._format == "aac" and name == "aac" else 0
        # Raw streams have no header to tell their length: libav estimates it from the bit rate.
        self.n_declared: int | None = None
        if self._is_mp4 and seconds is not None:
            self.n_declared = round((seconds - self._origin) * self.sample_rate_hz)

    def blocks(self, first: int = 0) -> Iterator[NDArray[np.float32]]:
        """Yield blocks (n_channels, n) from a sample on; stop where the file breaks off."""
        import av

        self.skipped_s = 0.0
        self.damage.clear()
        end = self.n_declared if self._is_mp4 else None
        kept: list[NDArray[np.float32]] = []
        n_kept = 0
        try:
            for position, samples in self._positioned(first + self._priming):
                start = position - self._priming
                if end is not None and 0 < start + samples.shape[1] - end <= _LONGEST_PADDING:
                    samples = samples[:, : max(0, end - start)]
                kept.append(samples)
                n_kept += samples.shape[1]
                if n_kept >= BLOCK:
                    yield np.concatenate(kept, axis=1)
                    kept, n_kept = [], 0
        except (av.error.FFmpegError, OSError) as error:
            self.damage.append(_reason(error))
        if n_kept:
            yield np.concatenate(kept, axis=1)

    def _positioned(self, first: int) -> Iterator[tuple[int, NDArray[np.float32]]]:
        """Yield (position, samples) from sample ``first`` on, silence where time stamps jump."""

        rate = self.sample_rate_hz
        with _open(self._path) as container:
            stream = container.streams.audio[0]
            # Only MP4 stamps its blocks to the sample; the others are decoded from the start.
            if first and self._is_mp4:
                seconds = max(0.0, first / rate - _PREROLL_S) + self._origin
                container.seek(int(seconds / self._base), stream=stream)
            expected: int | None = None
            put_in = 0
            for frame in _frames(container, stream, self.damage):
                samples = _samples(frame)
                if frame.sample_rate != rate or samples.shape[0] != self.n_channels:
                    if expected is None:
                        continue
                    self.stopped = "the sample rate or the number of channels changes"
                    return
                stamp = expected or 0
                if frame.pts is not None:
                    stamp = round((frame.pts * self._base - self._origin) * rate)
                if expected is None:
                    expected = stamp
                gap = stamp - expected
                put_in += max(0, gap) * self.n_channels
                if gap > _LONGEST_GAP_S * rate or put_in > _MOST_SILENCE:
                    self.stopped = f"the time stamps jump by {gap / rate:.3g} s"
                    return
                if gap > _GAP_S * rate + 2.0 * self._base * rate:
                    if expected + gap > first:
                        self.skipped_s += gap / rate
                        silent = gap - max(0, first - expected)
                        for at in range(0, silent, BLOCK):  # ten minutes of it would be much
                            part = _silence(samples, min(BLOCK, silent - at))
                            yield max(expected, first) + at, part
                    expected = stamp
                skip = min(max(0, first - expected), samples.shape[1])
                if skip < samples.shape[1]:
                    yield expected + skip, samples[:, skip:]
                expected += samples.shape[1]


def _frames(container: Any, stream: Any, damage: list[str]) -> Iterator[Any]:
    """Decode packet by packet, noting those that are damaged instead of giving up."""
    import av

    for packet in container.demux(stream):
        try:
            yield from packet.decode()
        except av.error.EOFError:
            return
        except av.error.FFmpegError as error:
            damage.append(_reason(error))


def _samples(frame: Any) -> NDArray[np.float32]:
    """The frame's samples as float32 in fractions of full scale, shape (n_channels, n)."""
    values = frame.to_ndarray()
    name = str(frame.format.name)
    if not frame.format.is_planar:
        values = values.reshape(-1, frame.layout.nb_channels).T
    scale = _INTEGER_SCALE.get(name.rstrip("p"))
    if scale is None:
        return np.ascontiguousarray(values, dtype=np.float32)
    shifted = values.astype(np.float64) - (128.0 if values.dtype == np.uint8 else 0.0)
    return np.ascontiguousarray(shifted / scale, dtype=np.float32)


def _silence(like: NDArray[np.float32], n: int) -> NDArray[np.float32]:
    return np.zeros((like.shape[0], max(0, n)), dtype=np.float32)


def _reason(error: BaseException) -> str:
    """The library's reason without its repetition of the path."""
    text = getattr(error, "strerror", None) or str(error)
    return str(text).rstrip(".").lower()
