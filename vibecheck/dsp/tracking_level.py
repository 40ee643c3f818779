"""Speed tracking, level: what the broadband level says of running and of speed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibecheck.dsp.tracking_whiten import Whitened

LOUD_DB = 6.0  # over the quietest part; twice this is surely loud
LOUD_VOTE = 1.0
LOUDEST_DB = 3.0  # this far below the loudest part still counts as the loudest
TOP_SPREAD = 0.35  # spread of the log of a run's top speed over the bench limit
LOOKS = 1.5  # independent looks that one run gives at which line is which
MOST_EXPECTATION = 4.0


def loudness_db(whitened: Sequence[Whitened], n_steps: int) -> NDArray[np.float64]:
    """Broadband level over the quietest part of the recording; shape (n_steps,).

    Judged on the noise floor of the widest level, in decibel, so that single lines do not matter.
    """
    widest = whitened[-1]
    per_step = np.repeat(widest.floor_db, widest.block_frames // 2)[:n_steps]
    over: NDArray[np.float64] = per_step - np.quantile(per_step, 0.05)
    return over


def loudness_votes(whitened: Sequence[Whitened], n_steps: int) -> NDArray[np.float32]:
    """Evidence for running, whatever the speed, from the broadband level alone; shape (n_steps,).

    A running car is louder than the quietest part of the recording.
    """
    share = np.clip((loudness_db(whitened, n_steps) - LOUD_DB) / LOUD_DB, 0.0, 1.0)
    votes: NDArray[np.float32] = (LOUD_VOTE * share).astype(np.float32)
    return votes


def expectation(
    whitened: Sequence[Whitened], candidates_hz: NDArray[np.float64], expected_top_hz: float
) -> NDArray[np.float32]:
    """Prior of each candidate speed where the recording is loudest; shape of the evidence.

    A spin-up is usually taken up to about the bench limit, and is loudest there. The prior is
    lognormal about that limit. It speaks once per run, whereas evidence is summed over steps that
    are far from independent: the same line is heard in all of them. So it is spread over a few
    looks' worth of steps only, and bounded: clear lines outvote it.
    """
    n_steps = whitened[0].votes.shape[1]
    level = loudness_db(whitened, n_steps)
    loudest = np.quantile(level, 0.9)
    share = np.clip((level - loudest + 2.0 * LOUDEST_DB) / LOUDEST_DB, 0.0, 1.0)
    share *= min(1.0, max(0.0, float(loudest) / (2.0 * LOUD_DB)))
    away = np.log(candidates_hz / expected_top_hz) / TOP_SPREAD
    cost = np.minimum(0.5 * away**2 / LOOKS, MOST_EXPECTATION)
    prior: NDArray[np.float32] = np.outer(-cost.astype(np.float32), share.astype(np.float32))
    return prior
