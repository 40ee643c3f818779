"""The car's own snug takes as the reference: hand examples."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.errors import CallError
from vibecheck.features.catalogue import CATALOGUE_VERSION, NAMES
from vibecheck.features.vector import FeatureVector
from vibecheck.model.baseline import baseline_centre, baseline_z, masked_median, pooled_spread


def vector(first: float, *, gone: bool = False, version: str = CATALOGUE_VERSION) -> FeatureVector:
    values = np.zeros(len(NAMES))
    values[0] = first
    missing = np.zeros(len(NAMES), dtype=bool)
    missing[0] = gone
    return FeatureVector(NAMES, values, missing, version)


def test_centre_is_the_median_of_what_was_observed() -> None:
    centre = baseline_centre([vector(1.0), vector(2.0), vector(50.0), vector(0.0, gone=True)])
    assert centre.values[0] == 2.0
    assert not centre.missing[0]
    assert baseline_centre([vector(1.0), vector(2.0)]).values[0] == 1.5


def test_centre_is_missing_where_never_observed() -> None:
    assert baseline_centre([vector(0.5, gone=True)]).missing[0]


def test_centre_needs_takes_of_one_catalogue() -> None:
    with pytest.raises(CallError, match="at least one take"):
        baseline_centre([])
    with pytest.raises(CallError, match="one catalogue version"):
        baseline_centre([vector(1.0), vector(1.0, version="other")])


def test_z_by_hand() -> None:
    spread = np.full(len(NAMES), 2.0)
    four = baseline_centre([vector(2.0)] * 4)
    z, missing = baseline_z(vector(5.0), four, spread)
    assert z[0] == pytest.approx(3.0 / (2.0 * np.sqrt(1.25)))
    one, _ = baseline_z(vector(5.0), vector(2.0), spread)
    assert one[0] == pytest.approx(3.0 / (2.0 * np.sqrt(2.0))), "a single take counts as one"
    assert not missing.any()
    assert baseline_z(vector(500.0), vector(2.0), spread)[0][0] == 8.0, "cut at 8 spreads"
    z, missing = baseline_z(vector(5.0), vector(2.0, gone=True), spread)
    assert z[0] == 0.0
    assert missing[0]
    z, missing = baseline_z(vector(5.0), None, spread)
    assert missing.all()
    assert not z.any()


def test_masked_median_by_hand() -> None:
    values = np.array([[1.0, 9.0], [3.0, 8.0], [7.0, 7.0]])
    missing = np.array([[False, True], [False, True], [True, True]])
    middle, gone = masked_median(values, missing)
    assert middle.tolist() == [2.0, 0.0]
    assert gone.tolist() == [False, True]


def test_pooled_spread_finds_the_spread_within_cars() -> None:
    """Cars 100 apart, takes within a car of standard deviation 2: 2 is found, not 100."""
    rng = np.random.default_rng(0)
    groups = np.repeat([f"car {k}" for k in range(40)], 6)
    offset = np.repeat(rng.normal(0.0, 100.0, 40), 6)
    values = np.stack([offset + rng.normal(0.0, 2.0, 240), rng.normal(0.0, 1.0, 240)], axis=1)
    spread = pooled_spread(values, np.zeros((240, 2), dtype=bool), groups)
    assert spread[0] == pytest.approx(2.0, rel=0.6)
    assert spread[1] == pytest.approx(1.0, rel=0.2)


def test_pooled_spread_of_lone_takes_is_the_guess() -> None:
    """One take per car says nothing about spread: a finite share of the overall spread is used."""
    values = np.random.default_rng(1).normal(0.0, 3.0, (20, 1))
    spread = pooled_spread(values, np.zeros((20, 1), dtype=bool), [f"c{k}" for k in range(20)])
    assert 0.0 < spread[0] < 3.0


def test_distances_of_snug_takes_spread_by_one_whatever_the_baseline() -> None:
    """Takes of standard deviation 3 about a mean: z against n takes has standard deviation 1."""
    rng = np.random.default_rng(2)
    spread = np.full(len(NAMES), 3.0)
    for n_takes in (1, 2):
        z = [
            baseline_z(
                vector(rng.normal(0.0, 3.0)),
                baseline_centre([vector(rng.normal(0.0, 3.0)) for _ in range(n_takes)]),
                spread,
            )[0][0]
            for _ in range(1500)
        ]
        assert np.std(z) == pytest.approx(1.0, abs=0.07)
