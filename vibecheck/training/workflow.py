"""From a manifest to a judged model: `train` and `write_trained`.

A model that is written was fitted on all cars; its figures come from models of the same making that
never saw the car they judged. `vibecheck.training.judging` judges a model file on other cars.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from vibecheck import __version__
from vibecheck.dataset.manifest import LOOSE_PRELOAD, ManifestRow
from vibecheck.errors import InputError, MissingExtraError
from vibecheck.model.looseness import LoosenessModel
from vibecheck.model.store import content_hash, model_to_arrays, save_model, save_skops
from vibecheck.training.build import build_table, data_hash
from vibecheck.training.card import LIMITS, describe_data, write_card
from vibecheck.training.evaluate import (
    base_rates,
    evaluate,
    fit_facts,
)
from vibecheck.training.families import FAMILIES as FAMILIES
from vibecheck.training.families import Family
from vibecheck.training.fit import fit_model
from vibecheck.training.lineage import facts
from vibecheck.training.material import (
    open_manifest,
    origin_of,
    refuse_too_little,
)
from vibecheck.training.output import write_folder
from vibecheck.training.table import FeatureTable
from vibecheck.training.workers import jobs_for, working_on

N_OUTER = 7
N_INNER = 5
SEED = 7
PLAIN_FILE = "model.npz"
FULL_FILE = "model.skops"
METRICS_FILE = "metrics.json"
CARD = "model_card"

COMPARING = "Comparing files with their hashes"
MEASURING = "Measuring takes"
JUDGING = "Judging held-out cars, fold by fold"
FITTING = "Fitting heads on all cars"
SHOWING = "Judging checks in every way of use"


class Report(Protocol):
    """Told how far a stage has come."""

    def __call__(self, stage: str, done: int, total: int | None, sentence: str = "") -> None:
        """``total`` is ``None`` where it is not known before the end."""


def quiet(stage: str, done: int, total: int | None, sentence: str = "") -> None:
    """Report nothing."""


def require_training() -> None:
    """Refuse to begin where the ``training`` extra is not installed.

    Raises
    ------
    MissingExtraError
    """
    for name in ("joblib", "sklearn", "skops"):
        try:
            import_module(name)
        except ImportError as error:
            raise MissingExtraError("Training or judging a model", "training") from error


def one_thread() -> AbstractContextManager[Any]:
    """Keep linear algebra on one core: the matrices are small, and threads only wait on each other.

    Processes (``n_workers``) are what more cores are for.
    """
    limits: Any = import_module("threadpoolctl").threadpool_limits  # comes with scikit-learn
    limited: AbstractContextManager[Any] = limits(limits=1)
    return limited


@dataclass(frozen=True, eq=False)
class Trained:
    """A model with what was found about it.

    Attributes
    ----------
    model : LoosenessModel
        Its ``about`` holds the metrics, the limits and the lineage.
    pipelines : mapping of str to scikit-learn pipeline
    left_out : tuple of str
        Takes that taught nothing, with the reason.
    """

    model: LoosenessModel
    pipelines: Mapping[str, Any]
    left_out: tuple[str, ...]

    @property
    def facts(self) -> dict[str, Any]:
        """What ``metrics.json`` and the card hold: ``about`` with the content hash."""
        return file_facts(self.model)


def file_facts(model: LoosenessModel) -> dict[str, Any]:
    """Return what a model says of itself, with its content hash, without the list of takes."""
    about = {name: value for name, value in model.about.items() if name != "takes"}
    return {**about, "content_hash": content_hash(model_to_arrays(model))}


def limits_of(origin: str) -> list[str]:
    """Return the card's limits that hold for takes of this origin."""
    return [limit for limit in LIMITS if origin != "own" or "simulat" not in limit]


# ---- train -----------------------------------------------------------------------------------


def train(
    manifest: str | os.PathLike[str],
    *,
    name: str = "looseness",
    cache: str | os.PathLike[str] | None = None,
    n_workers: int = 1,
    scheduler: str | None = None,
    n_outer: int = N_OUTER,
    seed: int = SEED,
    families: Sequence[Family] | None = None,
    report: Report = quiet,
) -> Trained:
    """Measure the takes, judge on held-out cars, and fit on all cars.

    Parameters
    ----------
    manifest : path-like
    name : str
        Of the model.
    cache : path-like, optional
        Folder that keeps the takes' features.
    n_workers : int
        Processes.
    scheduler : str, optional
        Address of a Dask scheduler: its workers do the work instead.
    n_outer : int
        Folds of cars for the judgement; at most as many as there are cars.
    seed : int
        Of the split of cars.
    families : sequence of Family, optional
        Those that are chosen among.
    report : callable

    Raises
    ------
    InputError
        If the manifest is at fault, or its takes are too few or too alike to learn from.
    MissingExtraError
        If the ``training`` extra is not installed.
    """
    require_training()
    with one_thread(), working_on(scheduler, Path(manifest)):
        return _train(
            manifest,
            name=name,
            cache=cache,
            n_workers=jobs_for(n_workers, scheduler),
            n_outer=n_outer,
            seed=seed,
            families=FAMILIES if families is None else families,
            report=report,
        )


