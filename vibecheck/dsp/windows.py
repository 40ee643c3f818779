"""Signal core: window functions and the three numbers that a spectrum needs to know about them.

All windows are periodic ("DFT-even"): ``w[n]`` for ``n = 0 … N−1`` is symmetric about ``N/2``, so
that windows with ``hop`` dividing ``N`` overlap-add without ripple.

References: F. J. Harris, Proc. IEEE 66 (1978) 51–83; ISO 18431-2:2004 (flat top).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibecheck.arrays import frozen_array
from vibecheck.errors import CallError, did_you_mean

_COSINE_SERIES: dict[str, tuple[float, ...]] = {
    # w[n] = Σ_k (−1)^k a_k cos(2πkn/N)
    "rectangle": (1.0,),
    "hann": (0.5, 0.5),
    "blackman_harris": (0.35875, 0.48829, 0.14128, 0.01168),
    "flat_top": (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
}
WINDOW_NAMES = tuple(_COSINE_SERIES)


def _check_length(n: int) -> None:
    if n < 1:
        raise CallError(f"The window length must be at least 1 sample. Got {n!r} instead.")


@lru_cache(maxsize=64)
def _cosine_series(name: str, n: int) -> NDArray[np.float64]:
    turn = 2.0 * np.pi * np.arange(n) / n
    terms = [(-1) ** k * a * np.cos(k * turn) for k, a in enumerate(_COSINE_SERIES[name])]
    return frozen_array(np.sum(terms, axis=0), np.float64, copy=False)


def window(name: str, n: int) -> NDArray[np.float64]:
    """Return a window by name, read-only.

    Parameters
    ----------
    name : {"rectangle", "hann", "blackman_harris", "flat_top"}
    n : int >= 1
        Length in samples.

    Raises
    ------
    CallError
        If the name is unknown or the length is not positive.
    """
    _check_length(n)
    if name not in _COSINE_SERIES:
        raise CallError(
            f"The window must be one of {', '.join(WINDOW_NAMES)}. Got {name!r} instead."
            f"{did_you_mean(name, WINDOW_NAMES)}"
        )
    return _cosine_series(name, n)


def rectangle(n: int) -> NDArray[np.float64]:
    """Return the rectangular window: no weighting, narrowest line, worst leakage."""
    return window("rectangle", n)


def hann(n: int) -> NDArray[np.float64]:
    """Return the Hann window: the default for noise and lines alike."""
    return window("hann", n)


def blackman_harris(n: int) -> NDArray[np.float64]:
    """Return the 4-term Blackman–Harris window: side lobes below −92 dB, for spurious lines."""
    return window("blackman_harris", n)


def flat_top(n: int) -> NDArray[np.float64]:
    """Return the flat-top window (ISO 18431-2): line amplitude true to 0.01 dB between bins."""
    return window("flat_top", n)


def kaiser(n: int, beta: float) -> NDArray[np.float64]:
    """Return the Kaiser window ``I0(β√(1−(2n/N−1)²)) / I0(β)``, periodic.

    Parameters
    ----------
    n : int >= 1
    beta : float >= 0
        Shape; Harris' α is ``beta / π``.
    """
    _check_length(n)
    if not beta >= 0.0:
        raise CallError(f"beta must be zero or more. Got {beta!r} instead.")
    place = 2.0 * np.arange(n) / n - 1.0
    return np.i0(beta * np.sqrt(np.maximum(0.0, 1.0 - place**2))) / np.i0(beta)


def coherent_gain(weights: ArrayLike) -> float:
    """Mean of the weights: what a bin-centred line's amplitude is multiplied by."""
    return float(np.mean(np.asarray(weights, dtype=np.float64)))


def noise_bandwidth_bins(weights: ArrayLike) -> float:
    """Equivalent noise bandwidth in bins, ``N Σw² / (Σw)²`` (Harris 1978, eq. 15)."""
    w = np.asarray(weights, dtype=np.float64)
    return float(w.size * np.sum(w**2) / np.sum(w) ** 2)


def scalloping_loss_db(weights: ArrayLike) -> float:
    """Loss in decibel of a line half way between two bins (Harris 1978, eq. 20), positive."""
    w = np.asarray(weights, dtype=np.float64)
    half_bin = np.exp(-1j * np.pi * np.arange(w.size) / w.size)
    return float(-20.0 * np.log10(np.abs(np.sum(w * half_bin)) / np.sum(w)))
