"""From a car file to a car that can be simulated: what the file says, the rest drawn around it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from vibecheck.car.drivetrain import bench_cap
from vibecheck.car.profile import Car
from vibecheck.car.threads import parse_thread
from vibecheck.errors import CallError, InputError
from vibecheck.simulator import WHEELS, SimulatedCar, draw_car

_NEEDED = (
    "motor_poles",
    "kv_rpm_per_v",
    "cells",
    "pinion_teeth",
    "spur_teeth",
    "internal_ratio",
    "tyre_diameter_mm",
)


def simulated_car(car: Car) -> SimulatedCar:
    """Return a car to simulate: gearing, motor, tyres and wheel threads as its file has them.

    What the file does not say (masses, stiffnesses, structure) is drawn from a seed that comes
    from the file's own numbers: the same car file always gives the same car.

    Raises
    ------
    InputError
        If the car has no drivetrain, or a number is outside what can be simulated.
    """
    where = car.file or car.name
    if car.drivetrain is None or car.layout is None:
        raise InputError(
            "Only a car with a drivetrain can be simulated. This is a bare machine.",
            where=where,
            advice="Give it a [drivetrain] instead of [[orders]], or make a car file with: "
            "vibecheck car new",
        )
    drivetrain: dict[str, Any] = {key: getattr(car.drivetrain, key) for key in _NEEDED}
    drivetrain["bench_max_wheel_rpm"] = bench_cap(car.drivetrain).wheel_rpm
    profile = {"name": car.name, "layout": car.layout, "drivetrain": drivetrain}
    try:
        made = draw_car(_seed(profile), profile=profile)
    except CallError as error:
        raise InputError(error.what, where=where, advice=error.advice) from error
    return replace(
        made,
        wheels=tuple(
            replace(wheel, thread_pitch=_pitch(car, zone, wheel.thread_pitch))
            for zone, wheel in zip(WHEELS, made.wheels, strict=True)
        ),
    )


def _seed(profile: Mapping[str, Any]) -> int:
    text = json.dumps(profile, sort_keys=True)
    return int(hashlib.sha256(text.encode()).hexdigest()[:7], 16)


def _pitch(car: Car, zone_name: str, drawn: float) -> float:
    """Return the pitch of a wheel nut in metres; as drawn where the file names no thread."""
    for zone in car.zones:
        if zone.name == zone_name:
            for fastener in zone.fasteners:
                if "nut" in fastener.name:
                    return 1e-3 * parse_thread(fastener.thread).pitch_mm
    return drawn
