"""Scorers from plain arrays equal scikit-learn's own pipelines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vibecheck.errors import InputError
from vibecheck.model.pipelines import pipeline_log_odds, scorer_from_pipeline
from vibecheck.model.scorers import AVERAGED_FLOOR, LinearScorer, TreeScorer, scorer_from_arrays
from vibecheck.training.families import averaged, blended, boosted, directed, ridge


@pytest.fixture(scope="module")
def data() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(0)
    x = rng.normal(0.0, 1.0, (400, 12))
    y = x[:, 0] + x[:, 1] * x[:, 2] + rng.normal(0.0, 0.5, 400) > 0.7
    x[rng.random(x.shape) < 0.1] = np.nan
    x[:, 11] = np.nan  # never observed
    return x, y


FAMILIES = [ridge(0.1), boosted(40, 3, 0.1), boosted(25, 1, 0.3), averaged(30, 6, 5)]
FAMILIES += [blended(0.1, 20, 6, 4), directed(0.1)]


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_equal_to_scikit_learn(family, data) -> None:  # type: ignore[no-untyped-def]
    x, y = data
    pipeline = family.make().fit(x, y)
    scorer = scorer_from_pipeline(pipeline)
    ours = scorer.log_odds(x)
    np.testing.assert_allclose(ours, pipeline_log_odds(pipeline, x), rtol=1e-9, atol=1e-9)
    p = np.clip(pipeline.predict_proba(x)[:, 1], AVERAGED_FLOOR, 1.0 - AVERAGED_FLOOR)
    if not getattr(scorer, "averaged", False):
        p = pipeline.predict_proba(x)[:, 1]
    np.testing.assert_allclose(1.0 / (1.0 + np.exp(-ours)), p, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_contributions_add_up(family, data) -> None:  # type: ignore[no-untyped-def]
    """Contributions differ from the log-odds by the same constant in every row.

    For averaged trees inside the floor; their shares are linear in the probability.
    """
    x, y = data
    scorer = scorer_from_pipeline(family.make().fit(x, y))
    rest = scorer.log_odds(x) - scorer.contributions(x).sum(axis=1)
    np.testing.assert_allclose(rest, rest[0], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_arrays_round_trip(family, data) -> None:  # type: ignore[no-untyped-def]
    x, y = data
    scorer = scorer_from_pipeline(family.make().fit(x, y))
    again = scorer_from_arrays(scorer.arrays(), "here")
    np.testing.assert_array_equal(again.log_odds(x), scorer.log_odds(x))


def test_unknown_kind_and_missing_field_are_refused() -> None:
    with pytest.raises(InputError, match='"linear", "trees" or "blend"'):
        scorer_from_arrays({"kind": np.array("forest")}, "here")
    with pytest.raises(InputError, match='lacks "fill"'):
        scorer_from_arrays({"kind": np.array("linear")}, "here")


def test_weights_that_do_not_fit_are_refused() -> None:
    with pytest.raises(InputError, match="weights of the model"):
        LinearScorer(np.zeros(3), np.zeros(3), np.ones(3), np.zeros(2), 0.0)


def test_trees_that_could_run_outside_or_for_ever_are_refused(data) -> None:  # type: ignore[no-untyped-def]
    x, y = data
    scorer = scorer_from_pipeline(boosted(5, 2, 0.1).make().fit(x, y))
    assert isinstance(scorer, TreeScorer)
    for name, place, value in (
        ("left", 0, 10_000),
        ("left", 0, 0),  # its own child: a walk without end
        ("roots", 0, -1),
        ("column", 0, 500),
    ):
        broken = np.array(getattr(scorer, name))
        broken[place] = value
        with pytest.raises(InputError, match="trees of the model"):
            replace(scorer, **{name: broken})


def test_a_blend_without_sound_parts_is_refused(data) -> None:  # type: ignore[no-untyped-def]
    x, y = data
    arrays = scorer_from_pipeline(blended(0.1, 5, 3, 4).make().fit(x, y)).arrays()
    with pytest.raises(InputError, match="1 to 8 parts"):
        scorer_from_arrays({**arrays, "n_parts": np.array(0)}, "here")
    with pytest.raises(InputError, match="kind must be"):
        scorer_from_arrays({**arrays, "part0.kind": np.array("blend")}, "here")


def test_signs_bind_the_weights(data) -> None:  # type: ignore[no-untyped-def]
    """With the wrong sign for the column that tells, its weight is zero."""
    x, y = data
    signs = np.zeros(x.shape[1])
    signs[0] = -1.0
    scorer = scorer_from_pipeline(directed(1.0).make(signs).fit(x, y))
    free = scorer_from_pipeline(directed(1.0).make().fit(x, y))
    assert scorer.weight[0] == 0.0
    assert free.weight[0] > 0.5
