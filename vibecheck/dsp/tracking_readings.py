"""Speed tracking, other readings: would half, twice or two thirds of the speed do as well?"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vibecheck.dsp.tracking_evidence import Line
from vibecheck.dsp.tracking_phases import stretches

OCTAVES = (0.5, 2.0, 1.0 / 3.0, 3.0, 2.0 / 3.0, 1.5, 0.75, 4.0 / 3.0, 0.25, 4.0)
CLEAR_LOG_ODDS = 3.5  # mean log-odds per look above which a reading is believed
# Also believed is a reading whose rivals explain less than this share of what it explains: on
# simulated takes whose speed was read wrong, the rivals had shares from 0.6 up.
CLEAR_SHARE = 0.5
CLEAR_WITH_LIMIT = 1.3  # enough where the bench limit speaks for the reading as well:
NEAR_EXPECTED, FAR_FROM_EXPECTED = 0.35, 0.5  # log ratios of the top speed to that limit
PLAUSIBLE_SHARE = 0.4  # a rival must explain this share of what the reported speed explains
SAME_SPEED = 0.06  # log ratios this close to zero are the same reading
GRID_STEP = 0.012  # between log ratios asked about; candidates count within 0.8 %
MOST_STEPS = 250  # steps weighed per reading
SMALLEST_JUMP = 0.22  # log ratio: readings differ by three to four or more
SLOW_RUN = 0.35  # of the expected top speed: a spin-up slower than this is surely doubted
DOUBTED_RUN = 0.55  # and up to here by less and less
FASTER_AT_LEAST = 1.3  # another reading of a doubted run must be so much faster
EXPECTED_SPREAD = 0.35  # spread of the log of a run's top speed over the expected one
EXPECTED_SAY = 0.25  # share of the evidence that a reading loses one spread (squared) away
REJOIN_AT_LEAST = 1.0  # evidence per step that a joining reading needs
REJOIN_SHARE = 0.3  # and its share of the evidence of the reading it replaces
_NEAR = 2  # candidates either side that count as the same speed


@dataclass(frozen=True)
class Rival:
    """The strongest other reading: its ratio, and the mean log-odds against it per step."""

    ratio: float
    log_odds: float
    clear: bool


def rival_ratios(lines: Sequence[Line]) -> tuple[float, ...]:
    """Ratios worth asking about: small whole numbers, each line taken for another, and a grid.

    The grid is for a wrong tooth count: then motor and gear speak for speeds at any ratio.
    """
    return _ratios_of(tuple(line.order for line in lines))


@lru_cache(maxsize=16)
def _ratios_of(orders: tuple[float, ...]) -> tuple[float, ...]:
    named = [*OCTAVES, *(a / b for a in orders for b in orders if a != b)]
    grid = np.exp(np.arange(-np.log(4.0), np.log(4.0), GRID_STEP)).tolist()
    kept: list[float] = []
    logs = [-math.inf, math.inf]  # of the ratios kept, rising
    for ratio in [*sorted(named, key=lambda r: abs(math.log(r))), *grid]:
        log = math.log(ratio)
        place = bisect.bisect(logs, log)
        free = min(log - logs[place - 1], logs[place] - log) >= 0.5 * GRID_STEP
        if abs(log) > SAME_SPEED and free:
            kept.append(ratio)
            logs.insert(place, log)
    return tuple(kept)


def reading_evidence(
    scores: NDArray[np.float32],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    steps: NDArray[np.intp],
    ratio: float,
) -> NDArray[np.float64]:
    """Log-likelihood ratio, per step, of ``ratio`` times the track against off.

    Steps at which the reading leaves the range of candidates say 0, like off.
    """
    asked = ratio * speed_hz
    spacing = np.log(candidates_hz[1] / candidates_hz[0])
    index = np.rint(np.log(asked / candidates_hz[0]) / spacing).astype(np.intp)
    inside = (index >= 0) & (index < candidates_hz.size)
    best = np.full(speed_hz.size, -np.inf)
    for shift in range(-_NEAR, _NEAR + 1):
        near = np.clip(index + shift, 0, candidates_hz.size - 1)
        best = np.maximum(best, scores[near, steps])
    return np.where(inside, best, 0.0)


@dataclass(frozen=True)
class Jump:
    """Two stretches that no shaft could join: the shorter one, and the ratio that would join it."""

    first: int
    last: int
    ratio: float
    own: float
    joined: float

    @property
    def rival(self) -> Rival:
        """The jump as a rival reading that cannot be ruled out."""
        return Rival(self.ratio, self.own - self.joined, False)


def impossible_jumps(
    scores: NDArray[np.float32],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    steepest_hz: float,
    longest_gap: int,
) -> list[Jump]:
    """Find changes of reading within a track: jumps that no shaft can make.

    Two running stretches less than ``longest_gap`` steps apart, with more between them than
    ``steepest_hz`` per step, cannot both be read right. ``own`` and ``joined`` are the mean
    evidence of the shorter stretch as it is, and as it would be if it joined the longer one.
    """
    out = []
    for (a, b), (c, d) in pairwise(stretches(speed_hz > 0.0)):
        gap = c - b + 1
        before, after = speed_hz[b - 1], speed_hz[c]
        if gap > longest_gap or abs(after - before) <= steepest_hz * gap:
            continue
        if abs(np.log(after / before)) < SMALLEST_JUMP:
            continue
        first, last, ratio = (a, b, after / before) if b - a < d - c else (c, d, before / after)
        steps = np.arange(first, last)
        own = float(reading_evidence(scores, candidates_hz, speed_hz[steps], steps, 1.0).mean())
        joined = reading_evidence(scores, candidates_hz, speed_hz[steps], steps, ratio)
        out.append(Jump(first, last, float(ratio), own, float(joined.mean())))
    return out


def rejoined(
    scores: NDArray[np.float32],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    steepest_hz: float,
    longest_gap: int,
) -> NDArray[np.float64]:
    """Give stretches beyond an impossible jump the reading that inertia allows, where it fits.

    The shorter stretch of each pair takes the ratio that joins it to the longer one, if that
    reading has a fair share of the evidence.
    """
    out = speed_hz.copy()
    for _ in range(8):
        jumps = impossible_jumps(scores, candidates_hz, out, steepest_hz, longest_gap)
        for jump in jumps:
            scaled = out[jump.first : jump.last] * jump.ratio
            inside = scaled.min() >= candidates_hz[0] and scaled.max() <= candidates_hz[-1]
            if jump.joined > max(REJOIN_AT_LEAST, REJOIN_SHARE * jump.own) and inside:
                out[jump.first : jump.last] = scaled
                break
        else:
            break
    return out


def _highest_within(scores: NDArray[np.float32], reach: int) -> NDArray[np.float32]:
    """Highest score of each candidate and its ``reach`` neighbours on either side."""
    near = scores.copy()
    for shift in range(1, reach + 1):
        np.maximum(near[shift:], scores[:-shift], out=near[shift:])
        np.maximum(near[:-shift], scores[shift:], out=near[:-shift])
    return near


def _weighed_steps(speed_hz: NDArray[np.float64]) -> NDArray[np.intp]:
    """Running steps, evenly thinned out to about `MOST_STEPS`."""
    steps = np.flatnonzero(speed_hz > 0.0)
    return steps[:: max(1, steps.size // MOST_STEPS)]


def _mean_evidence(
    scores: NDArray[np.float32],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    ratios: Sequence[float],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean evidence of each ratio times the track, and the share of it within the search range."""
    steps = _weighed_steps(speed_hz)
    # On candidates in equal ratios another reading is a shift.
    spacing = np.log(candidates_hz[1] / candidates_hz[0])
    near = _highest_within(scores[:, steps], _NEAR)
    place = np.rint(np.log(speed_hz[steps] / candidates_hz[0]) / spacing).astype(np.intp)
    shift = np.rint(np.log(np.asarray(ratios)) / spacing).astype(np.intp)
    index = place + shift[:, np.newaxis]
    inside = (index >= 0) & (index < candidates_hz.size)
    values = near[np.clip(index, 0, candidates_hz.size - 1), np.arange(steps.size)]
    means = np.where(inside, values, 0.0).mean(axis=1)
    return means, inside.mean(axis=1)


