"""Speed tracking, coast-down: follow the shaft by its inertia where its lines fade and smear.

With the throttle closed a shaft is slowed by friction and windage alone. Dry friction and
everything that grows with speed give ``df/dt = -(c0 + c1 f)``, so that from the speed ``f0``

    f(t) = f0 ((1 + q) exp(-t / tau) - q),   q = c0 / (c1 f0),   tau = 1 / c1

(elementary mechanics). All curves of this family that leave the hold are compared by the evidence
along them: many steps speak together, where each alone is too faint.

Unloaded, the gears that were loud may fall silent and others speak up, such as those inside a
differential, whose tooth counts no car file gives. Their orders are learnt from the run-up and the
hold of the same recording.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vibecheck.dsp.tracking_evidence import (
    Line,
    line_evidence,
    serves,
    sharpened,
)
from vibecheck.dsp.tracking_level import loudness_db
from vibecheck.dsp.tracking_phases import stretches
from vibecheck.dsp.tracking_readings import _highest_within
from vibecheck.dsp.tracking_whiten import Whitened

FRICTION = (0.0, 0.1, 0.3, 0.8, 2.5)  # q: dry friction over speed-dependent drag
RATES = np.geomspace(0.25, 3.0, 26)  # first slope over the first speed, per second
HOLD_SHARE = 0.93  # of the hold's speed: where it is surely still held
LEAST_QUIET_DB, QUIET_SHARE = 2.5, 0.25  # below the loudest part, and of the whole contrast
HOLD_S = 0.3  # a hold at least this long comes before
LEFT_SHARE = 0.98  # of the hold's speed: below, the shaft has left it
LEAVES_EARLY_S, LEAVES_LATE_S = 0.06, 0.12  # the throttle closes this long around that moment
LONGEST_S = 4.0
SEEN_DOWN_TO = 0.3  # share of the hold's speed down to which the curve must be seen
LEAST_EVIDENCE = 0.4  # mean per step, over all steps down to there
CORRIDOR = 0.07  # log ratio either side of the curve in which the shaft is followed
CELL = 0.004
BLUR = 9  # steps over which evidence is averaged to tell where it ends
LOOKS_PER_BLUR = 3.0

LEARNT_ORDERS = np.geomspace(2.5, 90.0, 1000)
LEARNT_STEPS = 90
LEARNT_FROM = 0.3  # share of the hold's speed
LEARNT_RANGE = 1.4  # highest over lowest speed: else a line of the room would look like an order
LEAST_VOTE = 0.8
MOST_LEARNT = 8
SURE_VOTE = 2.0
SAME_ORDER = 0.012
UNLOADED_DEMAND = -0.85  # without load any line may fall silent
LEARNT_SLIP = 0.002  # a learnt order is known no better
KEPT_WITHIN, KEPT_ABOVE = 0.3, 1.5  # evidence per step
FREE_WITHIN = 0.2  # log ratio: further from the curve a track does not coast
QUIETER_BELOW = 0.4  # of the hold's speed: there the car must be quieter
QUIETER_DB = 4.0  # by this much
TELLING_DB = 12.0  # if the level tells running from off this clearly
STILL_LOUD = 0.35  # of the hold's level over the quietest part
RESTART = 1.5  # a new run-up rises by this ratio
STEADY = 1.15  # highest over lowest speed of what stands still
LOST_BELOW = 0.8  # of the hold's speed
SHARPEN = 0.012  # share of the speed within which it is sharpened


@dataclass(frozen=True, eq=False)
class Coast:
    """A coast-down found: the steps ``first:last``, its speed, how far it is believed, by what."""

    first: int
    last: int
    speed_hz: NDArray[np.float64]
    certainty: NDArray[np.float64]
    lines: tuple[Line, ...]
    curve_hz: NDArray[np.float64]


def coast_curves(time_s: NDArray[np.float64], leaves_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Speed over that of the hold, for every rate, friction and leaving time; 0 once it stands.

    Returns
    -------
    ndarray, shape (n_leaves, n_rates * n_friction, n_times)
    """
    after = np.maximum(time_s - leaves_s[:, np.newaxis, np.newaxis], 0.0)
    q = np.repeat(FRICTION, RATES.size)[:, np.newaxis]
    rate = np.tile(RATES, len(FRICTION))[:, np.newaxis]
    curves: NDArray[np.float64] = (1.0 + q) * np.exp(-after * rate / (1.0 + q)) - q
    return np.maximum(curves, 0.0)


