"""Screening of features over domains, on made-up columns."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.training.metrics import column_areas
from vibecheck.training.screening import areas_of_columns, lasting_features


def test_areas_are_those_of_the_ranks_with_ties() -> None:
    rng = np.random.default_rng(1)
    loose = rng.random(90) < 0.4
    x = np.round(rng.normal(size=(90, 5)) + loose[:, None] * np.arange(5) / 2, 1)
    np.testing.assert_allclose(areas_of_columns(x, loose), column_areas(x, loose), rtol=1e-12)


def _cars(n_cars: int = 40, per_car: int = 20, seed: int = 0) -> tuple[np.ndarray, ...]:
    """Feature 0 always rises, 1 rises in half of the cars and falls in the others, 2 never."""
    rng = np.random.default_rng(seed)
    car = np.repeat(np.arange(n_cars), per_car)
    loose = rng.random(car.size) < 0.5
    way = np.where(rng.permutation(n_cars) % 2 == 0, 1.0, -1.0)[car]
    effect = np.stack([np.ones(car.size), way, np.zeros(car.size)], axis=1)
    x = rng.normal(size=(car.size, 3)) + loose[:, None] * effect
    return np.hstack([x, x]), loose, car.astype(str)


def test_what_holds_in_all_cars_stays_and_what_turns_round_goes() -> None:
    x, loose, car = _cars()
    kept = lasting_features(x, loose, car, 3, standard_errors=3.0)
    assert kept.tolist() == [True, False, False]
    assert abs(areas_of_columns(x[:, :3], loose)[1] - 0.5) < 0.06, "by itself it tells nothing"


def test_features_of_chance_stay_as_often_as_the_bar_says() -> None:
    """|t| of 7 degrees of freedom passes 1.5 in 17.7 % of cases (Student; recomputed)."""
    rng = np.random.default_rng(5)
    car = np.repeat(np.arange(32), 30).astype(str)
    loose = rng.random(car.size) < 0.5
    x = np.repeat(rng.normal(size=(car.size, 400)), 1, axis=1)
    kept = lasting_features(np.hstack([x, x]), loose, car, 400)
    assert kept.mean() == pytest.approx(0.177, abs=0.06)


def test_missing_counts_as_nothing_heard() -> None:
    x, loose, car = _cars()
    x[::3, 0] = np.nan
    assert lasting_features(x, loose, car, 3, standard_errors=3.0)[0]


def test_too_few_cars_keep_everything() -> None:
    x, loose, car = _cars(n_cars=3)
    assert lasting_features(x, loose, car, 3).all()
    x, loose, car = _cars()
    nothing = np.zeros_like(x)
    assert lasting_features(nothing, loose, car, 3).all(), "where nothing lasts, nothing is dropped"
