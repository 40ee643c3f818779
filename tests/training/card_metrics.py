"""Made-up metrics in the documented layout, for tests of the card only. No result of any model."""

from __future__ import annotations

import math
from typing import Any

ZONES = (
    "wheel_front_left",
    "wheel_rear_right",
    "motor_mount",
    "gear_mesh",
    "battery_hold_down",
)
MODES = {
    "all_baseline": ("all takes, against baseline", 0.93),
    "all_alone": ("all takes, no baseline", 0.87),
    "centre_baseline": ("centre microphone only, against baseline", 0.9),
    "accelerometer_baseline": ("accelerometers only, against baseline", 0.81),
}


def figure(value: float, half: float = 0.03, n: int = 400) -> dict[str, float]:
    return {
        "value": value,
        "low": max(0.0, value - half),
        "high": min(1.0, value + half),
        "n": n,
    }


def pod(unit: str, middle: float, *, reached: bool) -> dict[str, Any]:
    at = [0.05 * k for k in range(1, 41)]

    def share(x: float) -> float:
        return (1.0 if reached else 0.6) / (1.0 + (middle / x) ** 3)

    return {
        "unit": unit,
        "n": 60,
        "n_found": 41,
        "intercept": 1.0,
        "slope": 3.0,
        "a90": middle * 9 ** (1 / 3) if reached else None,
        "a90_95": middle * 9 ** (1 / 3) + 0.2 if reached else None,
        "largest": 2.0,
        "words": "x",
        "curve": {
            "at": at,
            "pod": [share(x) for x in at],
            "low": [max(0.0, share(x) - 0.1) for x in at],
            "high": [min(1.0, share(x) + 0.1) for x in at],
        },
        "bins": [
            {"low": 0.0, "high": 0.5, "n": 20, "found": 5},
            {"low": 0.5, "high": 1.0, "n": 20, "found": 13},
            {"low": 1.0, "high": 2.0, "n": 20, "found": 18 if reached else 11},
        ],
    }


def bins(bend: float) -> list[dict[str, float]]:
    rows = []
    for k in range(10):
        stated = 0.05 + 0.1 * k
        found = stated + bend * math.sin(math.pi * stated)
        rows.append(
            {"stated": stated, "found": found, "low": found - 0.05, "high": found + 0.05, "n": 90}
        )
    return rows


def mode(label: str, area: float) -> dict[str, Any]:
    rate = [k / 50 for k in range(51)]
    hits = {
        "first": figure(0.81),
        "first_two": figure(0.91),
        "chance": 0.09,
        "chance_two": 0.17,
    }
    return {
        "label": label,
        "n_checks": 640,
        "n_cars": 40,
        "n_snug_checks": 240,
        "n_loose_checks": 400,
        "n_hard_checks": 90,
        "n_play_checks": 300,
        "n_mesh_checks": 30,
        "any_loose_auc": figure(area),
        "any_play_auc": figure(min(area + 0.04, 0.99)),
        "zone_auc": {
            **{zone: figure(0.97 - 0.11 * k, 0.04, 60) for k, zone in enumerate(ZONES)},
            "driven_wheels": figure(0.9),
            "still_wheels": figure(0.51),
        },
        "zone_play_auc": {zone: figure(0.98 - 0.1 * k) for k, zone in enumerate(ZONES)},
        "roc": {"false_alarm": rate, "recall": [x ** (1 - area) for x in rate]},
        "alarm": {
            "false_alarm_rate": 0.05,
            "snug": figure(0.06, 0.02, 200),
            "recall": figure(0.66),
            "recall_play": figure(0.78),
        },
        "hard_negatives": {
            "all": figure(0.08, 0.05, 90),
            "out_of_balance": figure(0.21, 0.12, 30),
            "worn_bearing": figure(0.03, 0.03, 30),
            "speech": figure(0.0, 0.02, 30),
        },
        "first_zone": {"all": hits, "play": hits, "play_two_spots": hits},
        "wheels": {"wheel": figure(0.45), "axle": figure(0.7)},
        "reliability": {"any": bins(0.08), "zones": bins(-0.05)},
        "ece": {"any": figure(0.041, 0.01), "zones": figure(0.012, 0.005)},
        "brier": {"any": figure(0.13), "zones": figure(0.05)},
        "log_loss": {"any": 0.4, "zones": 0.2},
        "conformal": [
            {
                "nominal": 0.9,
                "coverage": figure(0.912, 0.02),
                "size": {"value": 3.4, "low": 3.1, "high": 3.8},
                "n_zones": 13,
            }
        ],
        "familiar": figure(0.97, 0.01),
        "detection_by_turns": [
            {
                "turns": "preload lost, no play",
                "low": 0.0,
                "high": 0.0,
                "n": 70,
                "detected": figure(0.07),
            },
            {
                "turns": "1/2 to 1 turn",
                "low": 0.5,
                "high": 1.0,
                "n": 70,
                "detected": figure(0.77),
            },
        ],
        "detection": {
            "turns": {
                "any": pod("turns", 0.4, reached=True),
                **{z: pod("turns", 0.3 + 0.1 * k, reached=k < 3) for k, z in enumerate(ZONES)},
            },
            "preload": {z: pod("preload_lost", 0.9, reached=False) for z in ZONES},
        },
        "mesh": {
            "mesh_tight": {
                "n": 15,
                "alarm": figure(0.4, 0.2, 15),
                "gear_mesh_first": figure(0.6, 0.2, 15),
                "gear_mesh_first_two": figure(0.7, 0.2, 15),
            },
            "mesh_loose": {
                "n": 15,
                "alarm": figure(0.6, 0.2, 15),
                "gear_mesh_first": figure(0.8, 0.2, 15),
                "gear_mesh_first_two": figure(0.9, 0.1, 15),
            },
        },
    }


