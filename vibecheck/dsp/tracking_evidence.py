"""Speed tracking, evidence: how well each candidate speed explains each moment.

All known orders vote together (multi-order probabilistic approach: Leclère, André, Antoni,
Mech. Syst. Signal Process. 81 (2016) 240–252). Their votes are log-likelihood ratios "a line is
here" against "only noise, or somebody else's line, is here", on spectra divided by their noise
floor.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from vibecheck.arrays import frozen_array
from vibecheck.dsp import tracking_level as level_reader
from vibecheck.dsp.tracking_front import MID_FROM_HZ, SHORT_FROM_HZ, Level

FLOOR_QUANTILE = 0.4
FLOOR_BINS = 24
PRESENT = 0.7  # prior probability that a known order shows in the spectrum at all
STRAY = 0.02  # prior probability that an unrelated line sits in a given bin
STANDING_PART_S = 0.5
STANDING_PARTS = 6
STANDING_OVER_FLOOR = 2.0
FLANK_SHARE = 0.1
LONG_UP_TO_HZ = 450.0  # as far up as steady lines profit from the long window
TWO_LOOKS_COST = 0.3
CANDIDATES_AT_ONCE = 64
POWERS_AT_ONCE = 1 << 16
FLOOR_STEPS = 8  # one floor estimate for this many steps
_TABLE_STEP = 0.125
_TABLE_SIZE = 1024


@dataclass(frozen=True)
class Line:
    """One order to look for: events per turn of the reference shaft, and its say (0–1).

    ``demand`` (over -1) scales what its absence costs by ``1 + demand``: below 0 for a line that
    may well be missing. ``slip`` is the relative uncertainty of the order itself, such as that of
    wheels behind an open differential.
    """

    order: float
    weight: float = 1.0
    demand: float = -0.6
    slip: float = 0.0


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


def candidate_evidence(
    whitened: Sequence[Whitened],
    candidates_hz: NDArray[np.float64],
    lines: Sequence[Line],
) -> NDArray[np.float32]:
    """Sum the votes of all lines for each candidate speed.

    Returns
    -------
    ndarray, shape (n_candidates, n_steps)
        Log-likelihood ratio of "the shaft turns at this speed" against "it is off".
    """  # fmt: skip
    evidence = line_evidence(whitened, candidates_hz, lines)
    evidence += level_reader.loudness_votes(whitened, evidence.shape[1])
    return evidence


def line_evidence(
    whitened: Sequence[Whitened],
    candidates_hz: NDArray[np.float64],
    lines: Sequence[Line],
) -> NDArray[np.float32]:
    """Sum the votes of all lines, without the say of the broadband level."""
    n_steps = whitened[0].votes.shape[1]
    evidence = np.zeros((candidates_hz.size, n_steps), np.float32)
    looks = [(line, list(_looks(whitened, line.order * candidates_hz))) for line in lines]
    # Many candidates ask the same bin: what its absence costs is worked out once per bin.
    demands = {line.demand for line in lines}
    said = {demand: [_demanding(item.votes, demand) for item in whitened] for demand in demands}
    # A few candidates at a time: all that is added up for them stays in the processor's cache.
    room = np.empty((CANDIDATES_AT_ONCE, n_steps), np.float32)
    for start in range(0, candidates_hz.size, CANDIDATES_AT_ONCE):
        end = min(start + CANDIDATES_AT_ONCE, candidates_hz.size)
        for line, parts in looks:
            for look in parts:
                first, last = max(look.first, start), min(look.last, end)
                if last <= first:
                    continue
                part = slice(first - look.first, last - look.first)
                if look.again is None:
                    table = said[line.demand][look.level]
                    votes = _rows(table, look.rows[part], room[: last - first])
                else:
                    votes = _demanding(_better_votes(whitened, look, part), line.demand)
                if line.weight != 1.0:
                    votes *= np.float32(line.weight)
                evidence[first:last] += votes
    return evidence


def _rows(
    table: NDArray[np.float32], rows: NDArray[np.intp], out: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Rows of a table, all of which exist, copied into a place that is there already."""
    return np.take(table, rows, axis=0, out=out, mode="clip")


def _demanding(votes: NDArray[np.float32], demand: float) -> NDArray[np.float32]:
    """Votes with what a line's absence costs scaled by ``1 + demand``."""
    if not demand:
        return votes
    out: NDArray[np.float32] = np.minimum(votes, 0)
    out *= np.float32(demand)
    out += votes
    return out


