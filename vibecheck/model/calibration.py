"""Stage 5: from scores to honest log-odds: sigmoid calibration, combining takes, intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LOG_ODDS_LIMIT = 7.0
"""No sound makes the model surer than this (odds of about 1 100 to 1)."""
INTERVAL_SDS = 1.6449
"""Half width of a central 90 % interval, in standard deviations."""


def sigmoid(log_odds: FloatArray) -> FloatArray:
    """Probability of log-odds, without overflow."""
    return np.asarray(0.5 * (1.0 + np.tanh(0.5 * np.asarray(log_odds, dtype=np.float64))))


def log_odds(probability: FloatArray | float) -> FloatArray:
    """Log-odds of a probability, which is kept inside (1e-9, 1 − 1e-9)."""
    p = np.clip(np.asarray(probability, dtype=np.float64), 1e-9, 1.0 - 1e-9)
    return np.asarray(np.log(p) - np.log1p(-p))


def fit_sigmoid(
    scores: FloatArray, labels: BoolArray, weights: FloatArray | None = None
) -> tuple[float, float]:
    """Fit p = sigmoid(a + b·score), b ≥ 0 (Platt 1999, with his smoothed targets).

    Returns
    -------
    a, b : float
        ``(log-odds of the base rate, 0)`` where the labels are all alike.
    """
    labels = np.asarray(labels, dtype=bool)
    weights = np.ones(labels.size) if weights is None else weights
    n_loose, n_snug = weights[labels].sum(), weights[~labels].sum()
    if not (n_loose > 0 and n_snug > 0):
        base = (n_loose + 0.5) / (n_loose + n_snug + 1.0)
        return float(log_odds(base)), 0.0
    # Smoothed targets keep the fit finite where the classes separate.
    target = np.where(labels, (n_loose + 1.0) / (n_loose + 2.0), 1.0 / (n_snug + 2.0))
    design = np.stack([np.ones(scores.size), scores], axis=1)
    theta = np.array([float(log_odds(n_loose / (n_loose + n_snug))), 0.0])
    ridge = np.diag([1e-9, 1e-6])

    def loss(at: FloatArray) -> float:
        line = design @ at
        return float(np.sum(weights * (np.logaddexp(0.0, line) - target * line)))

    for _ in range(100):  # Newton with step halving: convex, two parameters
        p = sigmoid(design @ theta)
        gradient = design.T @ (weights * (p - target))
        hessian = (design * (weights * p * (1.0 - p))[:, None]).T @ design + ridge
        step = np.linalg.solve(hessian, gradient)
        size, here = 1.0, loss(theta)
        while loss(theta - size * step) > here + 1e-12 and size > 1e-6:
            size *= 0.5
        theta = theta - size * step
        if np.abs(size * step).max() < 1e-9:
            break
    if theta[1] < 0.0:
        return float(log_odds(n_loose / (n_loose + n_snug))), 0.0
    return float(theta[0]), float(theta[1])


def combine(log_ratios: Sequence[float] | FloatArray, dependence: float) -> float:
    """Combine the log likelihood ratios of several takes of one check.

    ``Σ λ / (1 + (n − 1)·ρ)``: exact for normal log ratios of equal spread with correlation ρ
    within a check (n takes are worth n / (1 + (n − 1)·ρ) independent ones).

    Parameters
    ----------
    log_ratios : sequence of float, length n ≥ 1
    dependence : float
        ρ, 0 (independent) to 1 (each take repeats the others).
    """
    values = np.asarray(log_ratios, dtype=np.float64)
    return float(values.sum() / (1.0 + (values.size - 1) * dependence))


def shares_of_wheels(lines: FloatArray, dependence: float) -> FloatArray:
    """Shares of the wheels of a check, from the log-odds that each take gives each wheel.

    Parameters
    ----------
    lines : ndarray, shape (n_takes, n_wheels)
    dependence : float
        ρ of `combine`.

    Returns
    -------
    ndarray, shape (n_wheels,)
        Adds to 1.
    """
    even = log_odds(1.0 / lines.shape[1])
    odds = np.array([combine(lines[:, k] - even, dependence) for k in range(lines.shape[1])])
    share = sigmoid(odds + even)
    return np.asarray(share / share.sum())


def fit_dependence(groups: Sequence[FloatArray], labels: BoolArray, prior_log_odds: float) -> float:
    """Find the ρ of `combine` that makes the combined log-odds most likely.

    Parameters
    ----------
    groups : sequence of ndarray
        Log likelihood ratios of the takes of each check.
    labels : ndarray of bool, shape (n_checks,)
    prior_log_odds : float

    Returns
    -------
    float
        0 to 1; 1 where no check has several takes.
    """
    several = np.array([group.size > 1 for group in groups], dtype=bool)
    if not several.any():
        return 1.0
    labels = np.asarray(labels, dtype=bool)
    grid = np.linspace(0.0, 1.0, 41)
    losses = []
    for rho in grid:
        line = prior_log_odds + np.array([combine(group, float(rho)) for group in groups])
        losses.append(np.sum((np.logaddexp(0.0, line) - labels * line)[several]))
    return float(grid[int(np.argmin(losses))])


@dataclass(frozen=True)
class Spread:
    """How far a car's log ratio may lie from the calibrated one.

    Attributes
    ----------
    car_sd : float
        Standard deviation of the offset from car to car, in log-odds.
    var_offset, var_slope, covariance : float
        Bootstrap (co)variances, over cars, of the calibration line.
    """

    car_sd: float
    var_offset: float
    var_slope: float
    covariance: float

    def sd(self, log_ratio: float) -> float:
        """Standard deviation of the log ratio of a new car at this value."""
        line = self.var_offset + 2.0 * log_ratio * self.covariance + log_ratio**2 * self.var_slope
        return float(np.sqrt(self.car_sd**2 + max(line, 0.0)))


def fit_spread(
    line: FloatArray,
    labels: BoolArray,
    cars: Sequence[str] | NDArray[np.str_],
    *,
    n_bootstrap: int = 200,
    seed: int = 0,
) -> Spread:
    """Estimate the spread of calibrated log-odds from car to car.

    Parameters
    ----------
    line : ndarray, shape (n,)
        Calibrated log-odds of held-out cars.
    labels : ndarray of bool, shape (n,)
    cars : sequence of str, length n
    n_bootstrap, seed : int

    Returns
    -------
    Spread
        ``car_sd`` maximises the marginal likelihood of logit p = line + u_car, u ~ N(0, car_sd²)
        (Gauss–Hermite quadrature). The rest is a bootstrap over cars of the refitted line.
    """
    names = np.asarray(cars)
    labels = np.asarray(labels, dtype=bool)
    unique = np.unique(names)
    rows_of = [np.flatnonzero(names == name) for name in unique]
    nodes, node_weights = np.polynomial.hermite_e.hermegauss(15)
    log_weights = np.log(node_weights / node_weights.sum())
    grid = np.linspace(0.0, 3.0, 61)
    likelihood = np.zeros(grid.size)
    for k, sd in enumerate(grid):
        for rows in rows_of:
            shifted = line[rows][:, None] + sd * nodes
            log_p = -np.where(
                labels[rows][:, None], np.logaddexp(0.0, -shifted), np.logaddexp(0.0, shifted)
            )
            likelihood[k] += np.logaddexp.reduce(log_p.sum(axis=0) + log_weights)
    car_sd = float(grid[int(np.argmax(likelihood))])
    rng = np.random.default_rng(seed)
    lines = []
    for _ in range(n_bootstrap):
        drawn = rng.integers(0, unique.size, unique.size)
        rows = np.concatenate([rows_of[k] for k in drawn])
        if labels[rows].any() and not labels[rows].all():
            a, b = fit_sigmoid(line[rows], labels[rows])
            lines.append((a, b))
    if len(lines) < 10:
        return Spread(max(car_sd, 1.0), 1.0, 0.25, 0.0)
    covariance = np.cov(np.array(lines).T)
    return Spread(car_sd, *(float(covariance[i, j]) for i, j in ((0, 0), (1, 1), (0, 1))))
