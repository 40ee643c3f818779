"""Our estimators keep scikit-learn's contract, and do what they say."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("sklearn")

from sklearn.linear_model import LogisticRegression
from sklearn.utils.estimator_checks import parametrize_with_checks

from vibecheck.training.estimators import (
    RidgeAndTrees,
    SignedLogisticRegression,
    StableDirections,
)


@parametrize_with_checks([SignedLogisticRegression(), StableDirections(), RidgeAndTrees(n_trees=5)])
def test_contract(estimator, check) -> None:  # type: ignore[no-untyped-def]
    check(estimator)


def sample(seed: int = 0, n: int = 300) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(n, 4))
    return x, x[:, 0] - x[:, 1] + rng.normal(size=n) > 0.0


def test_without_signs_it_is_scikit_learns_logistic_regression() -> None:
    """Outside check: scikit-learn's LogisticRegression."""
    x, y = sample()
    weight = np.random.default_rng(1).uniform(0.5, 2.0, y.size)
    ours = SignedLogisticRegression(C=0.3, tol=1e-9).fit(x, y, sample_weight=weight)
    theirs = LogisticRegression(C=0.3, tol=1e-10, max_iter=1000).fit(x, y, sample_weight=weight)
    np.testing.assert_allclose(ours.coef_, theirs.coef_, atol=1e-4)
    np.testing.assert_allclose(ours.intercept_, theirs.intercept_, atol=1e-4)


def test_signs_hold() -> None:
    x, y = sample()
    weights = SignedLogisticRegression(signs=[1, 1, -1, 0]).fit(x, y).coef_[0]
    assert weights[0] > 0.5
    assert weights[1] == 0.0, "it would be negative"
    assert weights[2] <= 0.0


@pytest.mark.parametrize(
    ("estimator", "match"),
    [
        (SignedLogisticRegression(C=0.0), "C must be above 0"),
        (SignedLogisticRegression(signs=[1]), "signs must be 4 numbers"),
        (SignedLogisticRegression(signs=[1, 2, 0, 0]), "signs must be 4 numbers"),
        (StableDirections(n_blocks=0), "n_blocks must be at least 1"),
    ],
)
def test_wrong_settings_are_refused(estimator, match: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=match):
        estimator.fit(*sample())


def test_one_class_and_three_are_refused() -> None:
    x, y = sample()
    with pytest.raises(ValueError, match="needs rows of 2 classes"):
        RidgeAndTrees().fit(x, np.zeros(y.size, dtype=int))
    with pytest.raises(ValueError, match="Only binary"):
        SignedLogisticRegression().fit(x, np.arange(y.size) % 3)


def test_only_directions_that_hold_in_every_block_are_kept() -> None:
    rng = np.random.default_rng(0)
    cars = np.repeat(np.arange(8), 40)
    y = rng.random(cars.size) < 0.5
    x = rng.normal(size=(cars.size, 3))
    x[:, 0] += 1.5 * y
    x[:, 1] += 3.0 * y * np.where(cars % 2 == 0, 1.0, -1.0)  # the other way in every other car
    found = StableDirections(n_blocks=8, agreement=0.9, min_area=0.05).fit(x, y, groups=cars)
    assert found.directions_.tolist() == [1.0, 0.0, 0.0]
    assert found.transform(x).shape == (cars.size, 1)