def line_votes(
    whitened: Sequence[Whitened], frequency_hz: NDArray[np.float64]
) -> Iterator[tuple[int, int, NDArray[np.float32]]]:
    """Votes at rising frequencies, in stretches ``(first, last, votes[frequency, step])``.

    Frequencies that no level can see are left out.
    """
    for look in _looks(whitened, frequency_hz):
        yield look.first, look.last, _better_votes(whitened, look, slice(None))


@dataclass(frozen=True, eq=False)
class _Look:
    """Where the votes at the frequencies ``first:last`` stand: a level and its bins.

    ``again``: bins of the long window, where that may speak as well.
    """

    first: int
    last: int
    level: int
    rows: NDArray[np.intp]
    again: NDArray[np.intp] | None = None


def _looks(whitened: Sequence[Whitened], frequency_hz: NDArray[np.float64]) -> Iterator[_Look]:
    """Bins that speak at rising frequencies.

    Each level serves its own range. Where the long window still reaches above its range it may
    speak as well: a steady line stands out there that the shorter window cannot see, a fast one
    only in the shorter.
    """
    long = next(item.level for item in whitened if item.level.name == "long")
    long_top_hz = min(LONG_UP_TO_HZ, long.top_hz - 2.0 * long.bin_hz)
    for place, item in enumerate(whitened):
        first, last = np.searchsorted(frequency_hz, serves(item.level)).tolist()
        if last <= first:
            continue
        rows = np.rint(frequency_hz[first:last] / item.level.bin_hz).astype(np.intp)
        shared = 0
        if item.level.name == "mid":
            shared = max(0, min(int(np.searchsorted(frequency_hz, long_top_hz)), last) - first)
        if shared:
            again = np.rint(frequency_hz[first : first + shared] / long.bin_hz).astype(np.intp)
            yield _Look(first, first + shared, place, rows[:shared], again)
        if first + shared < last:
            yield _Look(first + shared, last, place, rows[shared:])


def _better_votes(whitened: Sequence[Whitened], look: _Look, part: slice) -> NDArray[np.float32]:
    """Votes of some frequencies of a look. The better of two is worth a little less than one."""
    votes = whitened[look.level].votes.take(look.rows[part], axis=0)
    if look.again is not None:
        long = next(item for item in whitened if item.level.name == "long")
        np.maximum(votes, long.votes.take(look.again[part], axis=0), out=votes)
        votes -= np.float32(TWO_LOOKS_COST)
    return votes


def sharpened(
    whitened: Sequence[Whitened],
    lines: Sequence[Line],
    coarse_hz: NDArray[np.float64],
    reach_hz: NDArray[np.float64],
    *,
    points: int = 41,
    blur: int = 5,
) -> NDArray[np.float64]:
    """Place the speed within ``+- reach_hz`` of a coarse track by the peaks of all lines.

    The sum over lines of the log power, averaged over ``blur`` steps along the track, has its peak
    within a few hundredths of a bin of the highest strong line.

    Parameters
    ----------
    coarse_hz, reach_hz : ndarray, shape (n_steps,)
        One unbroken stretch; ``coarse_hz`` 0 where the shaft is off (left as it is).
    """
    running = np.flatnonzero(coarse_hz > 0.0)
    if running.size == 0:
        return coarse_hz.copy()
    offset = np.linspace(-1.0, 1.0, points)
    coarse, reach = coarse_hz[running], reach_hz[running]
    score = np.zeros((running.size, points), np.float32)
    for line in lines:
        middle = line.order * coarse
        # A lesser line on the flank of a greater one would pull the peak aside.
        greater = [abs(line.order - k.order) for k in lines if k.weight > line.weight]
        gap = min(greater, default=np.inf)
        for item in whitened:
            low, high = serves(item.level)
            clear = gap * coarse > 2.0 * item.level.bin_hz
            rows = np.flatnonzero((middle >= low) & (middle < high) & clear)
            if rows.size == 0:
                continue
            per_hz = line.order / item.level.bin_hz
            value = _read_between(
                item.log_power,
                running[rows],
                per_hz * coarse[rows],
                per_hz * reach[rows],
                offset.astype(np.float32),
            )
            value *= np.float32(line.weight)
            score[rows] += value
    if blur > 1:
        ends = [0, *(np.flatnonzero(np.diff(running) > 1) + 1).tolist(), running.size]
        for first, end in pairwise(ends):
            part = score[first:end]
            part[:] = ndimage.uniform_filter1d(part, blur, axis=0, mode="nearest")
    peak = np.clip(score.argmax(axis=1), 1, points - 2)
    steps = np.arange(peak.size)
    left, mid, right = (score[steps, peak + d] for d in (-1, 0, 1))
    curve = left - 2.0 * mid + right
    shift = np.where(curve < -1e-6, 0.5 * (left - right) / np.minimum(curve, -1e-6), 0.0)
    at = (peak + np.clip(shift, -1.0, 1.0)) * (offset[1] - offset[0]) - 1.0
    out = coarse_hz.copy()
    out[running] = coarse + reach * at
    return out


