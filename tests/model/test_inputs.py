"""Columns of a scorer: where the sensor sat, crosses, missing values."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.features.catalogue import BY_NAME, NAMES
from vibecheck.model.inputs import RELATIONS, InputLayout, relation


@pytest.mark.parametrize(
    ("spot", "zone", "expected"),
    [
        ("wheel_front_left", "wheel_front_left", "here"),
        ("wheel_front_left", "wheel_front_right", "same_axle"),
        ("wheel_front_left", "wheel_rear_left", "same_side"),
        ("wheel_front_left", "wheel_rear_right", "opposite"),
        ("centre", "wheel_rear_right", "centre"),
        ("motor_mount", "wheel_rear_right", "elsewhere"),
        ("motor_mount", "motor_mount", "here"),
        ("wheel_rear_left", "gear_mesh", "elsewhere"),
        ("centre", "gear_mesh", "centre"),
    ],
)
def test_relation(spot: str, zone: str, expected: str) -> None:
    assert relation(spot, zone) == expected


def test_columns_of_a_wheel_against_baseline() -> None:
    layout = InputLayout(NAMES, with_baseline=True, crossed=True)
    n, n_located = len(NAMES), sum(BY_NAME[name].locates for name in NAMES)
    assert layout.n_columns == 2 * n + len(RELATIONS) + 1 + len(RELATIONS) * n_located
    standard = np.full((2, n), 0.5)
    z = np.full((2, n), 2.0)
    z[1, layout.locating[0]] = np.nan
    rows = layout.rows(standard, z, ["here", "centre"], np.array([False, True]))
    assert rows.shape == (2, layout.n_columns)
    assert (rows[0, :n] == 0.5).all()
    assert (rows[0, n : 2 * n] == 2.0).all()
    hot = rows[:, 2 * n : 2 * n + len(RELATIONS)]
    assert hot.tolist() == [[1, 0, 0, 0, 0, 0], [0, 0, 0, 0, 1, 0]]
    assert rows[:, 2 * n + len(RELATIONS)].tolist() == [0.0, 1.0]
    crosses = rows[:, 2 * n + len(RELATIONS) + 1 :].reshape(2, len(RELATIONS), n_located)
    assert (crosses[0, 0] == 2.0).all()
    assert not crosses[0, 1:].any()
    assert np.isnan(rows[1, n + layout.locating[0]])
    assert crosses[1, 4, 0] == 0.0, "a missing value is neutral in a cross"


def test_columns_without_baseline_or_crosses() -> None:
    layout = InputLayout(NAMES, with_baseline=False, crossed=False)
    assert layout.n_columns == len(NAMES) + len(RELATIONS) + 1
