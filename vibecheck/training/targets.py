"""What the method aims at, and what it reached on held-out cars."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from vibecheck.training.metrics import Figure

ALL = "all_takes_baseline"
ALONE = "all_takes_no_baseline"
COVERAGE_MARGIN = 0.02
"""Coverage may lie this far from the stated one."""


class _Aim(NamedTuple):
    name: str
    mode: str
    path: tuple[str, ...]
    sense: str
    wanted: float


AIMS: tuple[_Aim, ...] = (
    _Aim("ROC area, anything loose", ALL, ("any_loose_auc",), ">=", 0.97),
    _Aim("ROC area, anything loose", ALONE, ("any_loose_auc",), ">=", 0.92),
    _Aim("ROC area, single driven wheel", ALL, ("zone_auc", "driven_wheels"), ">=", 0.95),
    _Aim("ROC area, some driven wheel", ALL, ("zone_auc", "some_driven_wheel"), ">=", 0.95),
    _Aim("ROC area, wheels at rest", ALL, ("zone_auc", "still_wheels"), ">=", 0.95),
    _Aim("ROC area, motor mount", ALL, ("zone_auc", "motor_mount"), ">=", 0.95),
    _Aim("ROC area, gear mesh", ALL, ("zone_auc", "gear_mesh"), ">=", 0.95),
    _Aim("hard negatives flagged", ALL, ("hard_negatives", "all"), "<=", 0.10),
    _Aim(
        "first zone to open is loose (play, two spots or more)",
        ALL,
        ("first_zone", "play_two_spots", "first"),
        ">=",
        0.85,
    ),
    _Aim(
        "one of the first two zones is loose (play, two spots or more)",
        ALL,
        ("first_zone", "play_two_spots", "first_two"),
        ">=",
        0.95,
    ),
    _Aim("calibration error, anything loose", ALL, ("ece", "any"), "<=", 0.03),
    _Aim("calibration error, zones", ALL, ("ece", "zones"), "<=", 0.03),
)


def targets(modes: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the ``targets`` entry of the metrics.

    Parameters
    ----------
    modes : mapping of mode's name to its figures (`Figure` or None at the leaves)
    """
    found = [{**_reached(aim, modes), **_heard(aim, modes)} for aim in AIMS]
    for entry in modes.get(ALL, {}).get("conformal", []):
        reached: Figure | None = entry["coverage"]
        nominal = float(entry["nominal"])
        # A shortfall breaks the promise; sets that are too wide show in their size.
        found.append(
            {
                "name": f"coverage of the candidates stated as {nominal:.0%}",
                "mode": ALL,
                "wanted": nominal - COVERAGE_MARGIN,
                "sense": ">=",
                "reached": reached,
                "met": None if reached is None else reached.value >= nominal - COVERAGE_MARGIN,
            }
        )
    return found


def _heard(aim: _Aim, modes: Mapping[str, Mapping[str, Any]]) -> dict[str, bool]:
    """Say where a zone was mostly not heard: its area then is that of a constant."""
    if aim.path[0] != "zone_auc":
        return {}
    shares = modes.get(aim.mode, {}).get("zone_heard", {})
    return {} if float(shares.get(aim.path[1], 1.0)) >= 0.5 else {"heard": False}


def _reached(aim: _Aim, modes: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    value: Any = modes.get(aim.mode, {})
    for step in aim.path:
        value = value.get(step) if isinstance(value, Mapping) else None
    met = None
    if isinstance(value, Figure):
        met = value.value >= aim.wanted if aim.sense == ">=" else value.value <= aim.wanted
    return {
        "name": aim.name,
        "mode": aim.mode,
        "wanted": aim.wanted,
        "sense": aim.sense,
        "reached": value,
        "met": met,
    }
