"""Stage 5: how unlike anything the model learned from a take is.

A surprise per feature: the squared Mahalanobis distance of what was observed, and the improbability
of what was not, both on the scale of −2 log likelihood, over the number of features.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Familiarity:
    """What the training takes of one kind of sensor looked like.

    Attributes
    ----------
    centre : ndarray, shape (n_features,)
        In standard features (against the population).
    covariance : ndarray, shape (n_features, n_features)
        Shrunk, well conditioned.
    miss_rate : ndarray, shape (n_features,)
        Share of training takes in which the feature was missing.
    limit : float
        Surprise above which a check counts as unfamiliar: a quantile over held-out cars.
    """

    centre: FloatArray
    covariance: FloatArray
    miss_rate: FloatArray
    limit: float

    def __post_init__(self) -> None:
        for name in ("centre", "covariance", "miss_rate"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def surprise(self, standard: FloatArray, missing: BoolArray) -> float:
        """Surprise per feature of one take; about 1 for a take like the training takes."""
        seen = ~missing
        distance = 0.0
        if seen.any():
            offset = standard[seen] - self.centre[seen]
            block = self.covariance[np.ix_(seen, seen)]
            distance = float(offset @ np.linalg.solve(block, offset))
        absent = -2.0 * float(np.sum(np.log(np.maximum(self.miss_rate[missing], 1e-6))))
        return (distance + absent) / missing.size

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild it."""
        return {
            "centre": self.centre,
            "covariance": self.covariance,
            "miss_rate": self.miss_rate,
            "limit": np.array(self.limit),
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> Familiarity:
        """Rebuild it from `arrays`."""
        return cls(
            arrays["centre"],
            arrays["covariance"],
            arrays["miss_rate"],
            float(arrays["limit"]),
        )


def fit_familiarity(standard: FloatArray, missing: BoolArray, limit: float = np.inf) -> Familiarity:
    """Learn the centre, the shrunk covariance and the miss rates of the training takes.

    The covariance is shrunk towards its diagonal with the intensity of Ledoit & Wolf (2004),
    computed on the standard features with missing values at the centre.
    """
    filled = np.where(missing, np.nan, standard)
    count = (~missing).sum(axis=0)
    centre = np.where(count > 0, np.nansum(filled, axis=0) / np.maximum(count, 1), 0.0)
    offset = np.where(missing, 0.0, standard - centre)
    n = offset.shape[0]
    raw = offset.T @ offset / n
    # Pairs seen together only: a feature missing in half the takes must not look half as wide.
    seen = (~missing).astype(np.float64)
    sample = raw * n / np.maximum(seen.T @ seen, 1.0)
    variance = np.maximum(np.where(count > 1, np.diag(sample), 1.0), 1e-3)
    target = np.diag(variance)
    # Ledoit–Wolf intensity: noise of the entries over their distance from the target.
    noise = float(np.mean((offset**2).T @ offset**2 / n - raw**2)) / n
    gap = float(np.mean((sample - target) ** 2))
    intensity = float(np.clip(noise / max(gap, 1e-12), 0.05, 1.0))
    covariance = (1.0 - intensity) * sample + intensity * target
    # Pairwise estimates need not be positive definite: lift the smallest eigenvalues.
    scale = np.sqrt(variance)
    correlation = covariance / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(0.5 * (correlation + correlation.T))
    correlation = (vectors * np.maximum(values, 0.05)) @ vectors.T
    covariance = correlation * np.outer(scale, scale)
    # Krichevsky–Trofimov: half a take of each kind.
    return Familiarity(centre, covariance, (missing.sum(axis=0) + 0.5) / (n + 1.0), limit)
