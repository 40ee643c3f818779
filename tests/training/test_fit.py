"""Fitting, judging and evaluating on a made-up table with known effects."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from fake_table import ZONES, fake_table

from vibecheck.car.profile import Car
from vibecheck.car.zones import Zone
from vibecheck.errors import CallError, InputError
from vibecheck.features.catalogue import BY_NAME, CATALOGUE, CATALOGUE_VERSION, NAMES
from vibecheck.features.vector import FeatureVector
from vibecheck.model.assessment import TakeEvidence
from vibecheck.model.looseness import HeadKey, LoosenessModel
from vibecheck.model.pipelines import pipeline_log_odds
from vibecheck.model.store import save_model
from vibecheck.training.evaluate import (
    MODES,
    base_rates,
    cross_validate,
    evaluate,
    metrics_of,
    predict,
)
from vibecheck.training.families import FAMILIES
from vibecheck.training.figures import summarise
from vibecheck.training.fit import Fitted, fit_head, fit_model
from vibecheck.training.heldout import car_folds
from vibecheck.training.predictions import Predictions
from vibecheck.training.rows import Measured, fit_population, head_rows
from vibecheck.training.table import FeatureTable

CAR = Car(
    name="Made up",
    layout="4wd",
    drivetrain=None,
    orders=(),
    zones=tuple(Zone(name) for name in (*ZONES, "steering")),
)


def neutral(*, missing: bool) -> FeatureVector:
    values = np.array([spec.neutral for spec in CATALOGUE])
    return FeatureVector(NAMES, values, np.full(len(NAMES), missing), CATALOGUE_VERSION)


def test_folds_share_no_car() -> None:
    cars = np.repeat([f"c{k}" for k in range(11)], 5)
    folds = car_folds(cars, 4)
    assert np.sum(folds, axis=0).tolist() == [1] * cars.size, "each row is held out once"
    for held in folds:
        assert not set(cars[held]) & set(cars[~held])


def test_one_car_cannot_be_split() -> None:
    with pytest.raises(InputError, match="at least 2 cars"):
        car_folds(np.array(["a", "a"]), 3)


def test_training_needs_snug_takes(table: FeatureTable) -> None:
    with pytest.raises(InputError, match="at least 4 snug takes"):
        fit_model(table.select(np.flatnonzero(table.loose.any(axis=1))))


def test_loose_zone_ranks_first_on_cars_never_seen(table: FeatureTable, quick: tuple) -> None:
    metrics = evaluate(
        table, families=quick[:1], n_outer=3, n_folds=2, modes=MODES[:1], n_bootstrap=20
    )
    json.dumps(metrics, allow_nan=False)
    assert metrics["n_outer"] == 3
    held = [car for fold in metrics["folds"] for car in fold]
    assert sorted(held) == sorted(np.unique(table.car).tolist())
    figures = metrics["modes"]["all_takes_baseline"]
    assert figures["any_loose_auc"]["value"] > 0.9
    assert figures["any_loose_auc"]["low"] <= figures["any_loose_auc"]["value"]
    hits = figures["first_zone"]["all"]
    assert hits["first_two"]["value"] > 2.0 * hits["chance"]
    assert figures["ece"]["zones"]["value"] < 0.08
    assert figures["n_cars"] == 12
    rows = figures["detection_by_turns"]
    assert rows[-1]["detected"]["value"] > rows[0]["detected"]["value"] - 0.2
    assert [row["nominal"] for row in figures["conformal"]] == [0.8, 0.9, 0.95]
    sizes = [row["size"]["value"] for row in figures["conformal"]]
    assert sizes == sorted(sizes)
    aims = {(aim["name"], aim["mode"]): aim for aim in metrics["targets"]}
    assert aims["ROC area, anything loose", "all_takes_no_baseline"]["met"] is None


def test_no_effect_is_found_where_there_is_none(quick: tuple) -> None:
    """Labels without any effect: held-out area near one half. A leak would show here."""
    empty = fake_table(effect=0.0, seed=5)
    found, _ = cross_validate(empty, families=quick[:1], n_outer=3, n_folds=2, modes=MODES[:2])
    for predictions in found.values():
        area = summarise(predictions, n_bootstrap=5)["any_loose_auc"].value
        assert abs(area - 0.5) < 0.17


def test_assess_speaks_of_every_zone(fitted: Fitted, table: FeatureTable) -> None:
    row = int(np.flatnonzero(table.loose[:, 4] & (table.turns[:, 4] > 1.0))[0])
    takes = [table.evidence(row, with_baseline=True)]
    assessment = fitted.model.assess(takes, CAR)
    by_zone = {odds.zone: odds for odds in assessment.zones}
    assert list(by_zone) == [zone.name for zone in CAR.zones]
    assert not by_zone["steering"].heard
    assert by_zone["steering"].log_ratio == 0.0
    loose = by_zone["motor_mount"]
    assert loose.heard
    assert loose.log_ratio == max(odds.log_ratio for odds in assessment.zones)
    assert loose.log_ratio_low < loose.log_ratio < loose.log_ratio_high
    assert assessment.any_loose_log_ratio is not None
    assert assessment.any_loose_log_ratio > 0.0
    assert 1 <= len(loose.evidence) <= 4
    for line in loose.evidence:
        assert BY_NAME[line.feature].speaks_about("motor_mount")
        assert line.z is not None
        assert line.reading
        assert line.file


def test_nothing_observable_is_not_heard(fitted: Fitted, table: FeatureTable) -> None:
    assessment = fitted.model.assess([TakeEvidence(neutral(missing=True))], CAR)
    assert not any(odds.heard for odds in assessment.zones)
    assert all(odds.log_ratio == 0.0 for odds in assessment.zones)
    assert assessment.candidates is None
    assert assessment.any_loose_log_ratio is None
    assert assessment.unfamiliar.is_unfamiliar
    assert not fitted.model.unfamiliar_of([table.evidence(0, with_baseline=False)]).is_unfamiliar


def test_less_evidence_means_less_certainty(fitted: Fitted, table: FeatureTable) -> None:
    row = int(np.flatnonzero(table.loose[:, 4] & (table.turns[:, 4] > 1.0))[0])
    whole = table.evidence(row, with_baseline=False)
    head = fitted.model.heads[HeadKey("motor_mount", False, "microphone")]
    half = np.argsort(-head.importance)[: len(NAMES) // 3]
    missing = np.array(whole.features.missing)
    missing[half[::2]] = True
    values = np.where(missing, neutral(missing=True).values, whole.features.values)
    partial = replace(whole, features=FeatureVector(NAMES, values, missing, CATALOGUE_VERSION))
    full_odds = fitted.model.zone_odds("motor_mount", [whole], "4wd")
    part_odds = fitted.model.zone_odds("motor_mount", [partial], "4wd")
    assert abs(part_odds.log_ratio) < abs(full_odds.log_ratio)


def test_limited_takes_widen_the_interval(fitted: Fitted, table: FeatureTable) -> None:
    take = table.evidence(3, with_baseline=True)
    usual = fitted.model.zone_odds("gear_mesh", [take], "4wd")
    limited = fitted.model.zone_odds("gear_mesh", [replace(take, limited=True)], "4wd")
    width = usual.log_ratio_high - usual.log_ratio_low
    assert limited.log_ratio == usual.log_ratio
    assert limited.log_ratio_high - limited.log_ratio_low > 1.2 * width


def test_a_take_twice_is_not_two_takes(fitted: Fitted, table: FeatureTable) -> None:
    take = table.evidence(3, with_baseline=True)
    head = fitted.model.heads[HeadKey("gear_mesh", True, "microphone")]
    once = fitted.model.zone_odds("gear_mesh", [take], "4wd")
    twice = fitted.model.zone_odds("gear_mesh", [take, take], "4wd")
    # The mean over the takes is the same: only the calibration of several takes is another.
    assert head.slope[1] < 2.0 * head.slope[0]
    assert abs(twice.log_ratio) < 2.0 * abs(once.log_ratio) + 1.0


def test_takes_need_the_models_catalogue(fitted: Fitted) -> None:
    with pytest.raises(CallError, match="no take to judge"):
        fitted.model.assess([], CAR)
    features = neutral(missing=False)
    strange = FeatureVector(features.names, features.values, features.missing, "other")
    with pytest.raises(InputError, match="must be of feature catalogue other"):
        fitted.model.assess([TakeEvidence(strange)], CAR)


def test_table_round_trip(table: FeatureTable, tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "table.npz"
    table.save(path)
    again = FeatureTable.load(path)
    np.testing.assert_array_equal(again.values, table.values)
    np.testing.assert_array_equal(again.zones, table.zones)
    replace(table, catalogue_version="other").save(path)
    with pytest.raises(InputError, match="must be of catalogue"):
        FeatureTable.load(path)


def test_baseline_leaves_the_takes_own_check_out(table: FeatureTable) -> None:
    row = int(np.flatnonzero(table.is_baseline)[0])
    alone = table.select(np.flatnonzero(table.check == table.check[row]))
    assert alone.baseline_of(0) is None
    row = int(np.flatnonzero(~table.is_baseline & (table.spot == "centre"))[0])
    whole = table.baseline_of(row)
    assert whole is not None
    assert whole.n_takes > 1
    one = table.baseline_of(row, 1)
    assert one is not None
    assert one.n_takes == 1
    some = table.some_baseline_of(row)
    assert some is not None
    assert 1 <= some.n_takes <= whole.n_takes


def test_wheel_shares_add_to_one(fitted: Fitted, table: FeatureTable) -> None:
    takes = [table.evidence(k, with_baseline=False) for k in (2, 3)]
    for layout, n in (("4wd", 4), ("rwd", 2)):
        shares = fitted.model.wheel_shares(takes, layout)
        assert len(shares) == n
        assert sum(share for share, _sd in shares.values()) == pytest.approx(1.0)


def test_without_a_head_for_it_wheels_share_alike(fitted: Fitted, table: FeatureTable) -> None:
    kept = {key: head for key, head in fitted.model.heads.items() if key.name != "which_wheel"}
    blind = replace(fitted.model, heads=kept)
    takes = [table.evidence(2, with_baseline=False)]
    assert {share for share, _sd in blind.wheel_shares(takes, "4wd").values()} == {0.25}
    ratios = {blind.zone_odds(zone, takes, "4wd").log_ratio for zone in ZONES if "wheel" in zone}
    assert len({round(ratio, 9) for ratio in ratios}) == 1


def test_wheels_without_drive_are_not_heard(fitted: Fitted, table: FeatureTable) -> None:
    """The made-up table has four-wheel drive only, so nothing was learned of wheels at rest."""
    takes = [table.evidence(2, with_baseline=False)]
    assert not fitted.model.zone_odds("wheel_front_left", takes, "rwd").heard
    assert fitted.model.zone_odds("wheel_rear_left", takes, "rwd").heard


def test_a_sensor_never_learned_from_is_strange_and_not_heard(
    fitted: Fitted, table: FeatureTable
) -> None:
    take = replace(table.evidence(2, with_baseline=False), sensor="accelerometer")
    assessment = fitted.model.assess([take], CAR)
    assert assessment.unfamiliar.is_unfamiliar
    assert not any(odds.heard for odds in assessment.zones)


def test_too_few_takes_are_refused(table: FeatureTable) -> None:
    with pytest.raises(InputError, match="at least 40 takes of 2 cars"):
        fit_model(table.select(np.arange(20)))


def test_a_mesh_setting_teaches_neither_anything_nor_the_mesh(table: FeatureTable) -> None:
    kind = table.kind.copy()
    checks = np.unique(table.check[table.is_hard])[:3]
    kind[np.isin(table.check, checks)] = "mesh_tight"
    changed = replace(table, kind=kind)
    assert changed.is_mesh.sum() == 6
    assert not (changed.is_mesh & changed.is_hard).any()
    measured = Measured.of(changed, fit_population(changed))
    for name, n_left_out in (("any", 6), ("gear_mesh", 6), ("motor_mount", 0)):
        _, rows = head_rows(measured, name, with_baseline=False)
        singles = rows.n_takes == 1
        assert singles.sum() == changed.n_takes - n_left_out, "two takes a check, both kept"
        assert rows.whole.sum() == np.unique(changed.check).size - n_left_out // 2
    found = {"all_takes_no_baseline": predict_simply(changed)}
    metrics = metrics_of(changed, found, origin="simulated", n_bootstrap=5)
    figures = metrics["modes"]["all_takes_no_baseline"]
    assert figures["n_mesh_checks"] == metrics["n_mesh_checks"] == 3
    assert figures["n_checks"] == metrics["n_checks"] - 3
    assert figures["mesh"]["mesh_tight"]["n"] == 3


def predict_simply(table: FeatureTable) -> Predictions:
    """A model without any head: everything is as usual."""
    model = LoosenessModel(NAMES, CATALOGUE_VERSION, {}, {}, {})
    mode = next(mode for mode in MODES if mode.name == "all_takes_no_baseline")
    return predict(model, table, base_rates(table), mode)


def test_rows_of_a_check_weigh_as_one(table: FeatureTable) -> None:
    measured = Measured.of(table, fit_population(table))
    _, rows = head_rows(measured, "any", with_baseline=False)
    checks = np.unique(table.check).size
    assert rows.weight[rows.whole].sum() == checks
    assert rows.weight[~rows.whole].sum() == pytest.approx(checks)


def test_candidates_hold_the_likeliest_zone(fitted: Fitted, table: FeatureTable) -> None:
    row = int(np.flatnonzero(table.loose[:, 4] & (table.turns[:, 4] > 1.0))[0])
    rows = np.flatnonzero(table.check == table.check[row])
    takes = [table.evidence(int(k), with_baseline=True) for k in rows]
    assessment = fitted.model.assess(takes, CAR)
    assert assessment.candidates is not None
    assert assessment.candidates.coverage == 0.9
    assert assessment.candidates.zones[0] == "motor_mount"
    assert "steering" not in assessment.candidates.zones
    judged = fitted.model.judge(takes, ZONES, "4wd")
    assert sum(odds.share for odds in judged.zones) == pytest.approx(1.0)
    wide = fitted.model.candidates(judged, 0.95)
    narrow = fitted.model.candidates(judged, 0.5)
    assert wide is not None
    assert narrow is not None
    assert set(narrow.zones) <= set(wide.zones)


def test_the_same_table_gives_the_same_model(
    fitted: Fitted, table: FeatureTable, quick: tuple, tmp_path
) -> None:  # type: ignore[no-untyped-def]
    again = fit_model(table, families=quick, n_folds=3, about=fitted.model.about)
    first, second = (save_model(one.model, tmp_path / "m.npz") for one in (fitted, again))
    assert first == second


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_every_family_takes_the_weights_of_the_rows(family, table: FeatureTable) -> None:  # type: ignore[no-untyped-def]
    """The whole way of one head by each family alone: weights in, numbers out."""
    measured = Measured.of(table, fit_population(table))
    layout, rows = head_rows(measured, "gear_mesh", with_baseline=True)
    found = fit_head(table, layout, rows, families=[family], n_folds=2)
    assert found is not None
    assert found.family == family.name
    assert found.skill.value > 0.8
    np.testing.assert_allclose(
        found.head.scorer.log_odds(rows.x), pipeline_log_odds(found.pipeline, rows.x), atol=1e-9
    )
