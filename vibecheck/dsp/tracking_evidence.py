"""Speed tracking, evidence: how well each candidate speed explains each moment.

All known orders vote together (multi-order probabilistic approach: Leclère, André, Antoni,
Mech. Syst. Signal Process. 81 (2016) 240–252). Their votes are log-likelihood ratios "a line is
here" against "only noise, or somebody else's line, is here", on spectra divided by their noise
floor.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vibecheck.dsp import tracking_level as level_reader
from vibecheck.dsp.tracking_front import MID_FROM_HZ, SHORT_FROM_HZ, Level
from vibecheck.dsp.tracking_whiten import (
    Whitened,
)

LONG_UP_TO_HZ = 450.0  # as far up as steady lines profit from the long window
TWO_LOOKS_COST = 0.3
CANDIDATES_AT_ONCE = 64


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
