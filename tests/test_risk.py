"""Priors, fusion and ranking against hand-computed values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.car.zones import Fastener, Zone
from vibecheck.risk.fusion import MOST_CERTAIN, expit, logit, posterior
from vibecheck.risk.prior import ZoneRecord, chance_of_a_find, population_rate_per_run, zone_history


def test_bayes_by_hand() -> None:
    # Hand-computed: odds 0.04/0.96 = 1/24, times 24 gives odds 1.
    assert posterior(0.04, math.log(24.0)) == pytest.approx(0.5, abs=1e-12)
    # Screening example by hand: prior 1 %, sensitivity 0.9, false alarm 0.09, LR = 10.
    # 0.009 / (0.009 + 0.0891) = 0.0917431.
    assert posterior(0.01, math.log(0.9 / 0.09)) == pytest.approx(0.0917431, abs=1e-7)


@given(st.floats(-600.0, 600.0))
def test_expit_inverts_logit(log_odds: float) -> None:
    probability = expit(log_odds)
    assert 0.0 <= probability <= 1.0
    if 1e-12 < probability < 1 - 1e-12:
        assert logit(probability) == pytest.approx(log_odds, abs=1e-3)


@given(st.floats(0.001, 0.6), st.floats(-50.0, 50.0))
def test_no_recording_is_ever_certain(prior: float, llr: float) -> None:
    assert 1.0 - MOST_CERTAIN <= posterior(prior, llr) <= MOST_CERTAIN


@pytest.mark.parametrize("wrong", [0.0, 1.0, -0.1, math.nan])
def test_logit_refuses(wrong: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        logit(wrong)


def test_prior_is_the_negative_binomial_chance_of_a_find() -> None:
    # By hand: rate 0.04 × 1.0 (nylon) per run, shape 0.5, exposure 12.5:
    # 1 - (12.5 / 13.5)^0.5 = 0.0377496.
    zone = Zone("wheel_front_left", 3, (Fastener("wheel nut", locking="nylon_insert"),))
    assert population_rate_per_run(zone) == pytest.approx(0.04)
    assert zone_history(zone).prior == pytest.approx(0.0377496, abs=1e-6)


def test_predictive_matches_published_gamma_poisson() -> None:
    # Gelman et al., Bayesian Data Analysis 3rd ed. section 2.7, kidney cancer example (public
    # notebooks reproduce it): prior Gamma(20, 430000), n = 1000 over ten years: P(y = 0) = 0.631.
    assert chance_of_a_find(20.0, 430000.0, 10_000.0) == pytest.approx(1 - 0.631, abs=1e-3)


@given(st.integers(0, 20), st.floats(1.0, 200.0), st.integers(0, 50))
def test_history_moves_the_prior_the_right_way(finds: int, runs: float, since: int) -> None:
    zone = Zone("motor_mount", 3, (Fastener("screw"),))
    here = zone_history(zone, ZoneRecord(runs, finds, since)).prior
    assert 0.0 < here < 1.0
    assert zone_history(zone, ZoneRecord(runs, finds + 1, since)).prior > here
    assert zone_history(zone, ZoneRecord(runs * 2, finds, since)).prior < here
    assert zone_history(zone, ZoneRecord(runs, finds, since + 1)).prior >= here
