"""Fit the looseness model: every head chosen, calibrated and bounded on held-out cars."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.features.catalogue import NAMES
from vibecheck.model.assessment import ZoneOdds
from vibecheck.model.baseline import MAD_TO_SD, baseline_z, masked_median, pooled_spread
from vibecheck.model.calibration import combine, fit_dependence, fit_sigmoid, fit_spread, log_odds
from vibecheck.model.heads import STILL_WHEEL_HEAD, WHEEL_HEAD, Head, head_of
from vibecheck.model.inputs import InputLayout, relation
from vibecheck.model.looseness import LoosenessModel, Population
from vibecheck.model.pipelines import scorer_from_pipeline
from vibecheck.model.unfamiliar import Familiarity, fit_familiarity
from vibecheck.training.families import FAMILIES, Family
from vibecheck.training.metrics import auc_over_cars, log_loss, roc_auc
from vibecheck.training.table import FeatureTable

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Progress = Callable[[str], None]

UNFAMILIAR_QUANTILE = 0.99
"""Share of held-out cars' checks that count as familiar."""
MIN_SKILL = 0.55
"""A head whose held-out ROC area is not surely above this has no skill and is left out: its zones
are then ranked by history alone, and the tool says that it cannot hear them."""
MIN_LOOSE_CARS = 4
"""A zone needs loose cases in this many cars before a head is fitted for it."""
LINEAR_MARGIN = 0.005
"""A family must beat an earlier one's log loss by this share to be preferred: the simpler first."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of one head: takes, or takes × wheels."""

    x: FloatArray
    loose: BoolArray
    take: NDArray[np.intp]
    zone: NDArray[np.str_]


@dataclass(frozen=True, eq=False)
class Fitted:
    """What fitting gives.

    Attributes
    ----------
    model : LoosenessModel
    pipelines : dict of str to scikit-learn pipeline
        By head, such as ``"wheel.1"`` (1: with baseline).
    chosen : dict of str to str
        Family chosen for each head.
    losses : dict of str to dict of str to float
        Held-out log loss of every family, by head.
    """

    model: LoosenessModel
    pipelines: dict[str, Any]
    chosen: dict[str, str]
    losses: dict[str, dict[str, float]] = field(default_factory=dict)


def car_folds(cars: NDArray[np.str_], n_folds: int, seed: int = 0) -> list[BoolArray]:
    """Split rows into folds of whole cars; each item is the mask of the held-out rows."""
    unique = np.unique(cars)
    if unique.size < 2:
        raise InputError(
            f"Training needs takes of at least 2 cars. Got {unique.size} instead.",
            advice="Add takes of more cars.",
        )
    shuffled = np.random.default_rng(seed).permutation(unique)
    return [
        np.isin(cars, shuffled[k :: min(n_folds, unique.size)])
        for k in range(min(n_folds, unique.size))
    ]


def fit_population(table: FeatureTable) -> Population:
    """What is usual: centre and scale over snug takes, spread within a snug car."""
    snug = ~table.loose.any(axis=1)
    if snug.sum() < 4:
        raise InputError(
            f"Training needs at least 4 snug takes. Got {int(snug.sum())} instead.",
            advice="Add takes recorded right after a complete hand check.",
        )
    values, missing = table.values[snug], table.missing[snug]
    centre, gone = masked_median(values, missing)
    residual, _ = masked_median(np.abs(values - centre), missing)
    # A feature that is constant in snug takes keeps a finite scale: its overall spread.
    overall, _ = masked_median(np.abs(table.values - centre), table.missing)
    tiny = 1e-3 * (1.0 + np.abs(centre))
    scale = np.maximum(MAD_TO_SD * np.maximum(residual, 0.1 * overall), tiny)
    groups = np.array(
        [f"{c}|{n}|{p}" for c, n, p in zip(table.car, table.sensor, table.spot, strict=True)]
    )
    within = np.maximum(pooled_spread(values, missing, groups[snug]), 0.05 * scale)
    neutral = np.where(gone, 0.0, centre)
    return Population(neutral, scale, within)


