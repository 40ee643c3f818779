"""The parts of the comparison that need neither aeon nor sound."""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from fake_table import fake_table

from vibecheck.features.catalogue import CATALOGUE, NAMES

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture(scope="module")
def rivals() -> ModuleType:
    sys.path.insert(0, str(SCRIPTS))
    try:
        import bench_models_rivals
    finally:
        sys.path.remove(str(SCRIPTS))
    return bench_models_rivals


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    sys.path.insert(0, str(SCRIPTS))
    try:
        import bench_models
    finally:
        sys.path.remove(str(SCRIPTS))
    return bench_models


def scores(seed: int, effect: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    cars = np.repeat([f"car {k}" for k in range(15)], 12)
    label = np.tile([True, False], 90)
    return rng.normal(size=180) + effect * label, label, cars


def test_a_way_against_itself_differs_by_nothing(rivals: ModuleType) -> None:
    score, label, cars = scores(0, 1.0)
    found = rivals.paired_over_cars(score, score, label, cars, n_bootstrap=100)
    assert (found["value"], found["low"], found["high"]) == (0.0, 0.0, 0.0)
    assert found["excludes_zero"] is False


def test_a_clearly_better_way_excludes_zero_and_the_sign_turns(rivals: ModuleType) -> None:
    good, label, cars = scores(1, 3.0)
    poor, _, _ = scores(2, 0.3)
    one = rivals.paired_over_cars(good, poor, label, cars, n_bootstrap=300)
    other = rivals.paired_over_cars(poor, good, label, cars, n_bootstrap=300)
    assert one["excludes_zero"] is True
    assert 0.0 < one["low"] < one["value"] < one["high"]
    assert other["value"] == pytest.approx(-one["value"])
    assert (other["low"], other["high"]) == pytest.approx((-one["high"], -one["low"]))


def test_pairing_cancels_what_makes_a_car_hard(rivals: ModuleType) -> None:
    rng = np.random.default_rng(3)
    score, label, cars = scores(3, 1.0)
    # In some cars the effect is turned round, for both ways alike.
    turned = np.isin(cars, [f"car {k}" for k in range(0, 15, 3)])
    common = np.where(turned, -score, score)
    near = common + 0.05 * rng.normal(size=180)
    paired = rivals.paired_over_cars(common, near, label, cars, n_bootstrap=300)
    lone = rivals.paired_over_cars(common, np.zeros(180), label, cars, n_bootstrap=300)
    assert paired["high"] - paired["low"] < 0.3 * (lone["high"] - lone["low"])


def test_the_interval_covers_no_difference_as_often_as_it_says(rivals: ModuleType) -> None:
    held = 0
    for seed in range(40):
        one, label, cars = scores(100 + seed, 0.8)
        other, _, _ = scores(500 + seed, 0.8)
        held += not rivals.paired_over_cars(one, other, label, cars, n_bootstrap=80)[
            "excludes_zero"
        ]
    assert held >= 33  # 38 expected at 95 %; under 33 has a chance below 1 in 1000


def test_one_class_gives_no_number(rivals: ModuleType) -> None:
    score, _, cars = scores(4, 1.0)
    found = rivals.paired_over_cars(score, score, np.zeros(180, dtype=bool), cars, n_bootstrap=10)
    assert found == {"value": None, "low": None, "high": None, "excludes_zero": None}


def test_baseline_differences_use_other_checks_of_the_same_car_and_spot(
    rivals: ModuleType,
) -> None:
    table = fake_table(n_cars=4, n_checks=8)
    features = np.arange(table.n_takes, dtype=float)[:, None]
    difference, known = rivals.baseline_differences(features, table)
    assert known.any()
    for row in np.flatnonzero(known)[:20]:
        alike = [
            k
            for k in range(table.n_takes)
            if table.is_baseline[k]
            and table.car[k] == table.car[row]
            and table.spot[k] == table.spot[row]
            and table.check[k] != table.check[row]
        ]
        assert difference[row, 0] == pytest.approx(row - np.mean(alike))
        assert (table.baseline_of(int(row)) is not None) == bool(known[row])


def test_no_estimator_is_asked_about_a_car_it_saw(rivals: ModuleType) -> None:
    table = fake_table(n_cars=6, n_checks=6)
    number = np.array([float(name.split()[1]) for name in table.car])[:, None]
    seen: list[set[float]] = []

    class Spy:
        def fit(self, x: np.ndarray, y: np.ndarray) -> Spy:
            seen.append(set(x[:, 0]))
            return self

        def decision_function(self, x: np.ndarray) -> np.ndarray:
            assert not seen[-1] & set(x[:, 0])
            return x[:, 0]

    folds = [np.isin(table.car, [f"car {k}", f"car {k + 3}"]) for k in range(3)]
    score, cpu = rivals.held_out(
        number, table.loose.any(axis=1), table.loose.any(axis=1) | True, table.car, folds,
        lambda _groups: Spy(),
    )  # fmt: skip
    assert len(seen) == 3
    assert np.array_equal(score, number[:, 0])
    assert cpu >= 0.0


def test_features_without_order_tracking_name_no_shaft(rivals: ModuleType) -> None:
    keep = rivals.speed_free()
    assert 5 < keep.sum() < keep.size / 2
    for spec, kept in zip(CATALOGUE, keep, strict=True):
        if kept:
            assert spec.shaft == "none"
            assert spec.sign != "speed"
            assert "matched speed" not in spec.formula
    table = fake_table(n_cars=2, n_checks=2)
    blank = rivals.blanked(table, keep)
    neutral = np.array([spec.neutral for spec in CATALOGUE])
    assert np.array_equal(blank.values[:, ~keep], np.tile(neutral[~keep], (table.n_takes, 1)))
    assert np.array_equal(blank.values[:, keep], table.values[:, keep])
    assert len(NAMES) == keep.size


def test_the_loudest_stretch_is_found_and_scaled(rivals: ModuleType) -> None:
    rng = np.random.default_rng(0)
    quiet = 0.01 * rng.normal(size=10_000)
    quiet[4000:6000] += rng.normal(size=2000)
    part = rivals.loudest(quiet, 2000)
    assert part.dtype == np.float32
    assert part.mean() == pytest.approx(0.0, abs=1e-5)
    assert part.std() == pytest.approx(1.0, abs=1e-4)
    whole = (quiet[4000:6000] - quiet[4000:6000].mean()) / quiet[4000:6000].std()
    assert np.corrcoef(part, whole)[0, 1] > 0.95
    assert rivals.loudest(quiet[:500], 2000).size == 2000


@pytest.fixture(scope="module")
def made_up(bench: ModuleType) -> tuple[list[dict[str, Any]], str]:
    table = fake_table(n_cars=8, n_checks=9)
    checks = np.unique(table.check)
    first = np.array([int(np.flatnonzero(table.check == check)[0]) for check in checks])
    rng = np.random.default_rng(0)
    labels = bench.labels_of(table)
    ways = {bench.OURS: 3.0, bench.OURS_ALONE: 2.0, "(a) cepstral, alone": 0.5}
    found = {
        way: {t: rng.normal(size=checks.size) + e * y[first] for t, y in labels.items()}
        for way, e in ways.items()
    }
    found["(a) cepstral, alone"]["any"][0] = np.nan
    cost = {way: {"features_s": 10.0, "fit_and_judge_s": 5.0 * k} for k, way in enumerate(ways)}
    rows = bench.compared(found, cost, table, checks, n_bootstrap=50)
    facts = {
        "origin": "simulated",
        "n_cars": 8,
        "n_checks": rows[0]["n_checks"],
        "n_takes": table.n_takes,
        "n_folds": 3,
        "takes": "microphone, at the centre",
        "notes": ["a note"],
    }
    return rows, bench.markdown(rows, facts)


def test_all_ways_are_compared_on_the_checks_that_all_could_judge(
    bench: ModuleType, made_up: tuple[list[dict[str, Any]], str]
) -> None:
    rows, _ = made_up
    assert {row["n_checks"] for row in rows} == {71}
    by_way = {row["way"]: row for row in rows}
    assert "ours_minus_this" not in by_way[bench.OURS]["tasks"]["any"]
    theirs = by_way["(a) cepstral, alone"]
    gap = theirs["tasks"]["any"]["ours_minus_this"]
    areas = [by_way[w]["tasks"]["any"]["auc"]["value"] for w in (bench.OURS, theirs["way"])]
    assert gap["value"] == pytest.approx(areas[0] - areas[1])
    assert theirs["ours_over_this_cpu"] == pytest.approx(10.0 / 20.0)


def test_the_table_says_simulated_and_holds_every_figure(
    made_up: tuple[list[dict[str, Any]], str],
) -> None:
    rows, text = made_up
    for part in text.split("\n## ")[1:]:
        assert "(simulated)" in part.splitlines()[0]
    for row in rows:
        line = next(line for line in text.splitlines() if line.startswith(f"| {row['way']} |"))
        assert f"{row['tasks']['any']['auc']['value']:.3f}" in line
        assert line.count("|") == 8
    assert "| – |" in text
    assert text.endswith("- a note\n")


def test_a_missing_manifest_is_told_not_traced(
    bench: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    monkeypatch.setattr(sys, "argv", ["bench_models.py", str(tmp_path / "none.csv")])
    assert bench.main() == 1
    assert "cannot be read" in capsys.readouterr().err
