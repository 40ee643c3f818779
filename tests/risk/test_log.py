"""What a car's log holds, and what a hand check says about a zone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from vibecheck.risk.log import (
    CarLog,
    Disturbance,
    FastenerFinding,
    HandCheck,
    finds_in,
    is_find,
    zone_label,
)

NOON = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)


def hand_check(*findings: FastenerFinding) -> HandCheck:
    return HandCheck("h1", NOON, 3.0, findings, complete=False)


@pytest.mark.parametrize("outcome", ["took_a_turn", "loose", "missing"])
def test_a_fastener_that_was_not_as_it_should_be_is_a_find(outcome: str) -> None:
    assert is_find(outcome)


@pytest.mark.parametrize("outcome", ["snug", "not_checked"])
def test_snug_and_not_checked_are_no_finds(outcome: str) -> None:
    assert not is_find(outcome)


def test_finds_are_counted_by_fastener_and_zone() -> None:
    findings = (
        FastenerFinding("motor_mount", "motor screw", "loose", 2, 40.0),
        FastenerFinding("motor_mount", "mount screw", "snug", 4),
        FastenerFinding("steering", "servo screw", "missing"),
    )
    assert finds_in(findings) == 3
    assert finds_in(findings, "motor_mount") == 2
    assert finds_in(findings, "gear_mesh") == 0


def test_a_find_makes_a_zone_loose_whatever_else_was_left_out() -> None:
    check = hand_check(
        FastenerFinding("motor_mount", "motor screw", "took_a_turn", turned_deg=10.0),
        FastenerFinding("motor_mount", "mount screw", "not_checked", 4),
    )
    assert zone_label(check, "motor_mount") == "loose"


def test_a_zone_is_snug_only_where_all_of_it_was_checked() -> None:
    motor = FastenerFinding("motor_mount", "motor screw", "snug", 2)
    some = FastenerFinding("motor_mount", "mount screw", "snug", 3)
    left = FastenerFinding("motor_mount", "mount screw", "not_checked", 1)
    counts = {"motor screw": 2, "mount screw": 3}
    assert zone_label(hand_check(motor, some), "motor_mount", counts) == "snug"
    assert zone_label(hand_check(motor, some), "motor_mount") == "snug"
    assert zone_label(hand_check(motor, some, left), "motor_mount") == "unknown"
    assert zone_label(hand_check(motor), "motor_mount", counts) == "unknown"
    assert zone_label(hand_check(motor), "gear_mesh") == "unknown"


def test_an_unknown_outcome_is_refused() -> None:
    with pytest.raises(ValueError, match="outcome must be one of"):
        FastenerFinding("steering", "servo screw", "tight")  # type: ignore[arg-type]


def test_a_count_below_one_is_refused() -> None:
    with pytest.raises(ValueError, match="count must be at least 1"):
        FastenerFinding("steering", "servo screw", "snug", 0)


@pytest.mark.parametrize("turned", [-1.0, float("nan"), float("inf")])
def test_a_turn_that_is_no_angle_is_refused(turned: float) -> None:
    with pytest.raises(ValueError, match="turned_deg must be a finite number"):
        FastenerFinding("steering", "servo screw", "loose", turned_deg=turned)


def test_a_snug_fastener_cannot_have_turned() -> None:
    with pytest.raises(ValueError, match="turned_deg must come with"):
        FastenerFinding("steering", "servo screw", "snug", turned_deg=5.0)


def test_an_unknown_deed_is_refused() -> None:
    with pytest.raises(ValueError, match="done must hold words of"):
        FastenerFinding("steering", "servo screw", "loose", done=("glued",))


@pytest.mark.parametrize(
    "date", [datetime(2026, 5, 1), datetime(2026, 5, 1, tzinfo=timezone(timedelta(hours=2)))]
)
def test_a_date_that_is_not_utc_is_refused(date: datetime) -> None:
    with pytest.raises(ValueError, match="date must carry a time zone and be in UTC"):
        HandCheck("h1", date, 0.0, (), complete=True)


@pytest.mark.parametrize("runs", [-0.5, float("nan")])
def test_a_run_counter_below_zero_is_refused(runs: float) -> None:
    with pytest.raises(ValueError, match="runs must be a finite number from 0 up"):
        CarLog("Saltflat 8", runs, (), ())
    with pytest.raises(ValueError, match="runs must be a finite number from 0 up"):
        Disturbance("gear_mesh", "spur screw", runs, NOON, "gear change")
