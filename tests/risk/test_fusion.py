"""Priors and fusion against hand-computed values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.car.zones import Fastener, Zone
from vibecheck.model.assessment import ZoneAssessment, ZoneOdds
from vibecheck.result import Unfamiliar, ZoneRisk
from vibecheck.risk.fusion import MOST_CERTAIN, expit, logit, posterior
from vibecheck.risk.gamma_poisson import none_of
from vibecheck.risk.prior import kind_priors, population_rate_per_run, zone_prior
from vibecheck.risk.triage import rank_zones


def test_bayes_by_hand() -> None:
    # Hand-computed: odds 0.04/0.96 = 1/24, times 24 gives odds 1.
    assert posterior(0.04, math.log(24.0)) == pytest.approx(0.5, abs=1e-12)
    # Screening example by hand: prior 1 %, sensitivity 0.9, false alarm 0.09, LR = 10.
    # 0.009 / (0.009 + 0.0891) = 0.0917431.
    assert posterior(0.01, math.log(0.9 / 0.09)) == pytest.approx(0.0917431, abs=1e-7)


@given(st.floats(-600.0, 600.0))
@settings(deadline=None, max_examples=40)
def test_expit_inverts_logit(log_odds: float) -> None:
    probability = expit(log_odds)
    assert 0.0 <= probability <= 1.0
    if 1e-12 < probability < 1 - 1e-12:
        assert logit(probability) == pytest.approx(log_odds, abs=1e-3)


@given(st.floats(0.001, 0.6), st.floats(-50.0, 50.0))
@settings(deadline=None, max_examples=40)
def test_no_recording_is_ever_certain(prior: float, llr: float) -> None:
    assert 1.0 - MOST_CERTAIN <= posterior(prior, llr) <= MOST_CERTAIN


@pytest.mark.parametrize("wrong", [0.0, 1.0, -0.1, math.nan])
def test_logit_refuses(wrong: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        logit(wrong)


WHEEL = Zone("wheel_front_left", 3, (Fastener("wheel nut", locking="nylon_insert"),))


def test_prior_is_the_negative_binomial_chance_of_a_find() -> None:
    # By hand: rate 0.04 × 1.0 (nylon) per run, shape 0.5, exposure 12.5:
    # 1 - (12.5 / 13.5)^0.5 = 0.0377496.
    assert population_rate_per_run(WHEEL) == pytest.approx(0.04)
    assert zone_prior(WHEEL).chance_of_a_find(1.0) == pytest.approx(0.0377496, abs=1e-6)


@given(st.floats(0.1, 300.0))
@settings(deadline=None, max_examples=40)
def test_the_kinds_of_a_zone_are_together_its_prior(runs: float) -> None:
    nut = Fastener("nut", locking="nylon_insert")
    screw = Fastener("screw", locking="none")
    zone = Zone("steering", 3, (nut, screw))
    kinds = kind_priors(zone)
    together = 1.0 - none_of(kind.chance_of_a_find(runs) for kind in kinds.values())
    assert together == pytest.approx(zone_prior(zone).chance_of_a_find(runs), rel=1e-9)
    # By hand: locking factors 1.0 and 1.5 share half a find as 0.2 and 0.3.
    assert kinds["nut"].shape == pytest.approx(0.2)
    assert kinds["screw"].shape == pytest.approx(0.3)


def ranked(*heard: ZoneOdds) -> dict[str, ZoneRisk]:
    zones = (WHEEL, Zone("steering", 3, (Fastener("servo screw"),)))
    assessment = ZoneAssessment(tuple(heard), Unfamiliar(0.0, 1.0, False))
    return {zone.zone: zone for zone in rank_zones(zones, assessment)}


def test_odds_of_history_times_ratio_of_the_vibration_by_hand() -> None:
    # By hand: prior 0.0377496, odds 0.0377496 / 0.9622504 = 0.0392306; times 25 = 0.980765;
    # probability 0.980765 / 1.980765 = 0.495145.
    ratio = math.log(25.0)
    zone = ranked(ZoneOdds("wheel_front_left", ratio, ratio - 1.0, ratio + 1.0, heard=True))
    assert zone["wheel_front_left"].probability == pytest.approx(0.495145, abs=1e-5)
    assert zone["wheel_front_left"].low < 0.495 < zone["wheel_front_left"].high
    assert zone["wheel_front_left"].rank == 1


def test_history_and_vibration_are_told_apart() -> None:
    ratio = math.log(25.0)
    zones = ranked(ZoneOdds("wheel_front_left", ratio, ratio, ratio, heard=True))
    heard = zones["wheel_front_left"].contributions
    assert heard is not None
    assert heard.vibration == pytest.approx(ratio)
    assert heard.history == pytest.approx(0.0, abs=1e-12)  # no log: the usual rate, one run
    total = heard.usual + heard.history + ratio
    assert expit(total) == pytest.approx(zones["wheel_front_left"].probability)
    silent = zones["steering"].contributions
    assert silent is not None
    assert silent.vibration is None
    assert zones["steering"].vibration is None


def test_no_contributions_without_a_usual_rate() -> None:
    assert ZoneRisk("a", 0.1, 0.0, 0.2, 1, 0.1, 1).contributions is None
