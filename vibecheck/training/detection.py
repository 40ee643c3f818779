"""Probability of detection against how far a fastener is backed off (hit/miss data).

A logit model on the logarithm of size, as MIL-HDBK-1823A (2009), appendix G, has for hit/miss
data: logit POD(a) = b0 + b1·ln a. a90 is the size found in 90 % of cases; a90/95 the size of which
that holds with 95 % confidence. The handbook takes the confidence from the likelihood; the cases
here come in cars that resemble themselves, so whole cars are drawn again instead.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MIN_CASES = 12
"""Fewer cases, or fewer than `MIN_CARS` cars, say nothing about a curve."""
MIN_CARS = 4
LOGIT_90 = math.log(9.0)
"""Log-odds of 90 %."""
CONFIDENCE = 0.95


@dataclass(frozen=True)
class PodFit:
    """Curve ``logit POD = intercept + slope · ln(size)``.

    Attributes
    ----------
    intercept, slope : float
    penalised : bool
        True where found and missed sizes do not overlap, so that likelihood alone has no maximum.
    """

    intercept: float
    slope: float
    penalised: bool = False

    def at(self, size: FloatArray) -> FloatArray:
        """Probability of detection at sizes > 0."""
        return np.asarray(0.5 * (1.0 + np.tanh(0.5 * (self.intercept + self.slope * np.log(size)))))

    def size_at_90(self, smallest: float, largest: float) -> float:
        """Size found in 90 % of cases; infinite where not reached up to ``largest``.

        ``smallest`` where even the smallest size of the data is found as often.
        """
        if self.intercept + self.slope * math.log(largest) < LOGIT_90:
            return math.inf
        if self.intercept + self.slope * math.log(smallest) >= LOGIT_90:
            return smallest
        return math.exp((LOGIT_90 - self.intercept) / self.slope)


def fit_pod(size: FloatArray, found: BoolArray) -> PodFit:
    """Fit the curve by maximum likelihood.

    Where found and missed sizes do not overlap the maximum lies at infinity; the penalty of Firth
    (Biometrika 80, 1993: half the log determinant of the information) keeps it finite then.

    Parameters
    ----------
    size : ndarray, shape (n,)
        Above 0.
    found : ndarray of bool, shape (n,)
    """
    log_size = np.log(size)
    design = np.stack([np.ones(size.size), log_size - log_size.mean()], axis=1)
    target = np.asarray(found, dtype=np.float64)
    overlap = _overlaps(log_size, np.asarray(found, dtype=bool))
    theta = np.zeros(2)
    for _ in range(200):
        p = 0.5 * (1.0 + np.tanh(0.5 * (design @ theta)))
        weight = np.maximum(p * (1.0 - p), 1e-12)
        information = (design * weight[:, None]).T @ design + 1e-10 * np.eye(2)
        error = target - p
        if not overlap:
            half = np.linalg.solve(information, design.T)
            leverage = weight * np.einsum("ij,ji->i", design, half)
            error = error + leverage * (0.5 - p)
        step = np.linalg.solve(information, design.T @ error)
        step *= min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-12))
        theta = theta + step
        if np.abs(step).max() < 1e-10:
            break
    return PodFit(float(theta[0] - theta[1] * log_size.mean()), float(theta[1]), not overlap)


def _overlaps(log_size: FloatArray, found: BoolArray) -> bool:
    """True where no one size parts the found from the missed, either way round."""
    if found.all() or not found.any() or np.ptp(log_size) == 0.0:
        return False
    hit, missed = log_size[found], log_size[~found]
    return bool(hit.min() < missed.max() and missed.min() < hit.max())


def pod(
    size: FloatArray,
    found: BoolArray,
    cars: NDArray[np.str_],
    *,
    unit: str,
    largest: float,
    edges: Sequence[float],
    n_bootstrap: int = 200,
    seed: int = 0,
) -> dict[str, Any]:
    """Return the ``POD`` entry of the metrics (layout in `vibecheck.training.evaluate`).

    Parameters
    ----------
    size : ndarray, shape (n,)
        Above 0.
    found : ndarray of bool, shape (n,)
    cars : ndarray of str, shape (n,)
    unit : {"turns", "preload_lost"}
    largest : float
        End of the range in which the size is sought.
    edges : sequence of float
        Of the bins in which the found share is stated; (low, high].
    """
    found = np.asarray(found, dtype=bool)
    bins = [
        {"low": low, "high": high, "n": int(among.sum()), "found": int(found[among].sum())}
        for low, high in itertools.pairwise(edges)
        if (among := (size > low) & (size <= high)).any()
    ]
    entry: dict[str, Any] = {
        "unit": unit,
        "n": int(size.size),
        "n_found": int(found.sum()),
        "intercept": None,
        "slope": None,
        "a90": None,
        "a90_95": None,
        "largest": largest,
        "words": "too few cases",
        "curve": None,
        "bins": bins,
    }
    unique = np.unique(cars)
    if size.size < MIN_CASES or unique.size < MIN_CARS:
        return entry
    fit = fit_pod(size, found)
    smallest = float(size.min())
    grid = np.geomspace(max(smallest, largest / 100.0), largest, 25)
    rows_of = [np.flatnonzero(cars == name) for name in unique]
    rng = np.random.default_rng(seed)
    curves, sizes = [], []
    for _ in range(n_bootstrap):
        rows = np.concatenate([rows_of[k] for k in rng.integers(0, unique.size, unique.size)])
        drawn = fit_pod(size[rows], found[rows])
        curves.append(drawn.at(grid))
        sizes.append(drawn.size_at_90(smallest, largest))
    low, high = np.quantile(np.array(curves), [0.025, 0.975], axis=0)
    a90 = fit.size_at_90(smallest, largest)
    # The smallest draw that at least 95 % of the draws do not exceed; infinity counts.
    a90_95 = max(float(np.sort(sizes)[math.ceil(CONFIDENCE * n_bootstrap) - 1]), a90)
    return {
        **entry,
        "intercept": fit.intercept,
        "slope": fit.slope,
        "a90": a90 if math.isfinite(a90) else None,
        "a90_95": a90_95 if math.isfinite(a90_95) else None,
        "words": _words(a90, a90_95, unit, largest),
        "curve": {
            "at": grid.tolist(),
            "pod": fit.at(grid).tolist(),
            "low": low.tolist(),
            "high": high.tolist(),
        },
    }


def _words(a90: float, a90_95: float, unit: str, largest: float) -> str:
    """Say how far a fastener must be off until it is found."""
    if unit == "turns":
        end, form = f"within {largest:g} turns", "{:.2g} turns"
    else:
        end, form = "even with all preload lost", "{:.0%} of the preload lost"
    if not math.isfinite(a90):
        return f"not reached {end}"
    if not math.isfinite(a90_95):
        return f"{form.format(a90)}, not with 95 % confidence"
    return form.format(a90_95)