def _train(
    manifest: str | os.PathLike[str],
    *,
    name: str,
    cache: str | os.PathLike[str] | None,
    n_workers: int,
    n_outer: int,
    seed: int,
    families: Sequence[Family],
    report: Report,
) -> Trained:
    rows = open_manifest(manifest, lambda done, total: report(COMPARING, done, total))
    refuse_too_little(rows, str(manifest))
    table, left_out = measured(rows, cache, n_workers, report)
    return train_on(
        table,
        left_out,
        name=name,
        origin=origin_of(rows),
        manifest=manifest,
        n_workers=n_workers,
        n_outer=n_outer,
        seed=seed,
        families=families,
        report=report,
    )


def train_on(
    table: FeatureTable,
    left_out: Sequence[str],
    *,
    name: str,
    origin: str,
    manifest: str | os.PathLike[str],
    n_workers: int,
    n_outer: int,
    seed: int,
    families: Sequence[Family],
    report: Report,
) -> Trained:
    """Do what `train` does once the takes are measured."""
    where = str(manifest)
    metrics = _held_out_metrics(table, origin, families, n_outer, seed, n_workers, report, where)
    report(FITTING, 0, None)
    heads = _Counted(FITTING, None, report)
    fitted = fit_model(table, families=families, n_folds=N_INNER, progress=heads)
    report(FITTING, heads.done, heads.done)
    metrics |= {**fit_facts(fitted), "n_left_out": len(left_out)}
    import sklearn

    about = {
        "name": name,
        "version": __version__,
        "trained_on": origin,
        "n_takes": table.n_takes,
        "n_checks": int(np.unique(table.check).size),
        "n_cars": int(np.unique(table.car).size),
        "data_sha256": data_hash(table),
        "catalogue_version": table.catalogue_version,
        "loose_preload": LOOSE_PRELOAD,
        "seed": seed,
        "versions": {"scikit-learn": sklearn.__version__, "numpy": np.__version__},
        "data": describe_data(table),
        "metrics": metrics,
        "limits": limits_of(origin),
        "reproduce": [f"vibecheck train {short_name(manifest)} --folds {n_outer} --seed {seed}"],
        **facts(table.car.tolist(), table.sha256.tolist(), base_rates(table.labelled())),
    }
    return Trained(replace(fitted.model, about=about), fitted.pipelines, tuple(left_out))


def write_trained(trained: Trained, folder: Path, *, force: bool = False) -> list[Path]:
    """Write the model in both forms, its metrics and its card into a folder.

    Returns
    -------
    list of Path

    Raises
    ------
    InputError
        If the folder holds files and ``force`` is not given, or it cannot be written.
    """

    def write(target: Path) -> None:
        save_model(trained.model, target / PLAIN_FILE)
        save_skops(trained.model, trained.pipelines, target / FULL_FILE)
        write_facts(trained.facts, target)

    return write_folder(folder, write, force=force)


def write_facts(about: Mapping[str, Any], target: Path, name: str = CARD) -> None:
    """Write ``metrics.json`` and the card."""
    text = json.dumps(about, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (target / METRICS_FILE).write_text(text + "\n", encoding="utf-8", newline="\n")
    write_card(target, about, about["metrics"], name=name)


# ---- pieces ----------------------------------------------------------------------------------


class _Counted:
    """Turns a sentence a step into a count of steps."""

    def __init__(self, stage: str, total: int | None, report: Report) -> None:
        self.stage, self.total, self.report, self.done = stage, total, report, 0

    def __call__(self, sentence: str) -> None:
        self.done += 1
        self.report(self.stage, self.done, self.total, sentence)


def measured(
    rows: Sequence[ManifestRow],
    cache: str | os.PathLike[str] | None,
    n_workers: int,
    report: Report,
) -> tuple[FeatureTable, list[str]]:
    """Measure takes, and report how far it has come."""
    report(MEASURING, 0, len(rows))
    return build_table(
        rows,
        cache=cache,
        n_jobs=n_workers,
        progress=lambda done, total: report(MEASURING, done, total),
    )


def _held_out_metrics(
    table: FeatureTable,
    origin: str,
    families: Sequence[Family],
    n_outer: int,
    seed: int,
    n_workers: int,
    report: Report,
    where: str,
) -> dict[str, Any]:
    n_folds = min(n_outer, int(np.unique(table.car).size))
    report(JUDGING, 0, n_folds)
    try:
        # A take with a zone at which nobody looked teaches, but does not judge.
        return evaluate(
            table.labelled(),
            origin=origin,
            families=families,
            n_outer=n_outer,
            n_folds=N_INNER,
            n_jobs=n_workers,
            seed=seed,
            progress=_Counted(JUDGING, n_folds, report),
        )
    except InputError as error:
        raise InputError(
            f"With a group of cars taken out for judging, too little is left. {error.what}",
            where=where,
            advice="Add takes or cars, or ask for more --folds: the groups are then smaller.",
        ) from error


def short_name(manifest: str | os.PathLike[str]) -> str:
    """Return the manifest's name with its folder's: enough to know it, and no private path."""
    path = Path(os.path.abspath(manifest))
    return f"{path.parent.name}/{path.name}"
