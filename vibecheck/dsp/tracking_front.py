"""Speed tracking, front end: three short-time spectra of one recording on one frame grid.

A line at order ``h`` of a shaft that gains ``k`` turns/s per second moves ``h k`` Hz/s, so it
wants a window of about ``1 / sqrt(h k)`` (check: smear of one bin). High frequencies therefore
get short windows and low frequencies long ones:

===== ============= ================ ==========================================
level window        frequencies      sample rate
===== ============= ================ ==========================================
long  0.171 s       below 200 Hz     decimated to at least 1.2 kHz
mid   0.043 s       200–1600 Hz      decimated to at least 5 kHz
short 0.021 s       above 1600 Hz    that of the recording
===== ============= ================ ==========================================
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array

HOP_S = 0.0107
WINDOW_S = {"long": 0.171, "mid": 0.0427, "short": 0.02134}
MID_FROM_HZ = 200.0
SHORT_FROM_HZ = 1600.0
_PASS = 0.4  # pass band of a decimated signal, in cycles per sample
# Worked on so many samples at a time, everything stays in the processor's cache.
_BLOCK_SAMPLES = 1 << 17
_BLOCK_OUTPUTS = 1 << 12


@dataclass(frozen=True, eq=False)
class Level:
    """Short-time spectra with one window length.

    ``spectrum[channel, frame, bin]`` is scaled so that a tone ``A cos(2 pi f t + p)`` at a bin
    centre reads ``A exp(j p)``, with the phase at the frame's centre. ``bin_hz`` is the bin
    spacing, ``top_hz`` the highest frequency to be trusted.
    ``inside[frame]`` is False where the window reaches over an end of the recording.
    """

    name: str
    spectrum: NDArray[np.complex64]
    bin_hz: float
    window_s: float
    top_hz: float
    hop_share: float
    inside: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Front:
    """The levels of one recording, sharing the frame centres ``time_s``."""

    levels: tuple[Level, ...]
    time_s: NDArray[np.float64]
    hop_s: float
    top_hz: float

    def level(self, name: str) -> Level | None:
        """Return the level of one name, or None where the sample rate is too low for it."""
        for level in self.levels:
            if level.name == name:
                return level
        return None


@lru_cache(maxsize=32)
def low_pass_taps(factor: int, stop_db: float = 65.0) -> NDArray[np.float32]:
    """Kaiser-windowed low pass for decimation by ``factor``; pass 0.4, stop 0.6 of the new rate.

    Length and shape from Kaiser's formulas (Oppenheim & Schafer, Discrete-Time Signal
    Processing, section on FIR design by Kaiser windows; value from memory).
    """
    width = (1.0 - 2.0 * _PASS) / factor  # transition width, cycles per input sample
    half = int(np.ceil((stop_db - 7.95) / (2.285 * 2.0 * np.pi * width) / 2.0))
    half = factor * -(-half // factor)  # whole polyphase rows
    n = np.arange(-half, half + 1)
    beta = 0.1102 * (stop_db - 8.7)
    taps = np.sinc(n / factor) * np.kaiser(n.size, beta)
    return frozen_array(taps / taps.sum(), np.float32, copy=False)


def decimate(x: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Zero-phase low pass, then every ``factor``-th sample: ``y[..., m]`` sits at ``m * factor``.

    ``x`` has shape (n_channels, n_samples); samples beyond the ends count as zero.
    """
    if factor == 1:
        return x
    half = low_pass_taps(factor).size // 2
    padded = _with_zeros(x, half, half + 2 * factor)
    return _decimated(padded, half, x.shape[1], factor)


def _with_zeros(x: NDArray[np.float32], before: int, after: int) -> NDArray[np.float32]:
    """Rows with zeros before and behind."""
    n = x.shape[1]
    padded = np.empty((x.shape[0], before + n + after), np.float32)
    padded[:, :before] = 0.0
    padded[:, before : before + n] = x
    padded[:, before + n :] = 0.0
    return padded