def _read_between(
    log_power: NDArray[np.float32],
    steps: NDArray[np.intp],
    centre: NDArray[np.float64],
    reach: NDArray[np.float64],
    offset: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Log power of some steps at ``centre + reach * offset`` bins, shape (n_steps, n_offsets).

    Parabola through three bins: the top of the Hann window's main lobe.
    """
    n_bins = log_power.shape[1]
    # Counted from the lowest bin of each step, single precision is exact enough.
    base = np.floor(centre - reach)
    place = reach.astype(np.float32)[:, np.newaxis] * offset
    place += (centre - base).astype(np.float32)[:, np.newaxis]
    if (centre - reach).min() < 1.0 or (centre + reach).max() > n_bins - 2.0:
        lowest, highest = (
            (end - base).astype(np.float32)[:, np.newaxis] for end in (1.0, n_bins - 2.0)
        )
        np.clip(place, lowest, highest, out=place)
    nearest = np.floor(place + np.float32(0.5))
    place -= nearest
    index = nearest.astype(np.intp)
    index += (steps * n_bins + base.astype(np.intp) - 1)[:, np.newaxis]
    flat = log_power.reshape(-1)
    below, at, above = (flat[k:].take(index, mode="clip") for k in (0, 1, 2))
    slope = above - below
    bend: NDArray[np.float32] = above
    bend += below
    bend -= at
    bend -= at
    bend *= place
    bend += slope
    place *= np.float32(0.5)
    bend *= place
    bend += at
    return bend


def speaking_frequencies(
    whitened: Sequence[Whitened], lines: Sequence[Line], speed_hz: float
) -> list[float]:
    """Frequencies of the lines that are heard, on average, at one constant speed."""
    out = []
    for line in lines:
        frequency = np.array([line.order * speed_hz])
        for _first, _last, votes in line_votes(whitened, frequency):
            if float(votes.mean()) > 0.5:
                out.append(float(frequency[0]))
    return out


def resolution(
    whitened: Sequence[Whitened],
    lines: Sequence[Line],
    speed_hz: NDArray[np.float64],
    slew_hz_s: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Width in speed of the finest line that speaks for each step's speed.

    A line is as wide as its bin, or as the smear of its order over half the window.
    """
    finest = np.full(speed_hz.size, np.inf)
    coarsest = np.zeros(speed_hz.size)
    for line in lines:
        frequency = line.order * speed_hz
        for item in whitened:
            low, high = serves(item.level)
            steps = np.flatnonzero((frequency >= low) & (frequency < high))
            bins = np.rint(frequency[steps] / item.level.bin_hz).astype(np.intp)
            smear = 0.5 * np.abs(slew_hz_s[steps]) * item.level.window_s
            width = np.maximum(item.level.bin_hz / line.order, smear)
            speaks = item.votes[bins, steps] > 0.5
            finest[steps[speaks]] = np.minimum(finest[steps[speaks]], width[speaks])
            coarsest[steps] = np.maximum(coarsest[steps], width)
    return np.where(np.isfinite(finest), finest, coarsest)


def serves(level: Level) -> tuple[float, float]:
    """Range of frequencies for which a level is asked."""
    low, high = {
        "long": (0.0, MID_FROM_HZ),
        "mid": (MID_FROM_HZ, SHORT_FROM_HZ),
        "short": (SHORT_FROM_HZ, np.inf),
    }[level.name]
    return max(low, 2.5 * level.bin_hz), min(high, level.top_hz - 2.0 * level.bin_hz)