def head_rows(
    table: FeatureTable, population: Population, name: str, *, with_baseline: bool
) -> tuple[InputLayout, Rows]:
    """Build the rows of one head from a table."""
    layout = InputLayout(NAMES, with_baseline, crossed=name in (WHEEL_HEAD, STILL_WHEEL_HEAD))
    standard = population.standard(table.values, table.missing)
    z = np.full_like(standard, np.nan)
    usable = np.ones(table.n_takes, dtype=bool)
    if with_baseline:
        for row in range(table.n_takes):
            baseline = table.baseline_of(row)
            usable[row] = baseline is not None
            distance, gone = baseline_z(table.vector(row), baseline, population.within)
            z[row] = np.where(gone, np.nan, distance)
    pairs = [
        (row, place)
        for row in np.flatnonzero(usable)
        for place, zone in enumerate(table.zones.tolist())
        if head_of(zone, str(table.layout[row])) == name
    ]
    take = np.array([row for row, _ in pairs], dtype=np.intp)
    place = np.array([place for _, place in pairs], dtype=np.intp)
    zone = table.zones[place]
    x = layout.rows(
        standard[take],
        z[take],
        [relation(str(table.spot[t]), str(w)) for t, w in zip(take, zone, strict=True)],
        table.sensor[take] == "accelerometer",
    )
    return layout, Rows(x, table.loose[take, place], take, zone)


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
        scores[held] = np.clip(pipeline.decision_function(rows.x[held]), -15.0, 15.0)
    return scores


def fit_head(
    table: FeatureTable,
    layout: InputLayout,
    rows: Rows,
    *,
    families: Sequence[Family],
    n_folds: int,
) -> tuple[Head, Any, str, dict[str, float], FloatArray]:
    """Choose a family by held-out log loss, calibrate it, bound it, and refit it on all rows.

    Returns
    -------
    head, pipeline, family name, losses by family, held-out calibrated log ratios
    """
    cars = table.car[rows.take]
    best: tuple[float, Family, FloatArray] | None = None
    losses: dict[str, float] = {}
    for family in families:
        scores = held_out_scores(family, rows, cars, n_folds)
        if scores is None:
            continue
        a, b = fit_sigmoid(scores, rows.loose)
        loss = log_loss(1.0 / (1.0 + np.exp(-(a + b * scores))), rows.loose)
        losses[family.name] = loss
        if best is None or loss < best[0] * (1.0 - LINEAR_MARGIN):
            best = (loss, family, scores)
    if best is None:
        raise InputError(
            "Some zone has loose cases in too few cars to hold one out.",
            advice="Add takes of more cars with something loose.",
        )
    _loss, family, scores = best
    offset, slope = fit_sigmoid(scores, rows.loose)
    prior = float(rows.loose.mean())
    line = offset + slope * scores
    ratio = np.asarray(line - log_odds(prior))
    groups, labels = _by_check(table, rows, ratio)
    dependence = fit_dependence(groups, labels, float(log_odds(prior)))
    spread = fit_spread(line, rows.loose, cars)
    pipeline = family.make().fit(rows.x, rows.loose)
    scorer = scorer_from_pipeline(pipeline)
    columns = np.abs(scorer.contributions(rows.x)) * slope
    importance = np.zeros(len(layout.names))
    known = layout.feature_of_column >= 0
    np.add.at(importance, layout.feature_of_column[known], columns.mean(axis=0)[known])
    head = Head(
        layout=layout,
        scorer=scorer,
        offset=offset,
        slope=slope,
        prior=prior,
        dependence=dependence,
        spread=spread,
        importance=importance,
        direction=_directions(layout, rows),
    )
    return head, pipeline, family.name, losses, ratio


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


def _directions(layout: InputLayout, rows: Rows) -> FloatArray:
    """Sign of each feature's shift when loose; 0 where it does not tell (AUC within 0.5 ± 0.03)."""
    n = len(layout.names)
    start = n if layout.with_baseline else 0
    direction = np.zeros(n)
    for k in range(n):
        column = rows.x[:, start + k]
        seen = ~np.isnan(column)
        area = roc_auc(column[seen], rows.loose[seen]) if seen.sum() > 10 else 0.5
        if np.isfinite(area) and abs(area - 0.5) > 0.03:
            direction[k] = np.sign(area - 0.5)
    return direction


def heads_of(table: FeatureTable) -> list[str]:
    """Heads for which the table holds loose cases in enough cars."""
    cars: dict[str, set[str]] = {}
    for row, place in zip(*np.nonzero(table.loose), strict=True):
        name = head_of(str(table.zones[place]), str(table.layout[row]))
        cars.setdefault(name, set()).add(str(table.car[row]))
    return sorted(name for name, found in cars.items() if len(found) >= MIN_LOOSE_CARS)


