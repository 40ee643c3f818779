"""Speed tracking, other readings: would half, twice or two thirds of the speed do as well?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.dsp.tracking_evidence import Line

OCTAVES = (0.5, 2.0, 1.0 / 3.0, 3.0, 2.0 / 3.0, 1.5, 0.75, 4.0 / 3.0, 0.25, 4.0)
CLEAR_LOG_ODDS = 1.5  # mean log-odds per look above which a reading is believed
PLAUSIBLE_SHARE = 0.4  # a rival must explain this share of what the reported speed explains
SAME_SPEED = 0.02  # ratios this close to one are the same reading
_NEAR = 2  # candidates either side that count as the same speed


@dataclass(frozen=True)
class Rival:
    """The strongest other reading: its ratio, and the mean log-odds against it per step."""

    ratio: float
    log_odds: float
    clear: bool


def rival_ratios(lines: Sequence[Line]) -> tuple[float, ...]:
    """Ratios worth asking about: small whole-number ones, and each line taken for another."""
    ratios = list(OCTAVES)
    orders = [line.order for line in lines]
    ratios += [a / b for a in orders for b in orders if a != b]
    kept: list[float] = []
    for ratio in sorted(ratios, key=lambda r: abs(np.log(r))):
        if abs(ratio - 1.0) > SAME_SPEED and all(abs(ratio / r - 1.0) > 0.005 for r in kept):
            kept.append(ratio)
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


def strongest_rival(
    scores: NDArray[np.float32],
    candidates_hz: NDArray[np.float64],
    speed_hz: NDArray[np.float64],
    ratios: Sequence[float],
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

    Returns
    -------
    Rival or None
        None where no other reading explains a fair share of what the track explains.
    """
    steps = np.flatnonzero(speed_hz > 0.0)
    if steps.size == 0:
        return None
    running = speed_hz[steps]
    reported = float(reading_evidence(scores, candidates_hz, running, steps, 1.0).mean())
    best: tuple[float, float] | None = None
    for ratio in ratios:
        asked = ratio * running
        if np.mean((asked >= candidates_hz[0]) & (asked <= candidates_hz[-1])) < 0.5:
            continue
        evidence = float(reading_evidence(scores, candidates_hz, running, steps, ratio).mean())
        if best is None or evidence > best[1]:
            best = (ratio, evidence)
    if best is None or best[1] <= 0.0 or best[1] < PLAUSIBLE_SHARE * reported:
        return None
    log_odds = reported - best[1]
    return Rival(best[0], log_odds, log_odds >= CLEAR_LOG_ODDS)
