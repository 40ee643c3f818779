"""Stage 5: a car's own snug takes as the reference: centre, spread, and distance from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError
from vibecheck.features.vector import FeatureVector

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MAD_TO_SD = 1.4826
"""Normal standard deviation over median absolute deviation (Hampel 1974), 1 / 0.67449."""
Z_LIMIT = 8.0
"""Distances are cut here: further out they say nothing more."""
PRIOR_TAKES = 10.0
"""Weight of the pooled guess of a spread, in takes."""


@dataclass(frozen=True, eq=False)
class BaselineCentre(FeatureVector):
    """Robust centre of a car's snug takes, which knows how many takes it rests on.

    Attributes
    ----------
    n_takes : int
    """

    n_takes: int = 1


def baseline_centre(vectors: Sequence[FeatureVector]) -> BaselineCentre:
    """Return the robust centre (median) of a car's snug takes at one sensor and spot.

    Parameters
    ----------
    vectors : sequence of FeatureVector
        At least one, all of one catalogue version.

    Returns
    -------
    BaselineCentre
        A feature is missing where no take could observe it.

    Raises
    ------
    CallError
        If there is no take, or the takes differ in their catalogue.
    """
    if not vectors:
        raise CallError("A baseline needs at least one take. Got none.")
    first = vectors[0]
    if any(other.catalogue_version != first.catalogue_version for other in vectors):
        raise CallError(
            "A baseline's takes must share one catalogue version.",
            advice="Compute their features again.",
        )
    values = np.stack([vector.values for vector in vectors])
    missing = np.stack([vector.missing for vector in vectors])
    centre, gone = masked_median(values, missing)
    return BaselineCentre(
        first.names,
        np.where(gone, first.values, centre),
        gone,
        first.catalogue_version,
        n_takes=len(vectors),
    )


def masked_median(values: FloatArray, missing: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Median of each column over the rows in which it was observed; 0 and True where none was."""
    # Missing values sort last; the median is read from the observed part.
    ordered = np.sort(np.where(missing, np.inf, values), axis=0)
    count = (~missing).sum(axis=0)
    gone = count == 0
    upper = np.minimum(count // 2, values.shape[0] - 1)
    lower = np.maximum((count - 1) // 2, 0)
    column = np.arange(values.shape[1])
    low, high = ordered[lower, column], ordered[upper, column]
    with np.errstate(invalid="ignore"):
        middle = np.where(gone, 0.0, 0.5 * (low + high))
    return middle, gone


def pooled_spread(
    values: FloatArray, missing: BoolArray, groups: Sequence[str] | NDArray[np.str_]
) -> FloatArray:
    """Spread of each feature from take to take of one snug car, pooled over cars.

    Parameters
    ----------
    values, missing : ndarray, shape (n_takes, n_features)
        Snug takes only.
    groups : sequence of str, length n_takes
        Takes of one group (car, sensor, spot) share a centre.

    Returns
    -------
    ndarray, shape (n_features,)
        Robust standard deviation of the residuals about the groups' centres, corrected for the
        degrees of freedom the centres cost, and shrunk towards a common share of the feature's
        overall spread, with the weight of `PRIOR_TAKES` takes.
    """
    names = np.asarray(groups)
    n_features = values.shape[1]
    residual = np.zeros_like(values)
    alone = np.zeros_like(missing)
    freedom = np.zeros(n_features)
    for name in np.unique(names):
        rows = names == name
        centre, _gone = masked_median(values[rows], missing[rows])
        residual[rows] = values[rows] - centre
        count = (~missing[rows]).sum(axis=0)
        # A take alone in its group is its own centre: it says nothing about spread.
        alone[rows] = count < 2
        freedom += np.maximum(count - 1, 0)
    used = ~missing & ~alone
    squares = np.full(n_features, np.nan)
    overall = np.full(n_features, np.nan)
    for j in range(n_features):
        seen = ~missing[:, j]
        if seen.sum() >= 3:
            column = values[seen, j]
            overall[j] = (MAD_TO_SD * np.median(np.abs(column - np.median(column)))) ** 2
        chosen = used[:, j]
        if freedom[j] >= 3:
            factor = chosen.sum() / freedom[j]
            spread = MAD_TO_SD * np.median(np.abs(residual[chosen, j])) * np.sqrt(factor)
            tail = np.sqrt(np.sum(np.clip(residual[chosen, j], -4 * spread, 4 * spread) ** 2))
            # The larger of the robust core and the trimmed standard deviation: features that
            # are usually still but sometimes jump must not look precise.
            squares[j] = max(spread**2, tail**2 / freedom[j])
    usable = np.isfinite(squares) & np.isfinite(overall) & (overall > 0.0)
    share = float(np.median(squares[usable] / overall[usable])) if usable.any() else 0.25
    guess = np.where(np.isfinite(overall), share * overall, 1.0)
    own = np.where(np.isfinite(squares), squares, guess)
    weight = np.where(np.isfinite(squares), freedom, 0.0)
    # Shrunk in the logarithm of the variance: features whose spread within a car is a small share
    # of their spread over cars must not be swamped by the common share.
    logs = weight * np.log(np.maximum(own, 1e-12)) + PRIOR_TAKES * np.log(np.maximum(guess, 1e-12))
    return np.asarray(np.sqrt(np.maximum(np.exp(logs / (weight + PRIOR_TAKES)), 1e-8)))


def baseline_z(
    features: FeatureVector, baseline: FeatureVector | None, spread: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Distance of a take from the car's own snug takes, in spreads of that difference.

    A centre of n takes is itself uncertain: the difference of a snug take from it spreads by
    √(1 + 1/n) times the spread of one take.

    Parameters
    ----------
    features : FeatureVector
    baseline : FeatureVector or None
        A `BaselineCentre` knows its n; any other vector counts as one take.
    spread : ndarray, shape (n_features,)
        From take to take of one snug car (`pooled_spread`).

    Returns
    -------
    z : ndarray, shape (n_features,)
        ``(value − centre) / (spread · √(1 + 1/n))``, cut at ± `Z_LIMIT`; 0 where missing.
    missing : ndarray of bool, shape (n_features,)
        True where the take or the baseline lacks the feature, or there is no baseline.
    """
    if baseline is None:
        return np.zeros_like(features.values), np.ones_like(features.missing)
    n_takes = baseline.n_takes if isinstance(baseline, BaselineCentre) else 1
    missing = features.missing | baseline.missing
    difference = (features.values - baseline.values) / (spread * np.sqrt(1.0 + 1.0 / n_takes))
    return np.where(missing, 0.0, np.clip(difference, -Z_LIMIT, Z_LIMIT)), missing
