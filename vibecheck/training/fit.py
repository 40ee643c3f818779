"""Fit the looseness model: every head chosen, calibrated and bounded on held-out cars."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.features.catalogue import NAMES
from vibecheck.model.calibration import (
    fit_dependence,
    fit_sigmoid,
    fit_spread,
    log_odds,
    sigmoid,
)
from vibecheck.model.heads import Head
from vibecheck.model.inputs import InputLayout
from vibecheck.model.looseness import HeadKey, LoosenessModel
from vibecheck.model.pipelines import pipeline_log_odds, scorer_from_pipeline
from vibecheck.model.population import Population
from vibecheck.model.store import head_name
from vibecheck.model.unfamiliar import (
    MIN_MEASURED,
    Familiarity,
    choose_shrinkage,
    fit_familiarity,
)
from vibecheck.training.families import FAMILIES, Family
from vibecheck.training.metrics import Figure, auc_over_cars, log_loss, roc_auc
from vibecheck.training.rows import Measured, Rows, fit_population, head_rows, heads_of
from vibecheck.training.table import FeatureTable

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Progress = Callable[[str], None]

UNFAMILIAR_QUANTILE = 0.99
"""Share of held-out cars' takes that count as familiar."""
MIN_SKILL = 0.53
"""A head whose held-out ROC area is not surely above this has no skill and is left out: its zones
are then ranked by history alone, and the tool says that it cannot hear them."""
PREFERENCE = 0.005
"""A family must beat an earlier one's log loss by this share to be preferred: the simpler first."""
MIN_SENSOR_TAKES = 40
"""Fewer takes by one kind of sensor teach nothing about it."""


@dataclass(frozen=True, eq=False)
class Fitted:
    """What fitting gives.

    Attributes
    ----------
    model : LoosenessModel
    pipelines : dict of str to scikit-learn pipeline
        By head, such as ``"wheels.baseline.microphone"``.
    chosen : dict of str to str
        Family chosen for each head.
    skill : dict of str to Figure
        Held-out ROC area of every head, those that were left out included.
    losses : dict of str to dict of str to float
        Held-out log loss of every family, by head.
    """

    model: LoosenessModel
    pipelines: dict[str, Any]
    chosen: dict[str, str]
    skill: dict[str, Figure] = field(default_factory=dict)
    losses: dict[str, dict[str, float]] = field(default_factory=dict)


class FittedHead(NamedTuple):
    """One head with how it came about."""

    head: Head
    pipeline: Any
    family: str
    losses: dict[str, float]
    skill: Figure


def car_folds(cars: NDArray[np.str_], n_folds: int, seed: int = 0) -> list[BoolArray]:
    """Split rows into folds of whole cars; each item is the mask of the held-out rows."""
    unique = np.unique(cars)
    if unique.size < 2:
        raise InputError(
            f"Training needs takes of at least 2 cars. Got {unique.size} instead.",
            advice="Add takes of more cars.",
        )
    shuffled = np.random.default_rng(seed).permutation(unique)
    n_folds = min(n_folds, unique.size)
    return [np.isin(cars, shuffled[k::n_folds]) for k in range(n_folds)]


def held_out_scores(
    family: Family, rows: Rows, cars: NDArray[np.str_], n_folds: int
) -> FloatArray | None:
    """Log-odds of every row by a pipeline that never saw its car; ``None`` where it cannot."""
    scores = np.full(rows.loose.size, np.nan)
    for held in car_folds(cars, n_folds):
        seen = ~held
        if not (rows.loose[seen].any() and not rows.loose[seen].all()):
            return None
        pipeline = family.make().fit(rows.x[seen], rows.loose[seen])
        scores[held] = np.clip(pipeline_log_odds(pipeline, rows.x[held]), -15.0, 15.0)
    return scores


def fit_head(
    table: FeatureTable,
    layout: InputLayout,
    rows: Rows,
    *,
    families: Sequence[Family],
    n_folds: int,
) -> FittedHead | None:
    """Choose a family by held-out log loss, calibrate it, bound it, and refit it on all rows.

    ``None`` where the loose cases are in too few cars to hold one out.
    """
    if np.unique(table.car[rows.take]).size < 2:
        return None
    cars = table.car[rows.take]
    best: tuple[float, Family, FloatArray] | None = None
    losses: dict[str, float] = {}
    for family in families:
        scores = held_out_scores(family, rows, cars, n_folds)
        if scores is None:
            continue
        offset, slope = fit_sigmoid(scores, rows.loose)
        loss = log_loss(sigmoid(offset + slope * scores), rows.loose)
        losses[family.name] = loss
        if best is None or loss < best[0] * (1.0 - PREFERENCE):
            best = (loss, family, scores)
    if best is None:
        return None
    _loss, family, scores = best
    offset, slope = fit_sigmoid(scores, rows.loose)
    prior = float(rows.loose.mean())
    line = offset + slope * scores
    groups, labels = _by_check(table, rows, np.asarray(line - log_odds(prior)))
    pipeline = family.make().fit(rows.x, rows.loose)
    scorer = scorer_from_pipeline(pipeline)
    n = len(layout.names)
    importance, direction = np.zeros(n), np.zeros(n)
    if layout.kind == "take":
        standard, z = rows.x[:, :n], rows.x[:, _z_start(layout) : _z_start(layout) + n]
        columns = np.abs(scorer.contributions(rows.x)) * slope
        importance = layout.to_features(columns, standard, z).mean(axis=0)
        direction = _directions(z if layout.with_baseline else standard, rows.loose)
    head = Head(
        layout=layout,
        scorer=scorer,
        offset=offset,
        slope=slope,
        prior=prior,
        dependence=fit_dependence(groups, labels, float(log_odds(prior))),
        spread=fit_spread(line, rows.loose, cars),
        importance=importance,
        direction=direction,
    )
    skill = auc_over_cars(line, rows.loose, cars, n_bootstrap=100)
    return FittedHead(head, pipeline, family.name, losses, skill)


