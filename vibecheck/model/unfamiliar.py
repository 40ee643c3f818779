"""Stage 5: how unlike anything the model learned from a take is.

A surprise per feature: the squared Mahalanobis distance of what was observed, and the improbability
of what was not, both on the scale of −2 log likelihood, over the number of features.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


MIN_MEASURED = 0.4
"""A take of which a smaller share of the features could be measured is strange, whatever the rest
says, and is not learned from."""
MIN_VARIANCE = 0.25
"""Least variance of a standard feature: one that hardly moved in the training takes must not make
any small move elsewhere look strange."""
STRANGE = 99.0
"""Familiarity score where there is nothing to compare."""


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

    def score(self, standard: FloatArray, missing: BoolArray) -> float:
        """Surprise over the limit; `STRANGE` where hardly anything could be measured."""
        if (~missing).mean() < MIN_MEASURED:
            return STRANGE
        return self.surprise(standard, missing) / self.limit

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


def fit_familiarity(
    standard: FloatArray, missing: BoolArray, shrinkage: float = 0.3, limit: float = np.inf
) -> Familiarity:
    """Learn the centre, the shrunk covariance and the miss rates of the training takes.

    Parameters
    ----------
    standard, missing : ndarray, shape (n_takes, n_features)
    shrinkage : float
        Weight, 0 to 1, of the diagonal in the covariance (see `choose_shrinkage`).
    limit : float
    """
    filled = np.where(missing, np.nan, standard)
    count = (~missing).sum(axis=0)
    centre = np.where(count > 0, np.nansum(filled, axis=0) / np.maximum(count, 1), 0.0)
    offset = np.where(missing, 0.0, standard - centre)
    n = offset.shape[0]
    # Pairs seen together only: a feature missing in half the takes must not look half as wide.
    seen = (~missing).astype(np.float64)
    sample = (offset.T @ offset) / np.maximum(seen.T @ seen, 1.0)
    variance = np.maximum(np.where(count > 1, np.diag(sample), 1.0), MIN_VARIANCE)
    scale = np.sqrt(variance)
    correlation = (1.0 - shrinkage) * sample / np.outer(scale, scale)
    np.fill_diagonal(correlation, 1.0)
    # Pairwise estimates need not be positive definite: lift the smallest eigenvalues.
    values, vectors = np.linalg.eigh(0.5 * (correlation + correlation.T))
    correlation = (vectors * np.maximum(values, 0.05)) @ vectors.T
    covariance = correlation * np.outer(scale, scale)
    # Krichevsky–Trofimov: half a take of each kind.
    return Familiarity(centre, covariance, (missing.sum(axis=0) + 0.5) / (n + 1.0), limit)


SHRINKAGES = (0.1, 0.3, 0.5, 0.7, 0.9)


def choose_shrinkage(standard: FloatArray, missing: BoolArray, folds: Sequence[BoolArray]) -> float:
    """Choose the weight of the diagonal by the Gaussian likelihood of held-out cars' takes.

    Parameters
    ----------
    standard, missing : ndarray, shape (n_takes, n_features)
    folds : sequence of ndarray of bool, shape (n_takes,)
        Held-out takes of each fold.
    """
    costs = np.zeros(len(SHRINKAGES))
    for held in folds:
        for k, shrinkage in enumerate(SHRINKAGES):
            known = fit_familiarity(standard[~held], missing[~held], shrinkage)
            offset = np.where(missing[held], 0.0, standard[held] - known.centre)
            distance = np.sum(offset * np.linalg.solve(known.covariance, offset.T).T)
            costs[k] += distance + held.sum() * np.linalg.slogdet(known.covariance)[1]
    return SHRINKAGES[int(np.argmin(costs))]
