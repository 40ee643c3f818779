"""Speed tracking, path: the likeliest speed history under a slew-rate prior, with an off state.

A hidden Markov model on cells of speed: Viterbi for the path, forward-backward for the posterior
(L. R. Rabiner, Proc. IEEE 77 (1989) 257–286).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

REACH = 4  # cells that the speed may move per step
RESCALE = 4  # steps between rescalings of the forward-backward state
FORGETS = 64  # steps after which it hardly matters where a recursion began
MOST_PARTS = 8
MEET = 1e-6  # share by which two parts that meet may differ
STEP_COST = 0.5  # log-probability per cell moved (Laplace prior)


@dataclass(frozen=True, eq=False)
class Cells:
    """Speed cells of the path search: cell ``i`` holds candidates ``start[i]:start[i + 1]``."""

    start: NDArray[np.intp]
    centre_hz: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Path:
    """Best state per step (-1 = off), and the posterior of each state.

    ``posterior[step, cell]``; the last column is off.
    """

    cell: NDArray[np.intp]
    posterior: NDArray[np.float64]

    def within(
        self, cells: Cells, low: NDArray[np.float64], high: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Posterior of a speed between ``low`` and ``high`` (per step), or of off where chosen."""
        cumulative = np.cumsum(self.posterior[:, :-1], axis=1, dtype=np.float64)
        cumulative = np.concatenate([np.zeros((cumulative.shape[0], 1)), cumulative], axis=1)
        steps = np.arange(self.cell.size)
        first = np.searchsorted(cells.centre_hz, low, side="left")
        last = np.searchsorted(cells.centre_hz, high, side="right")
        running = cumulative[steps, np.maximum(last, first)] - cumulative[steps, first]
        return np.where(self.cell >= 0, running, self.posterior[:, -1])


def candidate_grid(low_hz: float, high_hz: float, step: float = 0.004) -> NDArray[np.float64]:
    """Candidate speeds in equal ratios."""
    count = max(2, int(np.ceil(np.log(high_hz / low_hz) / step)) + 1)
    grid: NDArray[np.float64] = np.geomspace(low_hz, high_hz, count)
    return grid


def speed_cells(candidates_hz: NDArray[np.float64], slew_hz_s: float, step_s: float) -> Cells:
    """Group candidates so that the steepest slew crosses at most ``REACH`` cells per step."""
    cell_hz = np.maximum(slew_hz_s * step_s / REACH, 0.01 * candidates_hz)
    # Never fewer cells than the path search can reach across.
    cell_hz = np.minimum(cell_hz, (candidates_hz[-1] - candidates_hz[0]) / (4 * REACH))
    spacing = np.gradient(candidates_hz)
    label = np.floor(np.cumsum(spacing / cell_hz) - 1e-9).astype(int)
    start = np.flatnonzero(np.diff(label, prepend=label[0] - 1))
    stop = np.append(start[1:], candidates_hz.size)
    centre = np.sqrt(candidates_hz[start] * candidates_hz[stop - 1])
    return Cells(start, centre)


def pooled(scores: NDArray[np.float32], cells: Cells) -> NDArray[np.float32]:
    """Best candidate of each cell: ``scores[candidate, step]`` to ``[cell, step]``."""
    size = np.diff(np.append(cells.start, scores.shape[0]))
    best = scores[cells.start]
    for member in range(1, int(size.max())):
        which = np.flatnonzero(size > member)
        best[which] = np.maximum(best[which], scores[cells.start[which] + member])
    return best


def likeliest_path(
    evidence: NDArray[np.float32], *, start_log: float = -6.0, stop_log: float = -6.0
) -> Path:
    """Viterbi path and forward-backward posterior.

    Parameters
    ----------
    evidence : ndarray, shape (n_cells, n_steps)
        Log-likelihood ratio of each speed cell against off.
    start_log, stop_log : float
        Log-probability per step of leaving the off state, or of falling into it.
    """
    n_cells = evidence.shape[0]
    scores = np.ascontiguousarray(evidence.T)
    moves = -STEP_COST * np.abs(np.arange(-REACH, REACH + 1))
    moves = (moves - np.log(np.exp(moves).sum())).astype(np.float32)
    enter = np.float32(start_log - np.log(n_cells))
    cell = _viterbi(scores, moves, enter, np.float32(stop_log))
    posterior = _forward_backward(scores, np.exp(moves), start_log, stop_log)
    return Path(cell, posterior)


