"""Figures of predictions made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vibecheck.training.figures import plain, summarise
from vibecheck.training.metrics import Figure, roc_auc, roc_curve, wilson_interval
from vibecheck.training.predictions import Predictions
from vibecheck.training.targets import targets

ZONES = ("wheel_front_left", "wheel_rear_left", "gear_mesh")


def predictions(n: int = 40, seed: int = 0) -> Predictions:
    """Every second check has a loose gear mesh, heard in all but one; front wheels stand still."""
    rng = np.random.default_rng(seed)
    k = np.arange(n)
    loose = np.zeros((n, 3), dtype=bool)
    loose[k % 2 == 1, 2] = True
    kind = np.where(loose[:, 2], "loose", np.where(k % 4 == 0, "baseline", "speech"))
    kind = kind.astype("U16")
    kind[0] = "mesh_tight"
    p = np.full((n, 3), 0.1) + 0.01 * rng.random((n, 3))
    p[loose] = 0.9
    p[1] = [0.5, 0.1, 0.2]
    any_p = p.max(axis=1)
    any_p[2] = 0.95  # one hard negative that is flagged
    turns = np.where(loose, 1.0, 0.0)
    turns[3] = 0.0
    candidates = np.repeat(p[:, None, :] >= 0.3, 3, axis=1)
    candidates[:, 2] = True
    return Predictions(
        car=np.array([f"car {i % 5}" for i in k]),
        check=np.array([f"check {i}" for i in k]),
        kind=kind,
        zones=np.array(ZONES),
        n_spots=np.where(k % 3 == 0, 1, 2),
        probability=p,
        any_probability=any_p,
        loose=loose,
        turns=turns,
        preload=np.where(loose, 0.0, 1.0),
        heard=np.ones((n, 3), dtype=bool),
        turning=np.tile([False, True, True], (n, 1)),
        alarm=any_p > 0.2,
        unfamiliar=k == 5,
        candidates=candidates,
    )


def test_figures_by_hand() -> None:
    found = summarise(predictions(), n_bootstrap=20)
    assert found["n_checks"] == 39, "the mesh setting is not among them"
    assert found["n_loose_checks"] == 20
    assert found["n_play_checks"] == 19
    assert found["n_hard_checks"] == 10
    assert found["hard_negatives"]["all"].value == pytest.approx(0.1)
    assert found["hard_negatives"]["speech"].n == 10
    assert found["alarm"]["snug"].value == 0.0
    assert set(found["zone_heard"].values()) == {1.0}
    assert found["alarm"]["recall"].value == 1.0
    hits = found["first_zone"]["all"]
    assert hits["first"].value == pytest.approx(19 / 20)
    assert hits["first_two"].value == 1.0
    assert hits["chance"] == pytest.approx(1 / 3)
    assert hits["chance_two"] == pytest.approx(2 / 3)
    assert hits["first"].n == 20
    assert found["first_zone"]["play"]["first"].n == 19
    coverage = [row["coverage"].value for row in found["conformal"]]
    assert coverage == pytest.approx([19 / 20, 19 / 20, 1.0])
    assert found["conformal"][2]["size"].value == 3.0
    assert found["familiar"].value == pytest.approx(38 / 39)
    assert set(found["zone_auc"]) == {"gear_mesh"}, "no other zone was loose"
    assert found["detection"]["turns"]["gear_mesh"]["n"] == 19
    assert found["detection"]["preload"]["gear_mesh"]["n"] == 1
    assert found["mesh"]["mesh_tight"]["n"] == 1
    assert found["wheels"] is None
    assert sum(row["n"] for row in found["reliability"]["any"]) == 39
    assert sum(row["n"] for row in found["reliability"]["zones"]) == 39 * 3


def test_a_zone_that_was_not_heard_tells_no_folds_apart() -> None:
    """Its prior differs from fold to fold; that must not look like an ear for it."""
    made = predictions()
    heard, p = made.heard.copy(), made.probability.copy()
    heard[:, 2] = False
    p[:, 2] = np.where(made.loose[:, 2], 0.11, 0.10)
    found = summarise(replace(made, heard=heard, probability=p), n_bootstrap=5)
    assert found["zone_heard"]["gear_mesh"] == 0.0
    assert found["zone_auc"]["gear_mesh"].value == 0.5
    rows = targets({"all_takes_baseline": found})
    aim = next(row for row in rows if row["name"] == "ROC area, gear mesh")
    assert (aim["heard"], aim["met"]) == (False, False)


def test_calibration_error_by_chance_is_that_of_true_probabilities() -> None:
    """Mean of |found − stated| over n outcomes of p: √(2 p (1 − p) / (π n)), normal limit."""
    made = predictions(400)
    same = replace(made, any_probability=np.full(400, 0.25))
    found = summarise(same, n_bootstrap=2)["ece_by_chance"]["any"]
    n = 399
    assert found == pytest.approx(np.sqrt(2 * 0.25 * 0.75 / (np.pi * n)), rel=0.15)


def test_plain_values_hold_no_nan() -> None:
    found = plain({"a": Figure(float("nan"), 0.0, float("inf"), 3), "b": (np.float64(1.0), None)})
    assert found == {"a": {"value": None, "low": 0.0, "high": None, "n": 3}, "b": [1.0, None]}


def test_targets_say_what_was_met() -> None:
    modes = {"all_takes_baseline": summarise(predictions(), n_bootstrap=5)}
    by_name = {(row["name"], row["mode"]): row for row in targets(modes)}
    assert by_name["hard negatives flagged", "all_takes_baseline"]["met"] is True
    assert by_name["ROC area, anything loose", "all_takes_no_baseline"]["met"] is None
    assert by_name["coverage of the candidates stated as 95%", "all_takes_baseline"]["met"]


def test_roc_curve_has_the_area_of_the_ranks() -> None:
    rng = np.random.default_rng(0)
    y = rng.random(80) < 0.4
    score = np.round(rng.normal(size=80) + y, 1)
    fall, rise = roc_curve(score, y, n_points=1000)
    assert np.trapezoid(rise, fall) == pytest.approx(roc_auc(score, y))
    assert (fall[0], rise[0], fall[-1], rise[-1]) == (0.0, 0.0, 1.0, 1.0)
    assert roc_curve(score, np.ones(80, dtype=bool)) == ([0.0, 1.0], [0.0, 1.0])


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(0, 10, 0.0, 0.2775), (4, 20, 0.0807, 0.4160), (15, 148, 0.0624, 0.1605)],
)
def test_wilson_interval(hits: int, n: int, low: float, high: float) -> None:
    """15 of 148: Newcombe, Stat. Med. 17 (1998) 857 (value from memory); the others recomputed."""
    assert wilson_interval(hits, n) == pytest.approx((low, high), abs=6e-5)
