"""Votes of lines on the three levels of the speed tracker, made by hand."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from vibecheck.dsp.tracking_front import Level
from vibecheck.dsp.tracking_whiten import Whitened

QUIET_VOTE = -0.3


def voices(
    heard: Mapping[float, np.ndarray], level_db: np.ndarray, vote: float | Mapping[float, float]
) -> list[Whitened]:
    """Three levels in which each order votes in its own bin along its speed, where that runs."""
    n_steps = level_db.size
    out = []
    for name, window_s, top_hz in (
        ("long", 0.17, 600.0),
        ("mid", 0.04, 2500.0),
        ("short", 0.02, 2e4),
    ):
        bin_hz = 1.0 / window_s
        n_bins = int(top_hz / bin_hz) + 2
        votes = np.full((n_bins, n_steps), QUIET_VOTE, np.float32)
        for order, speed in heard.items():
            said = vote if isinstance(vote, float) else vote[order]
            row = np.rint(order * speed / bin_hz).astype(int)
            on = np.flatnonzero((speed > 0.0) & (row < n_bins))
            votes[row[on], on] = said
        level = Level(
            name,
            np.zeros((1, 2 * n_steps, n_bins), np.complex64),
            bin_hz,
            window_s,
            top_hz,
            0.01 / window_s,
            np.ones(2 * n_steps, bool),
        )
        floor = np.repeat(10.0 ** (level_db / 10.0)[np.newaxis, :, np.newaxis], n_bins, axis=2)
        power = np.ones((n_steps, n_bins), np.float32)
        out.append(Whitened(level, votes, power, floor.astype(np.float32), 2))
    return out
