"""Rates, chances and re-check times from a car's log."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from car_logs import checked, finding, nut_log
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.car.zones import Fastener, Zone, default_zones
from vibecheck.model.assessment import ZoneAssessment, ZoneOdds
from vibecheck.result import Unfamiliar
from vibecheck.risk.history import KindHistory, read_history
from vibecheck.risk.kind_log import Habits
from vibecheck.risk.log import CarLog, Disturbance, FastenerFinding
from vibecheck.risk.prior import zone_prior
from vibecheck.risk.triage import rank_zones

NUT = Fastener("wheel nut", "M5x0.8", 1, "nylon_insert", "steel")
WHEEL = Zone("wheel_front_left", 3, (NUT,), 1)
LASTING = Habits(half_life_runs=1e9, settling_factor=1.0)
"""Nothing fades, nothing settles: the plain Gamma-Poisson update."""


def nut(log: CarLog, habits: Habits | None = None, miss: float = 0.05) -> KindHistory:
    (kind,) = read_history((WHEEL,), log, miss_probability=miss, habits=habits).kinds
    return kind


def test_without_a_log_the_usual_rate_stands() -> None:
    zones = default_zones("4wd")
    history = read_history(zones)
    for zone in zones:
        usual = zone_prior(zone).chance_of_a_find(1.0)
        assert history.zones[zone.name].prior == pytest.approx(usual)
        assert history.zones[zone.name].usual == pytest.approx(usual)
        assert history.zones[zone.name].runs_since_hand_check is None
        assert history.zones[zone.name].remarks == ()


def test_the_update_by_hand() -> None:
    # By hand: prior Gamma(0.5, 12.5). Watched 0-4 snug: 4 runs. 4-10 found: came loose halfway,
    # 3 runs at risk, one find. 10-20 snug: 10 runs. Gamma(1.5, 29.5): mean 0.0508475.
    # Two runs since: 1 - (29.5 / 31.5)^1.5 = 0.0937100.
    log = nut_log(
        22.0,
        [
            (0.0, finding("snug")),
            (4.0, finding("snug")),
            (10.0, finding("took_a_turn", done=["tightened"])),
            (20.0, finding("snug")),
        ],
    )
    kind = nut(log, LASTING)
    assert (kind.rate.shape, kind.rate.exposure) == pytest.approx((1.5, 29.5))
    assert kind.rate.mean == pytest.approx(0.0508475, abs=1e-6)
    assert kind.chance == pytest.approx(0.0937100, abs=1e-6)
    assert kind.log.runs_watched == 20.0
    assert kind.log.n_finds == 1
    assert kind.log.find_runs == (10.0,)


def test_the_first_check_only_begins_the_watch() -> None:
    log = nut_log(7.0, [(7.0, finding("loose", done=["tightened"]))])
    kind = nut(log, LASTING)
    assert kind.log.n_finds == 1
    assert (kind.rate.shape, kind.rate.exposure) == (kind.usual.shape, kind.usual.exposure)


def test_forgetting_by_hand() -> None:
    # By hand: half-life 10, now 20. Runs 0-10 weigh 10/ln2 × (2^-1 - 2^-2) = 3.6067; the find
    # between 0 and 10 came at 5 on average: weight 2^-1.5 = 0.353553, half of its runs at risk.
    # Runs 10-20: 10/ln2 × (1 - 2^-1) = 7.2135.
    habits = Habits(half_life_runs=10.0, settling_factor=1.0)
    log = nut_log(
        20.0,
        [(0.0, finding("snug")), (10.0, finding("loose")), (20.0, finding("snug"))],
    )
    kind = nut(log, habits)
    assert kind.log.weighted_finds == pytest.approx(0.353553, abs=1e-6)
    assert kind.log.weighted_exposure == pytest.approx(3.6067 / 2 + 7.2135, abs=1e-4)


def test_what_is_long_ago_no_longer_counts() -> None:
    looks = [(0.0, finding("snug")), (5.0, finding("loose")), (6.0, finding("loose"))]
    soon = nut(nut_log(6.0, looks))
    later = nut(nut_log(2000.0, looks))
    assert soon.rate.mean > 2.0 * soon.usual.mean
    assert later.rate.mean == pytest.approx(later.usual.mean, rel=1e-6)


def test_settling_by_hand() -> None:
    # By hand: checked snug at 10, worked at there; the first run counts five times. At 13 the
    # joint has been at risk for 5 + 2 = 7 settled runs: 1 - (12.5 / 19.5)^0.5 = 0.199359.
    log = nut_log(13.0, [(10.0, finding("snug"))], undone=[10.0])
    kind = nut(log)
    assert kind.log.exposure_since == pytest.approx(7.0)
    assert kind.chance == pytest.approx(0.199359, abs=1e-6)


@pytest.mark.parametrize(
    ("now", "due"), [(10.0, 1), (10.5, 1), (11.0, 0), (13.0, 0)], ids=lambda value: f"{value:g}"
)
def test_a_joint_that_was_worked_at_is_due_after_its_first_run(now: float, due: int) -> None:
    kind = nut(nut_log(now, [(10.0, finding("snug"))], undone=[10.0]), miss=0.3)
    assert kind.due_because == "settling"
    assert kind.recheck_due_in_runs == due


def test_the_recheck_after_the_first_run_settles_it() -> None:
    log = nut_log(11.0, [(10.0, finding("snug")), (11.0, finding("snug"))], undone=[10.0])
    kind = nut(log, miss=0.3)
    assert kind.log.settled
    assert kind.due_because == "rate"
    assert kind.recheck_due_in_runs > 1


def test_a_find_that_was_put_right_settles_anew() -> None:
    log = nut_log(9.0, [(8.0, finding("snug")), (9.0, finding("loose", done=["tightened"]))])
    assert nut(log).due_because == "settling"


def test_a_find_left_as_it_was_comes_first() -> None:
    log = nut_log(9.0, [(9.0, finding("missing"))])
    kind = nut(log)
    assert kind.chance >= 0.9
    assert (kind.recheck_due_in_runs, kind.due_because) == (0, "left_as_found")
    cured = nut_log(9.0, [(9.0, finding("missing")), (9.0, finding("snug"))])
    assert nut(cured).chance < 0.5


@given(st.floats(0.01, 0.4), st.integers(0, 30), st.integers(0, 6))
@settings(deadline=None, max_examples=40)
def test_within_the_interval_the_chance_stays_under_the_miss_probability(
    miss: float, snug: int, finds: int
) -> None:
    looks = [(float(n), finding("snug")) for n in range(snug + 1)]
    looks += [(snug + 3.0 * (n + 1), finding("loose", done=["tightened"])) for n in range(finds)]
    now = looks[-1][0]
    kind = nut(nut_log(now, looks), miss=miss)
    every = kind.recheck_every_runs
    assert 1 <= every <= Habits().longest_interval_runs
    if every > 1:
        assert kind.rate.chance_of_a_find(every) <= miss + 1e-12
    if 1 < every < Habits().longest_interval_runs:
        assert kind.rate.chance_of_a_find(every + 1) > miss


def test_removals_count_from_the_last_new_nut() -> None:
    log = nut_log(
        9.0,
        [
            (1.0, finding("snug", done=["new_nut"])),
            (2.0, finding("snug", done=["refitted"])),
            (5.0, finding("took_a_turn", done=["tightened"])),
        ],
        undone=[3.0, 4.0],
    )
    assert nut(log).removals == 3
    assert nut(log).log.new_fitted
    assert not nut(log).nut_spent
    more = replace(
        log,
        disturbances=(
            *log.disturbances,
            *nut_log(9.0, [], undone=[6.0, 7.0]).disturbances,
        ),
    )
    assert nut(more).removals == 5
    assert nut(more).nut_spent
    again = replace(
        more, hand_checks=(*more.hand_checks, checked(8.0, finding("snug", done=["new_nut"])))
    )
    assert nut(again).removals == 0


def test_one_removal_written_down_twice_counts_once() -> None:
    log = nut_log(3.0, [(2.0, finding("snug", done=["refitted"]))], undone=[2.0])
    assert nut(log).removals == 1


def test_removals_are_of_nuts_with_a_nylon_insert() -> None:
    screw = Fastener("wheel nut", locking="none")
    (kind,) = read_history(
        (Zone("wheel_front_left", 3, (screw,)),), nut_log(3.0, [], undone=[1.0, 2.0])
    ).kinds
    assert kind.removals is None
    assert not kind.nut_spent


def test_repeat_offenders_need_two_finds_and_a_raised_rate() -> None:
    snug = [(float(n), finding("snug")) for n in range(3)]
    loose = finding("loose", done=["tightened"])
    assert not nut(nut_log(4.0, [*snug, (4.0, loose)])).repeat_offender
    assert nut(nut_log(6.0, [*snug, (4.0, loose), (6.0, loose)])).repeat_offender
    long_ago = [(0.0, finding("snug")), (5.0, loose), (6.0, loose), (400.0, finding("snug"))]
    assert not nut(nut_log(400.0, long_ago)).repeat_offender


def test_what_was_not_checked_says_nothing() -> None:
    snug = [(0.0, finding("snug")), (6.0, finding("snug"))]
    skipped = [snug[0], (3.0, finding("not_checked")), snug[1]]
    assert nut(nut_log(8.0, skipped)) == nut(nut_log(8.0, snug))


def test_a_part_checked_is_a_find_but_no_check() -> None:
    both = checked(
        4.0, finding("loose", done=["tightened"]), replace(finding("not_checked"), count=3)
    )
    log = CarLog("a", 6.0, (checked(0.0, finding("snug", count=4)), both), ())
    kind = nut(log)
    assert kind.log.n_finds == 1
    assert kind.log.checked_runs == 0.0


def test_never_checked_is_at_risk_since_the_counter_began() -> None:
    log = CarLog("a", 30.0, (checked(1.0, FastenerFinding("steering", "x", "snug")),), ())
    kind = nut(log)
    assert (kind.recheck_due_in_runs, kind.due_because) == (0, "never_checked")
    assert kind.chance == pytest.approx(kind.usual.chance_of_a_find(30.0))


def test_a_counter_that_went_backwards_adds_no_runs() -> None:
    log = nut_log(3.0, [(9.0, finding("snug")), (3.0, finding("snug"))])
    kind = nut(log)
    assert kind.log.weighted_exposure == 0.0
    assert kind.log.exposure_since == 0.0


def test_names_that_the_car_file_dropped_are_set_apart() -> None:
    log = CarLog(
        "a",
        2.0,
        (checked(1.0, FastenerFinding("old_zone", "old nut", "loose")),),
        (Disturbance("wheel_front_left", "old screw", 1.0, checked(1.0).date, "off"),),
    )
    history = read_history((WHEEL,), log)
    assert {(one.zone, one.fastener) for one in history.retired} == {
        ("old_zone", "old nut"),
        ("wheel_front_left", "old screw"),
    }
    assert [kind.kind.name for kind in history.kinds] == ["wheel nut"]


def test_a_zone_without_listed_fasteners_takes_them_from_the_log() -> None:
    bare = Zone("own_place", 2)
    log = CarLog("a", 5.0, (checked(0.0, FastenerFinding("own_place", "strap", "snug")),), ())
    history = read_history((bare,), log)
    assert [kind.kind.name for kind in history.kinds] == ["strap"]
    assert history.zones["own_place"].runs_since_hand_check == 5
    assert read_history((bare,)).zones["own_place"].prior > 0.0


def test_remarks_are_told_in_the_owners_words() -> None:
    log = nut_log(9.0, [(9.0, finding("missing"))], undone=[5.0])
    remarks = {r.code: r.message for r in read_history((WHEEL,), log).zones[WHEEL.name].remarks}
    assert remarks["left_as_found"].startswith("wheel nut: written down as loose or missing")
    due = nut_log(12.0, [(10.0, finding("snug"))], undone=[11.0])
    (told,) = read_history((WHEEL,), due).zones[WHEEL.name].remarks
    assert told.message == (
        "wheel nut: worked at 1 run ago; its first run since then is done, so check it again now."
    )


def test_log_and_recording_together_by_hand() -> None:
    # By hand: as in the update above the log gives 0.0937100, odds 0.0937100 / 0.9062900 =
    # 0.1033996; a likelihood ratio of 10 makes 1.033996; probability 1.033996 / 2.033996 =
    # 0.508357. The usual chance is 1 - (12.5 / 13.5)^0.5 = 0.0377496, odds 0.0392306: the log
    # multiplies the odds by 2.635687.
    looks = [(0.0, "snug"), (4.0, "snug"), (10.0, "took_a_turn"), (20.0, "snug")]
    log = nut_log(22.0, [(runs, finding(outcome)) for runs, outcome in looks])
    history = read_history((WHEEL,), log, habits=LASTING)
    ratio = math.log(10.0)
    heard = ZoneAssessment(
        (ZoneOdds(WHEEL.name, ratio, ratio, ratio, heard=True),), Unfamiliar(0.0, 1.0, False)
    )
    (zone,) = rank_zones((WHEEL,), heard, history)
    assert zone.probability == pytest.approx(0.508357, abs=1e-5)
    moved = zone.contributions
    assert moved is not None
    assert math.exp(moved.history) == pytest.approx(2.635687, rel=1e-4)
    assert moved.vibration == pytest.approx(ratio)


def test_history_alone_ranks_the_hand_check() -> None:
    zones = default_zones("4wd")
    loose = FastenerFinding("steering", "servo screw", "loose", done=("tightened",))
    checks = [checked(float(n), loose) for n in range(5)]
    ranked = rank_zones(zones, None, read_history(zones, CarLog("a", 6.0, tuple(checks), ())))
    assert ranked[0].zone == "steering"
    assert not any(zone.heard for zone in ranked)
    assert all(0.0 <= zone.low <= zone.probability <= zone.high <= 1.0 for zone in ranked)
    without = rank_zones(zones, None)
    assert [zone.rank for zone in without] == list(range(1, len(zones) + 1))


@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 40.0),
            st.sampled_from(["snug", "took_a_turn", "loose", "missing", "not_checked"]),
            st.sets(st.sampled_from(["tightened", "new_nut", "refitted"])),
        ),
        max_size=12,
    ),
    st.floats(0.0, 60.0),
    st.lists(st.floats(0.0, 40.0), max_size=4),
)
@settings(deadline=None, max_examples=40)
def test_any_log_gives_sound_numbers(
    looks: list[tuple[float, str, set[str]]], now: float, undone: list[float]
) -> None:
    log = nut_log(now, [(r, finding(o, done=sorted(d))) for r, o, d in looks], undone)
    history = read_history((WHEEL,), log)
    (kind,) = history.kinds
    zone = history.zones[WHEEL.name]
    assert 0.0 < zone.prior < 1.0
    assert zone.low is not None
    assert zone.high is not None
    assert 0.0 <= zone.low <= zone.high <= 1.0
    assert kind.recheck_due_in_runs <= kind.recheck_every_runs
    assert math.isfinite(kind.rate.mean)


def test_the_interval_holds_the_true_rate() -> None:
    """Joints that come loose at a known rate: the 90 % interval must hold it nearly as often."""
    rng = np.random.default_rng(7)
    held, means = 0, []
    n_cars, rate = 150, 0.06
    for _ in range(n_cars):
        looks, loose_at = [(0.0, finding("snug"))], rng.exponential(1.0 / rate)
        for runs in np.arange(3.0, 241.0, 3.0):  # long intervals: several could fall into one
            if loose_at <= runs:
                looks.append((float(runs), finding("loose", done=["tightened"])))
                loose_at = runs + rng.exponential(1.0 / rate)
            else:
                looks.append((float(runs), finding("snug")))
        kind = nut(nut_log(240.0, looks), LASTING)
        low, high = kind.rate.interval(0.9)
        held += low <= rate <= high
        means.append(kind.rate.mean)
    # Binomial(150, 0.9): three standard deviations are 0.07.
    assert held / n_cars > 0.83
    assert np.mean(means) == pytest.approx(rate, rel=0.06)


@pytest.mark.parametrize("miss", [0.0, 1.0, math.nan])
def test_a_miss_probability_beyond_0_and_1_is_refused(miss: float) -> None:
    with pytest.raises(ValueError, match="miss_probability must lie between 0 and 1"):
        read_history((WHEEL,), None, miss_probability=miss)


def test_habits_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="half_life_runs must be at least 1"):
        Habits(half_life_runs=0.0)
    with pytest.raises(ValueError, match="coverage must lie between 0 and 1"):
        Habits(coverage=1.0)
