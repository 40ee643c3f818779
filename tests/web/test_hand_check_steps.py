"""The steps of a hand check by buttons, as values."""

from __future__ import annotations

from vibecheck.car.guidance import fastener_guide
from vibecheck.car.zones import Fastener, Zone
from vibecheck.risk.log import FastenerFinding
from vibecheck.risk.walk import FastenerToCheck, ZoneToCheck
from vibecheck.web.pages import hand_check_steps as steps

SCREW = Fastener("mount screw", "M3x0.5", 4, "none", "aluminium")
NUT = Fastener("lock nut", "M3x0.5", 1, "nylon_insert", "steel")
ZONE = Zone("motor_mount", 3, (SCREW, NUT), 1, "Wiggle it.")
STOP = ZoneToCheck(
    ZONE, 1, 0.1, False, tuple(FastenerToCheck(fastener_guide(one)) for one in ZONE.fasteners)
)


def found(outcome: str, count: int = 1, fastener: str = "mount screw") -> FastenerFinding:
    return FastenerFinding("motor_mount", fastener, outcome, count)  # type: ignore[arg-type]


def test_nothing_said_asks_for_all_of_every_kind() -> None:
    kinds = steps.kinds_asked(STOP, ())
    assert [(one.left, one.asks) for one in kinds] == [(4, "All 4:"), (1, "")]
    assert steps.rest_of_zone(STOP, kinds, "snug") == (
        found("snug", 4),
        found("snug", 1, "lock nut"),
    )


def test_a_find_is_one_until_more_is_said_and_the_rest_stays_open() -> None:
    (screw, _nut) = steps.kinds_asked(STOP, ())
    kept = steps.rest_of_kind(STOP, screw, "loose")
    assert kept == (found("loose"), found("not_checked", 3))
    (screw, _nut) = steps.kinds_asked(STOP, kept)
    assert (screw.left, screw.asks, screw.is_broken_off) == (3, "The other 3:", True)
    assert steps.most_of(screw, 0) == 4
    kept = steps.with_details(
        STOP, screw, 0, count=2, turned_deg=90.0, done=["threadlocker", "tightened"]
    )
    assert kept == (
        FastenerFinding(
            "motor_mount", "mount screw", "loose", 2, 90.0, ("tightened", "threadlocker")
        ),
        found("not_checked", 2),
    )
    (screw, _nut) = steps.kinds_asked(STOP, kept)
    assert steps.rest_of_kind(STOP, screw, "snug")[1:] == (found("snug", 2),)


def test_a_missing_one_did_not_turn() -> None:
    kept = (found("missing"), found("snug", 3))
    (screw, _nut) = steps.kinds_asked(STOP, kept)
    (new, *_rest) = steps.with_details(STOP, screw, 0, count=1, turned_deg=90.0, done=())
    assert new.turned_deg is None


def test_what_was_left_out_on_purpose_stays_so_when_the_others_are_snug() -> None:
    kept = (found("not_checked", 4),)
    kinds = steps.kinds_asked(STOP, kept)
    assert steps.rest_of_zone(STOP, kinds, "snug") == (found("snug", 1, "lock nut"),)
    anew = steps.kinds_asked(STOP, kept, steps.ALL)
    assert len(steps.rest_of_zone(STOP, anew, "snug")) == 2


def test_a_kind_that_is_answered_whole_takes_no_further_answer() -> None:
    (screw, _nut) = steps.kinds_asked(STOP, (found("snug", 4),))
    assert steps.rest_of_kind(STOP, screw, "loose") == (found("snug", 4),)
    (screw, _nut) = steps.kinds_asked(STOP, (found("snug", 4),), "mount screw")
    assert steps.rest_of_kind(STOP, screw, "loose")[0] == found("loose")


def test_the_version_changes_with_the_zones_answers_and_with_no_others() -> None:
    before = steps.version_of(STOP, ())
    other = FastenerFinding("steering", "servo screw", "loose")
    assert steps.version_of(STOP, (other,)) == before
    assert steps.version_of(STOP, (found("snug", 4),)) != before


def test_when_the_next_zone_comes() -> None:
    nut = found("snug", 1, "lock nut")
    assert steps.stays_in_zone(STOP, (found("snug", 4),)), "the nut has no answer"
    assert not steps.stays_in_zone(STOP, (found("snug", 4), nut))
    broken_off = (found("loose"), found("not_checked", 3), nut)
    assert steps.stays_in_zone(STOP, broken_off), "three screws are still to be asked"
    assert not steps.stays_in_zone(STOP, broken_off, "mount screw"), "they were left out by a tap"


def test_zones_left_behind_come_at_the_end() -> None:
    second = ZoneToCheck(
        Zone("steering", 3, (NUT,), 1, ""), 2, 0.1, False, (FastenerToCheck(fastener_guide(NUT)),)
    )
    stops = (STOP, second)
    assert steps.next_open(stops, (), after=1) is second
    done = (FastenerFinding("steering", "lock nut", "snug"),)
    assert steps.next_open(stops, done, after=2) is STOP
    assert steps.next_open(stops, (*done, found("snug", 4), found("snug", 1, "lock nut"))) is None
