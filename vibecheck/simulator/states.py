"""Fastener states and the other conditions of one bench check."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from vibecheck.errors import CallError, did_you_mean
from vibecheck.simulator.parameters import ZONES


@dataclass(frozen=True)
class FastenerState:
    """How far a zone's fasteners are from snug, on one continuous scale.

    Attributes
    ----------
    preload : float
        Share of the snug preload, 1 to 0. Less preload lowers stiffness and slip limit; there
        is no play yet.
    turns : float
        Turns backed off beyond zero preload, >= 0. Play = turns × thread pitch.
    share : float
        Share of the zone's screws in this state, over 0 to 1 (motor mount: 0.5 = one of two).
    """

    preload: float = 1.0
    turns: float = 0.0
    share: float = 1.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.preload <= 2.0:
            raise CallError(f"preload must be between 0 and 2. Got {self.preload!r} instead.")
        if not (math.isfinite(self.turns) and 0.0 <= self.turns <= 5.0):
            raise CallError(f"turns must be between 0 and 5. Got {self.turns!r} instead.")
        if self.turns > 0.0 and self.preload > 0.0:
            raise CallError(
                f"preload must be 0 where turns are backed off. Got {self.preload!r} instead."
            )
        if not 0.0 < self.share <= 1.0:
            raise CallError(f"share must be over 0 and up to 1. Got {self.share!r} instead.")


SNUG = FastenerState()


@dataclass(frozen=True)
class Conditions:
    """What else differs between bench checks, with nothing loose.

    Attributes
    ----------
    wheel_unbalance : tuple of 4 float
        Factor on each wheel's static and couple unbalance (mud, a torn tyre).
    backlash : float
        Factor on the gear backlash; below about 0.2 the mesh binds (0: the gears are pressed
        into each other), above 2.5 it is loose.
    temperature : float
        Relative stiffness change of plastics and rubber, about -0.1 to 0.1.
    """

    wheel_unbalance: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    backlash: float = 1.0
    temperature: float = 0.0


@dataclass(frozen=True)
class Sitting:
    """The exact state of every joint during one run: the asked state plus honest scatter.

    Snug is never the same twice: preload scatters by about 12 %, a wheel seats elsewhere within
    its clearance, the gear mesh closes a little differently.
    """

    states: Mapping[str, FastenerState]
    preload_factor: Mapping[str, float]
    seat_place: np.ndarray = field(repr=False)
    phases: np.ndarray = field(repr=False)
    unbalance_factor: np.ndarray = field(repr=False)
    backlash: float = 1.0
    temperature: float = 0.0
    damping_factor: float = 1.0
    loose_screw: int = 0
    coast_factor: float = 1.0


def check_states(states: Mapping[str, FastenerState]) -> dict[str, FastenerState]:
    """Return the state of every zone, snug where absent.

    Raises
    ------
    CallError
        If a zone is not part of the model.
    """
    for zone in states:
        if zone not in ZONES:
            raise CallError(
                f'The simulator has no zone "{zone}".{did_you_mean(zone, ZONES)}',
                advice=f"Known zones: {', '.join(ZONES)}.",
            )
    return {zone: states.get(zone, SNUG) for zone in ZONES}


def draw_sitting(states: Mapping[str, FastenerState], conditions: Conditions, seed: int) -> Sitting:
    """Draw the scatter of one run around the asked states."""
    rng = np.random.default_rng([seed, 11])
    full = check_states(states)
    factor = {zone: float(math.exp(rng.normal(0.0, 0.12))) for zone in ZONES}
    place = np.sqrt(rng.uniform(0.0, 1.0, 4)) * 0.6
    angle = rng.uniform(0.0, 2.0 * math.pi, 4)
    return Sitting(
        states=full,
        preload_factor=factor,
        seat_place=np.stack((place * np.cos(angle), place * np.sin(angle)), axis=1),
        phases=rng.uniform(0.0, 2.0 * math.pi, 12),
        unbalance_factor=np.asarray(conditions.wheel_unbalance) * np.exp(rng.normal(0.0, 0.06, 4)),
        backlash=conditions.backlash * float(math.exp(rng.normal(0.0, 0.07))),
        temperature=conditions.temperature + float(rng.normal(0.0, 0.03)),
        damping_factor=float(math.exp(rng.normal(0.0, 0.1))),
        loose_screw=int(rng.integers(2)),
        coast_factor=float(math.exp(rng.normal(0.0, 0.08))),
    )
