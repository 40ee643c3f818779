"""Lossy compression: encode and decode in memory, in step with the original.

Encoders are those of PyAV (AAC, Opus) and soundfile (Vorbis). Each gives the same samples for
the same input on one machine and with one set of library versions.
"""

from __future__ import annotations

import io
from fractions import Fraction
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError

CodecName = Literal["", "aac", "opus", "vorbis"]
CODECS = ("aac", "opus", "vorbis")
ENCODER = {"aac": "aac", "opus": "libopus"}
DECODER = {"aac": "aac", "opus": "libopus"}
# Samples by which the decoded stream is late: AAC's first frame of 1024 is what its overlapping
# windows need to begin; the Opus decoder drops its own.
LATE = {"aac": 1024, "opus": 0}
OPUS_RATES = (8_000, 12_000, 16_000, 24_000, 48_000)


def codec_available(codec: str, sample_rate_hz: int) -> bool:
    """Tell whether this machine's libraries can encode at a rate; some lack an encoder.

    Raises
    ------
    CallError
        If the codec is unknown.
    """
    if codec not in CODECS:
        raise CallError(f"codec must be one of {', '.join(CODECS)}. Got {codec!r} instead.")
    if codec == "vorbis":
        import soundfile

        return "VORBIS" in soundfile.available_subtypes("OGG")
    if codec == "opus" and sample_rate_hz not in OPUS_RATES:
        return False
    import av

    try:
        av.codec.Codec(ENCODER[codec], "w")
        av.codec.Codec(DECODER[codec], "r")
    except ValueError:  # PyAV's UnknownCodecError
        return False
    return True


def _with_av(
    sound: NDArray[np.float32], sample_rate_hz: int, codec: str, kbit_s: float
) -> NDArray[np.float32]:
    """Encode packet by packet and decode at once, without a container."""
    import av

    encoder: Any = av.CodecContext.create(ENCODER[codec], "w")
    encoder.sample_rate = sample_rate_hz
    encoder.layout = "mono"
    encoder.format = "fltp" if codec == "aac" else "flt"
    encoder.bit_rate = round(1000 * kbit_s)
    encoder.time_base = Fraction(1, sample_rate_hz)
    encoder.thread_count = 1
    encoder.open()
    size = encoder.frame_size
    n_frames = -(-sound.size // size) + 4
    padded = np.zeros(n_frames * size, dtype=np.float32)
    padded[: sound.size] = sound
    decoder: Any = None
    pieces: list[NDArray[np.float32]] = []
    for index in range(n_frames + 1):
        frame: Any = None
        if index < n_frames:
            block = padded[None, index * size : (index + 1) * size]
            frame = av.AudioFrame.from_ndarray(block, format=encoder.format.name, layout="mono")
            frame.sample_rate = sample_rate_hz
            frame.pts = index * size
            frame.time_base = encoder.time_base
        for packet in encoder.encode(frame):
            if decoder is None:
                decoder = av.CodecContext.create(DECODER[codec], "r")
                decoder.sample_rate = sample_rate_hz
                decoder.layout = "mono"
                decoder.extradata = encoder.extradata
            for heard in decoder.decode(packet):
                values = heard.to_ndarray().reshape(-1)
                if values.dtype == np.int16:
                    values = values / np.float32(32768.0)
                pieces.append(values.astype(np.float32))
    return np.concatenate(pieces)[LATE[codec] :]


def _with_soundfile(
    sound: NDArray[np.float32], sample_rate_hz: int, kbit_s: float
) -> NDArray[np.float32]:
    """Vorbis has a quality, not a rate: about 30 kbit/s per channel at 1.0, 130 at 0."""
    import soundfile

    level = float(np.clip((140.0 - kbit_s) / 110.0, 0.0, 1.0))
    stream = io.BytesIO()
    soundfile.write(
        stream, sound, sample_rate_hz, format="OGG", subtype="VORBIS", compression_level=level
    )
    stream.seek(0)
    decoded: NDArray[np.float32] = soundfile.read(stream, dtype="float32")[0]
    return decoded


def compress(
    sound: NDArray[np.float32], sample_rate_hz: int, codec: str, kbit_s: float
) -> NDArray[np.float32]:
    """Return what is left of a sound after a lossy codec, same length, delay removed.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Fractions of full scale.
    codec : {"aac", "opus", "vorbis"}
    kbit_s : float
        Bit rate in kbit/s.

    Raises
    ------
    CallError
        If the codec is unknown, or this machine has no encoder for it at this rate.
    """
    if not codec_available(codec, sample_rate_hz):
        raise CallError(
            f"This machine cannot encode {codec} at {sample_rate_hz} Hz.",
            advice="Ask vibecheck.simulator.codec.codec_available first.",
        )
    if codec == "vorbis":
        decoded = _with_soundfile(sound, sample_rate_hz, kbit_s)
    else:
        decoded = _with_av(sound, sample_rate_hz, codec, kbit_s)
    out = np.zeros(sound.size, dtype=np.float32)
    n = min(sound.size, decoded.size)
    out[:n] = decoded[:n]
    return out
