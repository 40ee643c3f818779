"""Cars and plans as plain Python values, for JSON: ``vibecheck.car/1`` and ``vibecheck.plan/1``."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from vibecheck.car.drivetrain import gearing_table
from vibecheck.car.plausibility import car_warnings
from vibecheck.car.profile import Car

if TYPE_CHECKING:
    from vibecheck.car.plan import BenchPlan

CAR_SCHEMA = "vibecheck.car/1"
PLAN_SCHEMA = "vibecheck.plan/1"


def car_to_dict(car: Car) -> dict[str, Any]:
    """Return a car, its gearing (``None`` for a bare machine) and what looks odd about it."""
    return {
        "schema": CAR_SCHEMA,
        "car": _plain(asdict(car)),
        "gearing": None if car.drivetrain is None else _plain(asdict(gearing_table(car))),
        "warnings": [_plain(asdict(finding)) for finding in car_warnings(car)],
    }


def plan_to_dict(plan: BenchPlan) -> dict[str, Any]:
    """Return a bench plan."""
    return {"schema": PLAN_SCHEMA, **_plain(asdict(plan)), "cautions": list(plan.cautions)}


def _plain(value: Any) -> Any:
    """Tuples to lists; numbers that JSON does not have to ``None``."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
