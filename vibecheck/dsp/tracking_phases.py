"""Speed tracking, phases: idle, run-up, hold and coast-down from a speed track."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Name = Literal["idle", "run_up", "hold", "coast_down"]
SLOPE_S = 0.25  # the slope is judged over this long
STEADY_SHARE = 0.05  # a hold changes by less than this share of its speed per second
LOOSE_SHARE = 0.10  # a ramp begins above this share, and is over only below STEADY_SHARE
SLOW_SHARE = 0.25  # below this share of the top speed, changes count as at this share
SHORTEST_S = 0.15


def split_phases(speed_hz: NDArray[np.float64], hop_s: float) -> list[tuple[Name, int, int]]:
    """Return (name, first frame, end frame) in order, without gaps.

    A running stretch is cut where its slope, over a quarter second, leaves or enters a band around
    zero that scales with the speed.
    """
    n = speed_hz.size
    code = np.zeros(n, int)  # 0 idle, 1 run-up, 2 hold, 3 coast-down
    running = speed_hz > 0.0
    if not running.any():
        return [("idle", 0, n)]
    top = float(np.quantile(speed_hz[running], 0.95))
    for first, end in stretches(running):
        code[first:end] = _ramp_code(speed_hz[first:end], hop_s, top)
    _drop_short(code, running, max(1, round(SHORTEST_S / hop_s)))
    names: tuple[Name, ...] = ("idle", "run_up", "hold", "coast_down")
    cuts = np.flatnonzero(np.diff(code)) + 1
    edges = [0, *cuts.tolist(), n]
    return [(names[code[a]], a, b) for a, b in pairwise(edges)]


def stretches(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Unbroken runs of True, as (first, end)."""
    edge = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    first = np.flatnonzero(edge == 1).tolist()
    end = np.flatnonzero(edge == -1).tolist()
    return list(zip(first, end, strict=True))


def _ramp_code(speed: NDArray[np.float64], hop_s: float, top: float) -> NDArray[np.intp]:
    width = max(3, 2 * round(0.5 * SLOPE_S / hop_s) + 1)
    if speed.size < 3:
        return np.full(speed.size, 2)
    width = min(width, speed.size - 1 + speed.size % 2)
    half = width // 2
    x = np.arange(-half, half + 1) * hop_s
    slope = ndimage.correlate1d(speed, x / (x @ x), mode="nearest")
    # Whole windows only: the slopes next to an end are those of the first whole window.
    if speed.size > 2 * half:
        slope[:half] = slope[half]
        slope[-half:] = slope[-half - 1]
    slope = slope / np.maximum(speed, SLOW_SHARE * top)
    sure = np.where(slope > LOOSE_SHARE, 1, np.where(slope < -LOOSE_SHARE, 3, 2))
    maybe = np.where(slope > STEADY_SHARE, 1, np.where(slope < -STEADY_SHARE, 3, 2))
    code = np.full(speed.size, 2)
    for kind in (1, 3):
        for first, end in stretches(maybe == kind):
            if (sure[first:end] == kind).any():
                code[first:end] = kind
    return code


def _drop_short(code: NDArray[np.intp], running: NDArray[np.bool_], shortest: int) -> None:
    """Give pieces of a running stretch that are too short to the longer neighbour."""
    for first, end in stretches(running):
        while True:
            part = code[first:end]
            cuts = np.flatnonzero(np.diff(part)) + 1
            edges = np.array([0, *cuts.tolist(), part.size])
            lengths = np.diff(edges)
            if lengths.size < 2 or lengths.min() >= shortest:
                break
            i = int(lengths.argmin())
            left = lengths[i - 1] if i > 0 else -1
            right = lengths[i + 1] if i + 1 < lengths.size else -1
            source = edges[i] - 1 if left >= right else edges[i + 1]
            part[edges[i] : edges[i + 1]] = part[source]