def _decimated(
    padded: NDArray[np.float32], origin: int, n: int, factor: int
) -> NDArray[np.float32]:
    """As `decimate`, of the ``n`` samples from ``origin`` on, with room for the taps around."""
    taps = low_pass_taps(factor)
    half = taps.size // 2
    rows = half // factor
    n_out = -(-n // factor)
    n_channels = padded.shape[0]
    # y[m] = sum_q sum_r x[(m + q) factor + r] taps[q factor + r]: one small matrix product.
    polyphase = np.zeros((2 * rows + 1) * factor, np.float32)
    polyphase[: taps.size] = taps
    step = padded.strides[1]
    blocks = np.lib.stride_tricks.as_strided(
        padded[:, origin - half :],
        (n_channels, n_out + 2 * rows, factor),
        (padded.strides[0], factor * step, step),
        writeable=False,
    )
    table = polyphase.reshape(-1, factor)
    out = np.empty((n_channels, n_out), np.float32)
    for first in range(0, n_out, _BLOCK_OUTPUTS):
        part = out[:, first : first + _BLOCK_OUTPUTS]
        n = part.shape[1]
        around = blocks[:, first : first + n + 2 * rows]
        parts = np.matmul(table, around.transpose(0, 2, 1))
        part[:] = parts[:, 0, :n]
        for q in range(1, 2 * rows + 1):
            part += parts[:, q, q : q + n]
    return out


def decorrelated(samples: NDArray[np.float64] | NDArray[np.float32]) -> NDArray[np.float32]:
    """Return mean-free channels of unit power, rotated so that they share no common part.

    Two copies of one channel are one witness, not two: the principal components of the channels
    carry uncorrelated noise, and empty ones (dead or doubled channels) are dropped. NaN and Inf
    count as zero.
    """
    given: NDArray[Any] = np.asarray(samples)
    mean = given.mean(axis=1, keepdims=True)
    if not np.isfinite(mean).all():
        given = np.nan_to_num(given, nan=0.0, posinf=0.0, neginf=0.0)
        mean = given.mean(axis=1, keepdims=True)
    x: NDArray[np.float32] = (given - mean).astype(np.float32, copy=False)
    power = _mean_square(x)
    if not power.any():
        return np.zeros((1, x.shape[1]), np.float32)
    if not power.all():
        x, power = x[power > 0.0], power[power > 0.0]
    if x.shape[0] > 1:
        covariance = (x @ x.T).astype(np.float64) / x.shape[1]
        values, vectors = np.linalg.eigh(covariance)
        keep = values > 1e-6 * values.max()
        x = (vectors[:, keep].T.astype(np.float32)) @ x
        power = _mean_square(x)
    scale = np.sqrt(power)
    x /= scale.astype(np.float32)[:, np.newaxis]
    return x


def _mean_square(x: NDArray[np.float32]) -> NDArray[np.float64]:
    out: NDArray[np.float64] = np.einsum("cn,cn->c", x, x, dtype=np.float64) / x.shape[1]
    return out


def short_time_levels(
    samples: NDArray[np.float32], sample_rate_hz: float, *, top_hz: float | None = None
) -> Front:
    """Return the three levels of ``samples`` (n_channels, n_samples).

    Parameters
    ----------
    top_hz : float, optional
        Highest frequency the recording can hold; half the sample rate by default.
    """
    x = samples
    rate = sample_rate_hz
    first = 1
    while rate / (2 * first) > 40e3:
        first *= 2
    x = decimate(x, first)
    rate = rate / first
    nyquist = 0.5 * rate if first == 1 else _PASS * rate
    top = min(nyquist, top_hz if top_hz is not None else nyquist)
    mid_factor = _power_of_two(rate / 5000.0)
    long_factor = _power_of_two(rate / mid_factor / 1200.0)
    unit = mid_factor * long_factor
    hop = max(unit, unit * round(HOP_S * rate / unit))
    n = x.shape[1]
    n_frames = max(1, n // hop)
    # The grid sits symmetrically in the recording; frame centres fall on decimated samples.
    start = (n - (n_frames - 1) * hop) / 2.0
    front = round(start) % unit
    front = (unit - front) % unit
    centre = front + round(start)
    back = unit
    # All levels read one copy, with room for the longest taps and windows around it.
    half = _length("short", rate) // 2
    room = max(half, low_pass_taps(mid_factor).size // 2 + 2 * mid_factor)
    padded = _with_zeros(x, room + front, back + hop + room)
    n_wide = front + n + back
    mid = padded[:, room : room + n_wide]
    if mid_factor > 1:
        mid = _decimated(padded, room, n_wide, mid_factor)
    long = decimate(mid, long_factor)
    built = []
    for name, signal, factor in (
        ("long", long, unit),
        ("mid", mid, mid_factor),
        ("short", padded, 1),
    ):
        origin = room
        if signal is not padded:
            origin = _length(name, rate / factor) // 2
            signal = _with_zeros(signal, origin, origin + hop // factor)
        level_top = min(top, _PASS * rate / factor) if factor > 1 else top
        if name == "short" and top <= SHORT_FROM_HZ:
            continue
        built.append(
            _level(
                name, signal, rate / factor, origin, centre // factor, hop // factor, n_frames,
                level_top, (front / factor, (front + n) / factor),
            )
        )  # fmt: skip
    time_s = (centre - front + hop * np.arange(n_frames)) / rate
    return Front(tuple(built), time_s, hop / rate, top)


def _power_of_two(ratio: float) -> int:
    return int(2 ** max(0, np.floor(np.log2(max(ratio, 1.0)))))


def _level(
    name: str,
    signal: NDArray[np.float32],
    rate: float,
    origin: int,
    centre: int,
    hop: int,
    n_frames: int,
    top_hz: float,
    ends: tuple[float, float],
) -> Level:
    length = _length(name, rate)
    half = length // 2
    channels = signal.shape[0]
    # Frame m covers ``length`` samples; its middle is signal[origin + centre + m hop].
    step = signal.strides[1]
    frames = np.lib.stride_tricks.as_strided(
        signal[:, origin + centre - half :],
        (channels, n_frames, length),
        (signal.strides[0], hop * step, step),
        writeable=False,
    )
    window = (0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)).astype(np.float32)
    n_bins = min(length // 2 + 1, int(np.ceil(top_hz / (rate / length))) + 3)
    # exp(j pi b) moves the phase reference to the frame's centre; 2 / sum(w) reads amplitude.
    turn = np.where(np.arange(n_bins) % 2 == 0, 1.0, -1.0) * (2.0 / window.sum())
    twice = np.repeat(turn.astype(np.float32), 2)  # of the real part and of the imaginary one
    spectrum = np.empty((channels, n_frames, n_bins), np.complex64)
    n_at_once = max(1, _BLOCK_SAMPLES // length)
    for first in range(0, n_frames, n_at_once):
        part = slice(first, first + n_at_once)
        lines = scipy.fft.rfft(frames[:, part] * window, axis=-1)
        parts = lines.view(np.float32)[..., : 2 * n_bins]
        np.multiply(parts, twice, out=spectrum[:, part].view(np.float32))
    middle = centre + hop * np.arange(n_frames)
    inside = (middle - half >= ends[0]) & (middle + half <= ends[1])
    return Level(name, spectrum, rate / length, length / rate, top_hz, hop / length, inside)


def _length(name: str, rate: float) -> int:
    """Samples in the window of a level."""
    return _even_fast_length(max(8, 2 * round(WINDOW_S[name] * rate / 2)))


def _even_fast_length(length: int) -> int:
    while True:
        length = scipy.fft.next_fast_len(length, real=True)
        if length % 2 == 0:
            return length
        length += 1