def base_rates(table: FeatureTable) -> dict[str, float]:
    """Share of loose cases of every head's zones."""
    cases: dict[str, list[bool]] = {}
    for row in range(table.n_takes):
        for place, zone in enumerate(table.zones.tolist()):
            name = head_of(zone, str(table.layout[row]))
            cases.setdefault(name, []).append(bool(table.loose[row, place]))
    return {name: float(np.mean(found)) for name, found in cases.items()}


def fit_model(
    table: FeatureTable,
    *,
    families: Sequence[Family] = FAMILIES,
    n_folds: int = 5,
    min_skill: float = MIN_SKILL,
    about: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
) -> Fitted:
    """Fit all heads, the calibration of "anything loose" and the unfamiliarity limit.

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
    population = fit_population(table)
    names = heads_of(table)
    heads: dict[tuple[str, bool], Head] = {}
    pipelines: dict[str, Any] = {}
    chosen: dict[str, str] = {}
    losses: dict[str, dict[str, float]] = {}
    held_out: dict[bool, dict[str, dict[str, list[float]]]] = {False: {}, True: {}}
    for name in names:
        for with_baseline in (False, True):
            key = f"{name}.{int(with_baseline)}"
            say(f"Fitting {name}{' against baseline' if with_baseline else ''}")
            layout, rows = head_rows(table, population, name, with_baseline=with_baseline)
            head, pipeline, family, loss, ratio = fit_head(
                table, layout, rows, families=families, n_folds=n_folds
            )
            losses[key] = loss
            skill = auc_over_cars(ratio, rows.loose, table.car[rows.take], n_bootstrap=100)
            if skill.low < min_skill:
                say(f"{key} shows no skill on held-out cars: ROC area {skill}")
                continue
            heads[name, with_baseline] = head
            pipelines[key], chosen[key] = pipeline, family
            for t, zone, value in zip(rows.take, rows.zone, ratio, strict=True):
                by_zone = held_out[with_baseline].setdefault(str(table.check[t]), {})
                by_zone.setdefault(str(zone), []).append(float(value))
    say("Learning what is familiar")
    model = LoosenessModel(
        names=NAMES,
        catalogue_version=table.catalogue_version,
        population=population,
        heads=heads,
        any_offset=0.0,
        any_slope=1.0,
        any_prior=0.5,
        familiarity=_fit_familiarity(table, population, n_folds),
        about=dict(about or {}),
    )
    return Fitted(_with_any(model, table, held_out), pipelines, chosen, losses)


def _with_any(
    model: LoosenessModel,
    table: FeatureTable,
    held_out: Mapping[bool, Mapping[str, Mapping[str, Sequence[float]]]],
) -> LoosenessModel:
    """Calibrate "something is loose" on held-out log ratios of all checks."""
    first = {str(check): row for row, check in reversed(list(enumerate(table.check)))}
    scores, labels = [], []
    for with_baseline, by_check in held_out.items():
        for check, by_zone in by_check.items():
            zones = []
            layout = str(table.layout[first[check]])
            for zone, ratios in by_zone.items():
                head = model.heads[head_of(zone, layout), with_baseline]
                total = combine(ratios, head.dependence)
                zones.append(ZoneOdds(zone, total, total, total, heard=True))
            score = model.any_score(zones, layout)
            if score is not None:
                scores.append(score)
                labels.append(bool(table.loose[first[check]].any()))
    if not scores:
        return model
    offset, slope = fit_sigmoid(np.array(scores), np.array(labels))
    prior = float(np.mean(labels))
    return LoosenessModel(
        names=model.names,
        catalogue_version=model.catalogue_version,
        population=model.population,
        heads=model.heads,
        any_offset=offset,
        any_slope=slope,
        any_prior=prior,
        familiarity=model.familiarity,
        about=model.about,
    )


def _fit_familiarity(table: FeatureTable, population: Population, n_folds: int) -> Familiarity:
    """Fit on all takes; the limit is a quantile over the checks of held-out cars."""
    standard = np.nan_to_num(population.standard(table.values, table.missing), nan=0.0)
    sensor = table.sensor == "accelerometer"
    scores = np.zeros(table.n_takes)
    for held in car_folds(table.car, n_folds, seed=1):
        known = fit_familiarity(standard[~held], table.missing[~held], sensor[~held])
        for row in np.flatnonzero(held):
            scores[row] = known.score(
                standard[row], table.missing[row], accelerometer=bool(sensor[row])
            )
    checks = [float(np.median(scores[table.check == check])) for check in np.unique(table.check)]
    limit = float(np.quantile(checks, UNFAMILIAR_QUANTILE))
    return fit_familiarity(standard, table.missing, sensor, limit)