def likelier_reading(
    scores: NDArray[np.float32],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    ratios: Sequence[float],
    expected_top_hz: float,
) -> NDArray[np.float64]:
    """Read a track anew that never comes near the speed a bench spin-up is made at.

    Where few lines are heard, as by a slow accelerometer, a wheel or the spur gear can pass for
    the motor. A run whose top speed lies far under the expected one takes the reading, among those
    that bring it near, with the most evidence less what its distance from the expected speed
    costs, if that reading has a fair share of the evidence of the first: three tenths of it at a
    third of the expected speed, over a half at half of it.
    """
    running = speed_hz > 0.0
    if not running.any():
        return speed_hz
    top = float(np.quantile(speed_hz[running], 0.75))
    slow = top / expected_top_hz
    if slow >= DOUBTED_RUN:
        return speed_hz
    fitting = [r for r in ratios if max(SLOW_RUN, FASTER_AT_LEAST * slow) < r * slow < 1.2]
    if not fitting:
        return speed_hz
    means, _inside = _mean_evidence(scores, candidates_hz, speed_hz, [1.0, *fitting])
    away = np.log(np.asarray(fitting) * slow) / EXPECTED_SPREAD
    cost = EXPECTED_SAY * abs(means[0]) * np.minimum(away**2, 4.0)
    best = int((means[1:] - cost).argmax())
    doubt = max(0.0, np.log(slow / SLOW_RUN) / np.log(DOUBTED_RUN / SLOW_RUN))
    needed = REJOIN_SHARE + EXPECTED_SAY * doubt
    if means[1 + best] <= max(0.0, needed * means[0]):
        return speed_hz
    scaled = speed_hz * fitting[best]
    return np.where(scaled > candidates_hz[-1], 0.0, scaled)


