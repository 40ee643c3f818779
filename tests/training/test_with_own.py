"""Adapting to own cars: what may judge, what is refused, and that a worse model is not written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_table import fake_table
from tiny_set import tiny_set

from vibecheck.cli import main
from vibecheck.dataset.manifest import read_manifest, write_manifest
from vibecheck.errors import InputError
from vibecheck.model.calibration import sigmoid
from vibecheck.model.heads import Head
from vibecheck.model.store import load_model, save_model
from vibecheck.training import with_own, workflow
from vibecheck.training.adjust import adjusted, fit_shift, shifted
from vibecheck.training.build import build_table
from vibecheck.training.evaluate import base_rates
from vibecheck.training.families import ridge
from vibecheck.training.fit import Fitted, fit_model
from vibecheck.training.lineage import facts, lineage_of
from vibecheck.training.table import FeatureTable
from vibecheck.training.with_own import adapt, compare, join_tables, without

ABOUT = {
    "version": "0.0",
    "trained_on": "simulated",
    "data_sha256": "0" * 64,
    "metrics": {},
    "limits": ["made up for tests"],
}


@pytest.fixture(scope="module", autouse=True)
def quick_ways() -> object:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workflow, "FAMILIES", (ridge(0.01),))
        patch.setattr(workflow, "N_INNER", 2)
        # How cars are judged that a model never saw is tested with `train` itself.
        patch.setattr(workflow, "_held_out_metrics", lambda *words: {})
        yield


@pytest.fixture(scope="module")
def fitted() -> Fitted:
    """A model of eight cars, by one quick family."""
    return fit_model(fake_table(8, 8), families=(ridge(0.01),), n_folds=2)


@pytest.fixture(scope="module")
def own_table() -> FeatureTable:
    """Two cars of which the fitted model knows nothing."""
    table = fake_table(14, 10)
    return table.select(np.flatnonzero(np.isin(table.car, ["car 12", "car 13"])))


# ---- the light way -----------------------------------------------------------------------------


def test_a_shift_is_found_where_there_is_one_and_none_where_there_is_none() -> None:
    """Labels drawn from a known offset and slope; the estimate nears both."""
    rng = np.random.default_rng(0)
    ratio = rng.normal(0.0, 2.0, 4000)
    truth = (0.8, 0.6)
    loose = rng.random(ratio.size) < sigmoid(truth[0] + truth[1] * ratio)
    base = np.log(loose.mean() / (1.0 - loose.mean()))
    offset, slope = fit_shift(ratio, loose)
    assert offset + base == pytest.approx(truth[0], abs=0.15)
    assert slope == pytest.approx(truth[1], abs=0.08)
    assert fit_shift(np.zeros(0), np.zeros(0, dtype=bool)) == (0.0, 1.0)


def test_a_handful_of_checks_moves_a_head_a_little() -> None:
    """The prior holds: three contradicting checks do not turn a head round."""
    offset, slope = fit_shift(np.array([3.0, 3.0, -3.0]), np.array([False, False, True]))
    assert abs(offset) < 1.0
    assert 0.2 < slope < 1.0


def test_a_shifted_head_says_offset_plus_slope_times_what_it_said(fitted: Fitted) -> None:
    head: Head = next(h for h in fitted.model.heads.values() if h.layout.kind == "check")
    rows = np.random.default_rng(1).normal(size=(5, head.layout.n_columns))
    for n_takes in (1, 2):
        before = head.line(rows, n_takes) - np.log(head.prior / (1.0 - head.prior))
        after = shifted(head, 0.4, 0.5).log_ratio(rows, n_takes)
        np.testing.assert_allclose(after, np.clip(0.4 + 0.5 * before, -12.0, 12.0), atol=1e-6)


def test_a_spoilt_model_is_mended_by_own_checks(fitted: Fitted, own_table: FeatureTable) -> None:
    """An old model whose heads lie far too high; the adjusted one says more of unseen checks."""
    spoilt = replace(
        fitted.model,
        heads={key: shifted(head, 3.0, 0.3) for key, head in fitted.model.heads.items()},
    )
    found = compare(spoilt, lambda own: adjusted(spoilt, own), own_table, set(), {"any": 0.3})
    assert not found.is_worse
    assert found.new["log_loss"] < 0.95 * found.old["log_loss"]
    assert (found.n_checks, found.n_cars, found.n_known) == (20, 2, 0)
    assert 0.0 <= found.new["any_auc"] <= 1.0


def test_no_check_judges_a_model_that_learned_from_it(
    fitted: Fitted, own_table: FeatureTable
) -> None:
    seen: list[set[str]] = []

    def make(own: FeatureTable) -> object:
        seen.append(set(own.check.tolist()))
        return fitted.model

    known = {"car 12 check 0"}
    found = compare(fitted.model, make, own_table, known, {"any": 0.3})  # type: ignore[arg-type]
    assert found.n_checks == 19
    assert found.n_known == 1
    held = [set(own_table.check.tolist()) - one for one in seen]
    assert sum(len(one) for one in held) == 19
    assert set().union(*held) == set(own_table.check.tolist()) - known
    assert found.old == found.new, "the same model says the same"
    assert not found.is_worse


def test_a_zone_at_which_nobody_looked_does_not_judge(
    fitted: Fitted, own_table: FeatureTable
) -> None:
    known = np.ones_like(own_table.loose)
    known[own_table.check == "car 13 check 4", 0] = False
    found = compare(
        fitted.model,
        lambda own: fitted.model,
        replace(own_table, known=known),
        set(),
        {"any": 0.3},
    )
    assert found.n_checks == 19


@pytest.mark.parametrize("n_checks", [4, 5])
def test_too_few_own_checks_do_not_tell(
    fitted: Fitted, own_table: FeatureTable, n_checks: int
) -> None:
    few = own_table.select(
        np.flatnonzero(np.isin(own_table.check, np.unique(own_table.check)[:n_checks]))
    )
    with pytest.raises(InputError, match=f"at least 6 own bench checks.*Got {n_checks}"):
        compare(fitted.model, lambda own: fitted.model, few, set(), {})


# ---- from manifests ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pool of four cars with a model of them, and an own set of two others; one cache."""
    folder = tmp_path_factory.mktemp("sets")
    pool = tiny_set(folder / "pool")
    own = tiny_set(folder / "own", n_cars=2, n_checks=8, first_car=5)
    rows = [replace(row, origin="own", seed=None) for row in read_manifest(own)]
    write_manifest(own, rows)
    for kept in (folder / "own" / "cache").rglob("*.npz"):
        target = folder / "pool" / "cache" / kept.relative_to(folder / "own" / "cache")
        target.write_bytes(kept.read_bytes())
    table, _ = build_table(read_manifest(pool), cache=folder / "pool" / "cache", n_jobs=1)
    model = fit_model(table, families=(ridge(0.01),), n_folds=2).model
    lineage = facts(table.car.tolist(), table.sha256.tolist(), base_rates(table))
    about = {**ABOUT, "name": "old", "n_takes": table.n_takes, **lineage}
    save_model(replace(model, about=about), folder / "old.npz")
    return folder


