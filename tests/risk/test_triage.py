"""Ranked zones, and the verdict over them, at and around their limits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vibecheck.advice import NO_ZONES_NOTE, NOT_USED_NOTE, NOTHING_HEARD_NOTE, UNFAMILIAR_NOTE
from vibecheck.car.zones import Zone
from vibecheck.findings import QualityReport, QualityVerdict
from vibecheck.model.assessment import ZoneAssessment, ZoneOdds
from vibecheck.recording.take import Take
from vibecheck.result import CheckedTake, Evidence, Unfamiliar, ZoneHistory, ZoneRisk
from vibecheck.risk.history import CarHistory
from vibecheck.risk.kind_log import Habits
from vibecheck.risk.triage import (
    INSPECT_FIRST_PROBABILITY,
    SOMETHING_LOOSE_PROBABILITY,
    decide,
    rank_zones,
    something_loose,
)

USUAL = Unfamiliar(0.0, 1.0, False)
STRANGE = Unfamiliar(2.0, 1.0, True)


def history(**zones: ZoneHistory) -> CarHistory:
    return CarHistory("Saltflat 8", 4.0, 1, 0.05, Habits(), zones, ())


def risk(probability: float, *, heard: bool = True, prior: float = 0.1) -> ZoneRisk:
    return ZoneRisk(
        "steering", probability, probability, probability, 2, 2 * probability, 1,
        history=ZoneHistory(prior=prior), heard=heard,
    )  # fmt: skip


def take(verdict: QualityVerdict = "usable") -> CheckedTake:
    recording = Take(np.zeros(8, np.float32), 8_000.0)
    return CheckedTake(recording, QualityReport(verdict), None, None)


def test_a_heard_zone_carries_all_that_was_said_of_it() -> None:
    # By hand: prior 0.2, odds 0.25; a ratio of 4 makes odds 1, probability 0.5; its interval 2
    # and 8 makes 1/3 and 2/3. Severity 3: risk 1.5.
    zone = Zone("steering", 3, how_to_check="Shake it.")
    why = (Evidence("mesh_level", 2.0, 1.0, 3.0, "louder than usual"),)
    odds = ZoneOdds("steering", math.log(4), math.log(2), math.log(8), True, why)
    known = history(steering=ZoneHistory(prior=0.2, low=0.1, high=0.3))
    (got,) = rank_zones((zone,), ZoneAssessment((odds,), USUAL), known)
    assert (got.probability, got.low, got.high) == pytest.approx((0.5, 1 / 3, 2 / 3))
    assert (got.severity, got.rank, got.evidence, got.heard) == (3, 1, why, True)
    assert got.risk == pytest.approx(1.5)
    assert got.how_to_check == "Shake it."
    assert got.vibration is not None
    assert got.vibration.low == pytest.approx(math.log(2))


def test_what_was_not_heard_keeps_the_interval_of_the_log() -> None:
    deaf = ZoneOdds("steering", 5.0, 4.0, 6.0, False, (Evidence("x", 1.0, None, None, "no"),))
    zones = (Zone("steering"), Zone("body"))
    known = history(steering=ZoneHistory(prior=0.2, low=0.1, high=0.3), body=ZoneHistory(prior=0.1))
    first, second = rank_zones(zones, ZoneAssessment((deaf,), USUAL), known)
    assert (first.probability, first.low, first.high) == (0.2, 0.1, 0.3)
    assert (second.probability, second.low, second.high) == (0.1, 0.1, 0.1)
    for zone in (first, second):
        assert zone.evidence == ()
        assert zone.heard is False
        assert zone.vibration is None


def test_equal_risks_are_ranked_by_effort_then_by_name() -> None:
    zones = (Zone("c", check_effort=3), Zone("b", check_effort=1), Zone("a", check_effort=3))
    known = history(**{zone.name: ZoneHistory(prior=0.2) for zone in zones})
    ranked = rank_zones(zones, None, known)
    assert [zone.zone for zone in ranked] == ["b", "a", "c"]
    assert [zone.rank for zone in ranked] == [1, 2, 3]
    # A difference that only rounding made is none.
    close = history(
        a=ZoneHistory(prior=0.2), b=ZoneHistory(prior=0.2), c=ZoneHistory(prior=0.2 + 1e-12)
    )
    assert [zone.zone for zone in rank_zones(zones, None, close)] == ["b", "a", "c"]


def test_a_graver_zone_comes_before_a_likelier_one() -> None:
    zones = (Zone("likely", 1), Zone("grave", 3))
    known = history(likely=ZoneHistory(prior=0.2), grave=ZoneHistory(prior=0.1))
    ranked = rank_zones(zones, None, known)
    assert [(zone.zone, round(zone.risk, 9)) for zone in ranked] == [
        ("grave", 0.3),
        ("likely", 0.2),
    ]


def test_something_loose_by_hand() -> None:
    # By hand: priors 0.1 and 0.2: 1 - 0.9 × 0.8 = 0.28, odds 0.388889; a ratio of 2 makes 0.777778,
    # probability 0.4375. A zone that was not heard has no part in it.
    heard = [risk(0.5, prior=0.1), risk(0.5, prior=0.2)]
    deaf = risk(0.5, heard=False, prior=0.9)
    assert something_loose(heard, 0.0) == pytest.approx(0.28)
    assert something_loose([*heard, deaf], math.log(2)) == pytest.approx(0.4375)
    assert something_loose([deaf], 3.0) == 0.0
    assert something_loose([], 3.0) == 0.0


@pytest.mark.parametrize("unfamiliar", [USUAL, STRANGE])
def test_one_zone_at_the_bar_is_named(unfamiliar: Unfamiliar) -> None:
    bar = INSPECT_FIRST_PROBABILITY
    notes = (UNFAMILIAR_NOTE,) if unfamiliar.is_unfamiliar else ()
    assert decide([risk(0.01), risk(bar)], [take()], unfamiliar) == ("inspect_first", notes)
    mild = "cannot_tell" if notes else "nothing_stood_out"
    assert decide([risk(0.01), risk(bar - 1e-9)], [take()], unfamiliar) == (mild, notes)


def test_all_zones_together_may_reach_the_bar() -> None:
    # One heard zone of prior p, ratio 1: the probability of anything loose is p itself.
    at = risk(0.1, prior=SOMETHING_LOOSE_PROBABILITY + 1e-9)
    under = risk(0.1, prior=SOMETHING_LOOSE_PROBABILITY - 1e-9)
    assert decide([at], [take()], USUAL, 0.0) == ("inspect_first", ())
    assert decide([under], [take()], USUAL, 0.0) == ("nothing_stood_out", ())
    assert decide([at], [take()], USUAL) == ("nothing_stood_out", ())


def test_what_was_not_heard_is_not_named_by_its_history_alone() -> None:
    quiet = risk(0.9, heard=False)
    assert decide([quiet], [take()], USUAL) == ("cannot_tell", (NOTHING_HEARD_NOTE,))
    assert decide([quiet], [take()], STRANGE) == (
        "cannot_tell", (UNFAMILIAR_NOTE, NOTHING_HEARD_NOTE),
    )  # fmt: skip
    assert decide([quiet, risk(0.01)], [take()], USUAL) == ("nothing_stood_out", ())


def test_without_a_usable_take_nothing_is_told() -> None:
    bad = [take("unusable"), take("unusable")]
    assert decide([risk(0.9)], bad, USUAL) == ("cannot_tell", (NOT_USED_NOTE,))
    assert decide([risk(0.9)], [], USUAL) == ("cannot_tell", (NOT_USED_NOTE,))
    assert decide([risk(0.9)], [*bad, take("limited")], USUAL) == ("inspect_first", ())


def test_without_zones_none_is_named() -> None:
    assert decide([], [take()], USUAL) == ("cannot_tell", (NO_ZONES_NOTE,))
    assert decide([], [take("unusable")], STRANGE) == (
        "cannot_tell", (NO_ZONES_NOTE, UNFAMILIAR_NOTE),
    )  # fmt: skip
