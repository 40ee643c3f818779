"""Calibration, combining and intervals against closed forms and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.model.calibration import (
    Spread,
    combine,
    fit_dependence,
    fit_sigmoid,
    fit_spread,
    log_odds,
    sigmoid,
)


@given(st.floats(-20.0, 20.0))
def test_sigmoid_and_log_odds_are_inverse(value: float) -> None:
    assert float(log_odds(sigmoid(np.array(value)))) == pytest.approx(value, rel=1e-6, abs=1e-6)


def test_sigmoid_by_hand() -> None:
    assert float(sigmoid(np.array(0.0))) == 0.5
    assert float(sigmoid(np.array(np.log(3.0)))) == pytest.approx(0.75)
    assert float(sigmoid(np.array(-1000.0))) == 0.0


def test_fit_sigmoid_recovers_its_line() -> None:
    rng = np.random.default_rng(0)
    scores = rng.normal(0.0, 2.0, 20_000)
    labels = rng.random(20_000) < sigmoid(-1.0 + 0.7 * scores)
    a, b = fit_sigmoid(scores, labels)
    assert a == pytest.approx(-1.0, abs=0.06)
    assert b == pytest.approx(0.7, abs=0.04)


def test_fit_sigmoid_equals_scikit_learns() -> None:
    """Same model, other implementation: sklearn's calibration (Platt with smoothed targets)."""
    from sklearn.calibration import _SigmoidCalibration

    rng = np.random.default_rng(1)
    scores = rng.normal(0.0, 1.0, 300)
    labels = rng.random(300) < sigmoid(2.0 * scores)
    a, b = fit_sigmoid(scores, labels)
    other = _SigmoidCalibration().fit(scores, labels.astype(int))
    np.testing.assert_allclose(sigmoid(a + b * scores), other.predict(scores), atol=2e-4)


def test_fit_sigmoid_of_one_class_is_the_base_rate() -> None:
    a, b = fit_sigmoid(np.arange(10.0), np.zeros(10, dtype=bool))
    assert b == 0.0
    assert sigmoid(np.array(a)) == pytest.approx(0.5 / 11.0)


def test_fit_sigmoid_never_turns_the_score_round() -> None:
    scores = np.linspace(-1.0, 1.0, 100)
    assert fit_sigmoid(scores, scores < 0.0)[1] == 0.0


def test_combine_by_hand() -> None:
    assert combine([1.0], 0.7) == 1.0
    assert combine([1.0, 2.0, 3.0], 0.0) == 6.0
    assert combine([1.0, 2.0, 3.0], 1.0) == 2.0
    assert combine([2.0, 2.0], 0.5) == pytest.approx(4.0 / 1.5)


def test_combine_is_exact_for_equally_correlated_normals() -> None:
    """Two classes N(±δ/2, Σ), Σ = (1−ρ)I + ρ11ᵀ: the joint log ratio is δ Σx / (1+(n−1)ρ)."""
    rng = np.random.default_rng(3)
    n, rho, shift = 4, 0.35, 1.3
    covariance = (1 - rho) * np.eye(n) + rho
    inverse = np.linalg.inv(covariance)
    half = np.full(n, shift / 2)
    for x in rng.normal(0.0, 1.0, (5, n)):
        joint = -0.5 * ((x - half) @ inverse @ (x - half) - (x + half) @ inverse @ (x + half))
        single = shift * x  # log ratio of each take alone
        assert combine(single, rho) == pytest.approx(joint, rel=1e-9)


@pytest.mark.parametrize("rho", [0.1, 0.5, 0.9])
def test_fit_dependence_finds_the_correlation(rho: float) -> None:
    rng = np.random.default_rng(4)
    n_checks, shift = 3000, 1.5
    labels = rng.random(n_checks) < 0.4
    prior = float(log_odds(0.4))
    common = rng.normal(0.0, np.sqrt(rho), (n_checks, 1))
    x = common + rng.normal(0.0, np.sqrt(1 - rho), (n_checks, 3))
    x += np.where(labels, shift / 2, -shift / 2)[:, None]
    assert fit_dependence(list(shift * x), labels, prior) == pytest.approx(rho, abs=0.12)


def test_fit_dependence_of_single_takes_is_one() -> None:
    assert fit_dependence([np.array([1.0])], np.array([True]), 0.0) == 1.0


def test_spread_finds_the_offset_from_car_to_car() -> None:
    rng = np.random.default_rng(5)
    cars = np.repeat([f"c{k}" for k in range(60)], 40)
    offset = np.repeat(rng.normal(0.0, 1.0, 60), 40)
    line = rng.normal(0.0, 1.5, cars.size)
    labels = rng.random(cars.size) < sigmoid(line + offset)
    found = fit_spread(line, labels, cars, n_bootstrap=30)
    assert found.car_sd == pytest.approx(1.0, abs=0.25)
    still = rng.random(cars.size) < sigmoid(line)
    assert fit_spread(line, still, cars, n_bootstrap=30).car_sd < 0.25


def test_spread_of_too_little_data_is_wide() -> None:
    found = fit_spread(np.zeros(4), np.array([True, False] * 2), ["a", "a", "a", "a"])
    assert found.car_sd >= 0.0
    one_class = fit_spread(np.zeros(4), np.zeros(4, dtype=bool), ["a", "b", "c", "d"])
    assert one_class.sd(0.0) >= 1.0


def test_sd_by_hand() -> None:
    assert Spread(3.0, 16.0, 0.0, 0.0).sd(2.0) == 5.0
    assert Spread(0.0, 1.0, 1.0, 0.0).sd(2.0) == pytest.approx(np.sqrt(5.0))