def words(sets: Path, out: Path) -> list[str]:
    return [
        "--with-own", str(sets / "own"), "--model", str(sets / "old.npz"), "--out", str(out),
        "--cache", str(sets / "pool" / "cache"), "--workers", "1", "--folds", "2",
    ]  # fmt: skip


def test_own_takes_and_cars_are_taken_out_of_the_pool(sets: Path) -> None:
    pool = read_manifest(sets / "pool" / "manifest.csv")
    own = [replace(pool[0], car="Mine"), replace(pool[-1], car="CAR  1", sha256="0" * 64)]
    left = without(pool, own)
    assert pool[0] not in left
    assert {row.car for row in left} == {"car 0", "car 2", "car 3"}


def test_tables_join(own_table: FeatureTable) -> None:
    both = join_tables(own_table, own_table)
    assert both.n_takes == 2 * own_table.n_takes
    assert both.zones.tolist() == own_table.zones.tolist()


def test_a_worse_model_is_refused_with_its_figures(
    sets: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def worse(old: object, own: FeatureTable) -> object:
        heads = {key: shifted(head, 4.0, -1.0) for key, head in old.heads.items()}  # type: ignore[attr-defined]
        return replace(old, heads=heads)  # type: ignore[type-var]

    monkeypatch.setattr(with_own, "adjusted", worse)
    out = tmp_path / "out"
    assert main(["train", *words(sets, out)]) == 1
    err = capsys.readouterr().err
    assert "worse than the old one on your own checks, and was not written" in err
    assert "log loss" in err
    assert " old, " in err
    assert "Keep the old model" in err
    assert not out.exists()


def test_the_light_way_writes_a_model_that_knows_its_own_takes(
    sets: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(with_own.Comparison, "is_worse", property(lambda self: False))
    out = tmp_path / "out"
    assert main(["train", *words(sets, out), "--name", "mine"]) == 0
    shown = capsys.readouterr().out
    assert "log loss" in shown
    assert "The full hand check is always due" in shown
    model = load_model(out / "model.npz")
    assert model.card.name == "mine"
    assert model.card.trained_on == "pooled"
    lineage = lineage_of(model.about, "x")
    assert all(lineage.knows(row) for row in read_manifest(sets / "own" / "manifest.csv")[:-1])
    assert all(lineage.knows(row) for row in read_manifest(sets / "pool" / "manifest.csv")[:-1])
    assert model.about["with_own"]["n_checks"] == 16
    # Adjusted once more, nothing is left that it has not learned from.
    again = [str(out / "model.npz") if w.endswith("old.npz") else w for w in words(sets, out)]
    assert main(["train", *again, "--force"]) == 1
    assert "16 more are known to the old model" in capsys.readouterr().err


def test_training_anew_on_both_sets(sets: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(with_own.Comparison, "is_worse", property(lambda self: False))
    found = adapt(
        sets / "own",
        manifest=sets / "pool" / "manifest.csv",
        old_model=sets / "old.npz",
        cache=sets / "pool" / "cache",
        n_outer=2,
    )
    assert found.model.about["trained_on"] == "pooled"
    assert found.model.about["n_cars"] == 6
    assert found.model.about["with_own"]["n_checks"] == 16


def test_a_manifest_or_own_takes_must_be_given(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["train"]) == 2
    assert "MANIFEST" in capsys.readouterr().err