def learnt_lines(
    whitened: Sequence[Whitened],
    lines: Sequence[Line],
    speed_hz: NDArray[np.float64],
    reach_hz: NDArray[np.float64],
) -> list[Line]:
    """Orders that speak along a track although nobody named them.

    Parameters
    ----------
    speed_hz, reach_hz : ndarray, shape (n_steps,)
        The track as far as it is trusted, 0 elsewhere, and its uncertainty.

    Returns
    -------
    list of Line
        The strongest first; empty where the speed changes too little to tell.
    """
    steps = np.flatnonzero(speed_hz > LEARNT_FROM * speed_hz.max())
    if steps.size < LEARNT_STEPS // 4 or np.ptp(np.log(speed_hz[steps])) < np.log(LEARNT_RANGE):
        return []
    chosen = steps[np.linspace(0, steps.size - 1, min(steps.size, LEARNT_STEPS)).astype(int)]
    thinned = np.zeros(speed_hz.size)
    thinned[chosen] = speed_hz[chosen]
    fine = sharpened(whitened, lines, thinned, reach_hz, blur=1)[chosen]
    frequency = LEARNT_ORDERS[:, np.newaxis] * fine
    at = np.broadcast_to(chosen, frequency.shape)
    said = np.zeros(frequency.shape, np.float32)
    for item in whitened:
        low, high = serves(item.level)
        seen = (frequency >= low) & (frequency < high)
        row = (frequency[seen] * (1.0 / item.level.bin_hz) + 0.5).astype(np.intp)
        row *= item.votes.shape[1]
        row += at[seen]
        said[seen] = item.votes.reshape(-1).take(row)
    mean = said.sum(axis=1, dtype=np.float64) / chosen.size
    apart = 2 * int(SAME_ORDER / np.log(LEARNT_ORDERS[1] / LEARNT_ORDERS[0])) + 1
    peaks = (mean >= ndimage.maximum_filter1d(mean, apart)) & (mean > LEAST_VOTE)
    known = np.log([line.order for line in lines])
    named = np.abs(np.log(LEARNT_ORDERS)[:, np.newaxis] - known).min(axis=1) < SAME_ORDER
    found = np.flatnonzero(peaks & ~named)
    found = found[np.argsort(-mean[found])][:MOST_LEARNT]
    return [
        Line(
            float(LEARNT_ORDERS[i]),
            float(min(1.0, mean[i] / SURE_VOTE)),
            UNLOADED_DEMAND,
            LEARNT_SLIP,
        )
        for i in found
    ]


