"""Throttle scripts: idle, run-up, holds, coast-down, idle, with a human hand on the trigger."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Phase:
    """One part of a spin-up as it was driven, in seconds from the take's start."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class ThrottleScript:
    """Break points of the throttle, as shares of the bench cap.

    Attributes
    ----------
    idle_s : float
        Motor off before the run-up, >= 0.
    parts : tuple of (name, seconds, level at the end)
        ``run_up`` moves to the level, ``hold`` keeps it, ``coast_down`` lets go.
    unsteady : float
        Relative spread of the hand during holds.
    bend : float
        Exponent of the run-up: 1 straight, above 1 slow first.
    """

    idle_s: float
    parts: tuple[tuple[str, float, float], ...]
    unsteady: float = 0.008
    bend: float = 1.0

    def __post_init__(self) -> None:
        if self.idle_s < 0.0:
            raise CallError(f"idle_s must not be negative. Got {self.idle_s!r} instead.")
        for name, seconds, level in self.parts:
            if name not in ("run_up", "hold", "coast_down"):
                raise CallError(
                    f'A part must be "run_up", "hold" or "coast_down". Got {name!r} instead.'
                )
            if seconds <= 0.0 or not 0.0 <= level <= 1.5:
                raise CallError(
                    "A part must last over 0 s at a level between 0 and 1.5. "
                    f"Got {seconds!r} s at {level!r} instead."
                )

    @property
    def duration_s(self) -> float:
        """Length of the whole take."""
        return self.idle_s + sum(seconds for _, seconds, _ in self.parts)

    def phases(self) -> tuple[Phase, ...]:
        """Phases as driven."""
        found = []
        clock = 0.0
        if self.idle_s > 0.0:
            found.append(Phase("idle", 0.0, self.idle_s))
            clock = self.idle_s
        for name, seconds, _ in self.parts:
            found.append(Phase(name, clock, clock + seconds))
            clock += seconds
        return tuple(found)

    def throttle(self, time_s: Array, seed: int) -> Array:
        """Return throttle (share of the bench cap) at times from the start of the run-up."""
        rng = np.random.default_rng([seed, 21])
        clock = 0.0
        level = 0.0
        value = np.zeros_like(time_s)
        for name, seconds, target in self.parts:
            inside = (time_s >= clock) & (time_s < clock + seconds)
            share = (time_s[inside] - clock) / seconds
            if name == "coast_down":
                value[inside] = 0.0
                level = 0.0
            else:
                bent = share**self.bend
                value[inside] = level + (target - level) * bent
                level = target
            clock += seconds
        value[time_s < 0.0] = 0.0
        # The hand: a slow wander (Ornstein-Uhlenbeck, 0.4 s) and a slight tremor.
        dt = float(time_s[1] - time_s[0]) if time_s.size > 1 else 1.0
        wander = _wander(rng, time_s.size, dt, 0.4) + 0.3 * _wander(rng, time_s.size, dt, 0.05)
        value *= 1.0 + self.unsteady * wander
        return _smooth(np.maximum(value, 0.0), dt, 0.03)


def _wander(rng: np.random.Generator, n: int, dt: float, memory_s: float) -> Array:
    """Unit-variance Ornstein-Uhlenbeck noise."""
    keep = math.exp(-dt / memory_s)
    kicks = rng.normal(0.0, math.sqrt(1.0 - keep**2), n)
    out = np.empty(n)
    last = float(rng.normal())
    for index in range(n):
        last = keep * last + kicks[index]
        out[index] = last
    return out


def _smooth(value: Array, dt: float, memory_s: float) -> Array:
    """First-order lag: neither trigger nor speed controller jumps."""
    keep = math.exp(-dt / memory_s)
    out = np.empty_like(value)
    last = 0.0
    for index in range(value.size):
        last = keep * last + (1.0 - keep) * value[index]
        out[index] = last
    return out


def speed_spread(n: int, dt: float, seed: int, driven: tuple[bool, ...]) -> Array:
    """Return relative speed differences of the wheels across open differentials.

    Left and right of an axle move oppositely (the case turns at their mean); front and rear
    likewise where both axles are driven. They drift slowly with the drag of each side.
    """
    rng = np.random.default_rng([seed, 22])
    spread = np.zeros((n, 4))
    axle = 0.004 * _wander(rng, n, dt, 2.0) + rng.normal(0.0, 0.004)
    for first in (0, 2):
        side = 0.006 * _wander(rng, n, dt, 1.5) + rng.normal(0.0, 0.008)
        both = all(driven)
        spread[:, first] = side + (axle if both else 0.0) * (1 if first == 0 else -1)
        spread[:, first + 1] = -side + (axle if both else 0.0) * (1 if first == 0 else -1)
    return np.clip(spread, -0.05, 0.05)


def draw_script(seed: int, duration_s: float | None = None) -> ThrottleScript:
    """Draw a script with human variety: 9-12 s unless a duration is asked for.

    Parameters
    ----------
    seed : int
    duration_s : float, optional
        Length of the whole take, at least 8 s.

    Raises
    ------
    CallError
        If the duration is too short for all phases.
    """
    rng = np.random.default_rng([seed, 23])
    total = float(rng.uniform(9.0, 12.0)) if duration_s is None else duration_s
    if total < 8.0:
        raise CallError(f"duration_s must be at least 8. Got {duration_s!r} instead.")
    idle = float(rng.uniform(2.0, 2.5))
    rest = total - idle
    run_up = rest * float(rng.uniform(0.28, 0.42))
    coast = rest * float(rng.uniform(0.22, 0.34))
    hold = rest - run_up - coast
    top = float(rng.uniform(0.85, 1.0))
    parts: list[tuple[str, float, float]] = []
    kind = rng.random()
    if kind < 0.55:
        parts = [("run_up", run_up, top), ("hold", hold, top)]
    elif kind < 0.85:
        step = top * float(rng.uniform(0.4, 0.7))
        cut = float(rng.uniform(0.35, 0.65))
        parts = [
            ("run_up", run_up * cut, step),
            ("hold", hold * 0.4, step),
            ("run_up", run_up * (1 - cut), top),
            ("hold", hold * 0.6, top),
        ]
    else:
        parts = [("run_up", run_up + 0.5 * hold, top), ("hold", 0.5 * hold, top)]
    parts.append(("coast_down", coast, 0.0))
    return ThrottleScript(
        idle_s=idle,
        parts=tuple(parts),
        unsteady=float(rng.uniform(0.003, 0.015)),
        bend=float(rng.uniform(0.8, 1.5)),
    )
