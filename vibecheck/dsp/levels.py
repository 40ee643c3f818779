"""Signal core: levels over time, in short blocks, and what happens at the top of the scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibecheck.arrays import frozen_array
from vibecheck.errors import CallError

__all__ = [
    "BlockLevels",
    "block_levels",
    "flat_top_share",
    "median_over_time",
    "repeated_runs",
    "runs",
    "smooth",
    "stuck_runs",
]

# A flat top: samples within this share of half the span of the extreme value …
_FLAT_WIDTH = 1e-3
# … in runs of at least this many (two equal samples straddle any crest), or at distances of at
# least this many different lengths.
_FLAT_RUN, _IRREGULAR = 3, 4
# Fewer samples than this at the top are chance.
_FLAT_LEAST = 6
# Near the top of a sine, the crest (width w) holds 1/(√3 − 1) = 1.37 times the samples of the strip
# below it (w to 3w), by the arcsine law. A flat top holds far more.
_FLAT_OVER_STRIP = 4.0
# More blocks than this near the top are thinned out evenly: the share stays, the time does not.
_FLAT_BLOCKS = 2000


@dataclass(frozen=True, eq=False)
class BlockLevels:
    """Statistics of blocks that follow each other without overlap.

    Attributes
    ----------
    time_s : ndarray, shape (n_blocks,)
        Centre of each block.
    n_block : int
        Samples in a block.
    mean, mean_square, low, high : ndarray, shape (..., n_blocks)
    """

    time_s: NDArray[np.float64]
    n_block: int
    mean: NDArray[Any]
    mean_square: NDArray[Any]
    low: NDArray[Any]
    high: NDArray[Any]

    @property
    def peak(self) -> NDArray[Any]:
        """Largest magnitude in each block."""
        peak: NDArray[Any] = np.maximum(self.high, -self.low)
        return peak

    @property
    def variance(self) -> NDArray[np.float64]:
        """Mean square of each block without its own mean."""
        mean = np.asarray(self.mean, dtype=np.float64)
        return np.maximum(np.asarray(self.mean_square, dtype=np.float64) - mean * mean, 0.0)


def block_levels(x: ArrayLike, sample_rate_hz: float, n_block: int) -> BlockLevels:
    """Return mean square, lowest and highest value of each whole block.

    Parameters
    ----------
    x : array_like, shape (..., n_samples)
    sample_rate_hz : float > 0
    n_block : int, 1 … n_samples

    Raises
    ------
    CallError
        If ``n_block`` is out of range.
    """
    x = np.asarray(x)
    if not 1 <= n_block <= x.shape[-1]:
        raise CallError(
            f"n_block must be between 1 and the number of samples ({x.shape[-1]}). "
            f"Got {n_block!r} instead."
        )
    n_blocks = x.shape[-1] // n_block
    parts = x[..., : n_blocks * n_block].reshape(*x.shape[:-1], n_blocks, n_block)
    return BlockLevels(
        time_s=frozen_array((np.arange(n_blocks) + 0.5) * n_block / sample_rate_hz, copy=False),
        n_block=n_block,
        mean=frozen_array(parts.mean(axis=-1), copy=False),
        mean_square=frozen_array(np.einsum("...i,...i->...", parts, parts) / n_block, copy=False),
        low=frozen_array(parts.min(axis=-1), copy=False),
        high=frozen_array(parts.max(axis=-1), copy=False),
    )


def runs(mask: ArrayLike) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the first index and the length of each run of true values.

    Parameters
    ----------
    mask : array_like of bool, shape (n,)
    """
    padded = np.zeros(np.asarray(mask).size + 2, dtype=np.int8)
    padded[1:-1] = mask
    steps = np.diff(padded)
    first = np.flatnonzero(steps == 1)
    return first, np.flatnonzero(steps == -1) - first


