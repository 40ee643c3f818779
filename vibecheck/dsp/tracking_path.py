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
    from_off = np.zeros((n_steps, n_cells), bool)
    padded = np.full(n_cells + 2 * REACH, -1e30, np.float32)
    view = np.lib.stride_tricks.sliding_window_view(padded, 2 * REACH + 1).T
    inner = padded[REACH : REACH + n_cells]
    column = moves[::-1, np.newaxis]
    ranked = np.empty((2 * REACH + 1, n_cells), np.float32)
    best = np.empty(n_cells, np.float32)
    # Totals are kept relative to the off state, which stays at zero.
    total[0] = scores[0] - np.float32(np.log(n_cells))
    stopped = np.zeros(n_steps, bool)
    inner[:] = total[0]
    for step in range(1, n_steps):
        np.add(view, column, out=ranked)
        ranked.max(axis=0, out=best)
        np.less(best, enter, out=from_off[step])
        np.maximum(best, enter, out=best)
        np.add(best, scores[step], out=total[step])
        into_off = float(inner.max()) + float(leave)
        if into_off > 0.0:
            stopped[step] = True
            total[step] -= np.float32(into_off)
        inner[:] = total[step]
    cell = np.empty(n_steps, np.intp)
    state = int(total[-1].argmax()) if total[-1].max() > 0.0 else -1
    for step in range(n_steps - 1, -1, -1):
        cell[step] = state
        if step == 0:
            break
        previous = total[step - 1]
        if state < 0:
            state = int(previous.argmax()) if stopped[step] else -1
        elif from_off[step, state]:
            state = -1
        else:
            low = max(0, state - REACH)
            high = min(n_cells, state + REACH + 1)
            gain = moves[low - state + REACH : high - state + REACH]
            state = low + int((previous[low:high] + gain).argmax())
    return cell


def _forward_backward(
    scores: NDArray[np.float32], kernel: NDArray[np.float32], start_log: float, stop_log: float
) -> NDArray[np.float64]:
    n_steps, n_cells = scores.shape
    p_start, p_stop = float(np.exp(start_log)), float(np.exp(stop_log))
    enter = p_start / n_cells
    # Between two rescalings the state shrinks by at most RESCALE times the largest score.
    peak = np.maximum(scores.max(axis=1), 0.0)
    likelihood = np.empty((n_steps, n_cells + 1))
    np.exp(scores - peak[:, np.newaxis], out=likelihood[:, :-1])
    np.exp(-peak, out=likelihood[:, -1])
    step_on = kernel.astype(np.float64) * (1.0 - p_stop)
    stay_off = 1.0 - p_start
    forward = np.empty((n_steps, n_cells + 1))
    state = np.full(n_cells + 1, 0.5 / n_cells)
    state[-1] = 0.5
    for step in range(n_steps):
        if step:
            off = state[-1]
            on = state[:-1].sum()
            state[:-1] = np.correlate(state[:-1], step_on, "same")
            state[:-1] += off * enter
            state[-1] = off * stay_off + on * p_stop
        state *= likelihood[step]
        if step % RESCALE == 0:
            state /= state.max()
            state += 1e-40
        forward[step] = state
    state = np.ones(n_cells + 1)
    for step in range(n_steps - 1, -1, -1):
        forward[step] *= state
        if step:
            state *= likelihood[step]
            off = state[-1]
            on = state[:-1].sum()
            state[:-1] = np.correlate(state[:-1], step_on, "same")
            state[:-1] += off * p_stop
            state[-1] = off * stay_off + on * enter
            if step % RESCALE == 0:
                state /= state.max()
                state += 1e-40
    forward /= forward.sum(axis=1, keepdims=True)
    return forward
