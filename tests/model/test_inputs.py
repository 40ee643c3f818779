"""Columns of a scorer: where the sensor sat, crosses, missing values."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.features.catalogue import BY_NAME, NAMES
from vibecheck.model.inputs import (
    LOCATING_GROUPS,
    RELATIONS,
    SIGNS,
    InputLayout,
    contrasts,
    relation,
)


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


def test_summaries_by_hand() -> None:
    layout = InputLayout(NAMES, with_baseline=False)
    impact = layout.groups[SIGNS.index("impact")]
    values = np.full((1, len(NAMES)), np.nan)
    values[0, impact[:2]] = [3.0, -4.0]
    found = layout.summaries(values)
    assert found.shape == (1, 2 * (len(SIGNS) + 2))
    assert found[0, 0] == -0.5
    assert found[0, 1] == pytest.approx(np.sqrt(12.5))
    assert np.isnan(found[0, 2]), "a sign that was not observed at all is missing"
    assert found[0, -2] == -0.5, "the last pair is over all features"


def test_knocks_are_among_the_impacts() -> None:
    layout = InputLayout(NAMES, with_baseline=False)
    knocks = set(layout.groups[len(SIGNS)].tolist())
    assert 10 < len(knocks) < len(layout.groups[0])
    assert knocks < set(layout.groups[SIGNS.index("impact")].tolist())


def test_columns_of_a_check() -> None:
    n = len(NAMES)
    z = np.stack([np.full(n, 2.0), np.full(n, 4.0)])
    z[0, 0] = np.nan
    z[:, 1] = np.nan
    layout = InputLayout(NAMES, with_baseline=True)
    row = layout.check_row(np.zeros((2, n)), z, ["gear_mesh", "centre"], "gear_mesh")
    assert row.shape == (layout.n_columns,)
    mean, most = np.expm1(row[:n]), np.expm1(row[n : 2 * n])
    assert mean[0] == pytest.approx(4.0), "the mean is over the takes that observed it"
    assert np.isnan(mean[1])
    np.testing.assert_allclose(mean[2:], 3.0)
    lowered = layout.downward[2:]
    np.testing.assert_allclose(most[2:], np.where(lowered, 2.0, 4.0))
    start = 2 * n + 2 * len(layout.groups)
    contrast = row[start : start + 2 * len(LOCATING_GROUPS)]
    np.testing.assert_allclose(contrast, -np.log(3.0), err_msg="2 at the zone, 4 elsewhere")
    assert row[-2:].tolist() == [1.0, pytest.approx(np.log(2.0))]


def test_a_zone_at_which_no_sensor_sat_has_no_contrast() -> None:
    n = len(NAMES)
    z = np.stack([np.full(n, 2.0), np.full(n, 4.0)])
    layout = InputLayout(NAMES, with_baseline=True)
    for spots, zone in ((["centre", "gear_mesh"], ""), (["gear_mesh"] * 2, "gear_mesh")):
        row = layout.check_row(z, z, spots, zone)
        assert not row[-2 - 2 * len(LOCATING_GROUPS) : -1].any()


def test_without_a_baseline_the_population_is_the_reference() -> None:
    n = len(NAMES)
    layout = InputLayout(NAMES, with_baseline=False)
    row = layout.check_row(np.full((1, n), 0.5), np.full((1, n), np.nan), ["centre"])
    np.testing.assert_allclose(np.expm1(row[: 2 * n]), 0.5)
    assert row[-1] == 0.0


def test_signs_are_those_of_the_catalogue() -> None:
    layout = InputLayout(NAMES, with_baseline=True)
    signs = layout.signs()
    own = [BY_NAME[name].direction for name in NAMES]
    assert signs.shape == (layout.n_columns,)
    assert signs[: 2 * len(NAMES)].tolist() == own + own
    assert not signs[2 * len(NAMES) :].any()


def test_contrasts_by_hand() -> None:
    strengths = np.array([[1.0, np.nan], [3.0, 2.0], [8.0, 4.0]])
    found = contrasts(strengths)
    np.testing.assert_allclose(found[:, 0], [1.0 - 5.5, 3.0 - 4.5, 8.0 - 2.0])
    assert not found[:, 1].any(), "a missing strength is neutral"
    assert not contrasts(strengths[1:2]).any(), "a single take has nothing to be compared with"


def test_strengths_are_summaries_of_the_locating_groups() -> None:
    n = len(NAMES)
    standard, z = np.full((1, n), 1.0), np.full((1, n), -2.0)
    alone = InputLayout(NAMES, with_baseline=False, kind="wheel").strengths(standard, z)
    assert alone.tolist() == [[1.0, 1.0] * len(LOCATING_GROUPS)]
    against = InputLayout(NAMES, with_baseline=True, kind="wheel").strengths(standard, z)
    assert against.tolist() == [[-2.0, 2.0] * len(LOCATING_GROUPS)]


def test_columns_of_wheels() -> None:
    layout = InputLayout(NAMES, with_baseline=True, kind="wheel")
    width = 2 * len(LOCATING_GROUPS)
    rows = layout.wheel_rows(np.full((2, width), 2.0), ["here", "centre"], [False, True], 2)
    assert rows.shape == (2, layout.n_columns)
    assert rows[:, len(RELATIONS)].tolist() == [0.0, 1.0]
    assert rows[:, len(RELATIONS) + 1].tolist() == [0.0, 0.0]
    crosses = rows[:, len(RELATIONS) + 2 :].reshape(2, len(RELATIONS), width)
    assert (crosses[0, 0] == 2.0).all()
    assert not crosses[0, 1:].any()
    assert (crosses[1, RELATIONS.index("centre")] == 2.0).all()


def test_contributions_go_back_to_the_features_behind_them() -> None:
    n = len(NAMES)
    layout = InputLayout(NAMES, with_baseline=True)
    rng = np.random.default_rng(0)
    values = rng.normal(size=(3, n))
    contributions = rng.normal(size=(3, layout.n_columns))
    found = layout.to_features(contributions, values)
    # Everything is handed back but what contrasts and counts added.
    kept = 2 * n + 2 * len(layout.groups)
    np.testing.assert_allclose(found.sum(axis=1), contributions[:, :kept].sum(axis=1), rtol=1e-9)
    # A root mean square is shared out by squares.
    only = np.zeros((1, layout.n_columns))
    only[0, 2 * n + 1] = 1.0  # root mean square of the impact features
    one = np.zeros((1, n))
    impact = layout.groups[0]
    one[0, impact[:2]] = [1.0, 3.0]
    shares = layout.to_features(only, one)[0, impact[:2]]
    np.testing.assert_allclose(shares, [0.1, 0.9])
