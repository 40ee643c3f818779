"""Encode test sound as phones do (AAC in MP4, Opus in Ogg, MP3), and read it back as a take."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from vibecheck.recording.read import read_take
from vibecheck.recording.take import Take

_ENCODERS = {"m4a": "aac", "opus": "libopus", "mp3": "libmp3lame", "ogg": "libvorbis"}


def through_codec(
    folder: Path, x: NDArray[Any], sample_rate_hz: float, *, ending: str, bit_rate_bps: int
) -> Take:
    """Write mono samples through a lossy codec and read the file again."""
    path = folder / f"coded.{ending}"
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream(_ENCODERS[ending], rate=int(sample_rate_hz))
        stream.layout = "mono"
        stream.bit_rate = bit_rate_bps
        samples = np.clip(np.asarray(x, np.float32), -1.0, 1.0)
        for first in range(0, samples.size, 4096):
            part = np.ascontiguousarray(samples[np.newaxis, first : first + 4096])
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = int(sample_rate_hz), first
            container.mux(_resampled(stream, frame))
        container.mux(stream.encode(None))
    return read_take(path)


def _resampled(stream: Any, frame: Any) -> list[Any]:
    wanted = stream.format.name
    if frame.format.name != wanted:
        resampler = av.AudioResampler(format=wanted, layout="mono", rate=frame.sample_rate)
        frames = resampler.resample(frame)
    else:
        frames = [frame]
    return [packet for f in frames for packet in stream.encode(f)]
