"""Throttle scripts: idle, run-up, holds, coast-down, idle, with a human hand on the trigger."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError

Array = NDArray[np.float64]
Part = tuple[str, float, float]
COAST_S = 1.5  # how fast a middling drivetrain coasts down
SHORTEST_SPIN_UP_S = 4.5


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
    stutters : int
        Jerks with which a motor without a sensor starts, within the first `stutter_s` seconds.
    stutter_s : float
    brake_a : float
        Current of the speed controller's drag brake in A; 0: as the car has it.
    """

    idle_s: float
    parts: tuple[Part, ...]
    unsteady: float = 0.008
    bend: float = 1.0
    stutters: int = 0
    stutter_s: float = 0.0
    brake_a: float = 0.0

    def __post_init__(self) -> None:
        if self.idle_s < 0.0:
            raise CallError(f"idle_s must not be negative. Got {self.idle_s!r} instead.")
        if self.stutters < 0 or self.stutter_s < 0.0 or self.brake_a < 0.0:
            raise CallError(
                "stutters, stutter_s and brake_a must not be negative. "
                f"Got {self.stutters!r}, {self.stutter_s!r} and {self.brake_a!r} instead."
            )
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
        """Return throttle (share of the bench cap) at times from the start of the run-up.

        A run-up after a coast-down begins where the motor may still turn, so that it does run up.
        """
        rng = np.random.default_rng([seed, 21])
        clock = 0.0
        level = 0.0
        value = np.zeros_like(time_s)
        for name, seconds, target in self.parts:
            inside = (time_s >= clock) & (time_s < clock + seconds)
            share = (time_s[inside] - clock) / seconds
            if name == "coast_down":
                value[inside] = 0.0
                level *= math.exp(-seconds / COAST_S)
            else:
                bent = share**self.bend
                value[inside] = level + (target - level) * bent
                level = target
            clock += seconds
        if self.stutters and self.stutter_s > 0.0:
            starting = (time_s >= 0.0) & (time_s < self.stutter_s)
            value[starting] = self._jerks(time_s[starting], seed)
        value[time_s < 0.0] = 0.0
        # The hand: a slow wander (Ornstein-Uhlenbeck, 0.4 s) and a slight tremor.
        dt = float(time_s[1] - time_s[0]) if time_s.size > 1 else 1.0
        wander = _wander(rng, time_s.size, dt, 0.4) + 0.3 * _wander(rng, time_s.size, dt, 0.05)
        value *= 1.0 + self.unsteady * wander
        return _smooth(np.maximum(value, 0.0), dt, 0.03)

    def _jerks(self, time_s: Array, seed: int) -> Array:
        """Pushes that fail to start the motor, one after the other."""
        rng = np.random.default_rng([seed, 24])
        edges = np.cumsum(rng.uniform(0.7, 1.3, self.stutters))
        edges *= self.stutter_s / edges[-1]
        value = np.zeros_like(time_s)
        first = 0.0
        for last in edges:
            push = rng.uniform(0.3, 0.6) * (last - first)
            value[(time_s >= first) & (time_s < first + push)] = rng.uniform(0.06, 0.25)
            first = last
        return value


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
    """Draw a script with human variety: 9-12 s, in one of six up to 16 s, unless asked for.

    Most are idle for at least 2 s, run up once or in two steps, hold and coast down. Some begin
    early, blip the throttle or hesitate first, run up twice, let go early, stutter at the start,
    or brake at the end.

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
    drawn = float(rng.uniform(9.0, 12.0) if rng.random() < 0.85 else rng.uniform(12.0, 16.0))
    total = drawn if duration_s is None else duration_s
    if total < 8.0:
        raise CallError(f"duration_s must be at least 8. Got {duration_s!r} instead.")
    idle = float(rng.uniform(2.0, 2.6) if rng.random() < 0.85 else rng.uniform(0.8, 2.0))
    parts = _lead_in(rng, total - idle - SHORTEST_SPIN_UP_S)
    rest = total - idle - sum(seconds for _, seconds, _ in parts)
    if rest >= 2.0 * SHORTEST_SPIN_UP_S - 1.0 and rng.random() < 0.25:
        first = rest * float(rng.uniform(0.4, 0.55))
        parts += _spin_up(rng, first) + _spin_up(rng, rest - first)
    else:
        parts += _spin_up(rng, rest)
    stutters = int(rng.integers(2, 6)) if rng.random() < 0.2 else 0
    return ThrottleScript(
        idle_s=idle,
        parts=tuple(parts),
        unsteady=float(math.exp(rng.uniform(math.log(0.002), math.log(0.02)))),
        bend=float(rng.uniform(0.7, 1.7)),
        stutters=stutters,
        stutter_s=min(float(rng.uniform(0.15, 0.6)), 0.5 * parts[0][1]) if stutters else 0.0,
        brake_a=float(rng.uniform(4.0, 30.0)) if rng.random() < 0.12 else 0.0,
    )


def _lead_in(rng: np.random.Generator, spare_s: float) -> list[Part]:
    """What may come before the spin-up itself: a blip or two, or a hesitant start."""
    parts: list[Part] = []
    if rng.random() < 0.12:
        for _ in range(int(rng.integers(1, 3))):
            up, down = float(rng.uniform(0.15, 0.3)), float(rng.uniform(0.4, 0.9))
            if up + down < spare_s:
                level = float(rng.uniform(0.2, 0.5))
                parts += [("run_up", up, level), ("coast_down", down, 0.0)]
                spare_s -= up + down
    if rng.random() < 0.15:
        up, wait = float(rng.uniform(0.2, 0.5)), float(rng.uniform(0.3, 0.8))
        if up + wait < spare_s:
            level = float(rng.uniform(0.08, 0.25))
            parts += [("run_up", up, level), ("hold", wait, level)]
    return parts


def _spin_up(rng: np.random.Generator, rest: float) -> list[Part]:
    """Draw one spin-up: straight, in two steps, or a slow run-up with a short hold."""
    run_up = rest * float(rng.uniform(0.28, 0.42))
    coast = rest * float(rng.uniform(0.22, 0.34))
    hold = rest - run_up - coast
    if rng.random() < 0.12:  # lets go early
        short = min(float(rng.uniform(0.3, 0.8)), hold)
        coast += 0.6 * (hold - short)
        run_up += 0.4 * (hold - short)
        hold = short
    top = float(rng.uniform(0.8, 1.0))
    kind = rng.random()
    if kind < 0.55:
        parts: list[Part] = [("run_up", run_up, top), ("hold", hold, top)]
    elif kind < 0.85:
        step = top * float(rng.uniform(0.35, 0.75))
        cut = float(rng.uniform(0.35, 0.65))
        parts = [
            ("run_up", run_up * cut, step),
            ("hold", hold * 0.4, step),
            ("run_up", run_up * (1 - cut), top),
            ("hold", hold * 0.6, top),
        ]
    else:
        parts = [("run_up", run_up + 0.5 * hold, top), ("hold", 0.5 * hold, top)]
    return [*parts, ("coast_down", coast, 0.0)]
