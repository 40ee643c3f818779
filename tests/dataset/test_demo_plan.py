"""The plan of the demo set: balanced, graded, spread over the same days, and the same each time."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from vibecheck.dataset.columns import HARD_NEGATIVES, KINDS, LOOSE_PRELOAD
from vibecheck.dataset.demo_build import counts_table, plan_key, simulator_fingerprint
from vibecheck.dataset.demo_plan import (
    CarPlan,
    draw_cars,
    draw_small_cars,
    plan_set,
    plan_small_set,
)
from vibecheck.dataset.manifest import read_manifest
from vibecheck.dataset.simulated import SimulatedCheck
from vibecheck.simulator import WHEELS, ZONES

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def plans() -> list[CarPlan]:
    return plan_set(draw_cars(44, 5), 26, 5)


@pytest.fixture(scope="module")
def checks(plans: list[CarPlan]) -> list[SimulatedCheck]:
    return [check for plan in plans for check in plan.checks]


def test_kinds_have_their_shares(plans: list[CarPlan], checks: list[SimulatedCheck]) -> None:
    kinds = Counter(check.kind for check in checks)
    assert set(kinds) == set(KINDS)
    assert len(checks) == 44 * 26
    assert kinds["baseline"] == 44 * 7
    hard = [kinds[kind] for kind in HARD_NEGATIVES]
    assert sum(hard) == 44 * 5
    assert max(hard) - min(hard) <= 1
    assert abs(kinds["mesh_tight"] - kinds["mesh_loose"]) <= 1
    for plan in plans:
        takes = sum(len(check.spots) for check in plan.checks)
        assert takes >= 30
        assert len({check.name for check in plan.checks}) == 26
        assert len({check.seed for check in plan.checks}) == 26
    assert len({check.name for check in checks}) == len(checks)


def test_zones_are_loose_equally_often(plans: list[CarPlan]) -> None:
    cases: Counter[str] = Counter()
    could: Counter[str] = Counter()
    for plan in plans:
        still = [w for w, on in zip(WHEELS, plan.car.driven, strict=True) if not on]
        could.update({zone: 0.5 if zone in still else 1.0 for zone in ZONES})
        for check in plan.checks:
            if check.kind == "loose":
                assert check.states
                cases[next(iter(check.states))] += 1
            else:
                assert not check.states
    share = sum(cases.values()) / sum(could.values())
    for zone in ZONES:
        assert cases[zone] == pytest.approx(share * could[zone], abs=2.5)


def test_looseness_is_graded(checks: list[SimulatedCheck]) -> None:
    states = [(zone, s) for check in checks for zone, s in check.states.items()]
    only = [state for _, state in states if state.turns == 0.0]
    assert len(only) / len(states) == pytest.approx(1 / 6, abs=0.03)
    assert all(0.03 <= state.preload <= 0.5 < LOOSE_PRELOAD for state in only)
    for zone in ZONES:
        turns = np.array([s.turns for z, s in states if z == zone and s.turns > 0.0])
        most = 1.5 if zone in ("motor_mount", "gear_mesh", "driveline") else 2.0
        assert turns.min() >= 0.1
        assert turns.max() <= most
        # Even in the logarithm: each third of the scale holds about a third of the cases.
        place = np.log(turns / 0.1) / np.log(most / 0.1)
        thirds = np.histogram(place, bins=3, range=(0.0, 1.0))[0] / turns.size
        assert thirds == pytest.approx([1 / 3] * 3, abs=0.13)
    shares = [s.share for zone, s in states if zone == "motor_mount"]
    assert 0.1 < np.mean(np.array(shares) == 0.5) < 0.5
    assert all(s.share == 1.0 for zone, s in states if zone != "motor_mount")
    two = sum(len(check.states) == 2 for check in checks)
    loose = [check for check in checks if check.kind == "loose"]
    assert 0.08 < two / len(loose) < 0.22
    assert 0.04 < np.mean([bool(check.odd) for check in loose]) < 0.13


def test_snug_and_loose_checks_share_their_days(checks: list[SimulatedCheck]) -> None:
    groups = [[check for check in checks if check.kind == kind] for kind in ("baseline", "loose")]
    for values in (
        [[check.conditions.backlash for check in group] for group in groups],
        [[check.conditions.temperature for check in group] for group in groups],
        [[check.louder_room_db for check in group] for group in groups],
    ):
        spread = [np.std(value) for value in values]
        assert np.mean(values[0]) == pytest.approx(np.mean(values[1]), abs=0.3 * spread[0])
        assert spread[0] == pytest.approx(spread[1], rel=0.2)
    tight = [check.conditions.backlash for check in checks if check.kind == "mesh_tight"]
    loose = [check.conditions.backlash for check in checks if check.kind == "mesh_loose"]
    assert max(tight) < 0.2 < 0.75 <= min(check.conditions.backlash for check in groups[0])
    assert min(loose) > 2.0 > 1.35 >= max(check.conditions.backlash for check in groups[0])
    phones = np.mean([check.phone_seed == check.seed for check in checks])
    assert 0.05 < phones < 0.15


def test_every_spot_of_a_car_has_snug_takes(plans: list[CarPlan]) -> None:
    whole_plan = 0
    with_sensor = 0
    for plan in plans:
        heard = {spot for check in plan.checks for spot in check.spots}
        snug = {spot for c in plan.checks if c.kind == "baseline" for spot in c.spots}
        assert heard == snug
        driven = {w for w, yes in zip(WHEELS, plan.car.driven, strict=True) if yes}
        places = {place for sensor, place in heard if sensor == "microphone"} - {"centre"}
        visits_all = places == {"motor_mount", *driven}
        for check in plan.checks:
            microphones = [place for sensor, place in check.spots if sensor == "microphone"]
            assert microphones[0] == "centre"
            assert len(set(microphones)) == 1 + (len(places) if visits_all else 2)
        assert visits_all or len(places) in (3, 4)
        assert len(places & driven) >= 2
        whole_plan += visits_all
        with_sensor += any(sensor == "accelerometer" for sensor, _ in heard)
    assert 0.35 < whole_plan / len(plans) < 0.75
    assert with_sensor == 22


def test_the_plan_is_the_same_each_time_and_grows_at_its_end(plans: list[CarPlan]) -> None:
    again = plan_set(draw_cars(5, 5), 26, 5)
    for plan, other in zip(plans, again, strict=False):
        assert [asdict(check) for check in plan.checks] == [asdict(c) for c in other.checks]
    other_seed = plan_set(draw_cars(2, 6), 26, 6)
    assert other_seed[0].car.name != plans[0].car.name
    names = [plan.car.name for plan in plans]
    assert len(set(names)) == 44


def test_the_small_set_has_a_bit_of_everything() -> None:
    cars = draw_small_cars(32)
    assert [car.layout for car in cars] == ["4wd", "4wd", "rwd", "fwd"]
    assert [car.scale for car in cars[:2]] == ["tenth", "eighth"]
    plans = plan_small_set(cars, 6, 32)
    checks = [check for plan in plans for check in plan.checks]
    kinds = {check.kind for check in checks}
    assert {"baseline", "loose", "mesh_tight", "mesh_loose"} <= kinds
    assert len(kinds & set(HARD_NEGATIVES)) == 4
    assert {zone for check in checks for zone in check.states} == set(ZONES)
    sensors = {sensor for check in checks for sensor, _ in check.spots}
    assert sensors == {"microphone", "accelerometer"}
    for plan in plans:
        assert len({check.spots for check in plan.checks}) == 1


@pytest.mark.parametrize("count", [2, 3, 6, 7, 8, 12, 26])
def test_any_number_of_checks_can_be_planned(count: int) -> None:
    plan = plan_set(draw_cars(1, 1), count, 1)[0]
    assert len(plan.checks) == count
    kinds = Counter(check.kind for check in plan.checks)
    assert kinds["baseline"] >= 1
    assert kinds["loose"] >= 1


def test_a_finished_check_is_kept_only_where_plan_and_code_are_the_same(
    plans: list[CarPlan], monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = plans[0].checks[:2]
    key = plan_key("a.toml", first)
    assert key == plan_key("a.toml", first)
    assert key != plan_key("b.toml", first)
    assert key != plan_key("a.toml", second)
    assert len(simulator_fingerprint()) == 64
    monkeypatch.setattr("vibecheck.dataset.demo_build.simulator_fingerprint", lambda: "other")
    assert key != plan_key("a.toml", first)


def test_the_counts_add_up() -> None:
    rows = read_manifest(ROOT / "datasets" / "demo" / "manifest.csv")
    table = counts_table(rows)
    assert f"{len(rows)} simulated takes" in table
    numbers = [int(line.split("|")[3]) for line in table.splitlines() if line.startswith("| `")]
    kinds = len({row.kind for row in rows})
    assert sum(numbers[:kinds]) == len(rows)
