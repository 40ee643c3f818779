"""The walk through the zones."""

from __future__ import annotations

from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.risk.history import read_history
from vibecheck.risk.log import FastenerFinding
from vibecheck.risk.walk import is_answered, left_open, same_for_all, zones_to_check

CAR = read_car(shipped_car_path("saltflat8"))


def test_without_a_recording_the_history_orders_every_zone_once() -> None:
    walk = zones_to_check(CAR, read_history(CAR.zones))
    assert sorted(stop.zone.name for stop in walk) == sorted(zone.name for zone in CAR.zones)
    assert [stop.place for stop in walk] == list(range(1, len(walk) + 1))
    risks = [round(stop.probability * stop.zone.severity, 6) for stop in walk]
    assert risks == sorted(risks, reverse=True)
    assert not any(stop.by_sound for stop in walk)
    assert all(len(stop.fasteners) == len(stop.zone.fasteners) for stop in walk)


def test_a_result_orders_the_zones_that_it_names() -> None:
    said = [
        {"zone": "steering", "rank": 1, "probability": 0.4, "heard": True},
        {"zone": "wheel_rear_left", "rank": 2, "probability": 0.2, "heard": False},
    ]
    walk = zones_to_check(CAR, read_history(CAR.zones), {"zones": said})
    assert [stop.zone.name for stop in walk[:2]] == ["steering", "wheel_rear_left"]
    assert [stop.by_sound for stop in walk[:3]] == [True, False, False]
    assert walk[0].probability == 0.4
    assert len(walk) == len(CAR.zones)


def test_answers_of_a_zone() -> None:
    zone = next(one for one in CAR.zones if one.name == "motor_mount")
    snug = same_for_all(zone, "snug")
    assert {one.count for one in snug} == {2, 4}
    assert is_answered(zone, snug)
    assert not is_answered(zone, snug[:1])
    assert left_open([zone], snug) == ()
    assert left_open([zone], same_for_all(zone, "not_checked")) == (zone,)
    some = (*snug, FastenerFinding("motor_mount", "motor screw", "not_checked"))
    assert left_open([zone], some) == (zone,)
