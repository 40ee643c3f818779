"""The speed of the reference shaft over time, as an immutable value (made by stage 2)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibecheck.arrays import frozen_array

PhaseName = Literal["idle", "run_up", "hold", "coast_down"]


@dataclass(frozen=True)
class Phase:
    """A stretch of a spin-up: ``idle``, ``run_up``, ``hold`` or ``coast_down``."""

    name: PhaseName
    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class OrderAmbiguity:
    """Another reading of the speed that explains the recording nearly as well.

    Attributes
    ----------
    ratio : float
        The competing speed over the reported one (2.0: the shaft may turn twice as fast).
    log_odds : float
        Log-likelihood of the reported speed over the competing one, per second of running; near 0
        means that the recording cannot tell them apart.
    resolved : bool
        True where the evidence speaks clearly for the reported speed.
    message : str
        One sentence in the owner's words.
    """

    ratio: float
    log_odds: float
    resolved: bool
    message: str


@dataclass(frozen=True, eq=False)
class SpeedTrack:
    """Speed of the reference shaft (the motor, where a car is known) on a uniform time grid.

    Attributes
    ----------
    time_s : ndarray, shape (n_frames,)
        Frame centres in seconds from the take's first sample, uniform.
    rpm : ndarray, shape (n_frames,)
        Turns per minute of the reference shaft; 0 where the motor is off.
    sd_rpm : ndarray, shape (n_frames,)
        Standard deviation of ``rpm`` (coverage tested); 0 where the motor is off.
    confidence : ndarray, shape (n_frames,)
        Posterior probability, 0–1, of the reported state (this speed, or off).
    phases : tuple of Phase
        In time order, without overlap, covering the take.
    shaft : str
        ``"motor"``, or ``"reference"`` for a machine without a drivetrain.
    order_ambiguity : OrderAmbiguity or None
    """

    time_s: NDArray[np.float64]
    rpm: NDArray[np.float64]
    sd_rpm: NDArray[np.float64]
    confidence: NDArray[np.float64]
    phases: tuple[Phase, ...] = ()
    shaft: str = "motor"
    order_ambiguity: OrderAmbiguity | None = None

    def __post_init__(self) -> None:
        for name in ("time_s", "rpm", "sd_rpm", "confidence"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    @cached_property
    def running(self) -> NDArray[np.bool_]:
        """True in the frames in which the shaft turns."""
        return frozen_array(self.rpm > 0.0, copy=False)

    @cached_property
    def revolutions(self) -> NDArray[np.float64]:
        """Turns of the reference shaft since the take's first sample, at each ``time_s``.

        The integral of the speed (trapezoid rule): monotone, and constant where the motor is off.
        """
        rate = self.rpm / 60.0
        steps = np.diff(self.time_s) * 0.5 * (rate[1:] + rate[:-1])
        first = rate[0] * self.time_s[0] if self.time_s.size else 0.0
        return frozen_array(first + np.concatenate([[0.0], np.cumsum(steps)]), copy=False)

    def rpm_at(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Speed at any times, by linear interpolation (ends held)."""
        return np.interp(np.asarray(time_s, dtype=np.float64), self.time_s, self.rpm)

    def phases_named(self, name: PhaseName) -> tuple[Phase, ...]:
        """Return all phases of one name."""
        return tuple(phase for phase in self.phases if phase.name == name)

    def in_phase(self, name: PhaseName) -> NDArray[np.bool_]:
        """True in the frames that belong to the phases of one name."""
        mask = np.zeros(self.time_s.size, dtype=bool)
        for phase in self.phases_named(name):
            mask |= (self.time_s >= phase.start_s) & (self.time_s < phase.end_s)
        return mask
