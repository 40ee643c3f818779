"""Signal core: spectral kurtosis, and the band in which bursts stand out most.

References: J. Antoni, MSSP 20 (2006) 282–307 (spectral kurtosis); J. Antoni, MSSP 21 (2007)
108–124 (fast kurtogram with a 1/3-binary tree of bands). The bands are taken from short-time
transforms here, one per level, instead of a tree of filters.

Spectral kurtosis is that of the complex envelope: 0 for Gaussian noise, −1 for a steady tone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibecheck.arrays import frozen_array
from vibecheck.dsp.spectrum import short_time_power
from vibecheck.errors import CallError


def spectral_kurtosis(power: ArrayLike, n_block: int | None = None) -> NDArray[np.float64]:
    """Return the spectral kurtosis of each bin, from short-time power.

    ``SK = M/(M−1) · [(M+1) Σ|X|⁴ / (Σ|X|²)² − 2]`` over ``M`` frames: without bias for Gaussian
    noise, standard deviation about ``2/√M``. With ``n_block``, the kurtosis is taken within
    blocks and averaged, so that a level that changes slowly (a run-up) does not pass for bursts.

    Parameters
    ----------
    power : array_like, shape (..., n_frames, n_bins)
        ``|X|²`` of frames that overlap by half at most. Bins at 0 Hz and at half the sample rate
        are real-valued and read +1 for Gaussian noise: leave them out.
    n_block : int >= 2, optional
        Frames per block; the tail that fills none is left out.

    Returns
    -------
    ndarray, shape (..., n_bins)
        NaN where the power is zero throughout.
    """
    power = np.asarray(power)
    n_frames = power.shape[-2]
    m = n_frames if n_block is None else n_block
    if not 2 <= m <= n_frames:
        raise CallError(
            f"n_block must be between 2 and the number of frames ({n_frames}). Got {m!r} instead."
        )
    n_blocks = n_frames // m
    blocks = power[..., : n_blocks * m, :].reshape(*power.shape[:-2], n_blocks, m, power.shape[-1])
    return np.asarray(np.mean(block_kurtosis(blocks), axis=-2))


def block_kurtosis(blocks: NDArray[Any]) -> NDArray[np.float64]:
    """Return the spectral kurtosis of each block, power of shape (..., n_blocks, m, n_bins)."""
    m = blocks.shape[-2]
    second = np.sum(blocks, axis=-2, dtype=np.float64)
    fourth = np.einsum("...mk,...mk->...k", blocks, blocks, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(m / (m - 1.0) * ((m + 1.0) * fourth / second**2 - 2.0))


@dataclass(frozen=True, eq=False)
class Kurtogram:
    """Spectral kurtosis against frequency and band width.

    Attributes
    ----------
    level : ndarray, shape (n_levels,)
        Number of bands as a power of two: 0, 1, 1.6, 2, 2.6 …
    band_width_hz : ndarray, shape (n_levels,)
    edges_hz : ndarray, shape (n_columns + 1,)
        Common grid on which all levels are drawn.
    kurtosis : ndarray, shape (n_levels, n_columns)
    sd : ndarray, shape (n_levels,)
        Standard deviation of the kurtosis for Gaussian noise.
    low_hz, high_hz : float
        The band in which bursts stand out most.
    best_kurtosis, best_sd : float
        There.
    """

    level: NDArray[np.float64]
    band_width_hz: NDArray[np.float64]
    edges_hz: NDArray[np.float64]
    kurtosis: NDArray[np.float64]
    sd: NDArray[np.float64]
    low_hz: float
    high_hz: float
    best_kurtosis: float
    best_sd: float

    @property
    def centre_hz(self) -> float:
        """Middle of the best band."""
        return 0.5 * (self.low_hz + self.high_hz)

    @property
    def is_significant(self) -> bool:
        """True where the best band's kurtosis is beyond what the search finds in Gaussian noise.

        One chance in a hundred over all bands searched (Bonferroni), with the skewness of the
        estimate, ``10/√M``, allowed for (Cornish and Fisher's first term).
        """
        from scipy.special import ndtri

        n_bands = float(np.sum(np.round(2.0**self.level)))
        z = float(ndtri(1.0 - 0.01 / n_bands))
        skewness = 5.0 * self.best_sd
        return bool(self.best_kurtosis > self.best_sd * (z + skewness * (z * z - 1.0) / 6.0))


def band_counts(n_finest: int) -> list[int]:
    """Return the numbers of bands of the 1/3-binary tree: 1, 2, 3, 4, 6, 8, 12 … ``n_finest``."""
    counts = {1}
    for n in (2, 3):
        while n <= n_finest:
            counts.add(n)
            n *= 2
    return sorted(counts)


def fast_kurtogram(
    x: ArrayLike,
    sample_rate_hz: float,
    *,
    n_finest: int = 96,
    block_s: float | None = 0.25,
    low_hz: float = 0.0,
    high_hz: float | None = None,
) -> Kurtogram:
    """Return the kurtogram of a signal and its best band.

    Parameters
    ----------
    x : array_like, shape (n_samples,)
    sample_rate_hz : float > 0
    n_finest : int >= 2
        Number of bands of the finest level.
    block_s : float, optional
        Bursts are judged within blocks of this length; None for the whole signal at once.
    low_hz, high_hz : float, optional
        The best band is searched between these.

    Raises
    ------
    CallError
        If the signal is too short for the finest level, or no band lies in the search range.
    """
    x = np.asarray(x, dtype=np.float32)
    counts = band_counts(n_finest)
    least = 8 * 4 * counts[-1]
    if x.size < least:
        raise CallError(f"A kurtogram of {n_finest} bands needs {least} samples. Got {x.size}.")
    high_hz = 0.5 * sample_rate_hz if high_hz is None else high_hz
    n_columns = int(np.lcm.reduce(counts))
    rows, sds = [], []
    best = (-np.inf, 0.0, 0.0, 0.0, 1.0)
    for n_bands in counts:
        # Every second bin of a Hann window of four samples per band: the bins' own width
        # (1.5/4 of fs/n_bands·2) matches the spacing of the bands, and no bin sits at 0 Hz.
        n_window = 4 * n_bands
        power = short_time_power(x, sample_rate_hz, n_window, n_window // 2).power[:, 1::2]
        n_block = None
        if block_s is not None:
            # Whole blocks of about that length, so that no more than a few frames are left over.
            wanted = np.clip(block_s * sample_rate_hz / (n_window // 2), 8, len(power))
            n_block = len(power) // max(1, round(len(power) / wanted))
        values = spectral_kurtosis(power, n_block)
        # The lowest and the highest bin still touch their own mirror image: for Gaussian noise
        # |E X²|²/(E|X|²)² = (1/6)² stays, and (1/3)² where one bin does both.
        values[[0, -1]] -= 1.0 / 36.0 if n_bands > 1 else 1.0 / 9.0
        values = np.nan_to_num(values, nan=-1.0)
        sd = 2.0 / np.sqrt(len(power))
        width = 0.5 * sample_rate_hz / n_bands
        lower = width * np.arange(n_bands)
        allowed = (lower >= low_hz - 1e-6) & (lower + width <= high_hz + 1e-6)
        if allowed.any():
            at = int(np.argmax(np.where(allowed, values, -np.inf)))
            # A narrow band has few frames and a wide scatter: compare what is certain.
            merit = values[at] - 3.0 * sd
            if merit > best[0]:
                best = (merit, lower[at], lower[at] + width, float(values[at]), sd)
        rows.append(np.repeat(values, n_columns // n_bands))
        sds.append(sd)
    if not np.isfinite(best[0]):
        raise CallError(f"No band of the kurtogram lies between {low_hz:g} and {high_hz:g} Hz.")
    widths = 0.5 * sample_rate_hz / np.array(counts, dtype=np.float64)
    return Kurtogram(
        level=frozen_array(np.log2(counts), copy=False),
        band_width_hz=frozen_array(widths, copy=False),
        edges_hz=frozen_array(np.linspace(0.0, 0.5 * sample_rate_hz, n_columns + 1), copy=False),
        kurtosis=frozen_array(np.stack(rows), copy=False),
        sd=frozen_array(sds),
        low_hz=float(best[1]),
        high_hz=float(best[2]),
        best_kurtosis=best[3],
        best_sd=float(best[4]),
    )
