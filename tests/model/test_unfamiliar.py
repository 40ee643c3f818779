"""How unlike anything learned: closed form and behaviour."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.model.unfamiliar import Familiarity, choose_shrinkage, fit_familiarity


def test_score_by_hand() -> None:
    """Diagonal covariance (1, 4): (2²/1 + 4²/4)/2 = 4; one missing at rate ½: + 2 ln 2."""
    known = Familiarity(np.zeros(2), np.diag([1.0, 4.0]), np.full(2, 0.5), 9.0)
    none = np.zeros(2, dtype=bool)
    assert known.surprise(np.array([2.0, 4.0]), none) == pytest.approx(4.0)
    one = np.array([False, True])
    expected = (4.0 + 2.0 * np.log(2.0)) / 2.0
    assert known.surprise(np.array([2.0, 99.0]), one) == pytest.approx(expected)


def test_strangers_stand_out() -> None:
    rng = np.random.default_rng(0)
    mix = rng.normal(0.0, 1.0, (8, 8))
    takes = rng.normal(0.0, 1.0, (400, 8)) @ mix
    missing = rng.random((400, 8)) < 0.02
    known = fit_familiarity(takes, missing)
    none = np.zeros(8, dtype=bool)
    usual = [known.surprise(x, none) for x in rng.normal(0.0, 1.0, (200, 8)) @ mix]
    assert np.mean(usual) == pytest.approx(1.0, abs=0.35)
    far = known.surprise(8.0 * mix.sum(axis=0), none)
    blind = known.surprise(np.zeros(8), ~none)
    assert far > max(usual)
    assert blind > max(usual), "nothing observable is as strange as odd values"


def test_a_feature_that_is_always_missing_is_not_strange() -> None:
    takes = np.random.default_rng(1).normal(0.0, 1.0, (100, 3))
    missing = np.zeros((100, 3), dtype=bool)
    usual = fit_familiarity(takes, missing)
    missing[:, 2] = True
    blind = fit_familiarity(takes, missing)
    gone = np.array([False, False, True])
    assert usual.surprise(np.zeros(3), gone) > blind.surprise(np.zeros(3), gone) + 1.0


def test_arrays_round_trip() -> None:
    rng = np.random.default_rng(2)
    known = fit_familiarity(rng.normal(size=(30, 4)), np.zeros((30, 4), dtype=bool), limit=3.5)
    again = Familiarity.from_arrays(known.arrays())
    x, none = rng.normal(size=4), np.zeros(4, dtype=bool)
    assert again.limit == 3.5
    assert again.surprise(x, none) == known.surprise(x, none)


def test_shrinkage_follows_what_held_out_takes_show() -> None:
    """Many takes of a correlated kind keep the correlation; few of an uncorrelated one lose it."""
    rng = np.random.default_rng(3)
    mix = rng.normal(0.0, 1.0, (6, 6))

    def chosen(takes: np.ndarray) -> float:
        n = takes.shape[0]
        folds = [np.arange(n) % 4 == k for k in range(4)]
        return choose_shrinkage(takes, np.zeros(takes.shape, dtype=bool), folds)

    assert chosen(rng.normal(0.0, 1.0, (2000, 6)) @ mix) == 0.1
    assert chosen(rng.normal(0.0, 1.0, (16, 6))) >= 0.7


def test_hardly_anything_measured_is_strange_whatever_was_missing_before() -> None:
    takes = np.random.default_rng(4).normal(0.0, 1.0, (50, 5))
    known = fit_familiarity(takes, np.ones((50, 5), dtype=bool), limit=2.0)
    assert known.score(np.zeros(5), np.ones(5, dtype=bool)) > 1.0
