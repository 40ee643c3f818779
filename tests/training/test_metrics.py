"""Figures of merit against published and recomputed values (check values, section 8)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.training.metrics import (
    brier,
    expected_calibration_error,
    first_hits,
    hanley_mcneil_se,
    log_loss,
    over_cars,
    roc_auc,
)

P = [0.1, 0.4, 0.8, 0.9]
Y = [0, 0, 1, 1]


def rating_data() -> tuple[np.ndarray, np.ndarray]:
    """Hanley & McNeil, Radiology 143 (1982): ratings 1–5 of 58 normal and 51 abnormal cases."""
    normal = np.repeat(np.arange(1, 6), [33, 6, 6, 11, 2])
    abnormal = np.repeat(np.arange(1, 6), [3, 2, 2, 11, 33])
    return np.concatenate([normal, abnormal]), np.repeat([False, True], [58, 51])


def test_roc_area_of_the_rating_data() -> None:
    """W = 0.893 (value from memory, recomputed: 0.89317)."""
    assert roc_auc(*rating_data()) == pytest.approx(0.89317, abs=5e-5)


def test_standard_error_of_the_rating_data() -> None:
    """0.03251 with the closed-form Q's at the printed area 0.893 (recomputed)."""
    assert hanley_mcneil_se(0.893, 51, 58) == pytest.approx(0.03251, abs=1e-5)


@pytest.mark.parametrize(
    ("n_loose", "n_snug", "expected"),
    [(20, 200, 0.06498283), (110, 110, 0.03282048), (20, 20, 0.07789072)],
)
def test_hanley_mcneil_against_a_published_example(
    n_loose: int, n_snug: int, expected: float
) -> None:
    """Area 0.75; example output of the R package auctestr."""
    assert hanley_mcneil_se(0.75, n_loose, n_snug) == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize(("area", "expected"), [(0.7, 0.0522), (0.8, 0.0445), (0.9, 0.0321)])
def test_hanley_mcneil_equal_classes(area: float, expected: float) -> None:
    """Recomputed closed form, n = n = 50."""
    assert hanley_mcneil_se(area, 50, 50) == pytest.approx(expected, abs=1e-4)


def test_roc_area_by_hand_and_against_scikit_learn() -> None:
    from sklearn.metrics import roc_auc_score

    assert roc_auc([0.1, 0.2, 0.3], [False, True, True]) == 1.0
    assert roc_auc([1.0, 1.0], [False, True]) == 0.5
    assert np.isnan(roc_auc([1.0, 2.0], [True, True]))
    rng = np.random.default_rng(0)
    scores, labels = np.round(rng.random(200), 1), rng.random(200) < 0.4
    assert roc_auc(scores, labels) == pytest.approx(roc_auc_score(labels, scores), abs=1e-12)


@given(st.lists(st.tuples(st.floats(-5, 5), st.booleans()), min_size=2, max_size=30))
def test_roc_area_of_turned_labels_adds_to_one(cases: list[tuple[float, bool]]) -> None:
    scores = np.array([score for score, _ in cases])
    labels = np.array([label for _, label in cases])
    area, turned = roc_auc(scores, labels), roc_auc(scores, ~labels)
    assert (np.isnan(area) and np.isnan(turned)) or area + turned == pytest.approx(1.0)


def test_brier_and_log_loss() -> None:
    """0.0550 and 0.236173 (Brier 1950, value from memory; recomputed)."""
    assert brier(P, Y) == pytest.approx(0.0550, abs=1e-9)
    assert log_loss(P, Y) == pytest.approx(0.236173, abs=1e-6)
    assert brier(np.full(10, 0.3), np.arange(10) < 3) == pytest.approx(0.3 * 0.7)


def test_expected_calibration_error() -> None:
    """Bins [0, 0.5), [0.5, 1]: 0.2000 (Naeini et al. 2015, value from memory; recomputed)."""
    assert expected_calibration_error(P, Y, n_bins=2) == pytest.approx(0.2, abs=1e-12)
    assert expected_calibration_error([1.0, 0.0], [1, 0]) == 0.0


def test_first_hits_by_hand() -> None:
    scores = np.array([[0.9, 0.5, 0.1], [0.2, 0.3, 0.1]])
    loose = np.array([[False, True, False], [True, False, False]])
    assert first_hits(scores, loose, 1).tolist() == [False, False]
    assert first_hits(scores, loose, 2).tolist() == [True, True]


def test_bootstrap_draws_whole_cars() -> None:
    """Values alike within a car: the interval is that of the cars, not of the rows."""
    cars = np.repeat(["a", "b", "c", "d"], 100)
    values = np.repeat([0.0, 1.0, 2.0, 3.0], 100)
    figure = over_cars(lambda rows: float(values[rows].mean()), cars)
    assert figure.value == 1.5
    assert figure.high - figure.low > 1.0
    assert str(figure).startswith("1.500 (")