def smooth(values: ArrayLike, n: int) -> NDArray[np.float64]:
    """Return the centred moving mean over ``n`` values, with shorter means at the ends."""
    values = np.asarray(values, dtype=np.float64)
    if n <= 1 or values.size == 0:
        return values.copy()
    total = np.concatenate([[0.0], np.cumsum(values)])
    index = np.arange(values.size)
    low = np.maximum(index - (n - 1) // 2, 0)
    high = np.minimum(index + n // 2 + 1, values.size)
    mean: NDArray[np.float64] = (total[high] - total[low]) / (high - low)
    return mean


def median_over_time(power: NDArray[Any]) -> NDArray[Any]:
    """Return the median of each column, shape (n_bins,), of an array (n_frames, n_bins).

    The upper one of the two middle values where the number of frames is even: exact enough for a
    level, and several times faster than the mean of both.
    """
    columns = np.ascontiguousarray(power.T)
    middle = columns.shape[1] // 2
    columns.partition(middle, axis=1)
    return columns[:, middle]


def flat_top_share(
    x: NDArray[Any],
    levels: BlockLevels,
    *,
    offset: float = 0.0,
) -> tuple[float, float]:
    """Return the share of samples in flat tops, and the level of the taller flat top.

    A flat top is a crowd of samples within 0.1 % of half the span from the highest (or the lowest)
    value that is out of proportion to the strip just below it: a smooth crest is not a flat top, at
    whatever level. Single samples count where they come at irregular distances (hiss is cut one
    sample at a time), else only runs of three or more: a digital tone whose period is a whole
    number of samples touches its highest value once in each period.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
    levels : BlockLevels
        Of the same samples.
    offset : float
        What was taken off the samples before (their mean).

    Returns
    -------
    share : float
        Samples in flat tops over all samples, 0 … 1.
    level : float
        Magnitude at which they are cut off; 0.0 where there are none.
    """
    n_blocks = levels.high.shape[-1]
    parts = x[: n_blocks * levels.n_block].reshape(n_blocks, levels.n_block)
    top, bottom = float(levels.high.max()), float(levels.low.min())
    width = _FLAT_WIDTH * 0.5 * (top - bottom)
    if not width > 0.0:
        return 0.0, 0.0
    count, level = 0.0, 0.0
    for sign, extremes, extreme in ((1.0, levels.high, top), (-1.0, -levels.low, -bottom)):
        blocks = np.flatnonzero(extremes >= extreme - 40.0 * width)
        thinning = -(-blocks.size // _FLAT_BLOCKS)
        near = sign * parts[blocks[::thinning]]
        at_top = near >= extreme - width
        below = near[~at_top]
        # On a coarse scale the strip must reach down to the next code.
        gap = extreme - float(below.max()) if below.size else 0.0
        strip = near >= extreme - max(3.0 * width, 1.01 * gap)
        in_strip = int(np.count_nonzero(strip)) - int(np.count_nonzero(at_top))
        first, length = runs(at_top.ravel())
        used = blocks[::thinning]
        at = used[first // levels.n_block] * levels.n_block + first % levels.n_block
        irregular = np.unique(np.diff(at)).size >= _IRREGULAR
        in_runs = int(length.sum() if irregular else length[length >= _FLAT_RUN].sum())
        if in_runs >= _FLAT_LEAST and in_runs > _FLAT_OVER_STRIP * in_strip:
            count += in_runs * thinning
            level = max(level, abs(extreme + sign * offset))
    return min(1.0, count / x.size), level


def stuck_runs(x: NDArray[Any], shortest: int) -> list[tuple[int, int]]:
    """Return ``(start, length)`` of stretches in which one value is repeated.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
    shortest : int >= 8
        Shortest stretch to report, in samples. Only every so many-th pair of neighbours is compared
        first; where two pairs in a row agree, all samples around them are.
    """
    stride = max(1, shortest // 4)
    pairs = x[: x.size - 1 : stride] == x[1::stride]
    found: list[tuple[int, int]] = []
    for first, length in zip(*runs(pairs), strict=True):
        if length < 2:
            continue
        begin = max(0, (int(first) - 1) * stride)
        part = x[begin : (int(first + length) + 1) * stride + 1]
        start, n_equal = runs(part[1:] == part[:-1])
        for k in np.flatnonzero(n_equal + 1 >= shortest):
            found.append((begin + int(start[k]), int(n_equal[k]) + 1))
    return found


def repeated_runs(
    x: NDArray[Any], lags: tuple[int, ...], *, stride: int = 16
) -> list[tuple[int, int]]:
    """Return ``(start, length)`` of stretches that repeat the samples just before them exactly.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
    lags : tuple of int
        Buffer lengths to try, in samples, each >= 8 · stride.
    stride : int
        Every ``stride``-th sample is compared first; what matches is compared in full.

    Notes
    -----
    Constant stretches and signals that go on repeating for more than four lags (a pure digital
    tone) are left out: neither is a repeated buffer.
    """
    found: list[tuple[int, int]] = []
    coarse = np.ascontiguousarray(x[::stride])
    for lag in lags:
        if lag % stride or lag // stride < 8 or x.size < 3 * lag:
            continue
        step = lag // stride
        same = coarse[step:] == coarse[:-step]
        if np.count_nonzero(same) < step - 1:
            continue
        first, length = runs(same)
        for k in np.flatnonzero((length >= step - 1) & (length <= 4 * step)):
            start = int(first[k]) * stride + lag
            # One stride less than the buffer: it need not start on the coarse grid.
            end = min(start + (int(length[k]) - 1) * stride, x.size)
            again, before = x[start:end], x[start - lag : end - lag]
            if np.array_equal(again, before) and again.min() < again.max():
                found.append((start, end - start))
    return found
