"""Stage 5: what is usual in the takes of one kind of sensor, as the training set showed it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STANDARD_LIMIT = 6.0
"""Standard features are cut here: outliers of one feature must not decide alone."""


@dataclass(frozen=True, eq=False)
class Population:
    """Snug takes of the training cars by one kind of sensor.

    Attributes
    ----------
    centre, scale : ndarray, shape (n_features,)
        Median and robust standard deviation over snug takes of all cars.
    within : ndarray, shape (n_features,)
        Spread from take to take of one snug car (`pooled_spread`).
    """

    centre: FloatArray
    scale: FloatArray
    within: FloatArray

    def __post_init__(self) -> None:
        for name in ("centre", "scale", "within"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def standard(self, values: FloatArray, missing: BoolArray) -> FloatArray:
        """Features against the population, cut at ± `STANDARD_LIMIT`; NaN where missing."""
        against = np.clip((values - self.centre) / self.scale, -STANDARD_LIMIT, STANDARD_LIMIT)
        return np.where(missing, np.nan, against)

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild it."""
        return {"centre": self.centre, "scale": self.scale, "within": self.within}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> Population:
        """Rebuild it from `arrays`."""
        return cls(arrays["centre"], arrays["scale"], arrays["within"])
