"""A model for the owner's own cars, and never one that is worse on them.

Two ways. With a manifest of other takes the model is trained anew on those and the own ones
together. Without, the model that is there is adjusted lightly: each head's log ratio gets an offset
and a slope, held near 0 and 1 by a prior, so that a handful of checks moves it a little and a
hundred move it as far as they must.

Either way the new making is judged against the old model on own checks that it did not learn from:
checks are dealt into folds, the making is repeated without each fold, and both models say their
word about it. The own cars' other checks are known to the new model: that is the use it is for.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.dataset.labelled_set import hashes_of, manifest_of, same_zones
from vibecheck.dataset.manifest import ManifestRow
from vibecheck.errors import InputError
from vibecheck.model.looseness import LoosenessModel
from vibecheck.model.store import SHIPPED, load_model, save_model
from vibecheck.training import workflow
from vibecheck.training.adjust import adjusted
from vibecheck.training.evaluate import MODES, Mode, predict
from vibecheck.training.families import Family
from vibecheck.training.fit import fit_model
from vibecheck.training.lineage import Lineage, car_key, joined, lineage_of
from vibecheck.training.material import open_manifest, origin_of
from vibecheck.training.metrics import log_loss, roc_auc
from vibecheck.training.output import write_folder
from vibecheck.training.predictions import Predictions
from vibecheck.training.table import FeatureTable
from vibecheck.training.workers import jobs_for, working_on
from vibecheck.training.workflow import (
    COMPARING,
    N_OUTER,
    PLAIN_FILE,
    SEED,
    Report,
    Trained,
    measured,
    one_thread,
    quiet,
    require_training,
    train_on,
    write_trained,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Making = Callable[[FeatureTable], LoosenessModel]

N_FOLDS = 5
MIN_CHECKS = 6
MIN_EACH = 2
"""Fewer own checks, or fewer loose or snug among them, do not tell which model is better."""
COMPARED = "Comparing with the old model on own held-out checks"
BASELINE: Mode = MODES[0]
ALONE: Mode = next(mode for mode in MODES if mode.name == "all_takes_no_baseline")


@dataclass(frozen=True)
class Comparison:
    """Old and new on the same own checks, none of which the new one had learned from.

    Attributes
    ----------
    n_checks, n_loose, n_cars : int
    n_known : int
        Own checks that the old model was trained on: left out, since it would look too good.
    old, new : mapping
        ``log_loss`` (of "anything loose" and, weighing as much, of the zones), ``any_log_loss``,
        ``zone_log_loss``, ``any_auc``.
    n_better : int
        Checks of which the new model says more (smaller log loss).
    """

    n_checks: int
    n_loose: int
    n_cars: int
    n_known: int
    old: Mapping[str, float]
    new: Mapping[str, float]
    n_better: int

    @property
    def is_worse(self) -> bool:
        """True where the new model's log loss is higher."""
        return self.new["log_loss"] > self.old["log_loss"]

    def plain(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)

    def sentence(self) -> str:
        """Say the figures."""
        return (
            f"log loss {self.old['log_loss']:.3f} old, {self.new['log_loss']:.3f} new; ROC area of "
            f"anything loose {self.old['any_auc']:.2f} old, {self.new['any_auc']:.2f} new; the new "
            f"one says more of {self.n_better} of {self.n_checks} own checks ({self.n_loose} with "
            "something loose)"
        )


@dataclass(frozen=True, eq=False)
class Adapted:
    """A model for the owner's cars.

    Attributes
    ----------
    model : LoosenessModel
    comparison : Comparison
    trained : Trained or None
        Where it was trained anew; ``None`` where the old one was adjusted.
    left_out : tuple of str
        Takes that could not be used, with the reason.
    """

    model: LoosenessModel
    comparison: Comparison
    trained: Trained | None
    left_out: tuple[str, ...]


