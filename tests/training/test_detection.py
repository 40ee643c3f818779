"""Probability of detection: the fit against another implementation, and what it must not claim."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vibecheck.training.detection import PodFit, fit_pod, pod


def cases(n: int, intercept: float, slope: float, seed: int = 0):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    size = np.exp(rng.uniform(np.log(0.05), np.log(2.0), n))
    found = rng.random(n) < PodFit(intercept, slope).at(size)
    return size, found, np.array([f"car {k % 10}" for k in range(n)])


def test_fit_equals_scikit_learns_without_penalty() -> None:
    """Outside check: scikit-learn's LogisticRegression with C = ∞."""
    linear = pytest.importorskip("sklearn.linear_model")
    size, found, _ = cases(300, 2.0, 1.5)
    ours = fit_pod(size, found)
    theirs = linear.LogisticRegression(C=np.inf, tol=1e-10, max_iter=10000)
    theirs.fit(np.log(size)[:, None], found)
    assert not ours.penalised
    assert ours.intercept == pytest.approx(theirs.intercept_[0], abs=1e-5)
    assert ours.slope == pytest.approx(theirs.coef_[0, 0], abs=1e-5)


def test_two_sizes_have_a_closed_form() -> None:
    """Two sizes: the curve passes through both found shares (closed form)."""
    size = np.repeat([0.5, 1.0], [10, 20])
    found = np.concatenate([np.arange(10) < 3, np.arange(20) < 16])
    fit = fit_pod(size, found)
    np.testing.assert_allclose(fit.at(np.array([0.5, 1.0])), [0.3, 0.8], atol=1e-9)
    # ln a = (ln 9 − b0) / b1, with b0 = ln 4 and b1 = (ln 4 − ln 3/7) / ln 2.
    slope = (math.log(4.0) - math.log(3.0 / 7.0)) / math.log(2.0)
    wanted = math.exp((math.log(9.0) - math.log(4.0)) / slope)
    assert fit.size_at_90(0.5, 2.0) == pytest.approx(wanted)
    assert fit.size_at_90(0.5, 1.1) == math.inf


def test_parted_sizes_keep_finite() -> None:
    size = np.linspace(0.1, 2.0, 40)
    fit = fit_pod(size, size > 0.7)
    assert fit.penalised
    assert 0.3 < fit.size_at_90(0.1, 2.0) < 1.2
    everything = fit_pod(size, np.ones(40, dtype=bool))
    assert everything.size_at_90(0.1, 2.0) == 0.1
    nothing = fit_pod(size, np.zeros(40, dtype=bool))
    assert nothing.size_at_90(0.1, 2.0) == math.inf


def test_confidence_bound_lies_above_and_tightens() -> None:
    few = pod(
        *cases(60, 3.0, 1.5), unit="turns", largest=2.0, edges=(0.0, 0.5, 2.0), n_bootstrap=60
    )
    many = pod(
        *cases(2000, 3.0, 1.5), unit="turns", largest=2.0, edges=(0.0, 0.5, 2.0), n_bootstrap=60
    )
    true = math.exp((math.log(9.0) - 3.0) / 1.5)
    assert many["a90"] == pytest.approx(true, rel=0.1)
    assert many["a90"] <= many["a90_95"] < true * 1.3
    assert few["a90_95"] is None or few["a90_95"] >= many["a90_95"]
    assert sum(row["n"] for row in many["bins"]) == 2000
    assert sum(row["found"] for row in many["bins"]) == many["n_found"]


def test_what_is_never_heard_is_not_reached() -> None:
    size, _, cars = cases(80, 0.0, 0.0)
    deaf = np.random.default_rng(1).random(80) < 0.06
    entry = pod(size, deaf, cars, unit="preload_lost", largest=1.0, edges=(0.0, 1.0))
    assert entry["a90"] is None
    assert entry["a90_95"] is None
    assert entry["words"] == "not reached even with all preload lost"


def test_few_cases_say_nothing() -> None:
    size, found, cars = cases(8, 2.0, 1.0)
    entry = pod(size, found, cars, unit="turns", largest=2.0, edges=(0.0, 2.0))
    assert entry["words"] == "too few cases"
    assert entry["curve"] is None