def strongest_rival(
    scores: NDArray[np.float32],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    ratios: Sequence[float],
    *,
    any_divisor: bool = False,
    least_support: float = 0.0,
    expected_top_hz: float | None = None,
) -> Rival | None:
    """Weigh other readings of a track against it.

    Parameters
    ----------
    scores : ndarray, shape (n_candidates, n_steps)
    candidates_hz : ndarray, shape (n_candidates,)
        In equal ratios.
    speed_hz : ndarray, shape (n_steps,)
        0 where the shaft is off.
    ratios : sequence of float
        Competing speeds over the reported one.
    any_divisor : bool
        True where nothing is known of the machine: then a slower shaft that makes several events
        per turn (blades, poles, teeth) can never be ruled out.
    least_support : float
        Evidence per step below which a track may be a chance alignment: then no rival is ruled out.
    expected_top_hz : float, optional
        Speed that a run is usually taken up to. Where the reported reading comes near it and the
        rival does not, two witnesses agree, and less evidence is asked of each.

    Returns
    -------
    Rival or None
        None where no other reading explains a fair share of what the track explains.
    """
    if not np.any(speed_hz > 0.0):
        return None
    means, within = _mean_evidence(scores, candidates_hz, speed_hz, [1.0, *ratios])
    reported, others = float(means[0]), means[1:]
    allowed = within[1:] >= 0.5
    best: tuple[float, float] | None = None
    if allowed.any():
        which = int(np.where(allowed, others, -np.inf).argmax())
        best = (float(ratios[which]), float(others[which]))
    weak = reported < least_support
    if best is None or best[1] <= 0.0 or (best[1] < PLAUSIBLE_SHARE * reported and not weak):
        return None
    log_odds = reported - best[1]
    enough = CLEAR_LOG_ODDS
    if expected_top_hz is not None:
        top = float(np.quantile(speed_hz[speed_hz > 0.0], 0.9))
        own, other = (abs(np.log(r * top / expected_top_hz)) for r in (1.0, best[0]))
        if own < NEAR_EXPECTED and other > FAR_FROM_EXPECTED:
            enough = CLEAR_WITH_LIMIT
    clear = log_odds >= enough or best[1] < CLEAR_SHARE * reported
    clear = clear and not weak and not (any_divisor and best[0] < 1.0)
    return Rival(best[0], log_odds, clear)


def support(
    scores: NDArray[np.float32], candidates_hz: NDArray[np.float64], speed_hz: NDArray[np.float64]
) -> float:
    """Mean evidence per running step along a track; 0 where nothing runs."""
    if not np.any(speed_hz > 0.0):
        return 0.0
    steps = _weighed_steps(speed_hz)
    return float(reading_evidence(scores, candidates_hz, speed_hz[steps], steps, 1.0).mean())