def _viterbi(
    scores: NDArray[np.float32], moves: NDArray[np.float32], enter: np.float32, leave: np.float32
) -> NDArray[np.intp]:
    n_steps = scores.shape[0]
    total, stopped = _totals(scores, moves, enter, leave)
    cell = np.empty(n_steps, np.intp)
    state = int(total[-1].argmax()) - REACH if total[-1].max() > 0.0 else -1
    for step in range(n_steps - 1, -1, -1):
        cell[step] = state
        if step == 0:
            break
        if state < 0:
            state = int(total[step - 1].argmax()) - REACH if stopped[step] else -1
        else:
            ways = total[step - 1, state : state + 2 * REACH + 1] + moves
            way = int(ways.argmax())
            state = -1 if ways[way] < enter else state + way - REACH
    return cell


def _totals(
    scores: NDArray[np.float32], moves: NDArray[np.float32], enter: np.float32, leave: np.float32
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Best log-probability of ending in each cell at each step, over that of off, and where off
    is best reached by stopping. `REACH` cells that cannot be lie before and behind the others.
    """
    n_steps, n_cells = scores.shape
    for plan in _plans(n_steps):
        said = plan.of(scores)
        shape = (plan.parts, n_cells)
        padded = np.full((plan.parts, n_cells + 2 * REACH), -1e30, np.float32)
        view = np.lib.stride_tricks.sliding_window_view(padded, n_cells, axis=1).swapaxes(0, 1)
        inner = padded[:, REACH : REACH + n_cells]
        column = moves[::-1, np.newaxis, np.newaxis]
        # One row per move, and one for coming from off.
        ranked = np.full((2 * REACH + 2, *shape), enter, np.float32)
        moved = ranked[:-1]
        best = np.empty(shape, np.float32)
        total = np.empty((plan.length, *padded.shape), np.float32)
        into_off = np.zeros((plan.length, plan.parts, 1), np.float32)
        # Totals are kept relative to the off state, which stays at zero.
        np.subtract(said[0], np.float32(np.log(n_cells)), out=inner)
        total[0] = padded
        highest = np.maximum.reduce
        for step in range(1, plan.length):
            np.add(view, column, out=moved)
            highest(ranked, axis=0, out=best)
            gain = into_off[step]
            highest(inner, axis=1, keepdims=True, out=gain)
            gain += leave
            np.maximum(gain, 0.0, out=gain)
            np.add(best, said[step], out=inner)
            inner -= gain
            total[step] = padded
        ends, begins = plan.overlaps(total)
        if (np.abs(ends - begins) <= 1e-3).all():
            break
    return plan.joined(total), plan.joined(into_off)[:, 0] > 0.0


def _forward_backward(
    scores: NDArray[np.float32], kernel: NDArray[np.float32], start_log: float, stop_log: float
) -> NDArray[np.float64]:
    """Posterior of each state per step, shape (n_steps, n_cells + 1); the last column is off.

    Both passes are one recursion, "move, then take in what the step says", from the first step on
    and from the last step back; only what starting and stopping cost changes places. So one loop
    serves both, and all parts of each, on a state of so many rows.
    """
    n_steps, n_cells = scores.shape
    p_start, p_stop = float(np.exp(start_log)), float(np.exp(stop_log))
    enter = p_start / n_cells
    # Between two rescalings the state shrinks by at most RESCALE times the largest score.
    peak = np.maximum(scores.max(axis=1), 0.0)[:, np.newaxis]
    # Behind each row's cells lie zeros that no move can cross.
    width = n_cells + 2 * REACH
    likelihood = np.zeros((n_steps, width))
    likelihood[:, :n_cells] = np.exp(scores - peak)
    likelihood_off = np.exp(-peak).astype(np.float64)
    step_on = kernel.astype(np.float64) * (1.0 - p_stop)
    stay_off = 1.0 - p_start
    for plan in _plans(n_steps):
        said, said_off = (
            np.concatenate([plan.of(values), plan.of(values[::-1])], axis=1)
            for values in (likelihood, likelihood_off)
        )
        n_rows = 2 * plan.parts
        is_ahead = np.arange(n_rows)[:, np.newaxis] < plan.parts
        gain_on = np.where(is_ahead, enter, p_stop)
        gain_off = np.where(is_ahead, p_stop, enter)
        moved, moved_off = (
            np.empty((plan.length, n_rows, width)),
            np.empty((plan.length, n_rows, 1)),
        )
        moved[0], moved_off[0] = 0.0, np.where(is_ahead, 0.5, 1.0)
        moved[0, :, :n_cells] = np.where(is_ahead, 0.5 / n_cells, 1.0)
        state, ones = np.empty((n_rows, width)), np.ones((width, 1))
        both = state.ravel()
        on, off = np.empty((n_rows, 1)), np.empty((n_rows, 1))
        for step in range(plan.length):
            if step:
                np.dot(state, ones, out=on)
                on *= gain_off
                np.multiply(off, stay_off, out=moved_off[step])
                moved_off[step] += on
                off *= gain_on
                still = np.correlate(both, step_on, "same").reshape(n_rows, width)
                np.add(still, off, out=moved[step])
            np.multiply(moved[step], said[step], out=state)
            np.multiply(moved_off[step], said_off[step], out=off)
            if step % RESCALE == 0:
                most = np.maximum(state.max(axis=1, keepdims=True), off)
                state /= most
                state += 1e-40
                off /= most
                off += 1e-40
        if _settled(plan, moved, moved_off, n_cells):
            break
    posterior = np.empty((n_steps, n_cells + 1))
    ahead, behind = slice(None, plan.parts), slice(plan.parts, None)
    plan.joined(moved[:, ahead, :n_cells], out=posterior[:, :-1])
    posterior[:, :-1] *= plan.joined(moved[:, behind, :n_cells])[::-1]
    posterior[:, :-1] *= likelihood[:, :n_cells]
    plan.joined(moved_off[:, ahead], out=posterior[:, -1:])
    posterior[:, -1:] *= plan.joined(moved_off[:, behind])[::-1]
    posterior[:, -1:] *= likelihood_off
    posterior /= posterior.sum(axis=1, keepdims=True)
    return posterior


@dataclass(frozen=True)
class _Plan:
    """Parts of a recursion that run at the same time, each ``ahead`` steps into the next.

    Part ``i`` takes the steps from ``i * stride`` on, ``length`` of them. The first ``ahead`` of
    all parts but the first only serve to forget where they began.
    """

    n_steps: int
    parts: int
    stride: int
    ahead: int

    @property
    def length(self) -> int:
        """Steps of each part."""
        return self.stride + self.ahead

    def of(self, values: NDArray[Any]) -> NDArray[Any]:
        """Values of all parts, shape (length, parts, …), of values with one row per step."""
        missing = (self.parts - 1) * self.stride + self.length - self.n_steps
        padded = np.concatenate([values, np.repeat(values[-1:], missing, axis=0)])
        step = padded.strides[0]
        return np.lib.stride_tricks.as_strided(
            padded,
            (self.length, self.parts, *values.shape[1:]),
            (step, self.stride * step, *padded.strides[1:]),
            writeable=False,
        )

    def joined(self, values: NDArray[Any], out: NDArray[Any] | None = None) -> NDArray[Any]:
        """One row per step again."""
        rows = [values[: self.ahead, 0], *(values[self.ahead :, i] for i in range(self.parts))]
        surplus = sum(row.shape[0] for row in rows) - self.n_steps
        rows[-1] = rows[-1][: rows[-1].shape[0] - surplus]
        return np.concatenate(rows, out=out)

    def overlaps(self, values: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Values of each part's last step, and those of the next part at the same step."""
        return values[-1, :-1], values[self.ahead - 1, 1:]


def _plans(n_steps: int) -> list[_Plan]:
    """Ways to run a recursion over so many steps: in parts, and from end to end.

    What the path was long before hardly matters: begun anywhere, the recursion soon is where it
    would be had it come from the very beginning. Parts run at the same time save a loop many
    rounds. Where they have not met, the second way is gone.
    """
    whole = _Plan(n_steps, 1, n_steps, 0)
    parts = min(MOST_PARTS, n_steps // (2 * FORGETS))
    if parts < 2:
        return [whole]
    return [_Plan(n_steps, parts, -(-(n_steps - FORGETS) // parts), FORGETS), whole]


def _settled(
    plan: _Plan, moved: NDArray[np.float64], moved_off: NDArray[np.float64], n_cells: int
) -> bool:
    """True where all parts, of both passes, meet: whatever they say then is the same."""
    for rows in (slice(None, plan.parts), slice(plan.parts, None)):
        ends, begins = (
            np.concatenate([on, off], axis=1)
            for on, off in zip(
                plan.overlaps(moved[:, rows, :n_cells]),
                plan.overlaps(moved_off[:, rows]),
                strict=True,
            )
        )
        ends /= ends.sum(axis=1, keepdims=True)
        begins /= begins.sum(axis=1, keepdims=True)
        if (np.abs(ends - begins) > MEET * (ends + begins) + 1e-30).any():
            return False
    return True
