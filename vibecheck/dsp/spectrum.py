"""Signal core: spectra that say their scaling.

Three scalings appear, each named in the field that carries it:

* *power*: mean square of a line; a bin-centred sine of amplitude ``a`` reads ``a²/2``.
* *density*: power per hertz, one-sided; white noise of variance ``σ²`` reads ``2σ²/fs``.
* *amplitude*: a bin-centred sine of amplitude ``a`` reads ``a``.

``power / noise_bandwidth_hz`` is the density.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, DTypeLike, NDArray

from vibecheck.arrays import frozen_array
from vibecheck.dsp.windows import hann, noise_bandwidth_bins
from vibecheck.dsp.windows import window as named_window
from vibecheck.errors import CallError

__all__ = [
    "AmplitudeSpectrum",
    "PowerSpectralDensity",
    "ShortTimePower",
    "amplitude_spectrum",
    "band_power",
    "frames",
    "hann",
    "power_spectral_density",
    "short_time_power",
]

# Frames are transformed in blocks of about this many samples, to stay inside the cache.
_BLOCK_SAMPLES = 1 << 18


@dataclass(frozen=True, eq=False)
class ShortTimePower:
    """Short-time power spectrum.

    Attributes
    ----------
    time_s : ndarray, shape (n_frames,)
        Centre of each window, in seconds from the first sample.
    frequency_hz : ndarray, shape (n_bins,)
    power : ndarray, shape (..., n_frames, n_bins)
        One-sided, scaled as power: a bin-centred sine of amplitude ``a`` reads ``a²/2``.
    noise_bandwidth_hz : float
        Equivalent noise bandwidth of a bin; ``power / noise_bandwidth_hz`` is the density.
    """

    time_s: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    power: NDArray[Any]
    noise_bandwidth_hz: float

    @property
    def density(self) -> NDArray[Any]:
        """One-sided power spectral density, unit² per hertz."""
        density: NDArray[Any] = self.power / self.power.dtype.type(self.noise_bandwidth_hz)
        return density

    @property
    def step_hz(self) -> float:
        """Distance between bins."""
        return float(self.frequency_hz[1] - self.frequency_hz[0])


@dataclass(frozen=True, eq=False)
class PowerSpectralDensity:
    """Welch's estimate of the one-sided power spectral density.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n_bins,)
    density : ndarray, shape (..., n_bins)
        Unit² per hertz.
    n_segments : int
        Number of averaged segments.
    noise_bandwidth_hz : float
        Equivalent noise bandwidth of a bin; ``density * noise_bandwidth_hz`` is the power.
    """

    frequency_hz: NDArray[np.float64]
    density: NDArray[Any]
    n_segments: int
    noise_bandwidth_hz: float


@dataclass(frozen=True, eq=False)
class AmplitudeSpectrum:
    """Amplitude and phase of the lines of one segment.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n_bins,)
    amplitude : ndarray, shape (..., n_bins)
        Peak amplitude: a bin-centred sine of amplitude ``a`` reads ``a``.
    phase_rad : ndarray, shape (..., n_bins)
        Phase of the cosine at the first sample.
    """

    frequency_hz: NDArray[np.float64]
    amplitude: NDArray[Any]
    phase_rad: NDArray[Any]


def _weights(window: str | ArrayLike, n_window: int) -> NDArray[np.float64]:
    if isinstance(window, str):
        return named_window(window, n_window)
    weights = np.asarray(window, dtype=np.float64)
    if weights.shape != (n_window,):
        raise CallError(
            f"The window must be a name or an array of n_window = {n_window} weights. "
            f"Got shape {weights.shape} instead."
        )
    return weights


def _check(n_samples: int, sample_rate_hz: float, n_window: int, hop: int) -> None:
    if not (np.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise CallError(
            f"sample_rate_hz must be a positive number. Got {sample_rate_hz!r} instead."
        )
    if not 2 <= n_window <= n_samples:
        raise CallError(
            f"n_window must be between 2 and the number of samples ({n_samples}). "
            f"Got {n_window!r} instead."
        )
    if hop < 1:
        raise CallError(f"hop must be at least 1 sample. Got {hop!r} instead.")


def frames(x: NDArray[Any], n_window: int, hop: int) -> NDArray[Any]:
    """Return a strided, read-only view of overlapping frames.

    Parameters
    ----------
    x : ndarray, shape (..., n_samples)
    n_window, hop : int

    Returns
    -------
    ndarray, shape (..., n_frames, n_window)
        Only whole frames; the tail that does not fill one is left out.
    """
    return np.lib.stride_tricks.sliding_window_view(x, n_window, axis=-1)[..., ::hop, :]


def short_time_power(
    x: ArrayLike,
    sample_rate_hz: float,
    n_window: int,
    hop: int,
    *,
    window: str | ArrayLike = "hann",
    dtype: DTypeLike = np.float32,
) -> ShortTimePower:
    """Return the short-time power spectrum, without padding at the ends.

    Parameters
    ----------
    x : array_like, shape (..., n_samples)
    sample_rate_hz : float > 0
    n_window : int, 2 … n_samples
        Window length in samples; also the transform length.
    hop : int >= 1
        Samples from one frame to the next.
    window : str or array_like of length n_window
        A name known to `vibecheck.dsp.windows.window`, or weights.
    dtype : float32 or float64
        Precision of the transform and of the result.

    Returns
    -------
    ShortTimePower
        ``power[..., frame, bin]``, scaled so that a bin-centred sine of amplitude ``a`` reads
        ``a²/2`` (the mean square).

    Raises
    ------
    CallError
        If a length or the sample rate is out of range.
    """
    x = np.asarray(x, dtype=dtype)
    _check(x.shape[-1], sample_rate_hz, n_window, hop)
    weights = _weights(window, n_window)
    # |X_k|² · 2/(Σw)² is the mean square of a bin-centred sine; DC and Nyquist have no mirror
    # image, so they are not doubled.
    scaled = (weights * (np.sqrt(2.0) / np.sum(weights))).astype(x.dtype)
    view = frames(x, n_window, hop)
    n_frames, n_bins = view.shape[-2], n_window // 2 + 1
    power = np.empty((*view.shape[:-1], n_bins), dtype=x.dtype)
    block = max(1, _BLOCK_SAMPLES // n_window)
    for first in range(0, n_frames, block):
        lines = scipy.fft.rfft(view[..., first : first + block, :] * scaled, axis=-1)
        part = power[..., first : first + block, :]
        np.multiply(lines.real, lines.real, out=part)
        part += lines.imag * lines.imag
    power[..., 0] *= 0.5
    if n_window % 2 == 0:
        power[..., -1] *= 0.5
    step = sample_rate_hz / n_window
    return ShortTimePower(
        time_s=frozen_array(
            (n_window / 2 + hop * np.arange(n_frames)) / sample_rate_hz, copy=False
        ),
        frequency_hz=frozen_array(np.arange(n_bins) * step, copy=False),
        power=frozen_array(power, copy=False),
        noise_bandwidth_hz=noise_bandwidth_bins(weights) * step,
    )


def power_spectral_density(
    x: ArrayLike,
    sample_rate_hz: float,
    n_window: int,
    *,
    overlap: float = 0.5,
    window: str | ArrayLike = "hann",
    dtype: DTypeLike = np.float64,
) -> PowerSpectralDensity:
    """Return Welch's averaged, one-sided power spectral density (Welch 1967).

    Parameters
    ----------
    x : array_like, shape (..., n_samples)
    sample_rate_hz : float > 0
    n_window : int, 2 … n_samples
    overlap : float, 0 <= overlap < 1
        Share of a segment that it has in common with the next.
    window, dtype
        As for `short_time_power`.
    """
    if not 0.0 <= overlap < 1.0:
        raise CallError(f"overlap must be at least 0 and below 1. Got {overlap!r} instead.")
    hop = max(1, round(n_window * (1.0 - overlap)))
    short = short_time_power(x, sample_rate_hz, n_window, hop, window=window, dtype=dtype)
    mean = np.mean(short.power, axis=-2, dtype=np.float64) / short.noise_bandwidth_hz
    return PowerSpectralDensity(
        frequency_hz=short.frequency_hz,
        density=frozen_array(mean, copy=False),
        n_segments=int(short.power.shape[-2]),
        noise_bandwidth_hz=short.noise_bandwidth_hz,
    )


def amplitude_spectrum(
    x: ArrayLike, sample_rate_hz: float, *, window: str | ArrayLike = "hann"
) -> AmplitudeSpectrum:
    """Return amplitude and phase of one whole segment, corrected for the window's coherent gain.

    Parameters
    ----------
    x : array_like, shape (..., n_samples)
    sample_rate_hz : float > 0
    window : str or array_like of length n_samples
    """
    x = np.asarray(x, dtype=np.float64)
    n = x.shape[-1]
    _check(n, sample_rate_hz, n, 1)
    weights = _weights(window, n)
    lines = scipy.fft.rfft(x * (2.0 / np.sum(weights) * weights), axis=-1)
    lines[..., 0] *= 0.5
    if n % 2 == 0:
        lines[..., -1] *= 0.5
    return AmplitudeSpectrum(
        frequency_hz=frozen_array(np.arange(n // 2 + 1) * (sample_rate_hz / n), copy=False),
        amplitude=frozen_array(np.abs(lines), copy=False),
        phase_rad=frozen_array(np.angle(lines), copy=False),
    )


def band_power(
    spectrum: ShortTimePower | PowerSpectralDensity, low_hz: float, high_hz: float
) -> NDArray[Any]:
    """Return the mean square between two frequencies, edges shared between bands.

    Each bin stands for half a step to either side; a bin that an edge cuts counts with the share
    that lies inside, so that adjoining bands add up to the whole.

    Returns
    -------
    ndarray
        Shape (..., n_frames) for a `ShortTimePower`, (...,) for a `PowerSpectralDensity`.
    """
    if not 0.0 <= low_hz < high_hz:
        raise CallError(
            f"low_hz must be at least 0 and below high_hz. Got {low_hz!r} and {high_hz!r} instead."
        )
    frequency = spectrum.frequency_hz
    step = float(frequency[1] - frequency[0])
    # The first and the last bin have only one neighbour: half a step wide.
    lower = np.maximum(frequency - 0.5 * step, frequency[0])
    upper = np.minimum(frequency + 0.5 * step, frequency[-1])
    inside = np.minimum(upper, high_hz) - np.maximum(lower, low_hz)
    share = np.maximum(inside, 0.0) / (upper - lower)
    is_power = isinstance(spectrum, ShortTimePower)
    values = spectrum.power if isinstance(spectrum, ShortTimePower) else spectrum.density
    scale = step / spectrum.noise_bandwidth_hz if is_power else step
    used = np.flatnonzero(share)
    if used.size == 0:
        return np.zeros(values.shape[:-1], values.dtype)
    part = slice(int(used[0]), int(used[-1]) + 1)
    total: NDArray[Any] = values[..., part] @ (share[part] * scale).astype(values.dtype)
    return total
