"""From a model file to its figures on cars it never saw: `evaluate_model`, `write_evaluation`."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vibecheck.dataset.checks import cars
from vibecheck.errors import InputError
from vibecheck.model.looseness import LoosenessModel
from vibecheck.model.store import load_model
from vibecheck.training.build import data_hash
from vibecheck.training.card import describe_data
from vibecheck.training.evaluate import MODES, metrics_of, predict
from vibecheck.training.lineage import lineage_of
from vibecheck.training.material import MIN_CARS, open_manifest, origin_of, refuse_one_class
from vibecheck.training.output import write_folder
from vibecheck.training.table import FeatureTable
from vibecheck.training.workers import jobs_for, working_on
from vibecheck.training.workflow import (
    COMPARING,
    SHOWING,
    Report,
    file_facts,
    measured,
    one_thread,
    quiet,
    require_training,
    short_name,
    write_facts,
)


@dataclass(frozen=True, eq=False)
class Evaluation:
    """What a model file said of takes of cars it was not trained on.

    Attributes
    ----------
    about : dict
        Of the model; ``evaluated_on`` and ``metrics`` are of this evaluation.
    left_out : tuple of str
        Takes that could not be used, with the reason.
    known_cars : tuple of str
        Cars of the manifest that the model was trained on: their takes were left out.
    """

    about: dict[str, Any]
    left_out: tuple[str, ...]
    known_cars: tuple[str, ...]


def evaluate_model(
    model_file: str | os.PathLike[str],
    manifest: str | os.PathLike[str],
    *,
    cache: str | os.PathLike[str] | None = None,
    n_workers: int = 1,
    scheduler: str | None = None,
    report: Report = quiet,
) -> Evaluation:
    """Judge a model file on the takes of cars that it was not trained on.

    Raises
    ------
    InputError
        If the model file or the manifest is at fault, the model does not say what it was trained
        on, or no take is left that it does not know.
    MissingExtraError
        If the ``training`` extra is not installed.
    """
    require_training()
    with one_thread(), working_on(scheduler, Path(manifest)):
        jobs = jobs_for(n_workers, scheduler)
        return _evaluate_model(model_file, manifest, cache, jobs, report)


def _evaluate_model(
    model_file: str | os.PathLike[str],
    manifest: str | os.PathLike[str],
    cache: str | os.PathLike[str] | None,
    n_workers: int,
    report: Report,
) -> Evaluation:
    model = load_model(model_file)
    lineage = lineage_of(model.about, str(model_file))
    rows = open_manifest(manifest, lambda done, total: report(COMPARING, done, total))
    where = str(manifest)
    known = [row for row in rows if lineage.knows(row)]
    # All takes of a car go where one of them goes: its name may have been changed since.
    known_cars = cars(known)
    new = [row for row in rows if row.car not in known_cars]
    if not new:
        raise InputError(
            f"The model was trained on every car of the manifest ({_listed(known_cars)}). "
            "A score on training cars is no evidence.",
            where=where,
            advice="Name a manifest with takes of other cars.",
        )
    # Where nobody looked at some zone, no verdict on the model can be had.
    new = [row for row in new if not row.unknown_zones]
    refuse_one_class(new, where)
    if len(cars(new)) < MIN_CARS:
        raise InputError(
            f'Only one car of the manifest is new to the model ("{new[0].car}"): no interval can '
            "be given for a single car.",
            where=where,
            advice="Add takes of at least one more car that the model was not trained on.",
        )
    table, left_out = measured(new, cache, n_workers, report)
    metrics = _known_model_metrics(model, table, lineage.base_rates, origin_of(new), report)
    metrics["n_left_out"] = len(left_out)
    about = {
        **file_facts(model),
        "metrics": metrics,
        "reproduce": [
            f"vibecheck evaluate {Path(model_file).name} {short_name(manifest)}",
        ],
        "evaluated_on": {
            "manifest": short_name(manifest),
            "data": describe_data(table),
            "origin": origin_of(new),
            "n_takes": table.n_takes,
            "n_checks": int(np.unique(table.check).size),
            "n_cars": int(np.unique(table.car).size),
            "data_sha256": data_hash(table),
            "cars_left_out_as_known": list(known_cars),
            "n_takes_left_out_as_known": len(rows) - len(new),
        },
    }
    return Evaluation(about, tuple(left_out), known_cars)


def write_evaluation(found: Evaluation, folder: Path, *, force: bool = False) -> list[Path]:
    """Write the metrics and the card of an evaluation into a folder.

    Raises
    ------
    InputError
        If the folder holds files and ``force`` is not given, or it cannot be written.
    """
    return write_folder(folder, lambda target: write_facts(found.about, target), force=force)


def _known_model_metrics(
    model: LoosenessModel,
    table: FeatureTable,
    rates: Mapping[str, float],
    origin: str,
    report: Report,
) -> dict[str, Any]:
    found = {}
    for done, mode in enumerate(MODES):
        report(SHOWING, done, len(MODES))
        judged = predict(model, table, rates, mode)
        if judged.check.size:
            found[mode.name] = judged
    report(SHOWING, len(MODES), len(MODES))
    return metrics_of(table, found, origin=origin)


def _listed(names: Sequence[str], most: int = 4) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
