"""What models said of bench checks of cars they never saw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.dataset.columns import HARD_NEGATIVES, MESH_SETTINGS

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

COVERAGES = (0.8, 0.9, 0.95)
"""Coverages at which the sets of candidates are judged."""
FALSE_ALARM_RATE = 0.05
"""Share of plain snug checks at which the alarm is set."""


@dataclass(frozen=True, eq=False)
class Predictions:
    """What models said, one row a bench check.

    Any method can be judged by filling this in: probabilities need not come from our model.

    Attributes
    ----------
    car, check, kind : ndarray of str, shape (n,)
    zones : ndarray of str, shape (n_zones,)
    n_spots : ndarray of int, shape (n,)
        Places from which the check was heard.
    probability : ndarray, shape (n, n_zones)
        With the prior of the training set.
    any_probability : ndarray, shape (n,)
    loose : ndarray of bool, shape (n, n_zones)
    turns, preload : ndarray, shape (n, n_zones)
    heard, turning : ndarray of bool, shape (n, n_zones)
        Zones the model had a head for; zones other than wheels that do not turn.
    alarm : ndarray of bool, shape (n,)
        "Something is loose" stood above the bar that its model took from the calm checks of its
        training cars, set at `FALSE_ALARM_RATE`.
    unfamiliar : ndarray of bool, shape (n,)
    candidates : ndarray of bool, shape (n, n_coverages, n_zones)
        Zones in the set of each of `COVERAGES`.
    """

    car: NDArray[np.str_]
    check: NDArray[np.str_]
    kind: NDArray[np.str_]
    zones: NDArray[np.str_]
    n_spots: NDArray[np.intp]
    probability: FloatArray
    any_probability: FloatArray
    loose: BoolArray
    turns: FloatArray
    preload: FloatArray
    heard: BoolArray
    turning: BoolArray
    alarm: BoolArray
    unfamiliar: BoolArray
    candidates: BoolArray

    @property
    def any_loose(self) -> BoolArray:
        """Checks in which something is loose."""
        return np.asarray(self.loose.any(axis=1))

    @property
    def play(self) -> BoolArray:
        """Checks in which some fastener is backed off."""
        return np.asarray((self.loose & (self.turns > 0.0)).any(axis=1))

    @property
    def is_hard(self) -> BoolArray:
        """Checks with nothing loose that sound as if."""
        return np.isin(self.kind, HARD_NEGATIVES) & ~self.any_loose

    @property
    def is_mesh(self) -> BoolArray:
        """Checks of a gear mesh set too tight or too loose: neither snug nor loose."""
        return np.isin(self.kind, MESH_SETTINGS)

    @property
    def driven_wheels(self) -> BoolArray:
        """Wheels that turn on the bench, shape (n, n_zones)."""
        return self.turning & self._wheels

    @property
    def still_wheels(self) -> BoolArray:
        """Wheels that do not, shape (n, n_zones)."""
        return ~self.turning & self._wheels

    @property
    def _wheels(self) -> BoolArray:
        return np.array([str(zone).startswith("wheel_") for zone in self.zones])

    def select(self, rows: NDArray[Any]) -> Predictions:
        """Return some of the checks."""
        kept = {
            item.name: getattr(self, item.name)
            if item.name == "zones"
            else getattr(self, item.name)[rows]
            for item in fields(Predictions)
        }
        return Predictions(**kept)

    @staticmethod
    def join(parts: Sequence[Predictions]) -> Predictions:
        """Put the folds together."""
        joined: dict[str, Any] = {}
        for item in fields(Predictions):
            values = [getattr(part, item.name) for part in parts]
            joined[item.name] = values[0] if item.name == "zones" else np.concatenate(values)
        return Predictions(**joined)
