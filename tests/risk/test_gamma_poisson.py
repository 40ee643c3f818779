"""Gamma-Poisson against published worked examples and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.risk.gamma_poisson import GammaRate, none_of, sum_of

rates = st.builds(GammaRate, st.floats(0.05, 50.0), st.floats(0.1, 1e4))


def test_the_asthma_example() -> None:
    # Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.6, asthma mortality: prior
    # Gamma(3, 5), 3 deaths in 2 (per 100 000): the book prints mean 0.86, Pr(rate > 1) = 0.30;
    # ten years more: 30 deaths in 20: 1.32 and 0.93. Printed values from memory; the further
    # digits were computed on their own.
    prior = GammaRate(3.0, 5.0)
    assert 1.0 - prior.chance_above(1.44) == pytest.approx(0.97453, abs=1e-5)
    once = prior.after(3, 2.0)
    assert (once.shape, once.exposure) == (6.0, 7.0)
    assert once.mean == pytest.approx(0.857143, abs=1e-6)
    assert once.standard_deviation == pytest.approx(0.349927, abs=1e-6)
    assert once.chance_above(1.0) == pytest.approx(0.300708, abs=1e-6)
    more = prior.after(30, 20.0)
    assert more.mean == pytest.approx(1.32)
    assert more.standard_deviation == pytest.approx(0.229783, abs=1e-6)
    assert more.chance_above(1.0) == pytest.approx(0.928544, abs=1e-6)


@pytest.mark.parametrize(
    ("people", "deaths", "rate"),
    [
        (1_000, 0, 4.54545e-5),
        (1_000, 1, 4.77273e-5),
        (1_000, 2, 5.0e-5),
        (1_000_000, 393, 3.95973e-5),
        (1_000_000, 545, 5.41707e-5),
    ],
)
def test_the_kidney_cancer_example(people: int, deaths: int, rate: float) -> None:
    # Same book, section 2.7: prior Gamma(20, 430 000), ten years; public notebooks that
    # reproduce the section print 4.54545e-5 and 4.77273e-5.
    prior = GammaRate(20.0, 430_000.0)
    assert prior.mean == pytest.approx(4.651e-5, abs=1e-8)
    assert prior.after(deaths, 10.0 * people).mean == pytest.approx(rate, abs=1e-9)


@pytest.mark.parametrize(("count", "share"), [(0, 0.631), (1, 0.287), (2, 0.068), (3, 0.011)])
def test_the_predictive_of_the_kidney_cancer_example(count: int, share: float) -> None:
    # Same example, n = 1000: negative binomial, computed on its own.
    prior = GammaRate(20.0, 430_000.0)
    assert prior.chance_of_finds(count, 10_000.0) == pytest.approx(share, abs=1e-3)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(1, 0.02532, 5.57164), (3, 0.61867, 8.76727), (10, 4.79539, 18.39036)],
)
def test_quantiles_match_the_exact_poisson_interval(count: int, low: float, high: float) -> None:
    # Garwood 1936 (value from memory, computed on its own): the ends of the exact 95 % interval
    # of a Poisson mean are Gamma quantiles with shapes n and n + 1.
    assert GammaRate(count, 1.0).quantile(0.025) == pytest.approx(low, abs=1e-5)
    assert GammaRate(count + 1.0, 1.0).quantile(0.975) == pytest.approx(high, abs=1e-5)


@given(rates, st.floats(0.0, 500.0))
@settings(deadline=None, max_examples=40)
def test_a_chance_of_a_find_is_the_complement_of_none(rate: GammaRate, runs: float) -> None:
    assert rate.chance_of_a_find(runs) == pytest.approx(
        1.0 - rate.chance_of_finds(0, runs), abs=1e-9
    )


@given(rates, st.floats(0.001, 0.5))
@settings(deadline=None, max_examples=40)
def test_the_interval_in_runs_inverts_the_chance(rate: GammaRate, chance: float) -> None:
    runs = rate.runs_until(chance)
    if math.isfinite(runs) and runs < 1e12:
        assert rate.chance_of_a_find(runs) == pytest.approx(chance, rel=1e-6)


def test_counts_of_all_sizes_add_to_one() -> None:
    rate = GammaRate(1.7, 12.0)
    assert sum(rate.chance_of_finds(k, 30.0) for k in range(400)) == pytest.approx(1.0, abs=1e-9)


@given(rates, st.floats(0.5, 0.99))
@settings(deadline=None, max_examples=40)
def test_an_interval_holds_its_share(rate: GammaRate, coverage: float) -> None:
    low, high = rate.interval(coverage)
    assert low <= high
    assert rate.chance_above(low) - rate.chance_above(high) == pytest.approx(coverage, abs=1e-6)


def test_a_sum_over_one_exposure_is_exact_and_else_keeps_the_moments() -> None:
    exact = sum_of([GammaRate(0.2, 9.0), GammaRate(0.3, 9.0)])
    assert (exact.shape, exact.exposure) == pytest.approx((0.5, 9.0))
    parts = [GammaRate(2.0, 10.0), GammaRate(0.5, 3.0)]
    draws = np.random.default_rng(1).gamma([2.0, 0.5], [0.1, 1 / 3], (200_000, 2)).sum(axis=1)
    both = sum_of(parts)
    assert both.mean == pytest.approx(draws.mean(), rel=0.01)
    assert both.standard_deviation == pytest.approx(draws.std(), rel=0.02)
    assert both.quantile(0.95) == pytest.approx(np.quantile(draws, 0.95), rel=0.05)


def test_none_of_independent_chances() -> None:
    # By hand: 0.9 × 0.8 = 0.72.
    assert none_of([0.1, 0.2]) == pytest.approx(0.72)
    assert none_of([]) == 1.0


@pytest.mark.parametrize(("shape", "exposure"), [(0.0, 1.0), (1.0, -1.0), (math.nan, 1.0)])
def test_a_rate_without_a_distribution_is_refused(shape: float, exposure: float) -> None:
    with pytest.raises(ValueError, match="must be a finite number above 0"):
        GammaRate(shape, exposure)


def test_negative_finds_and_runs_are_refused() -> None:
    rate = GammaRate(1.0, 1.0)
    with pytest.raises(ValueError, match="finds and exposure must not be negative"):
        rate.after(-1, 1.0)
    with pytest.raises(ValueError, match="runs must not be negative"):
        rate.chance_of_a_find(-1.0)


def test_shares_beyond_0_and_1_are_refused() -> None:
    rate = GammaRate(1.0, 1.0)
    with pytest.raises(ValueError, match="share must lie between 0 and 1"):
        rate.quantile(1.1)
    with pytest.raises(ValueError, match="chance must lie between 0 and 1"):
        rate.runs_until(1.0)
    with pytest.raises(ValueError, match="needs at least one rate"):
        sum_of([])
