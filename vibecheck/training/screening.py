"""Which features a head may use: those that looseness moves alike in cars of every kind.

The training cars are drawn widely: every block of them is another domain. A feature whose effect
vanishes once it is averaged over the domains rests on what a few cars have in common, not on what
looseness does, and would mislead in cars, and under physics, that were never seen.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

N_DOMAINS = 8
"""Blocks of cars."""
FEWEST_DOMAINS = 4
"""With fewer blocks in which both classes occur nothing can be told, and every feature stays."""
STANDARD_ERRORS = 1.5
"""So far from no effect must the mean over the domains lie."""


def areas_of_columns(x: FloatArray, loose: BoolArray) -> FloatArray:
    """ROC area of every column by itself, shape (n_columns,); ties count one half.

    By the rank sum of the loose rows (Hanley & McNeil, Radiology 143, 1982).

    Parameters
    ----------
    x : ndarray, shape (n_rows, n_columns)
        Without NaN.
    loose : ndarray of bool, shape (n_rows,)
        Both classes must occur.
    """
    n_loose = int(loose.sum())
    n_snug = loose.size - n_loose
    ranks = rankdata(x, axis=0)[loose].sum(axis=0)
    return np.asarray((ranks - n_loose * (n_loose + 1) / 2.0) / (n_loose * n_snug))


def lasting_features(
    x: FloatArray,
    loose: BoolArray,
    cars: NDArray[np.str_],
    n_features: int,
    *,
    standard_errors: float = STANDARD_ERRORS,
) -> BoolArray:
    """Say which features have an effect that does not vanish over the domains.

    Parameters
    ----------
    x : ndarray, shape (n_rows, 2 × n_features or more)
        Columns of a ``"check"`` scorer: the features' means, then their largest values; NaN where
        missing (taken as 0, as the scorers take it).
    loose : ndarray of bool, shape (n_rows,)
    cars : ndarray of str, shape (n_rows,)
    n_features : int
    standard_errors : float
        How many standard errors (of the mean over domains) an effect must reach, ≥ 0.

    Returns
    -------
    ndarray of bool, shape (n_features,)
        True where the mean or the largest value reaches it. All true where too few domains hold
        both classes.
    """
    values = np.nan_to_num(x[:, : 2 * n_features], nan=0.0)
    shuffled = np.random.default_rng(0).permutation(np.unique(cars))
    effects = []
    for k in range(min(N_DOMAINS, shuffled.size)):
        rows = np.isin(cars, shuffled[k::N_DOMAINS])
        if loose[rows].any() and not loose[rows].all():
            effects.append(areas_of_columns(values[rows], loose[rows]) - 0.5)
    if len(effects) < FEWEST_DOMAINS:
        return np.ones(n_features, dtype=bool)
    table = np.array(effects)
    error = table.std(axis=0, ddof=1) / np.sqrt(len(effects))
    lasting = np.abs(table.mean(axis=0)) > standard_errors * np.maximum(error, 1e-9)
    kept: BoolArray = lasting[:n_features] | lasting[n_features:]
    return kept if kept.any() else np.ones(n_features, dtype=bool)
