"""The list before a run."""

from __future__ import annotations

from dataclasses import replace

from vibecheck.car.pre_run import WHEN, pre_run_list
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path


def test_it_covers_what_an_owner_goes_through() -> None:
    """Common practice, no source."""
    words = " ".join(f"{item.title} {item.how}" for item in pre_run_list()).lower()
    for said in (
        "paper",
        "whole turn",
        "flat of the shaft",
        "thread-locker",
        "lock nut",
        "after every change of gears",
        "short bursts",
        "front part",
        "forgives nothing",
        "glue",
        "fail-safe",
        "pin through its post",
        "swollen",
        "speed controller",
        "binds",
    ):
        assert said in words, said
    assert {item.when for item in pre_run_list()} == set(WHEN)
    names = [item.name for item in pre_run_list()]
    assert len(names) == len(set(names))


def test_zones_that_a_car_lacks_are_left_out() -> None:
    car = read_car(shipped_car_path("saltflat8"))
    assert pre_run_list(car) == pre_run_list()
    bare = replace(car, zones=tuple(z for z in car.zones if z.name != "body_and_aero"))
    left = {item.name for item in pre_run_list()} - {item.name for item in pre_run_list(bare)}
    assert left == {"aero", "body"}
