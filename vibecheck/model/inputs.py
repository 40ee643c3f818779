"""Stage 5: from features, baseline and spot to the columns a zone's scorer sees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.zones import WHEEL_ZONES
from vibecheck.features.catalogue import BY_NAME

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

RELATIONS = ("here", "same_axle", "same_side", "opposite", "centre", "elsewhere")
"""Where the sensor sat, seen from the zone."""


def relation(spot: str, zone: str) -> str:
    """Say where a spot lies, seen from a zone.

    ``"here"``, ``"centre"`` or ``"elsewhere"``; between two wheels also ``"same_axle"``,
    ``"same_side"`` and ``"opposite"``.
    """
    if spot == zone:
        return "here"
    if spot == "centre":
        return "centre"
    if spot in WHEEL_ZONES and zone in WHEEL_ZONES:
        _, spot_axle, spot_side = spot.split("_")
        _, zone_axle, zone_side = zone.split("_")
        if spot_axle == zone_axle:
            return "same_axle"
        return "same_side" if spot_side == zone_side else "opposite"
    return "elsewhere"


@dataclass(frozen=True)
class InputLayout:
    """Columns of one scorer.

    Attributes
    ----------
    names : tuple of str
        Features, in catalogue order.
    with_baseline : bool
        Whether the distances from the baseline follow the features.
    crossed : bool
        Whether the locating features appear once more per relation (wheels only).
    """

    names: tuple[str, ...]
    with_baseline: bool
    crossed: bool

    @cached_property
    def locating(self) -> NDArray[np.intp]:
        """Places of the features that locate a wheel."""
        return np.array(
            [k for k, name in enumerate(self.names) if name in BY_NAME and BY_NAME[name].locates],
            dtype=np.intp,
        )

    @cached_property
    def feature_of_column(self) -> NDArray[np.intp]:
        """Place of the feature behind each column; −1 for relation and sensor."""
        n = len(self.names)
        parts = [np.arange(n)]
        if self.with_baseline:
            parts.append(np.arange(n))
        parts.append(np.full(len(RELATIONS) + 1, -1))
        if self.crossed:
            parts.extend([self.locating] * len(RELATIONS))
        return np.concatenate(parts).astype(np.intp)

    @property
    def n_columns(self) -> int:
        """Number of columns."""
        return int(self.feature_of_column.size)

    def rows(
        self,
        standard: FloatArray,
        z: FloatArray,
        relations: Sequence[str],
        accelerometer: BoolArray,
    ) -> FloatArray:
        """Build the rows of a scorer.

        Parameters
        ----------
        standard : ndarray, shape (n_rows, n_features)
            Features against the population, NaN where missing.
        z : ndarray, shape (n_rows, n_features)
            Distances from the baseline, NaN where missing; ignored without a baseline.
        relations : sequence of str, length n_rows
        accelerometer : ndarray of bool, shape (n_rows,)

        Returns
        -------
        ndarray, shape (n_rows, n_columns)
            NaN where missing.
        """
        codes = np.array([RELATIONS.index(name) for name in relations], dtype=np.intp)
        hot = (codes[:, None] == np.arange(len(RELATIONS))).astype(np.float64)
        parts = [standard]
        if self.with_baseline:
            parts.append(z)
        parts.extend([hot, accelerometer.astype(np.float64)[:, None]])
        if self.crossed:
            base = (z if self.with_baseline else standard)[:, self.locating]
            # A missing value is neutral in a cross: the imputation of a product means nothing.
            base = np.nan_to_num(base, nan=0.0)
            parts.extend(base * hot[:, [k]] for k in range(len(RELATIONS)))
        return np.concatenate(parts, axis=1)
