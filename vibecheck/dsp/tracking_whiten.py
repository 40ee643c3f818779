"""Speed tracking, whitening: spectra over their noise floor, and what a bin's power votes.

A vote is the log-likelihood ratio "a line is here" against "only noise, or somebody else's line, is
here".
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from vibecheck.arrays import frozen_array
from vibecheck.dsp.tracking_front import Level

FLOOR_QUANTILE = 0.4
FLOOR_BINS = 24
STRAY = 0.02  # prior probability that an unrelated line sits in a given bin
STANDING_PART_S = 0.5
STANDING_PARTS = 6
STANDING_OVER_FLOOR = 2.0
FLANK_SHARE = 0.1
FLOOR_STEPS = 8  # one floor estimate for this many steps
_TABLE_STEP = 0.125
_TABLE_SIZE = 1024
PRESENT = 0.7  # prior probability that a known order shows in the spectrum at all
POWERS_AT_ONCE = 1 << 16


@dataclass(frozen=True, eq=False)
class Whitened:
    """One level's power over its noise floor, at the tracker's steps (two frames each).

    ``votes[bin, step]`` is the log-likelihood ratio, ``power[step, bin]`` the power over the floor,
    summed over looks and channels. ``floor[channel, block, bin]`` is the mean noise power, one
    block for ``block_frames`` frames.
    """

    level: Level
    votes: NDArray[np.float32]
    power: NDArray[np.float32]
    floor: NDArray[np.float32]
    block_frames: int

    @cached_property
    def floor_db(self) -> NDArray[np.float64]:
        """Mean level of the floor in each block, dB."""
        return np.asarray(10.0 * np.log10(self.floor).mean(axis=(0, 2)))

    @cached_property
    def log_power(self) -> NDArray[np.float32]:
        """``log(1 + power)``, shape (n_steps, n_bins)."""
        out: NDArray[np.float32] = np.log1p(self.power)
        return out


@lru_cache(maxsize=16)
def vote_table(n_looks: int, stray: float = STRAY) -> NDArray[np.float32]:
    """Log-likelihood ratio of a line against no line of ours, tabulated over summed power.

    The sum ``q`` of ``n_looks`` noise-normalised powers is Gamma(n_looks, 1) in noise and
    Gamma(n_looks, 1 + s) where a line of signal-to-noise ratio ``s`` stands, with ``s`` log-uniform
    in 1.5–1000. ``stray`` is the chance that the line belongs to something else: it bounds the
    vote, so that no single line, however strong, decides alone. Stray lines are mostly weak (their
    density falls with the fourth root of the ratio), so a strong line says a little more.
    Entry ``i`` is for ``q = i * 0.125``.
    """
    q = np.arange(_TABLE_SIZE) * _TABLE_STEP
    snr = np.geomspace(1.5, 1000.0, 25)
    log_ratio = q[:, np.newaxis] * (snr / (1 + snr)) - n_looks * np.log1p(snr)
    weak = snr**-0.25 / np.sum(snr**-0.25)
    ours = np.logaddexp(
        np.log1p(-PRESENT),
        np.log(PRESENT / snr.size) + special.logsumexp(log_ratio, axis=1),
    )
    theirs = np.logaddexp(
        np.log1p(-stray), np.log(stray) + special.logsumexp(log_ratio, axis=1, b=weak)
    )
    table: NDArray[np.float32] = (ours - theirs).astype(np.float32)
    table.setflags(write=False)
    return table


def noise_floor(power: NDArray[np.float32], n_looks: int) -> NDArray[np.float32]:
    """Mean noise power per bin from a low quantile over neighbouring bins, lines ignored.

    Parameters
    ----------
    power : ndarray, shape (..., n_bins)
        Sums of ``n_looks`` exponentially distributed powers.
    """
    n_bins = power.shape[-1]
    width = min(FLOOR_BINS, n_bins)
    starts = np.unique(np.linspace(0, n_bins - width, max(1, round(2 * n_bins / width) - 1)))
    starts = starts.astype(int)
    rank = int(FLOOR_QUANTILE * (width - 1))
    windows = np.lib.stride_tricks.sliding_window_view(power, width, axis=-1)[..., starts, :]
    quantile = np.partition(windows, rank, axis=-1)[..., rank]
    # Quantile of Gamma(n_looks, 1) at the rank used, so that the floor is a mean.
    scale = n_looks / special.gammaincinv(n_looks, (rank + 0.7) / (width + 0.4))
    centre = starts + (width - 1) / 2.0
    log_floor = np.log(quantile * np.float32(scale) + np.float32(1e-30))
    weights = _interpolation(tuple(centre.tolist()), n_bins)
    floor: NDArray[np.float32] = np.exp(log_floor @ weights)
    return floor


@lru_cache(maxsize=16)
def _interpolation(centres: tuple[float, ...], n_bins: int) -> NDArray[np.float32]:
    bins = np.arange(n_bins)
    rows = [np.interp(bins, centres, row) for row in np.eye(len(centres))]
    return frozen_array(np.stack(rows), np.float32, copy=False)


def whiten(level: Level) -> Whitened:
    """Divide a level by its noise floor and turn it into votes.

    The floor is a low quantile over frequency, smoothed over about half a second.
    """
    spectrum = level.spectrum
    channels, n_frames, n_bins = spectrum.shape
    n_steps = max(1, n_frames // 2)
    pairs = np.empty((channels, n_steps, n_bins), np.float32)
    at_once = max(1, POWERS_AT_ONCE // n_bins)
    for first in range(0, n_steps, at_once):
        part = spectrum[:, 2 * first : 2 * min(first + at_once, n_steps)]
        power = part.real**2
        power += part.imag**2
        pairs[:, first : first + at_once] = power[:, ::2]
        if n_frames > 1:
            pairs[:, first : first + at_once] += power[:, 1::2]
    loudness = 0.5 * float(pairs.mean())
    overlapping = level.hop_share < 0.5
    looks = 1 if overlapping or n_frames == 1 else 2
    if overlapping and n_frames > 1:
        pairs *= 0.5  # strongly overlapping frames are nearly one look
    block = min(n_steps, FLOOR_STEPS)
    n_blocks = -(-n_steps // block)
    middles = np.minimum(np.arange(n_blocks) * block + block // 2, n_steps - 1)
    floor = noise_floor(pairs[:, middles], looks) / np.float32(looks)
    floor = ndimage.uniform_filter1d(floor, 3, axis=1, mode="nearest", output=np.float32)
    least = 1e-9 * (float(floor.mean()) + loudness) + 1e-30
    np.maximum(floor, np.float32(least), out=floor)
    summed = np.empty((n_steps, n_bins), np.float32)
    votes = np.empty((n_bins, n_steps), np.float32)
    n_blocks_at_once = max(1, at_once // block)
    for first in range(0, n_blocks, n_blocks_at_once):
        steps = slice(first * block, (first + n_blocks_at_once) * block)
        part = pairs[:, steps]
        of_each = np.repeat(floor[:, first : first + n_blocks_at_once], block, axis=1)
        part /= of_each[:, : part.shape[1]]
        part.sum(axis=0, out=summed[steps])
        votes[:, steps] = _votes(summed[steps], looks * channels)
    return Whitened(level, votes, summed, floor, 2 * block)


def _votes(power: NDArray[np.float32], n_looks: int) -> NDArray[np.float32]:
    """Table look-up, with the flanks of a line silenced; shape (n_bins, n_steps).

    One bin off a tone, the Hann window still passes a quarter of its power: that is no second
    line. Each bin's power is divided by one plus a tenth of its stronger neighbour's, which leaves
    peaks (and the two bins around a tone between bins) their vote and takes that of the flanks.
    """
    beside = np.maximum(power[:, 2:], power[:, :-2])
    beside *= np.float32(FLANK_SHARE / n_looks)
    beside += np.float32(1.0)
    index = np.empty(power.shape, np.intp)
    scale = np.float32(1.0 / _TABLE_STEP)
    last = np.float32(_TABLE_SIZE - 1)
    index[:, 1:-1] = np.minimum(power[:, 1:-1] * scale / beside, last)
    index[:, :1] = np.minimum(power[:, :1] * scale, last)
    index[:, -1:] = np.minimum(power[:, -1:] * scale, last)
    return vote_table(n_looks).take(index).T


def standing_lines(whitened: Whitened, step_s: float) -> NDArray[np.bool_]:
    """Bins in which a line stood still for the whole recording, such as mains hum or a fan.

    The lowest mean over parts of the recording (minimum statistics: R. Martin, IEEE Trans. Speech
    Audio Process. 9 (2001) 504–512) stays well over the noise floor there. Recordings too short to
    tell have none.
    """
    n_steps, n_bins = whitened.power.shape
    length = max(1, round(STANDING_PART_S / step_s))
    count = n_steps // length
    if count < STANDING_PARTS:
        return np.zeros(n_bins, bool)
    parts = whitened.power[: count * length].reshape(count, length, n_bins).mean(axis=1)
    noise = float(np.median(parts))
    standing: NDArray[np.bool_] = parts.min(axis=0) > STANDING_OVER_FLOOR * max(noise, 1.0)
    return standing


def without_standing(whitened: Whitened, standing: NDArray[np.bool_]) -> Whitened:
    """Take the vote from standing lines: they most likely belong to something else."""
    if not standing.any():
        return whitened
    votes = np.where(standing[:, np.newaxis], np.float32(0.0), whitened.votes)
    return replace(whitened, votes=votes)