def adapt(
    own: str | os.PathLike[str],
    *,
    manifest: str | os.PathLike[str] | None = None,
    old_model: str | os.PathLike[str] | None = None,
    name: str = "looseness",
    cache: str | os.PathLike[str] | None = None,
    n_workers: int = 1,
    scheduler: str | None = None,
    n_outer: int = N_OUTER,
    seed: int = SEED,
    families: Sequence[Family] | None = None,
    report: Report = quiet,
) -> Adapted:
    """Make a model for the owner's cars, and refuse it where it is worse than the old one.

    Parameters
    ----------
    own : path-like
        The owner's set: its folder or its manifest.
    manifest : path-like, optional
        Other takes to train on together with the own ones; without it the old model is adjusted.
    old_model : path-like, optional
        The model to compare with; the shipped one by default.
    name, cache, n_workers, scheduler, n_outer, seed, families, report
        As in `vibecheck.training.workflow.train`.

    Raises
    ------
    InputError
        If a set is at fault, the own checks are too few to tell which model is better, or the new
        model is worse on own held-out checks: the figures are in the message.
    MissingExtraError
        If the ``training`` extra is not installed.
    """
    require_training()
    old = load_model(SHIPPED if old_model is None else old_model)
    lineage = lineage_of(old.about, str(old_model or SHIPPED))
    own_manifest = manifest_of(Path(own))
    with one_thread(), working_on(scheduler, own_manifest):
        jobs = jobs_for(n_workers, scheduler)
        rows = open_manifest(own_manifest, lambda done, total: report(COMPARING, done, total))
        pool = [] if manifest is None else without(open_manifest(manifest), rows)
        together, left_out = measured(same_zones([*rows, *pool]), cache, jobs, report)
        is_own = np.isin(together.sha256, [row.sha256 for row in rows])
        own_table = together.select(np.flatnonzero(is_own))
        pool_table = together.select(np.flatnonzero(~is_own)) if pool else None
        chosen = workflow.FAMILIES if families is None else families

        def make(table: FeatureTable) -> LoosenessModel:
            if pool_table is None:
                return adjusted(old, table)
            everything = join_tables(table, pool_table)
            return fit_model(everything, families=chosen, n_folds=workflow.N_INNER).model

        comparison = compare(
            old, make, own_table, known_checks(rows, lineage), lineage.base_rates,
            n_jobs=jobs, seed=seed, where=str(own_manifest), report=report,
        )  # fmt: skip
        if comparison.is_worse:
            raise InputError(
                "The new model is worse than the old one on your own checks, and was not written: "
                f"{comparison.sentence()}.",
                where=str(own_manifest),
                advice="Keep the old model. More own checks, above all of takes before a hand "
                "check that found something, may change that.",
            )
        facts = {"with_own": comparison.plain()}
        if pool_table is None:
            model = adjusted(old, own_table)
            about = {
                **old.about,
                **joined(old.about, own_table.car.tolist(), own_table.sha256.tolist()),
                "name": name,
                "trained_on": _pooled(str(old.about.get("trained_on", "")), origin_of(rows)),
                "n_takes": int(old.about.get("n_takes", 0)) + own_table.n_takes,
                "limits": [
                    *old.about.get("limits", []),
                    "Adjusted to own takes: figures over cars are of the model before that.",
                ],
                **facts,
            }
            return Adapted(replace(model, about=about), comparison, None, tuple(left_out))
        trained = train_on(
            together, left_out, name=name, origin=origin_of([*rows, *pool]),
            manifest=manifest or own_manifest, n_workers=jobs, n_outer=n_outer, seed=seed,
            families=chosen, report=report,
        )  # fmt: skip
        words = f"vibecheck train {Path(manifest or '').name} --with-own {Path(own).name}"
        about = {**trained.model.about, **facts, "reproduce": [f"{words} --seed {seed}"]}
        trained = replace(trained, model=replace(trained.model, about=about))
    return Adapted(trained.model, comparison, trained, tuple(left_out))


def write_adapted(found: Adapted, folder: Path, *, force: bool = False) -> list[Path]:
    """Write the model into a folder: in both forms and with its card where it was trained anew.

    Raises
    ------
    InputError
        If the folder holds files and ``force`` is not given, or it cannot be written.
    """
    if found.trained is not None:
        return write_trained(found.trained, folder, force=force)

    def write(target: Path) -> None:
        save_model(found.model, target / PLAIN_FILE)

    return write_folder(folder, write, force=force)


# ---- what may be learned from, and what may judge --------------------------------------------


def without(pool: Sequence[ManifestRow], own: Sequence[ManifestRow]) -> list[ManifestRow]:
    """Take the own takes, and all takes of own cars, out of the other takes."""
    hashes = {one for row in own for one in hashes_of(row)}
    names = {car_key(row.car) for row in own}
    return [row for row in pool if not hashes_of(row) & hashes and car_key(row.car) not in names]


def known_checks(rows: Sequence[ManifestRow], lineage: Lineage) -> set[str]:
    """Own checks that the old model has learned from, by any of their takes' hashes."""
    return {
        row.check
        for row in rows
        if lineage.knows(row)
        or any(lineage.knows(replace(row, sha256=one)) for one in hashes_of(row))
    }


def join_tables(one: FeatureTable, two: FeatureTable) -> FeatureTable:
    """Put the takes of two tables of the same zones together."""
    content: dict[str, Any] = {}
    for item in fields(FeatureTable):
        whole = item.name in ("zones", "catalogue_version")
        first, second = getattr(one, item.name), getattr(two, item.name)
        content[item.name] = first if whole else np.concatenate([first, second])
    return FeatureTable(**content)