def follow_coast_down(
    whitened: Sequence[Whitened],
    lines: Sequence[Line],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    step_s: float,
) -> Coast | None:
    """Find the coast-down that follows the last hold of a track.

    Parameters
    ----------
    whitened, lines : sequence of Whitened, Line
        Votes, and the orders known.
    candidates_hz : ndarray, shape (n_candidates,)
        In equal ratios.
    speed_hz : ndarray, shape (n_steps,)
        Coarse track, 0 where off.

    Returns
    -------
    Coast or None
        None where nothing was held, or where no curve is supported by the evidence.
    """
    level_db = loudness_db(whitened, speed_hz.size)
    anchor = _anchor(speed_hz, level_db, step_s)
    if anchor is None:
        return None
    last_held, hold_hz = anchor
    early = round(LEAVES_EARLY_S / step_s)
    first = max(0, last_held - early)
    end = min(speed_hz.size, last_held + round(LONGEST_S / step_s))
    if end - last_held < BLUR:
        return None
    time_s = np.asarray((np.arange(first, end) - last_held) * step_s, np.float64)
    leaves_s = np.asarray(np.arange(-LEAVES_EARLY_S, LEAVES_LATE_S, step_s), np.float64)
    shape = coast_curves(time_s, leaves_s).reshape(-1, time_s.size)
    spacing = float(np.log(candidates_hz[1] / candidates_hz[0]))
    before = np.where(np.arange(speed_hz.size) <= last_held, speed_hz, 0.0)
    unloaded = [replace(line, demand=UNLOADED_DEMAND) for line in lines]
    heard = [*unloaded, *learnt_lines(whitened, lines, before, 0.012 * before)]
    part = [replace(item, votes=item.votes[:, first:end]) for item in whitened]
    candidates_hz = candidates_hz[candidates_hz < 1.1 * hold_hz]
    scores = line_evidence(part, candidates_hz, heard)
    near = _highest_within(scores, 1)
    with np.errstate(divide="ignore"):
        place = np.log(shape) + np.log(hold_hz / candidates_hz[0])
    inside = place >= 0.0
    index = np.where(inside, np.minimum(place / spacing + 0.5, candidates_hz.size - 1), 0)
    place_in = index.astype(np.intp)
    place_in *= near.shape[1]
    place_in += np.arange(time_s.size)
    value = near.reshape(-1).take(place_in)
    value *= inside
    which = int(value.sum(axis=1).argmax())
    best, along = shape[which], value[which]
    judged = (best < 0.97) & (best > SEEN_DOWN_TO)
    if judged.sum() < BLUR or along[judged].mean() < LEAST_EVIDENCE:
        return None
    if not _quietens(level_db, first, last_held, best):
        return None
    begin = int(np.flatnonzero(best < 0.995)[0])
    stop = int(np.flatnonzero(hold_hz * best >= candidates_hz[0])[-1]) + 1
    curve = hold_hz * best[begin:stop]
    speed, evidence = _corridor(scores[:, begin:stop], candidates_hz, curve)
    level = ndimage.uniform_filter1d(evidence, BLUR, mode="nearest")
    speaks = np.flatnonzero(level > 0.0)
    if speaks.size < BLUR:
        return None
    length = int(speaks[-1]) + 1
    at = slice(first + begin, first + begin + length)
    free = speed_hz[at]
    falls = (np.abs(np.log(np.maximum(free, 1e-9) / curve[:length])) < FREE_WITHIN).all()
    # What does not fall as a coast-down does may be a lower throttle: the car stays loud then,
    # and the shaft is heard better than along the curve.
    later = level_db[first + begin + length // 2 : first + begin + length]
    loud = float(np.median(later)) > STILL_LOUD * float(level_db[last_held])
    margin = -KEPT_WITHIN if falls else KEPT_ABOVE if loud else np.inf
    if _as_good(scores[:, begin : begin + length], candidates_hz, free, evidence[:length], margin):
        return None
    certainty = 1.0 / (1.0 + np.exp(-LOOKS_PER_BLUR * level[:length]))
    return Coast(
        first + begin,
        first + begin + length,
        speed[:length],
        certainty,
        tuple(heard),
        hold_hz * best[begin:],
    )


def with_coast(
    speed_hz: NDArray[np.float64],
    coast: Coast | None,
    level_db: NDArray[np.float64],
    step_s: float,
) -> NDArray[np.float64]:
    """Put a coast-down into a track, in place of what inertia rules out after the last hold.

    A shaft that coasts passes every speed once. Where its coast-down was found, what follows must
    meet the curve or be a new run-up. Where it was lost, a stretch that stands still at a lower
    speed, out of nowhere, is no shaft: it is a line of the room, or a part that rings.
    """
    anchor = _anchor(speed_hz, level_db, step_s)
    if anchor is None:
        return speed_hz
    out = speed_hz.copy()
    last_held, hold_hz = anchor
    end = last_held + round(LONGEST_S / step_s)
    if coast is not None:
        out[coast.first : coast.last] = coast.speed_hz
        last_held = coast.last - 1
    running = out > 0.0
    running[: last_held + 1] = False
    lowest = hold_hz
    for a, b in stretches(running):
        part = out[a:b]
        rises = part.max() > RESTART * part[0]
        if rises and a > last_held + 1:
            break
        if coast is not None:
            predicted = coast.curve_hz[min(a - coast.first, coast.curve_hz.size - 1)]
            meets = abs(np.log(part[0] / max(predicted, 1e-9))) < FREE_WITHIN
            steady = part.max() < STEADY * part.min()
            if a <= coast.last or steady or not meets:
                out[a:b] = 0.0
        elif last_held + 1 < a < end:
            still = part.max() < min(STEADY * part.min(), LOST_BELOW * hold_hz)
            if still or part[0] > STEADY * lowest:
                out[a:b] = 0.0
        lowest = float(out[b - 1]) or lowest
    return out


def _anchor(
    speed_hz: NDArray[np.float64], level_db: NDArray[np.float64], step_s: float
) -> tuple[int, float] | None:
    """Last step of the last steady stretch at high speed, and the speed held there.

    A hold is loud: a line that stands at that speed while the car gets quiet is none.
    """
    quiet_db = max(LEAST_QUIET_DB, QUIET_SHARE * float(np.ptp(level_db)))
    running = (speed_hz > 0.0) & (level_db > np.quantile(level_db, 0.9) - quiet_db)
    if not running.any():
        return None
    top = float(np.quantile(speed_hz[running], 0.9))
    length = max(3, round(HOLD_S / step_s))
    held = running & (np.abs(speed_hz / top - 1.0) < 1.0 - HOLD_SHARE)
    long_enough = [(a, b) for a, b in stretches(held) if b - a >= length]
    if not long_enough:
        return None
    first, end = long_enough[-1]
    hold_hz = float(np.median(speed_hz[max(first, end - 2 * length) : end]))
    still = np.flatnonzero(speed_hz[first:end] >= LEFT_SHARE * hold_hz)
    return first + int(still[-1]), hold_hz


def _quietens(
    level_db: NDArray[np.float64], first: int, last_held: int, curve: NDArray[np.float64]
) -> bool:
    """Tell whether the car gets quieter along a curve, where the level tells running from off."""
    contrast = float(np.ptp(level_db))
    if contrast < QUIETER_DB:
        return True
    held_db = float(level_db[max(0, last_held - BLUR) : last_held + 1].mean())
    least = QUIETER_DB * min(1.0, contrast / TELLING_DB)
    for below, drop_db in ((QUIETER_BELOW, least), (2.0 * QUIETER_BELOW, 0.25 * least)):
        slow = first + np.flatnonzero(curve < below)
        if slow.size and float(np.median(level_db[slow])) > held_db - drop_db:
            return False
    return True


def _as_good(
    scores: NDArray[np.float32],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    evidence: NDArray[np.float64],
    margin: float,
) -> bool:
    """Tell whether the track found freely explains the coast-down better, by ``margin``."""
    if not (speed_hz > 0.0).all():
        return False
    spacing = float(np.log(candidates_hz[1] / candidates_hz[0]))
    index = np.rint(np.log(speed_hz / candidates_hz[0]) / spacing)
    index = np.clip(index, 1, candidates_hz.size - 2).astype(np.intp)
    steps = np.arange(speed_hz.size)
    free = np.max([scores[index + shift, steps] for shift in (-1, 0, 1)], axis=0)
    return float(free.mean()) > float(evidence.mean()) + margin


def _corridor(
    scores: NDArray[np.float32], candidates_hz: NDArray[np.float64], curve_hz: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Likeliest path near a curve (Viterbi over departures from it), and its evidence."""
    offsets = np.arange(-CORRIDOR, CORRIDOR + 0.5 * CELL, CELL)
    spacing = float(np.log(candidates_hz[1] / candidates_hz[0]))
    place = (np.log(curve_hz / candidates_hz[0]) + offsets[:, np.newaxis]) / spacing
    index = np.clip(np.rint(place), 0, candidates_hz.size - 1).astype(np.intp)
    value = scores[index, np.arange(curve_hz.size)].astype(np.float64)
    n_cells, n_steps = value.shape
    moves = np.array([-1, 0, 1])
    cost = 0.7 * np.abs(moves)[:, np.newaxis]
    padded = np.full(n_cells + 2, -1e9)
    beside = np.lib.stride_tricks.sliding_window_view(padded, n_cells)
    total = padded[1:-1]
    total[:] = value[:, 0] - 0.05 * np.abs(np.arange(n_cells) - n_cells // 2)
    back = np.zeros((n_steps, n_cells), np.intp)
    ranked = np.empty((moves.size, n_cells))
    for step, said in enumerate(np.ascontiguousarray(value.T[1:]), start=1):
        np.subtract(beside, cost, out=ranked)
        ranked.argmax(axis=0, out=back[step])
        np.maximum.reduce(ranked, axis=0, out=total)
        total += said
    state = int(total.argmax())
    cells = np.empty(n_steps, np.intp)
    for step in range(n_steps - 1, -1, -1):
        cells[step] = state
        state += int(moves[back[step, state]]) if step else 0
    steps = np.arange(n_steps)
    return curve_hz * np.exp(offsets[cells]), value[cells, steps]