def metrics() -> dict[str, Any]:
    targets = [
        ("any loose ROC area", "all_baseline", 0.97, ">=", 0.93),
        ("any loose ROC area", "all_alone", 0.92, ">=", 0.925),
        ("hard negatives flagged", "all_baseline", 0.1, "<=", 0.08),
        ("expected calibration error", "all_baseline", 0.03, "<=", 0.041),
        ("first zone hit", "all_baseline", 0.85, ">=", None),
    ]
    return {
        "schema": "vibecheck.metrics/1",
        "origin": "simulated",
        "confidence": 0.95,
        "n_cars": 40,
        "n_checks": 670,
        "n_takes": 1650,
        "n_loose_checks": 400,
        "n_hard_checks": 90,
        "n_mesh_checks": 30,
        "n_outer": 7,
        "n_folds": 5,
        "zones": list(ZONES),
        "folds": [["Saltflat 8", "Gravel 12"], ["Basalt 32", "Heron 5"]],
        "modes": {slug: mode(*words) for slug, words in MODES.items()},
        "targets": [
            {
                "name": name,
                "mode": slug,
                "wanted": wanted,
                "sense": sense,
                "reached": None if value is None else figure(value),
                "met": None
                if value is None
                else (value >= wanted if sense == ">=" else value <= wanted),
            }
            for name, slug, wanted, sense, value in targets
        ],
        "chosen": {"any.baseline.microphone": "ridge logistic, C=0.03"},
        "skill": {
            "any.baseline.microphone": figure(0.9),
            "steering.alone.accelerometer": figure(0.5),
        },
        "n_kept": {"any.baseline.microphone": 120},
        "never_kept": ["overlay_motor_1"],
        "chosen_per_fold": [],
        "held_out_log_loss": {},
        "importance": {"any.baseline.microphone": [["peakiness_worst", 0.2], ["mesh_level", 0.1]]},
    }


def about() -> dict[str, Any]:
    return {
        "name": "made-up",
        "version": "0.0",
        "trained_on": "simulated",
        "n_takes": 1650,
        "n_checks": 670,
        "n_cars": 40,
        "data_sha256": "0123456789abcdef" * 4,
        "content_hash": "fedcba9876543210" * 4,
        "catalogue_version": "2",
        "loose_preload": 0.6,
        "versions": {"scikit-learn": "1.9", "numpy": "2.4"},
        "limits": ["made up for tests"],
        "data": {
            "kinds": {"baseline": 200, "loose": 400, "speech": 30},
            "sensors": {"microphone": 1200, "accelerometer": 450},
            "spots": {"centre": 670, "motor_mount": 300},
        },
    }
