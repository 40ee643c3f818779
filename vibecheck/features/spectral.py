"""Stage 4: small array helpers that several signs share."""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.dsp.statistics import middle

FloatArray = NDArray[np.float64]
TINY = 1e-30


def moving_mean(values: NDArray[Any], n_window: int) -> NDArray[Any]:
    """Centred moving mean along the last axis; shorter windows at the ends."""
    n = values.shape[-1]
    n_window = min(n_window | 1, n)
    half = n_window // 2
    total = np.zeros((*values.shape[:-1], n + 1))
    np.cumsum(values, axis=-1, dtype=np.float64, out=total[..., 1:])
    mean = np.empty(values.shape)
    whole = slice(half, n - half)
    np.subtract(total[..., 2 * half + 1 :], total[..., : n - 2 * half], out=mean[..., whole])
    mean[..., whole] /= 2 * half + 1
    # At the ends the window reaches as far as there is anything.
    places = np.arange(n)
    ends = np.concatenate([places[:half], places[max(half, n - half) :]])
    first, last = np.maximum(ends - half, 0), np.minimum(ends + half + 1, n)
    mean[..., ends] = (total[..., last] - total[..., first]) / (last - first)
    return mean


def segment_power(
    values: NDArray[Any], inside: NDArray[np.bool_], n_segment: int, hop: int
) -> tuple[FloatArray, int]:
    """Average Hann-windowed power spectra of the segments that lie wholly inside a phase.

    Parameters
    ----------
    values : ndarray, shape (n_channels, n) or (n,)
    inside : ndarray of bool, shape (n,)
    n_segment, hop : int

    Returns
    -------
    power : ndarray, shape (n_segment // 2 + 1,)
        Summed over channels; zeros where no segment fits.
    n_averages : int
    """
    rows = np.atleast_2d(values)
    n = rows.shape[-1]
    starts = np.arange(0, max(n - n_segment, -1) + 1, hop)
    if starts.size:
        count = np.concatenate([[0], np.cumsum(inside)])
        starts = starts[count[starts + n_segment] - count[starts] >= 0.95 * n_segment]
    if starts.size == 0:
        return np.zeros(n_segment // 2 + 1), 0
    window = (0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n_segment) / n_segment)).astype(np.float32)
    index = starts[:, None] + np.arange(n_segment)
    pieces = rows[:, index]
    pieces = (pieces - pieces.mean(axis=-1, keepdims=True)) * window
    spectrum = scipy.fft.rfft(pieces, axis=-1)
    power = (spectrum.real**2 + spectrum.imag**2).mean(axis=1, dtype=np.float64).sum(axis=0)
    return power, int(starts.size)


def line_over_background_db(
    power: FloatArray,
    order: FloatArray,
    at_order: float,
    tolerance: float,
    half_width: float,
) -> float | None:
    """Power of a line over the median of its surroundings, in dB.

    Parameters
    ----------
    power, order : ndarray, shape (n,)
        Spectrum on a uniform order axis.
    at_order : float
        Nominal order.
    tolerance : float
        The largest bin within ± this is the line (wheels drift against each other).
    half_width : float
        Surroundings: from the tolerance out to ± this.

    Returns
    -------
    float or None
        ``None`` where the order lies outside the axis.
    """
    step = order[1] - order[0]
    tolerance = max(tolerance, 1.01 * step)
    if at_order - tolerance < 2 * step or at_order + half_width > order[-1]:
        return None
    reach = max(tolerance, half_width)
    first = max(0, int((at_order - reach - order[0]) / step) - 1)
    last = int((at_order + reach - order[0]) / step) + 3
    power = power[first:last]
    distance = np.abs(order[first:last] - at_order)
    line = power[distance <= tolerance].max()
    around = power[(distance > tolerance + 1.5 * step) & (distance <= half_width)]
    if around.size < 4 or not line > 0.0:
        return None
    return float(10.0 * np.log10(line / max(middle(around), TINY)))
