"""Signal core: the squared envelope of a band, its spectrum, and what chance alone would show.

References: R. B. Randall and J. Antoni, MSSP 25 (2011) 485–520 (squared-envelope spectrum);
P. D. Welch, IEEE Trans. AU-15 (1967) 70–73 (variance of averaged, overlapping segments).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from vibecheck.arrays import frozen_array
from vibecheck.dsp.statistics import robust_scale, running_median
from vibecheck.errors import CallError

HANN_HALF_OVERLAP = 1.0 / 36.0
"""Squared correlation of Hann segments that overlap by half, (1/6)²."""
EDGE_SHARE = 0.1
"""Width of a band's cosine edge, as a share of the band."""


def analytic_band(
    x: ArrayLike, sample_rate_hz: float, low_hz: float, high_hz: float
) -> tuple[NDArray[Any], float]:
    """Cut out a band and move it to zero frequency: its complex envelope at a low rate.

    The rate is at least twice the band's width, so that the squared envelope, which is twice as
    wide as the envelope, is sampled without folding.

    Parameters
    ----------
    x : array_like, shape (..., n_samples)
        float32 stays single precision.
    sample_rate_hz : float > 0
    low_hz, high_hz : float
        ``0 <= low_hz < high_hz <= sample_rate_hz / 2``; half-amplitude points of cosine edges.

    Returns
    -------
    envelope : complex ndarray, shape (..., m)
        A sine of amplitude ``a`` in the band reads ``|envelope| = a``.
    rate_hz : float

    Raises
    ------
    CallError
        If the band is empty or lies beyond half the sample rate.
    """
    if not 0.0 <= low_hz < high_hz <= 0.5 * sample_rate_hz + 1e-9:
        raise CallError(
            "The band must lie between 0 Hz and half the sample rate "
            f"({0.5 * sample_rate_hz:g} Hz). Got {low_hz:g} to {high_hz:g} Hz instead."
        )
    x = np.asarray(x)
    if x.dtype != np.float32:
        x = x.astype(np.float64)
    n = x.shape[-1]
    edge = EDGE_SHARE * (high_hz - low_hz)
    n_fft = (
        n if n == scipy.fft.next_fast_len(n, real=True) else scipy.fft.next_fast_len(n + n // 50)
    )
    lines = scipy.fft.rfft(x, n_fft, axis=-1)
    step = sample_rate_hz / n_fft
    first = max(1, int(np.ceil((low_hz - 0.5 * edge) / step)))
    last = min(lines.shape[-1] - 2 + n_fft % 2, int(np.floor((high_hz + 0.5 * edge) / step)))
    if last < first:
        raise CallError(
            f"The band from {low_hz:g} to {high_hz:g} Hz is narrower than one line of the take."
        )
    frequency = step * np.arange(first, last + 1)
    inside = np.minimum(frequency - low_hz, high_hz - frequency) / edge + 0.5
    weights = np.sin(0.5 * np.pi * np.clip(inside, 0.0, 1.0)) ** 2
    m = min(scipy.fft.next_fast_len(2 * (last - first + 1)), n_fft)
    # Analytic signal: positive lines twice, at the lower rate m/n_fft.
    band = lines[..., first : last + 1] * (weights * (2.0 * m / n_fft)).astype(x.dtype)
    envelope = scipy.fft.ifft(band, m, axis=-1)
    rate = sample_rate_hz * m / n_fft
    kept = min(m, int(np.ceil(n * m / n_fft)))
    return envelope[..., :kept], rate


def squared_envelope(
    x: ArrayLike, sample_rate_hz: float, low_hz: float, high_hz: float
) -> tuple[NDArray[Any], float]:
    """Return the squared envelope of a band and its rate (see `analytic_band`)."""
    envelope, rate = analytic_band(x, sample_rate_hz, low_hz, high_hz)
    return envelope.real**2 + envelope.imag**2, rate


@dataclass(frozen=True, eq=False)
class LineSignificance:
    """Averaged power of each bin against what noise alone would show.

    Attributes
    ----------
    power : ndarray, shape (n_bins,)
        Mean over segments.
    background : ndarray, shape (n_bins,)
        Expected power without lines: the running median, corrected to the mean.
    p_value : ndarray, shape (n_bins,)
        Chance of a bin at least so high without a line.
    n_effective : float
        Independent segments that the average is worth.
    """

    power: NDArray[np.float64]
    background: NDArray[np.float64]
    p_value: NDArray[np.float64]
    n_effective: float
    n_background: float

    def limit(self, false_alarm: float, n_tests: int) -> NDArray[np.float64]:
        """Return the power that noise alone exceeds in any of ``n_tests`` bins with that chance.

        Bonferroni: each bin is held to ``false_alarm / n_tests``.
        """
        if not 0.0 < false_alarm < 1.0:
            raise CallError(f"false_alarm must be between 0 and 1. Got {false_alarm!r} instead.")
        from scipy.special import fdtri

        level = 1.0 - false_alarm / max(n_tests, 1)
        ratio = float(fdtri(2.0 * self.n_effective, 2.0 * self.n_background, level))
        return ratio * self.background


def effective_averages(n_segments: int) -> float:
    """Independent averages that half-overlapping Hann segments are worth (Welch 1967).

    ``var/mean² = [1 + 2ρ²(K−1)/K]/K`` with ``ρ = 1/6``.
    """
    k = float(n_segments)
    return k / (1.0 + 2.0 * HANN_HALF_OVERLAP * (k - 1.0) / k)


def line_significance(
    power: ArrayLike, n_segments: int, background_bins: int = 97
) -> LineSignificance:
    """Hold each bin of an averaged spectrum against its surroundings.

    Without a line a bin's averaged power follows a gamma distribution with ``n_effective`` as its
    shape. The background is the median of the surrounding bins; as it is itself an estimate, the
    ratio of the two follows Fisher's F distribution.

    Parameters
    ----------
    power : array_like, shape (n_bins,)
        Mean over ``n_segments`` half-overlapping Hann segments; without the bins near zero.
    n_segments : int >= 1
    background_bins : int, odd
        Bins that the median runs over; a line and its neighbours should fill few of them.
    """
    from scipy.special import fdtrc, gammaincinv

    power = np.asarray(power, dtype=np.float64)
    if n_segments < 1:
        raise CallError(f"n_segments must be at least 1. Got {n_segments!r} instead.")
    width = min(background_bins, power.size - 1 + power.size % 2)
    shape = effective_averages(n_segments)
    # The envelope spectrum of noise falls off towards the band's width: a median that runs over
    # a slope would sit too low on its upper side, so the slope is taken out first.
    trend = _smooth_trend(power)
    # Median over mean of a gamma distribution.
    level = running_median(power / trend, width) / (float(gammaincinv(shape, 0.5)) / shape)
    background = level * trend
    background = np.maximum(background, 1e-300)
    # Neighbouring Hann bins are correlated (half as many count), and a median is about half as
    # good as a mean.
    n_background = max(1.0, shape * width / 4.0)
    return LineSignificance(
        power=frozen_array(power),
        background=frozen_array(background, copy=False),
        p_value=frozen_array(
            fdtrc(2.0 * shape, 2.0 * n_background, power / background), copy=False
        ),
        n_effective=shape,
        n_background=n_background,
    )


def _smooth_trend(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a parabola through the log power, fitted without the bins that stand out."""
    log_power = np.log(np.maximum(power, 1e-300))
    place = np.linspace(-1.0, 1.0, power.size)
    columns = np.stack([np.ones_like(place), place, place**2], axis=1)
    keep = np.ones(power.size, dtype=bool)
    fit = np.full(power.size, np.median(log_power))
    for _ in range(4):
        if keep.sum() < 16:
            break
        weights, *_ = np.linalg.lstsq(columns[keep], log_power[keep], rcond=None)
        fit = columns @ weights
        rest = log_power - fit
        keep = np.abs(rest - np.median(rest[keep])) <= 3.0 * robust_scale(rest[keep])
    trend: NDArray[np.float64] = np.exp(fit)
    return trend
