"""Fit what brings the heads together, and calibrate the sets of candidates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibecheck.model.coherence import Coherence
from vibecheck.training.heldout import car_folds

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SHARE_PENALTY = 2.0
"""Checks' worth of pull of a zone's usual share towards its share in training."""


@dataclass(frozen=True, eq=False)
class Heard:
    """What the heads said of held-out checks, in tables.

    Attributes
    ----------
    groups : tuple of str
    car : ndarray of str, shape (n_checks,)
    anything : ndarray, shape (n_checks,)
        Log ratio of the head about anything; 0 where not heard.
    ratios, sizes : ndarray, shape (n_checks, n_groups)
        Of the groups; zones of the car in each.
    loose : ndarray of bool, shape (n_checks, n_groups)
    calm : ndarray of bool, shape (n_checks,)
        Nothing is loose, and nothing else sounds odd.
    place_share : list of list of (group, share)
        The truly loose zones of each check: place of their group, and their share within it.
    """

    groups: tuple[str, ...]
    car: NDArray[np.str_]
    anything: FloatArray
    ratios: FloatArray
    sizes: FloatArray
    loose: BoolArray
    calm: BoolArray
    place_share: Sequence[Sequence[tuple[int, float]]]

    def select(self, rows: BoolArray) -> Heard:
        """Return some of the checks."""
        return replace(
            self,
            car=self.car[rows],
            anything=self.anything[rows],
            ratios=self.ratios[rows],
            sizes=self.sizes[rows],
            loose=self.loose[rows],
            calm=self.calm[rows],
            place_share=[self.place_share[int(k)] for k in np.flatnonzero(rows)],
        )


def nonnegative_logistic(
    x: FloatArray, loose: BoolArray, offset: FloatArray, penalty: float = 1e-3
) -> FloatArray:
    """Fit logit p = offset + w0 + x·w with w ≥ 0 (w0 free).

    Parameters
    ----------
    x : ndarray, shape (n_rows, n_columns)
    loose : ndarray of bool, shape (n_rows,)
    offset : ndarray, shape (n_rows,)
    penalty : float
        Quadratic, on w; keeps columns that repeat each other apart.

    Returns
    -------
    ndarray, shape (1 + n_columns,)
        ``w0``, then ``w``.
    """
    from scipy.optimize import minimize

    target = loose.astype(np.float64)

    def cost(w: FloatArray) -> tuple[float, FloatArray]:
        line = offset + w[0] + x @ w[1:]
        error = 0.5 * (1.0 + np.tanh(0.5 * line)) - target
        loss = float(np.mean(np.logaddexp(0.0, line) - target * line))
        gradient = np.append(error.mean(), x.T @ error / error.size + penalty * w[1:])
        return loss + 0.5 * penalty * float(w[1:] @ w[1:]), gradient

    start = np.append(0.0, np.full(x.shape[1], 0.5))
    bounds = [(None, None)] + [(0.0, None)] * x.shape[1]
    found = minimize(cost, start, jac=True, method="L-BFGS-B", bounds=bounds)
    return np.asarray(found.x, dtype=np.float64)


def _fit_shares(heard: Heard) -> tuple[FloatArray, float]:
    """Offsets and weight of the groups' shares, by likelihood over the checks with a loose one.

    Where several groups are loose, each counts as the one in equal parts.
    """
    from scipy.optimize import minimize

    chosen = heard.loose.any(axis=1)
    loose, ratios, sizes = heard.loose[chosen], heard.ratios[chosen], heard.sizes[chosen]
    target = loose / loose.sum(axis=1, keepdims=True)
    usual = np.log((target.sum(axis=0) + 0.5) / np.maximum(heard.sizes.sum(axis=0), 1.0))
    with np.errstate(divide="ignore"):
        fixed = np.log(sizes)
    n = max(int(chosen.sum()), 1)

    def cost(theta: FloatArray) -> tuple[float, FloatArray]:
        line = theta[:-1] + fixed + theta[-1] * ratios
        line = line - line.max(axis=1, keepdims=True)
        share = np.exp(line)
        share /= share.sum(axis=1, keepdims=True)
        loss = -float(np.sum(target * np.log(np.maximum(share, 1e-12))))
        away = theta[:-1] - usual
        error = share - target
        gradient = np.append(
            error.sum(axis=0) + SHARE_PENALTY * away, float(np.sum(error * ratios))
        )
        return (loss + 0.5 * SHARE_PENALTY * float(away @ away)) / n, gradient / n

    bounds = [(None, None)] * usual.size + [(0.0, 4.0)]
    start = np.append(usual, 0.5)
    found = minimize(cost, start, jac=True, method="L-BFGS-B", bounds=bounds)
    return np.asarray(found.x[:-1]), float(found.x[-1])


def fit_coherence(heard: Heard) -> Coherence:
    """Fit everything but the calibration of the candidate sets."""
    any_loose: BoolArray = np.asarray(heard.loose.any(axis=1))
    offset, weight = _fit_shares(heard)
    base = float(np.clip((any_loose.sum() + 0.5) / (any_loose.size + 1.0), 0.01, 0.99))
    counts = heard.loose[any_loose].sum(axis=1)
    made = Coherence(
        groups=heard.groups,
        any_weights=np.zeros(3),
        share_offset=offset,
        share_weight=weight,
        group_weights=np.zeros(3),
        base=base,
        mean_loose=max(float(counts.mean()) if counts.size else 1.0, 1.0),
    )
    loud = made.loudest(heard.ratios, heard.sizes)
    columns = np.stack([heard.anything, loud], axis=1)
    start = np.zeros(any_loose.size)
    made = replace(made, any_weights=nonnegative_logistic(columns, any_loose, start))
    found = made.bring_together(heard.anything, heard.ratios, heard.sizes)
    prior = made.group_prior(heard.sizes)
    shared = made.group_line(found.anything, found.share)
    used = heard.sizes > 0
    columns = np.stack([(shared - prior)[used], heard.ratios[used]], axis=1)
    weights = nonnegative_logistic(columns, heard.loose[used], prior[used])
    return replace(made, group_weights=weights)


def nonconformity(coherence: Coherence, heard: Heard) -> FloatArray:
    """One minus the largest share of a truly loose zone, of the checks with something loose."""
    share = coherence.shares(heard.ratios, heard.sizes)
    scores = [
        1.0 - max(share[k, place] * within for place, within in places)
        for k, places in enumerate(heard.place_share)
        if places
    ]
    return np.array(scores, dtype=np.float64)


def calibrated(coherence: Coherence, several: Heard, single: Heard, n_folds: int) -> Coherence:
    """Return it with what checks that it was not fitted to look like.

    The sorted nonconformity of those with something loose, and the sorted log-odds of "something
    is loose" of the calm ones. Every fold of cars is scored by numbers fitted to the other cars
    (cross-conformal).
    """
    scores: dict[int, FloatArray] = {}
    calm: dict[int, FloatArray] = {}
    for kind, heard in ((1, single), (2, several)):
        parts, lines = [], []
        for held in car_folds(several.car, n_folds, seed=3):
            names = np.unique(several.car[held])
            fitted = fit_coherence(several.select(~held))
            other = heard.select(np.isin(heard.car, names))
            parts.append(nonconformity(fitted, other))
            found = fitted.bring_together(other.anything, other.ratios, other.sizes)
            lines.append(found.anything[other.calm])
        scores[kind] = np.sort(np.concatenate(parts))
        calm[kind] = np.sort(np.concatenate(lines))
    return replace(coherence, scores=scores, calm=calm)
