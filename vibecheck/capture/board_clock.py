"""Recording at the bench: the time that a board prints, and what is odd or lost in it."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError

TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
WRAP = 2.0**32
"""Boards count in 32 bits: microseconds start again after 71.6 minutes."""
MOST_STEP_S = 1.0
"""From one line to the next. More is a damaged number, or a hole."""
BELIEVED_AFTER = 3
"""So many odd stamps that follow each other are right, and the ones before were lost."""

SPAN_LINES = 64

Seen = Literal["good", "odd", "restart"]


class BoardClock:
    """Follows the time that a board prints, from its first line.

    Parameters
    ----------
    seconds_per_tick : float
        1e-6 for microseconds.
    """

    def __init__(self, seconds_per_tick: float) -> None:
        self._tick_s = seconds_per_tick
        self._first: float | None = None
        self._last = 0.0
        self._odd_last = 0.0
        self._n_odd = 0
        self.time_s = 0.0
        """Of the last stamp that was good, since the first."""

    def see(self, stamp: float) -> Seen:
        """Take one stamp in.

        Returns
        -------
        {"good", "odd", "restart"}
            ``good``: `time_s` is its time. ``odd``: it does not follow from the one before; the
            line is to be left out. ``restart``: the board began to count anew.
        """
        if self._first is None:
            self._first = self._last = stamp
            return "good"
        step = self._unwrapped(stamp - self._last)
        if self._follows(step):
            self._n_odd = 0
            self._last = stamp
            self.time_s += step * self._tick_s
            return "good"
        follows_odd = self._n_odd and self._follows(self._unwrapped(stamp - self._odd_last))
        self._n_odd = self._n_odd + 1 if follows_odd else 1
        self._odd_last = stamp
        if self._n_odd < BELIEVED_AFTER:
            return "odd"
        if step < 0.0:
            return "restart"
        self._n_odd = 0
        self._last = stamp
        self.time_s += step * self._tick_s
        return "good"

    def _follows(self, step: float) -> bool:
        return 0.0 <= step * self._tick_s <= MOST_STEP_S

    @staticmethod
    def _unwrapped(step: float) -> float:
        return step + WRAP if step < -0.5 * WRAP else step


def unit_by_arrival(ticks: float, seconds: float) -> str:
    """Tell the unit of a board's time by the clock on the wall.

    Parameters
    ----------
    ticks : float
        By how much the board's time advanced …
    seconds : float > 0
        … in so many seconds of waiting.

    Raises
    ------
    InputError
        If it is within a factor of three of none of s, ms, us, ns.
    """
    for unit, tick_s in TIME_UNITS.items():
        if 1.0 / 3.0 <= ticks * tick_s / seconds <= 3.0:
            return unit
    raise InputError(
        f"The unit of the board's time cannot be told: it advances by {ticks / seconds:g} in a "
        "second.",
        advice="Say it with --time-unit s, ms, us or ns, or name it in the header line.",
    )


def lost_lines(time_s: NDArray[np.float64], tick_s: float = 0.0) -> tuple[int, int]:
    """Return at how many places lines are missing, and how many lines, by the board's time.

    Parameters
    ----------
    time_s : ndarray, shape (n_samples,)
        Never decreasing.
    tick_s : float
        The finest step of the time, where known: 1e-3 for whole milliseconds.

    Notes
    -----
    A step of more than one and three quarters of the usual one is a gap. Where many lines share a
    tick, or are stamped in batches, single steps say nothing: then spans of 64 lines are held
    against the usual span, and a loss of less than a tenth of it is not seen.
    """
    if time_s.size < 3 or not time_s[-1] > time_s[0]:
        return 0, 0
    steps = np.diff(time_s)
    usual_s = float(np.median(steps))
    spans = np.diff(time_s[::SPAN_LINES])
    span_s = float(np.median(spans)) if spans.size >= 4 else float(steps.mean()) * SPAN_LINES
    line_s = span_s / SPAN_LINES
    if usual_s >= 4.0 * tick_s and line_s / 1.5 < usual_s < line_s * 1.5:
        holes = steps[steps > 1.75 * usual_s] / usual_s - 1.0
        return int(holes.size), round(float(holes.sum()))
    late = spans - span_s
    holes = late[late > max(4.0 * tick_s, 0.1 * span_s)] / line_s
    return int(holes.size), round(float(holes.sum()))
