"""Figures of merit, each with its interval over cars."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def roc_auc(scores: ArrayLike, labels: ArrayLike) -> float:
    """Area under the ROC curve: the chance that a loose case scores above a snug one.

    Ties count one half (Mann–Whitney). NaN where a class is empty.
    """
    score = np.asarray(scores, dtype=np.float64)
    loose = np.asarray(labels, dtype=bool)
    n_loose, n_snug = int(loose.sum()), int((~loose).sum())
    if n_loose == 0 or n_snug == 0:
        return float("nan")
    _, inverse, counts = np.unique(score, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    rank = (last - 0.5 * (counts - 1.0))[inverse]
    return float((rank[loose].sum() - n_loose * (n_loose + 1) / 2.0) / (n_loose * n_snug))


def column_areas(x: FloatArray, loose: NDArray[np.bool_]) -> FloatArray:
    """`roc_auc` of every column by itself, over the rows in which it was observed (not NaN).

    Returns
    -------
    ndarray, shape (n_columns,)
        0.5 where fewer than 2 rows of a class were observed.
    """
    areas = np.full(x.shape[1], 0.5)
    for k, column in enumerate(x.T):
        seen = ~np.isnan(column)
        if min(int(loose[seen].sum()), int((~loose[seen]).sum())) >= 2:
            areas[k] = roc_auc(column[seen], loose[seen])
    return areas


def hanley_mcneil_se(area: float, n_loose: int, n_snug: int) -> float:
    """Standard error of an area under the ROC curve (Hanley & McNeil, Radiology 143, 1982)."""
    q1 = area / (2.0 - area)
    q2 = 2.0 * area**2 / (1.0 + area)
    variance = area * (1.0 - area) + (n_loose - 1) * (q1 - area**2) + (n_snug - 1) * (q2 - area**2)
    return float(np.sqrt(variance / (n_loose * n_snug)))


def brier(probability: ArrayLike, labels: ArrayLike) -> float:
    """Mean squared difference of probability and outcome (Brier 1950)."""
    p = np.asarray(probability, dtype=np.float64)
    return float(np.mean((p - np.asarray(labels, dtype=np.float64)) ** 2))


def log_loss(probability: ArrayLike, labels: ArrayLike, weights: FloatArray | None = None) -> float:
    """Mean negative log likelihood (natural), weighted where weights are given."""
    p = np.clip(np.asarray(probability, dtype=np.float64), 1e-12, 1.0 - 1e-12)
    y = np.asarray(labels, dtype=bool)
    return float(-np.average(np.where(y, np.log(p), np.log1p(-p)), weights=weights))


def expected_calibration_error(
    probability: ArrayLike, labels: ArrayLike, n_bins: int = 10
) -> float:
    """Mean distance of stated and found frequency over equal-width bins (Naeini et al. 2015)."""
    p = np.asarray(probability, dtype=np.float64)
    y = np.asarray(labels, dtype=np.float64)
    place = np.minimum((p * n_bins).astype(np.intp), n_bins - 1)
    count = np.bincount(place, minlength=n_bins)
    gap = np.abs(np.bincount(place, y, n_bins) - np.bincount(place, p, n_bins))
    return float(gap[count > 0].sum() / p.size)


def first_hits(scores: FloatArray, loose: NDArray[np.bool_], n_first: int) -> NDArray[np.bool_]:
    """Tell for each check whether one of the first zones opened is a loose one.

    Parameters
    ----------
    scores : ndarray, shape (n_checks, n_zones)
    loose : ndarray of bool, shape (n_checks, n_zones)
    n_first : int
        Zones opened, highest score first.

    Returns
    -------
    ndarray of bool, shape (n_checks,)
    """
    order = np.argsort(-scores, axis=1, kind="stable")[:, :n_first]
    return np.asarray(np.take_along_axis(loose, order, axis=1).any(axis=1))


def roc_curve(
    scores: ArrayLike, labels: ArrayLike, n_points: int = 101
) -> tuple[list[float], list[float]]:
    """False alarms and recall, from no alarm to all; thinned to about ``n_points``."""
    score = np.asarray(scores, dtype=np.float64)
    loose = np.asarray(labels, dtype=bool)
    if not loose.any() or loose.all():
        return [0.0, 1.0], [0.0, 1.0]
    order = np.argsort(-score, kind="stable")
    # Ties move together: only the last of equal scores is a point.
    last = np.append(np.flatnonzero(np.diff(score[order]) != 0.0), score.size - 1)
    hits = np.append(0, np.cumsum(loose[order])[last]) / loose.sum()
    alarms = np.append(0, np.cumsum(~loose[order])[last]) / (~loose).sum()
    kept = np.unique(np.linspace(0, hits.size - 1, min(n_points, hits.size)).astype(np.intp))
    return alarms[kept].tolist(), hits[kept].tolist()


def wilson_interval(hits: int, n: int, z: float = 1.959964) -> tuple[float, float]:
    """Interval of a proportion (Wilson, J. Am. Stat. Assoc. 22, 1927); 95 % by default."""
    share = hits / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return max(float(middle - half), 0.0), min(float(middle + half), 1.0)


CONFIDENCE = 0.95
"""Of every interval."""


@dataclass(frozen=True)
class Figure:
    """A figure of merit with its 95 % interval over cars.

    Attributes
    ----------
    value, low, high : float
    n : int
        Cases behind it.
    """

    value: float
    low: float
    high: float
    n: int = 0

    def __str__(self) -> str:
        return f"{self.value:.3f} ({self.low:.3f}–{self.high:.3f})"

    def as_dict(self) -> dict[str, float | int]:
        """Return it as plain numbers."""
        return {"value": self.value, "low": self.low, "high": self.high, "n": self.n}


def over_cars(
    statistic: Callable[[NDArray[np.intp]], float],
    cars: Sequence[str] | NDArray[np.str_],
    *,
    n_bootstrap: int = 300,
    seed: int = 0,
) -> Figure:
    """Evaluate a statistic with a percentile bootstrap over cars (95 %).

    Parameters
    ----------
    statistic : callable
        From row numbers to a number; NaN draws are left out.
    cars : sequence of str
        Car of each row: whole cars are drawn.
    """
    names = np.asarray(cars)
    unique = np.unique(names)
    rows_of = [np.flatnonzero(names == name) for name in unique]
    value = statistic(np.arange(names.size))
    rng = np.random.default_rng(seed)
    draws = []
    for _ in range(n_bootstrap):
        rows = np.concatenate([rows_of[k] for k in rng.integers(0, unique.size, unique.size)])
        draw = statistic(rows)
        if np.isfinite(draw):
            draws.append(draw)
    if not draws:
        return Figure(value, float("nan"), float("nan"), int(names.size))
    low, high = np.quantile(draws, [0.5 - CONFIDENCE / 2.0, 0.5 + CONFIDENCE / 2.0])
    return Figure(float(value), float(low), float(high), int(names.size))


def auc_over_cars(
    scores: FloatArray,
    labels: NDArray[np.bool_],
    cars: Sequence[str] | NDArray[np.str_],
    *,
    n_bootstrap: int = 300,
) -> Figure:
    """Area under the ROC curve with its interval over cars."""

    def area(rows: NDArray[np.intp]) -> float:
        return roc_auc(scores[rows], labels[rows])

    return over_cars(area, cars, n_bootstrap=n_bootstrap)
