"""Speed tracking, path: the likeliest speed history under a slew-rate prior, with an off state.

A hidden Markov model on cells of speed: Viterbi for the path, forward-backward for the posterior
(L. R. Rabiner, Proc. IEEE 77 (1989) 257–286).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

REACH = 4  # cells that the speed may move per step
RESCALE = 4  # steps between rescalings of the forward-backward state
BLOCK = 256  # steps whose forward-backward states are kept before they are put to use
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
    n_steps, n_cells = scores.shape
    total = np.empty((n_steps, n_cells), np.float32)
    padded = np.full(n_cells + 2 * REACH, -1e30, np.float32)
    view = np.lib.stride_tricks.sliding_window_view(padded, 2 * REACH + 1).T
    inner = padded[REACH : REACH + n_cells]
    column = moves[::-1, np.newaxis]
    # One row per move, and one for coming from off.
    ranked = np.full((2 * REACH + 2, n_cells), enter, np.float32)
    moved = ranked[:-1]
    best = np.empty(n_cells, np.float32)
    # Totals are kept relative to the off state, which stays at zero.
    total[0] = scores[0] - np.float32(np.log(n_cells))
    stopped = np.zeros(n_steps, bool)
    inner[:] = total[0]
    highest = np.maximum.reduce
    for step in range(1, n_steps):
        np.add(view, column, out=moved)
        highest(ranked, axis=0, out=best)
        into_off = float(highest(inner)) + float(leave)
        np.add(best, scores[step], out=inner)
        if into_off > 0.0:
            stopped[step] = True
            inner -= np.float32(into_off)
        total[step] = inner
    cell = np.empty(n_steps, np.intp)
    state = int(total[-1].argmax()) if total[-1].max() > 0.0 else -1
    for step in range(n_steps - 1, -1, -1):
        cell[step] = state
        if step == 0:
            break
        previous = total[step - 1]
        if state < 0:
            state = int(previous.argmax()) if stopped[step] else -1
        else:
            low = max(0, state - REACH)
            high = min(n_cells, state + REACH + 1)
            ways = previous[low:high] + moves[low - state + REACH : high - state + REACH]
            way = int(ways.argmax())
            state = -1 if ways[way] < enter else low + way
    return cell


def _forward_backward(
    scores: NDArray[np.float32], kernel: NDArray[np.float32], start_log: float, stop_log: float
) -> NDArray[np.float64]:
    """Posterior of each state per step, shape (n_steps, n_cells + 1); the last column is off.

    Both passes are one recursion, "move, then take in what the step says", from the first step on
    and from the last step back; only what starting and stopping cost changes places. So one loop
    serves both, on a state of two rows.
    """
    n_steps, n_cells = scores.shape
    p_start, p_stop = float(np.exp(start_log)), float(np.exp(stop_log))
    enter = p_start / n_cells
    # Between two rescalings the state shrinks by at most RESCALE times the largest score.
    peak = np.maximum(scores.max(axis=1), 0.0)
    off_score = np.zeros((n_steps, 1), np.float32)
    likelihood = np.concatenate([scores, off_score], axis=1)
    likelihood -= peak[:, np.newaxis]
    np.exp(likelihood, out=likelihood)
    posterior = likelihood.astype(np.float64)
    step_on = kernel.astype(np.float64) * (1.0 - p_stop)
    stay_off = 1.0 - p_start
    # Behind each row's cells lie zeros that no move can cross.
    width = n_cells + 2 * REACH
    state, ones = np.zeros((2, width)), np.ones(width)
    state[0, :n_cells], state[1, :n_cells] = 0.5 / n_cells, 1.0
    ahead_off, behind_off = 0.5, 1.0
    both = state.ravel()
    column = np.empty((2, 1))
    moved, said = np.zeros((BLOCK, 2, width)), np.zeros((BLOCK, 2, width))
    moved[0] = state
    for first in range(0, n_steps, BLOCK):
        size = min(BLOCK, n_steps - first)
        ahead = posterior[first : first + size]
        behind = posterior[::-1][first : first + size]
        said[:size, 0, :n_cells] = likelihood[first : first + size, :-1]
        said[:size, 1, :n_cells] = likelihood[::-1][first : first + size, :-1]
        ahead_said = likelihood[first : first + size, -1].tolist()
        behind_said = likelihood[::-1][first : first + size, -1].tolist()
        moved_off: list[tuple[float, float]] = []
        for k in range(size):
            if first or k:
                ahead_on, behind_on = state.dot(ones).tolist()
                column[0, 0], column[1, 0] = ahead_off * enter, behind_off * p_stop
                still = np.correlate(both, step_on, "same").reshape(2, width)
                np.add(still, column, out=moved[k])
                ahead_off = ahead_off * stay_off + ahead_on * p_stop
                behind_off = behind_off * stay_off + behind_on * enter
            moved_off.append((ahead_off, behind_off))
            np.multiply(moved[k], said[k], out=state)
            ahead_off *= ahead_said[k]
            behind_off *= behind_said[k]
            if k % RESCALE == 0:
                most, most_behind = state.max(axis=1).tolist()
                most, most_behind = max(most, ahead_off), max(most_behind, behind_off)
                column[0, 0], column[1, 0] = most, most_behind
                state /= column
                state += 1e-40
                ahead_off = ahead_off / most + 1e-40
                behind_off = behind_off / most_behind + 1e-40
        off = np.array(moved_off)
        for part, row in ((ahead, 0), (behind, 1)):
            part[:, :-1] *= moved[:size, row, :n_cells]
            part[:, -1] *= off[:, row]
    posterior /= posterior.sum(axis=1, keepdims=True)
    return posterior
