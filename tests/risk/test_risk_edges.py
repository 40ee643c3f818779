"""What a log says at its edges: equal counters, several findings of one kind, every remark."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from car_logs import checked, day, finding, nut_log

from vibecheck.car.guidance import fastener_guide
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.car.zones import Fastener, Zone
from vibecheck.risk.control_chart import (
    IN_CONTROL_RUN_LENGTH,
    SMOOTHING,
    ChartPoint,
    average_run_length,
    control_chart,
)
from vibecheck.risk.drift import KEY_FEATURES, TakeValues, drift_charts
from vibecheck.risk.gamma_poisson import GammaRate, sum_of
from vibecheck.risk.history import KindHistory, read_history
from vibecheck.risk.kind_log import Habits
from vibecheck.risk.log import CarLog, Disturbance, FastenerFinding, HandCheck, zone_label
from vibecheck.risk.prior import population_rate_per_run
from vibecheck.risk.walk import answers_of, due_after_first_run, same_for_all, zones_to_check

NUT = Fastener("wheel nut", "M5x0.8", 1, "nylon_insert", "steel")
SCREW = Fastener("hub screw", "M3x0.5", 2, "none", "steel")
WHEEL = Zone("wheel_front_left", 3, (NUT,), 1)
LASTING = Habits(half_life_runs=1e9, settling_factor=1.0)
TIGHTENED = ["tightened"]


def nut(log: CarLog, habits: Habits | None = None, miss: float = 0.05) -> KindHistory:
    (kind,) = read_history((WHEEL,), log, miss_probability=miss, habits=habits).kinds
    return kind


def undone_for(runs: float, why: str) -> Disturbance:
    return Disturbance("wheel_front_left", "wheel nut", runs, day(runs), why)


def remarks(log: CarLog, habits: Habits | None = None) -> dict[str, str]:
    zone = read_history((WHEEL,), log, habits=habits).zones[WHEEL.name]
    return {remark.code: remark.message for remark in zone.remarks}


# Remarks: the codes are part of the public JSON, the sentences are what the owner reads.


def test_never_checked_is_remarked_once_there_is_a_log() -> None:
    log = nut_log(9.0, [(9.0, FastenerFinding("steering", "x", "snug"))])
    assert remarks(log) == {"never_checked": "wheel nut: not yet checked since the log began."}
    assert remarks(CarLog("a", 9.0, (), ())) == {}
    (told,) = read_history((WHEEL,), log).zones[WHEEL.name].remarks
    assert told.fastener == "wheel nut"


def test_a_fresh_joint_is_remarked_until_it_was_checked_again() -> None:
    log = nut_log(10.0, [(10.0, finding("took_a_turn", done=TIGHTENED))])
    again = "wheel nut: worked at since the last run; check it again after its first run."
    assert remarks(log) == {"settling": again}
    half = replace(log, runs=10.5)
    assert remarks(half)["settling"].startswith("wheel nut: worked at 0.5 runs ago; check it")
    due = remarks(replace(log, runs=12.0))["settling"]
    assert due.startswith("wheel nut: worked at 2 runs ago; its first run")
    settled = nut_log(11.0, [(10.0, finding("loose", done=TIGHTENED)), (11.0, finding("snug"))])
    assert remarks(settled) == {}
    assert remarks(nut_log(2.0, [(1.0, finding("snug"))])) == {}


def test_a_repeat_offender_is_remarked_with_its_count() -> None:
    looks = [(0.0, finding("snug")), (2.0, finding("loose", done=TIGHTENED))]
    looks += [(4.0, finding("loose", done=TIGHTENED)), (5.0, finding("snug"))]
    assert remarks(nut_log(5.0, looks), LASTING) == {
        "repeat_offender": "wheel nut: found 2 times in 5 runs. Look for the cause: thread, hole, "
        "locking, or a part that works."
    }


def test_a_spent_nut_is_remarked_from_the_log_or_from_the_new_one() -> None:
    words = "wheel nut: taken off 5 times since {}. Its nylon holds less each time: fit a new nut."
    old = nut_log(9.0, [(9.0, finding("snug"))], undone=[1.0, 2.0, 3.0, 4.0, 5.0])
    assert remarks(old) == {"nut_spent": words.format("the log began")}
    new = replace(
        old, hand_checks=(checked(0.5, finding("snug", done=["new_nut"])), *old.hand_checks)
    )
    assert remarks(new) == {"nut_spent": words.format("a new one was fitted")}
    assert remarks(replace(new, disturbances=old.disturbances[:4])) == {}


# Removals.


@pytest.mark.parametrize("why", ["New nut after the race", "new_nut", "fitted a NEW NUT"])
def test_a_new_nut_named_at_a_gear_change_counts_as_new(why: str) -> None:
    log = replace(nut_log(9.0, [], undone=[1.0, 4.0]), disturbances=(
        undone_for(1.0, "off"), undone_for(3.0, why), undone_for(4.0, "off"),
    ))  # fmt: skip
    assert (nut(log).log.removals, nut(log).log.new_fitted) == (1, True)


def test_tightening_takes_nothing_off() -> None:
    looks = [(1.0, finding("loose", done=TIGHTENED)), (2.0, finding("snug"))]
    looks += [(3.0, finding("loose", done=["cleaned", "tightened"]))]
    assert (nut(nut_log(4.0, looks)).log.removals, nut(nut_log(4.0, looks)).log.new_fitted) == (
        1, False,
    )  # fmt: skip
    assert nut(nut_log(4.0, looks[:2])).log.removals == 0


def test_a_new_nut_written_down_twice_stays_new() -> None:
    log = nut_log(3.0, [(2.0, finding("snug", done=["new_nut"]))], undone=[2.0])
    assert (nut(log).log.removals, nut(log).log.new_fitted) == (0, True)


# Several findings of one kind in one hand check.


def test_findings_of_one_check_add_up() -> None:
    first = checked(0.0, finding("snug", count=4))
    mixed = checked(
        6.0, finding("loose", done=["threadlocker"], count=2), finding("snug", count=2)
    )  # fmt: skip
    kind = nut(CarLog("a", 7.0, (first, mixed), ()))
    assert (kind.log.n_checks, kind.log.n_finds, kind.log.n_found) == (2, 1, 2)
    assert kind.log.worked_runs == 6.0
    assert kind.log.removals == 1
    assert not kind.log.left_as_found


def test_work_on_a_snug_fastener_settles_anew() -> None:
    one = nut(nut_log(4.0, [(4.0, finding("snug", done=TIGHTENED))]), miss=0.3)
    assert (one.log.worked_runs, one.due_because) == (4.0, "settling")
    two = CarLog("a", 4.0, (checked(4.0, finding("snug", done=TIGHTENED), finding("snug")),), ())
    assert nut(two, miss=0.3).log.worked_runs == 4.0


def test_what_is_loose_and_untouched_is_left_as_found() -> None:
    assert nut(nut_log(4.0, [(4.0, finding("loose"))])).log.left_as_found
    assert not nut(nut_log(4.0, [(4.0, finding("took_a_turn"))])).log.left_as_found
    assert not nut(nut_log(4.0, [(4.0, finding("loose", done=TIGHTENED))])).log.left_as_found


# Runs at risk.


def test_two_checks_at_one_counter_add_no_runs() -> None:
    looks = [(0.0, finding("snug")), (4.0, finding("snug")), (4.0, finding("snug"))]
    looks += [(6.0, finding("snug"))]
    kind = nut(nut_log(6.0, looks), LASTING)
    assert kind.log.runs_watched == 6.0
    assert kind.log.weighted_exposure == pytest.approx(6.0, rel=1e-6)
    assert nut(nut_log(6.0, [])).log.runs_watched == 0.0


def test_joints_worked_at_within_a_run_settle_together() -> None:
    # By hand: worked at at 2 and 2.5, settling until 3.5; from 0 to 6 that is 6 runs, 1.5 of them
    # five times: 6 + 4 × 1.5 = 12.
    log = nut_log(6.0, [(0.0, finding("snug"))], undone=[2.0, 2.5])
    assert nut(log).log.exposure_since == pytest.approx(12.0)
    # One after the other: 6 + 4 × 2 = 14.
    log = nut_log(6.0, [(0.0, finding("snug"))], undone=[2.0, 3.0])
    assert nut(log).log.exposure_since == pytest.approx(14.0)


def test_a_find_on_the_day_is_due_now_not_after_a_run() -> None:
    # Checked long ago: the limit is passed.
    kind = nut(nut_log(40.0, [(0.0, finding("snug"))]))
    assert (kind.recheck_due_in_runs, kind.due_because) == (0, "rate")


# The zone, and the car.


def test_a_zone_by_hand() -> None:
    # By hand: prior of the zone Gamma(0.5, 12.5); one kind, watched 0-20 with one find at 10
    # (0-4 snug, 4-10 found, 10-20 snug): Gamma(1.5, 29.5), mean 1.5 / 29.5.
    looks = [(0.0, "snug"), (4.0, "snug"), (10.0, "took_a_turn"), (20.0, "snug")]
    log = nut_log(22.0, [(runs, finding(outcome)) for runs, outcome in looks])
    history = read_history((WHEEL, Zone("steering", 2, (SCREW,))), log, habits=LASTING)
    zone = history.zones["wheel_front_left"]
    assert (zone.finds, history.zones["steering"].finds) == (1, 0)
    assert zone.runs_since_hand_check == 2
    assert zone.rate_per_run == pytest.approx(1.5 / 29.5)
    rate = GammaRate(1.5, 29.5)
    assert (zone.rate_low, zone.rate_high) == pytest.approx(rate.interval(0.9))
    # The chance of the next two runs, with the rate at either end of its interval.
    assert zone.low == pytest.approx(1.0 - math.exp(-2.0 * rate.quantile(0.05)))
    assert zone.high == pytest.approx(1.0 - math.exp(-2.0 * rate.quantile(0.95)))
    (kind, _) = history.kinds
    assert zone.recheck_every_runs == kind.recheck_every_runs >= 1
    assert zone.recheck_due_in_runs == kind.recheck_due_in_runs
    assert (history.car, history.runs, history.n_hand_checks) == ("Saltflat 8", 22.0, 4)
    assert history.miss_probability == 0.05
    assert [one.kind.name for one in history.of_zone("steering")] == ["hub screw"]


def test_finds_of_a_zone_are_counted_by_hand_check() -> None:
    both = Zone("wheel_front_left", 3, (NUT, SCREW), 1)
    hub = FastenerFinding("wheel_front_left", "hub screw", "missing", 2, done=("replaced",))
    checks = (
        checked(1.0, finding("loose", done=TIGHTENED), hub),
        checked(2.0, finding("snug")),
        checked(3.0, hub),
    )
    history = read_history((both,), CarLog("a", 3.0, checks, ()))
    zone = history.zones["wheel_front_left"]
    assert zone.finds == 2
    assert zone.runs_since_hand_check == 1  # the nut was last seen at 2, the screws at 3
    assert zone.recheck_due_in_runs == min(one.recheck_due_in_runs for one in history.kinds)
    assert zone.recheck_every_runs == min(one.recheck_every_runs for one in history.kinds)


def test_what_was_left_loose_makes_the_interval_reach_up() -> None:
    zone = read_history((WHEEL,), nut_log(9.0, [(9.0, finding("missing"))])).zones[WHEEL.name]
    assert zone.low == 0.5
    assert zone.high == 0.995
    assert zone.runs_since_hand_check == 0


def test_a_zone_without_fasteners_rests_on_the_usual_rate() -> None:
    # Other zones are found loose 0.02 times a run: Gamma(0.5, 25).
    bare = Zone("own_place", 2)
    assert population_rate_per_run(bare) == pytest.approx(0.02)
    one = read_history((bare,)).zones["own_place"]
    assert one.prior == pytest.approx(1.0 - math.sqrt(25.0 / 26.0))
    ten = read_history((bare,), CarLog("a", 10.0, (), ())).zones["own_place"]
    assert ten.prior == pytest.approx(1.0 - math.sqrt(25.0 / 35.0))
    assert ten.recheck_every_runs is None


def test_unlocked_fasteners_are_found_loose_more_often() -> None:
    locked = replace(SCREW, locking="threadlocker")
    bare = population_rate_per_run(Zone("own", 2))
    assert population_rate_per_run(Zone("own", 2, (locked, SCREW))) > bare
    assert population_rate_per_run(Zone("own", 2, (locked,))) < bare


def test_limits_of_habits() -> None:
    least = Habits(1.0, 1.0, 0.0, 1, 1, 0.5)
    assert (least.settling_runs, least.nut_removals, least.longest_interval_runs) == (0.0, 1, 1)
    with pytest.raises(ValueError, match="coverage must lie between 0 and 1"):
        Habits(coverage=0.0)


def test_limits_of_rates() -> None:
    rate = GammaRate(2.0, 10.0)
    assert rate.quantile(0.0) == 0.0
    assert rate.quantile(1.0) == math.inf
    assert GammaRate(1e-9, 1.0).runs_until(0.9) == math.inf
    with pytest.raises(ValueError, match="chance must lie between 0 and 1"):
        rate.runs_until(0.0)
    with pytest.raises(ValueError, match="needs at least one rate"):
        sum_of(())


def test_a_turn_of_nothing_is_an_angle() -> None:
    assert FastenerFinding("steering", "x", "loose", turned_deg=0.0).turned_deg == 0.0


def test_snug_counts_of_a_kind_add_up() -> None:
    halves = tuple(FastenerFinding("steering", "screw", "snug", n) for n in (1, 2))
    check = HandCheck("h", day(1.0), 1.0, halves, complete=True)
    assert zone_label(check, "steering", {"screw": 3}) == "snug"
    assert zone_label(check, "steering", {"screw": 4}) == "unknown"
    assert zone_label(check, "steering", {"screw": 3, "nut": 1}) == "unknown"


# The walk.

CAR = read_car(shipped_car_path("saltflat8"))


def worn_car_log() -> CarLog:
    servo = FastenerFinding("steering", "servo screw", "missing")
    return CarLog(CAR.name, 3.0, (checked(1.0, servo, finding("snug")),), ())


def test_a_find_brings_its_zone_to_the_front_of_the_walk() -> None:
    history = read_history(CAR.zones, worn_car_log(), habits=Habits(nut_removals=2))
    walk = zones_to_check(CAR, history)
    assert walk[0].zone.name == "steering"
    for stop in walk:
        of_zone = {one.kind.name: one for one in history.of_zone(stop.zone.name)}
        for one, kind in zip(stop.fasteners, stop.zone.fasteners, strict=True):
            assert one.guide == fastener_guide(kind, nut_removals=2)
            assert one.history is of_zone[kind.name]


def test_zones_that_a_result_leaves_out_follow_by_their_history() -> None:
    history = read_history(CAR.zones, worn_car_log())
    said = [{"zone": "driveline", "rank": 1, "probability": 0.4}]
    walk = zones_to_check(CAR, history, {"zones": said})
    assert [stop.zone.name for stop in walk[:2]] == ["driveline", "steering"]
    assert walk[0].by_sound  # results of before the word "heard" were heard
    last = {"zone": "steering", "rank": 12, "probability": 0.4}
    walk = zones_to_check(CAR, history, {"zones": [*said, last]})
    assert [stop.zone.name for stop in walk[:2]] == ["driveline", "steering"]


def test_answers_are_those_of_the_zone() -> None:
    zone = next(one for one in CAR.zones if one.name == "motor_mount")
    mine = FastenerFinding(zone.name, zone.fasteners[0].name, "loose")
    other = FastenerFinding("steering", zone.fasteners[1].name, "snug")
    assert answers_of(zone, [mine, other]) == (mine,)
    rest = same_for_all(zone, "snug", [mine, other])
    assert [one.fastener for one in rest] == [one.name for one in zone.fasteners[1:]]
    assert {one.outcome for one in rest} == {"snug"}


def test_due_after_the_first_run_is_what_was_undone_or_left() -> None:
    three = tuple(Zone(name, 2, (SCREW,)) for name in ("worked", "left", "snug", "never"))
    looks = (
        FastenerFinding("worked", "hub screw", "loose", 2, done=("tightened",)),
        FastenerFinding("left", "hub screw", "loose", 2),
        FastenerFinding("snug", "hub screw", "snug", 2),
    )
    history = read_history(three, CarLog("a", 1.0, (checked(1.0, *looks),), ()))
    assert [one.log.zone for one in due_after_first_run(history)] == ["worked", "left"]


# Charts.


def chart_points(values: list[float], n_snug: int) -> list[ChartPoint]:
    return [ChartPoint(day(n), float(n), v, snug=n < n_snug) for n, v in enumerate(values)]


def test_a_chart_by_hand() -> None:
    # By hand: reference 0, 2, 4 (mean 2, s 2); a value at t = 2.919986 (2 degrees of freedom)
    # scores 1.644854; then the same again, which joins no reference. With smoothing 0.5 the
    # averages are 0.822427 and 1.233641.
    value = 2.0 + 2.0 * math.sqrt(4.0 / 3.0) * 2.919986
    chart = control_chart(chart_points([0.0, 2.0, 4.0, value, value], 3), smoothing=0.5)
    assert [one.n_reference for one in chart.points] == [0, 1, 2, 3, 3]
    assert [one.average for one in chart.points[:3]] == [None, None, None]
    assert [one.average for one in chart.points[3:]] == pytest.approx(
        [0.822427, 1.233641], abs=1e-5
    )
    assert chart.centre == 2.0
    assert (chart.smoothing, chart.run_length) == (0.5, 500.0)
    # The width for 500 at smoothing 0.5 is 3.071 (Lucas & Saccucci 1990: value from memory), times
    # sqrt(0.5 / 1.5).
    assert chart.limit == pytest.approx(3.071 * math.sqrt(1.0 / 3.0), abs=2e-3)
    assert control_chart(chart_points([1.0], 0)).centre is None


def test_references_that_hardly_vary_judge_nothing() -> None:
    # The same value but for rounding, small and large.
    for scale in (1.0, 1e6):
        values = [scale * (1.0 + n * 1e-12) for n in range(5)]
        assert control_chart(chart_points([*values, 2.0 * scale], 5)).n_judged == 0
    fine = [1e-3 + 1e-6 * n for n in range(5)]
    assert control_chart(chart_points([*fine, 2e-3], 5)).signals_now


def test_narrow_limits_and_smoothing_out_of_range() -> None:
    # Closed form: without smoothing a chart of width L runs 1 / P(|z| > L); P(|z| > 0.5) is
    # 0.617075 (table of the normal distribution).
    assert average_run_length(0.5, 1.0) == pytest.approx(1.0 / 0.617075, rel=1e-4)
    with pytest.raises(ValueError, match="smoothing must lie above 0 and up to 1"):
        average_run_length(3.0, 1.5)


def test_small_smoothing_has_nodes_enough() -> None:
    # Lucas & Saccucci 1990, smoothing 0.03, width 2.437: 500 in control (value from memory).
    assert average_run_length(2.437, 0.03) == pytest.approx(500.0, rel=0.01)


def take_values(n: float, value: float | None, **changes: object) -> TakeValues:
    made = TakeValues(day(n), n, "microphone", "centre", {"mesh_level": value}, n < 6, "26/46")
    return replace(made, **changes)  # type: ignore[arg-type]


def test_a_feature_is_charted_by_sensor_and_spot() -> None:
    takes = [take_values(n, 0.1 * (n % 3)) for n in range(8)]
    takes += [take_values(8.0, 1.0, spot="rear")]
    takes += [take_values(9.0, 1.0, sensor="accelerometer")]
    charts = drift_charts(takes)
    assert [(one.sensor, one.spot, len(one.chart.points)) for one in charts] == [
        ("microphone", "centre", 8), ("microphone", "rear", 1), ("accelerometer", "centre", 1),
    ]  # fmt: skip
    first = charts[0]
    assert (first.feature, first.words) == ("mesh_level", "how loud the gears are")
    assert first.unit
    assert [one.point.value for one in first.chart.points] == [0.1 * (n % 3) for n in range(8)]
    assert [one.point.runs for one in first.chart.points] == list(range(8))
    assert [one.point.date for one in first.chart.points] == [day(n) for n in range(8)]
    assert [one.point.snug for one in first.chart.points] == [n < 6 for n in range(8)]
    assert (first.chart.smoothing, first.chart.run_length) == (SMOOTHING, IN_CONTROL_RUN_LENGTH)


def test_only_the_newest_set_up_is_charted() -> None:
    takes = [take_values(n, 1.0, setup="24/46") for n in range(3)]
    takes += [take_values(n, 2.0) for n in range(3, 5)]
    (one,) = drift_charts(takes)
    assert [point.point.value for point in one.chart.points] == [2.0, 2.0]
    assert drift_charts([]) == ()


def test_what_was_never_observed_has_no_chart() -> None:
    assert drift_charts([take_values(0.0, None)]) == ()
    (one,) = drift_charts([take_values(0.0, None), take_values(1.0, 0.0)])
    assert [point.point.value for point in one.chart.points] == [0.0]


def test_charts_that_signal_come_first_then_the_longest() -> None:
    def all_features(n: int) -> dict[str, float | None]:
        values: dict[str, float | None] = {KEY_FEATURES[0]: 0.1 * (n % 3), KEY_FEATURES[1]: None}
        values[KEY_FEATURES[2]] = 0.1 * (n % 3) if n > 1 else None
        values[KEY_FEATURES[3]] = 0.1 * (n % 3) if 1 < n < 7 else 50.0 if n > 1 else None
        return values

    takes = [take_values(n, None, features=all_features(n)) for n in range(8)]
    charts = drift_charts(takes, smoothing=0.4, run_length=50.0)
    assert [one.feature for one in charts] == [KEY_FEATURES[3], KEY_FEATURES[0], KEY_FEATURES[2]]
    assert [one.chart.signals_now for one in charts] == [True, False, False]
    assert {(one.chart.smoothing, one.chart.run_length) for one in charts} == {(0.4, 50.0)}