def _pooled(old: str, own: str) -> str:
    return own if old == own else "pooled"


# ---- old against new ---------------------------------------------------------------------------


def compare(
    old: LoosenessModel,
    make: Making,
    own: FeatureTable,
    known: set[str],
    rates: Mapping[str, float],
    *,
    n_jobs: int = 1,
    seed: int = SEED,
    where: str = "",
    report: Report = quiet,
) -> Comparison:
    """Judge the old model, and models made without each fold of own checks, on the own checks.

    Parameters
    ----------
    old : LoosenessModel
    make : callable
        Makes a model from own takes.
    own : FeatureTable
    known : set of str
        Checks that the old model was trained on: they judge neither.
    rates : mapping of head name to float
        Priors of zones that a model does not know.
    n_jobs, seed, where, report
        Joblib's number of jobs; of the folds; the own set, for messages; told of every fold.

    Raises
    ------
    InputError
        If too few own checks are left to tell.
    """
    from joblib import Parallel, delayed

    judges = [c for c in np.unique(own.labelled().check).tolist() if c not in known]
    before = _said(old, own, rates)
    judges = [check for check in judges if check in before]
    first = {check: int(np.flatnonzero(own.check == check)[0]) for check in judges}
    loose = {check: bool(own.loose[row].any()) for check, row in first.items()}
    n_loose = sum(loose.values())
    if len(judges) < MIN_CHECKS or min(n_loose, len(judges) - n_loose) < MIN_EACH:
        told = f" {len(known)} more are known to the old model." if known else ""
        raise InputError(
            f"It takes at least {MIN_CHECKS} own bench checks of which every zone was looked at, "
            f"{MIN_EACH} of them with something loose and {MIN_EACH} without, to tell which model "
            f"is better. Got {len(judges)}, {n_loose} with something loose.{told}",
            where=where,
            advice="Add takes of more bench checks; keep the old model until then.",
        )
    shuffled = np.random.default_rng(seed).permutation(judges)
    folds = [shuffled[k::N_FOLDS].tolist() for k in range(min(N_FOLDS, len(judges)))]
    report(COMPARED, 0, len(folds))

    def one_fold(held: list[str]) -> dict[str, _Word]:
        model = make(own.select(np.flatnonzero(~np.isin(own.check, held))))
        said = _said(model, own, rates)
        return {check: said[check] for check in held}

    after: dict[str, _Word] = {}
    jobs = Parallel(n_jobs=n_jobs, return_as="generator")(delayed(one_fold)(f) for f in folds)
    for number, found in enumerate(jobs, start=1):
        after |= found
        report(COMPARED, number, len(folds))
    sides = [[words[check] for check in judges] for words in (before, after)]
    losses = [np.array([one.loss for one in side]) for side in sides]
    return Comparison(
        n_checks=len(judges),
        n_loose=n_loose,
        n_cars=int(np.unique(own.car[list(first.values())]).size),
        n_known=len(known),
        old=_figures(sides[0]),
        new=_figures(sides[1]),
        n_better=int((losses[1] < losses[0]).sum()),
    )


@dataclass(frozen=True)
class _Word:
    """What a model said of one check, with what was found in it."""

    any_probability: float
    any_loose: bool
    zones: FloatArray
    loose: BoolArray

    @property
    def loss(self) -> float:
        return self.any_loss + self.zone_loss

    @property
    def any_loss(self) -> float:
        return log_loss(np.array([self.any_probability]), np.array([self.any_loose]))

    @property
    def zone_loss(self) -> float:
        return log_loss(self.zones, self.loose)


def _figures(words: Sequence[_Word]) -> dict[str, float]:
    anything = np.array([one.any_probability for one in words])
    found = np.array([one.any_loose for one in words])
    return {
        "log_loss": float(np.mean([one.loss for one in words])),
        "any_log_loss": float(np.mean([one.any_loss for one in words])),
        "zone_log_loss": float(np.mean([one.zone_loss for one in words])),
        "any_auc": roc_auc(anything, found),
    }


def _said(model: LoosenessModel, own: FeatureTable, rates: Mapping[str, float]) -> dict[str, _Word]:
    """What a model says of every own check: against its baseline where it has one."""
    found: dict[str, _Word] = {}
    for mode in (ALONE, BASELINE):
        said: Predictions = predict(model, own, rates, mode)
        for k in range(said.check.size):
            found[str(said.check[k])] = _Word(
                float(said.any_probability[k]),
                bool(said.loose[k].any()),
                np.asarray(said.probability[k], dtype=np.float64),
                np.asarray(said.loose[k], dtype=bool),
            )
    return found
