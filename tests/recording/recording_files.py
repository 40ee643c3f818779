"""Sound files for the tests of the readers, written by the libraries themselves."""

from __future__ import annotations

import struct
from pathlib import Path

import av
import numpy as np
import soundfile
from numpy.typing import NDArray

from vibecheck.recording.take import Take


def tone_mix(rate: int, seconds: float, *, level: float = 0.1) -> NDArray[np.float32]:
    """A sweep that never repeats itself plus two tones, all below 3 kHz: easy for every codec."""
    t = np.arange(round(rate * seconds)) / rate
    top = min(3000.0, 0.35 * rate)
    sweep = np.sin(2 * np.pi * (300.0 * t + 0.5 * (top - 300.0) / seconds * t**2))
    tones = 0.5 * np.sin(2 * np.pi * 440.0 * t) + 0.3 * np.sin(2 * np.pi * 1234.0 * t + 1.0)
    return (level * (sweep + tones)).astype(np.float32)


def write_av(
    path: Path,
    sound: NDArray[np.float32],
    rate: int,
    codec: str,
    *,
    bit_rate: int | None = 128_000,
    container: str | None = None,
    metadata: dict[str, str] | None = None,
    gap: tuple[int, int] | None = None,
    more_streams: int = 0,
) -> Path:
    """Encode ``sound`` of shape (n_channels, n) through libav.

    ``gap`` = (at sample, of samples) moves the time stamps on, as a recorder does that lost sound.
    """
    sound = np.atleast_2d(sound)
    layout = "mono" if sound.shape[0] == 1 else "stereo"
    with av.open(str(path), "w", format=container) as output:
        for key, value in (metadata or {}).items():
            output.metadata[key] = value
        streams = []
        for _ in range(1 + more_streams):
            stream = output.add_stream(codec, rate=rate)
            stream.layout = layout
            if bit_rate:
                stream.bit_rate = bit_rate
            streams.append(stream)
        for number, stream in enumerate(streams):
            scale = np.float32(1.0 if number == 0 else 0.0)
            for first in range(0, sound.shape[1], 960):
                block = np.ascontiguousarray(sound[:, first : first + 960]) * scale
                frame = av.AudioFrame.from_ndarray(block, format="fltp", layout=layout)
                frame.sample_rate = rate
                frame.pts = first if gap is None or first < gap[0] else first + gap[1]
                output.mux(stream.encode(frame))
            output.mux(stream.encode(None))
    return path


def write_video_only(path: Path) -> Path:
    """A video without sound."""
    with av.open(str(path), "w") as output:
        stream = output.add_stream("mpeg4", rate=10)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for _ in range(5):
            picture = np.zeros((48, 64, 3), dtype=np.uint8)
            output.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        output.mux(stream.encode(None))
    return path


def write_bext(path: Path, samples: NDArray[np.int16], rate: int, date: str, time: str) -> Path:
    """A Broadcast Wave file: bext chunk before the data (EBU Tech 3285)."""
    soundfile.write(path, samples, rate, subtype="PCM_16")
    content = path.read_bytes()
    bext = bytearray(602)
    bext[320:330], bext[330:338] = date.encode(), time.encode()
    chunk = b"bext" + struct.pack("<I", len(bext)) + bytes(bext)
    body = content[12:36] + chunk + content[36:]
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body) + 4) + b"WAVE" + body)
    return path


def lag_and_gain_db(
    take: Take, original: NDArray[np.float32], channel: int = 0
) -> tuple[int, float]:
    """Samples by which the take comes late, and its level over the original at that lag."""
    got = np.asarray(take.samples[channel], dtype=np.float64)
    want = np.asarray(original, dtype=np.float64)
    n = 1 << int(np.ceil(np.log2(got.size + want.size)))
    product = np.fft.rfft(got, n) * np.conj(np.fft.rfft(want, n))
    peak = int(np.argmax(np.fft.irfft(product, n)))
    lag = peak if peak < n // 2 else peak - n
    # Leave the ends out: coders fade in and out there.
    first, last = 4000, min(want.size, got.size - max(lag, 0)) - 4000
    want_part = want[first:last]
    got_part = got[first + lag : last + lag]
    gain = float(np.dot(got_part, want_part) / np.dot(want_part, want_part))
    return lag, 20.0 * np.log10(gain)


def codes(take: Take) -> list[str]:
    """Codes of the reader's findings."""
    return [finding.code for finding in take.findings]
