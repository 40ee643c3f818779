"""Fitting what brings the heads together, on made-up words of the heads."""

from __future__ import annotations

import numpy as np

from vibecheck.model.conformal import share_limit
from vibecheck.training.cohere import (
    Heard,
    calibrated,
    fit_coherence,
    nonconformity,
    nonnegative_logistic,
)

GROUPS = ("motor_mount", "gear_mesh", "driveline")


def heard(n: int = 900, seed: int = 0) -> Heard:
    """Log ratios that are true: normal with means ± half their variance (variance 4)."""
    rng = np.random.default_rng(seed)
    loose = np.zeros((n, 3), dtype=bool)
    some = rng.random(n) < 0.6
    loose[np.flatnonzero(some), rng.integers(0, 3, int(some.sum()))] = True
    ratios = rng.normal(np.where(loose, 2.0, -2.0), 2.0)
    return Heard(
        groups=GROUPS,
        car=np.array([f"car {k % 30}" for k in range(n)]),
        anything=np.zeros(n),
        ratios=ratios,
        sizes=np.ones((n, 3)),
        loose=loose,
        calm=~loose.any(axis=1),
        place_share=[[(int(z), 1.0) for z in np.flatnonzero(row)] for row in loose],
    )


def test_true_log_ratios_keep_their_weight() -> None:
    made = fit_coherence(heard(4000))
    assert abs(made.share_weight - 1.0) < 0.12
    assert abs(made.base - 0.6) < 0.03
    assert made.mean_loose == 1.0
    found = made.bring_together(np.zeros(1), np.array([[3.0, -2.0, -2.0]]), np.ones((1, 3)))
    # One zone at 3, two at −2, 0.2 each before: posterior by Bayes' rule.
    odds = 0.2 * np.exp([3.0, -2.0, -2.0])
    expected = odds / (0.4 + odds.sum())
    stated = 1.0 / (1.0 + np.exp(-found.group[0]))
    np.testing.assert_allclose(stated, expected, atol=0.04)
    assert abs(1.0 / (1.0 + np.exp(-found.anything[0])) - expected.sum()) < 0.04


def test_sets_cover_checks_of_other_cars() -> None:
    several = heard(900)
    made = calibrated(fit_coherence(several), several, several, 5)
    other = heard(3000, seed=9)
    for coverage in (0.8, 0.9, 0.95):
        limit = share_limit(made.scores[2], coverage)
        covered = 1.0 - nonconformity(made, other) >= limit
        assert abs(covered.mean() - coverage) < 0.035


def test_weights_do_not_go_negative() -> None:
    rng = np.random.default_rng(0)
    x = rng.normal(size=(500, 2))
    y = rng.random(500) < 1.0 / (1.0 + np.exp(-(0.5 + x[:, 0] - x[:, 1])))
    weights = nonnegative_logistic(x, y, np.full(500, 0.5))
    assert weights[1] > 0.6
    assert weights[2] == 0.0
