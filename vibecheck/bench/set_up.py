"""At the bench: the set-up of the next bench check, and the car as it is fitted."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from vibecheck.car.gear_change import change_gear
from vibecheck.garage.values import SetUp

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.garage import Garage, StoredCar


def next_set_up(garage: Garage, stored: StoredCar) -> SetUp:
    """Return the set-up to begin with: the car file's gears and cells, the tyres of last time."""
    last = garage.sittings(stored.id, limit=1)
    return SetUp.of(stored.car, tyres=last[0].set_up.tyres if last else "")


def fitted_car(car: Car, set_up: SetUp) -> Car:
    """Return the car with the gears and cells of a set-up, where they are not those of its file.

    Parameters
    ----------
    car : Car
    set_up : SetUp
        What it does not say stays as the car file has it.

    Raises
    ------
    InputError
        If a number of the set-up lies outside the car file's rules.
    """
    own = SetUp.of(car, tyres=set_up.tyres)
    said = {
        name: value
        for name in ("pinion_teeth", "spur_teeth", "cells")
        if (value := getattr(set_up, name)) is not None
    }
    if car.drivetrain is None or replace(own, **said) == own:
        return car
    return change_gear(car, **said).after