def _z_start(layout: InputLayout) -> int:
    """Column at which the distances from the baseline start (0 without a baseline)."""
    return len(layout.names) + 2 * len(layout.groups) if layout.with_baseline else 0


def _by_check(
    table: FeatureTable, rows: Rows, ratio: FloatArray
) -> tuple[list[FloatArray], BoolArray]:
    """Group log ratios by check and zone."""
    keys = np.array(
        [f"{table.check[t]}|{zone}" for t, zone in zip(rows.take, rows.zone, strict=True)]
    )
    _, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    order = np.argsort(inverse, kind="stable")
    edges = np.cumsum(np.bincount(inverse))[:-1]
    return np.split(ratio[order], edges), rows.loose[first]


def _directions(values: FloatArray, loose: BoolArray) -> FloatArray:
    """Sign of each feature's shift when loose; 0 where it does not tell (AUC within 0.5 ± 0.03)."""
    direction = np.zeros(values.shape[1])
    for k, column in enumerate(values.T):
        seen = ~np.isnan(column)
        area = roc_auc(column[seen], loose[seen]) if seen.sum() > 10 else 0.5
        if np.isfinite(area) and abs(area - 0.5) > 0.03:
            direction[k] = np.sign(area - 0.5)
    return direction


def fit_model(
    table: FeatureTable,
    *,
    families: Sequence[Family] = FAMILIES,
    n_folds: int = 5,
    min_skill: float = MIN_SKILL,
    about: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
) -> Fitted:
    """Fit all heads and the unfamiliarity limits, apart for each kind of sensor.

    Parameters
    ----------
    table : FeatureTable
    families : sequence of Family
        In order of preference: an earlier one wins a near tie.
    n_folds : int
        Folds of whole cars.
    min_skill : float
        Lower end of the held-out ROC area (90 % interval over cars) that a head must reach.
    about : mapping, optional
        Kept in the model.
    progress : callable, optional
        Called with a sentence before each head.
    """
    say = progress or (lambda _sentence: None)
    populations: dict[str, Population] = {}
    familiarities: dict[str, Familiarity] = {}
    heads: dict[HeadKey, Head] = {}
    pipelines: dict[str, Any] = {}
    chosen: dict[str, str] = {}
    skill: dict[str, Figure] = {}
    losses: dict[str, dict[str, float]] = {}
    for sensor in np.unique(table.sensor).tolist():
        # A take in which hardly anything could be measured teaches nothing, and is strange.
        told = (~table.missing).mean(axis=1) >= MIN_MEASURED
        part = table.select(np.flatnonzero((table.sensor == sensor) & told))
        if part.n_takes < MIN_SENSOR_TAKES or np.unique(part.car).size < 2:
            say(f"Too few takes by {sensor} to learn from: {part.n_takes}")
            continue
        populations[sensor] = fit_population(part)
        familiarities[sensor] = _fit_familiarity(part, populations[sensor], n_folds)
        measured = Measured.of(part, populations[sensor])
        for name in heads_of(part):
            for with_baseline in (False, True):
                key = HeadKey(name, with_baseline, sensor)
                label = head_name(key)
                layout, rows = head_rows(measured, name, with_baseline=with_baseline)
                found = fit_head(part, layout, rows, families=families, n_folds=n_folds)
                if found is None:
                    continue
                skill[label], losses[label] = found.skill, found.losses
                kept = found.skill.low >= min_skill
                say(
                    f"{label}: {found.family}, ROC area {found.skill}{'' if kept else ', no skill'}"
                )
                if kept:
                    heads[key] = found.head
                    pipelines[label], chosen[label] = found.pipeline, found.family
    if not populations:
        raise InputError(
            f"Training needs at least {MIN_SENSOR_TAKES} takes of 2 cars by one kind of sensor. "
            f"Got {table.n_takes} takes in all.",
            advice="Add takes.",
        )
    model = LoosenessModel(
        names=NAMES,
        catalogue_version=table.catalogue_version,
        populations=populations,
        familiarities=familiarities,
        heads=heads,
        about=dict(about or {}),
    )
    return Fitted(model, pipelines, chosen, skill, losses)


def _fit_familiarity(table: FeatureTable, population: Population, n_folds: int) -> Familiarity:
    """Fit on all takes; the limit is a quantile over the takes of held-out cars."""
    standard = np.nan_to_num(population.standard(table.values, table.missing), nan=0.0)
    folds = car_folds(table.car, n_folds, seed=1)
    shrinkage = choose_shrinkage(standard, table.missing, folds)
    surprise = np.zeros(table.n_takes)
    for held in folds:
        known = fit_familiarity(standard[~held], table.missing[~held], shrinkage)
        for row in np.flatnonzero(held):
            surprise[row] = known.surprise(standard[row], table.missing[row])
    limit = float(np.quantile(surprise, UNFAMILIAR_QUANTILE))
    return fit_familiarity(standard, table.missing, shrinkage, limit)
