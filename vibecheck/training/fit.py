"""Fit the looseness model: every head chosen, calibrated and bounded on held-out cars."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.features.catalogue import NAMES
from vibecheck.model.calibration import fit_dependence, fit_sigmoid, fit_spread, log_odds, sigmoid
from vibecheck.model.coherence import Coherence
from vibecheck.model.heads import WHICH_WHEEL_HEAD, Head
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
from vibecheck.training.cohere import calibrated, fit_coherence
from vibecheck.training.families import FAMILIES, Family
from vibecheck.training.gather import gather
from vibecheck.training.heldout import (
    WheelWords,
    Words,
    car_folds,
    dependence_of,
    wheel_words_of,
    words_of,
)
from vibecheck.training.metrics import Figure, auc_over_cars, log_loss
from vibecheck.training.rows import Measured, Rows, fit_population, head_rows, heads_of
from vibecheck.training.screening import lasting_features
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
MIN_CALIBRATION_ROWS = 20
"""Fewer rows of several takes get the calibration of single takes."""
MIN_SHIFT = 0.03
"""A feature of which looseness moves the ROC area less than this tells no direction."""


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
    kept : dict of str to tuple of str
        Features that the screening let each head use.
    """

    model: LoosenessModel
    pipelines: dict[str, Any]
    chosen: dict[str, str]
    skill: dict[str, Figure] = field(default_factory=dict)
    losses: dict[str, dict[str, float]] = field(default_factory=dict)
    kept: dict[str, tuple[str, ...]] = field(default_factory=dict)


class FittedHead(NamedTuple):
    """One head with how it came about.

    ``line`` is its calibrated held-out log-odds, ``kept`` the features it may use.
    """

    head: Head
    pipeline: Any
    family: str
    losses: dict[str, float]
    skill: Figure
    line: FloatArray
    kept: tuple[str, ...]


def _fit_pipeline(
    family: Family, layout: InputLayout, rows: Rows, chosen: BoolArray, kept: BoolArray
) -> Any:
    """Fit on some rows and some columns.

    What must not be used is 0 in all rows: neither a penalised weight nor a tree turns to it, and
    the pipeline still takes every column.
    """
    signs = layout.signs() if layout.kind == "check" else None
    pipeline = family.make(signs)
    last = pipeline.steps[-1][0]
    weight = {f"{last}__sample_weight": rows.weight[chosen]}
    return pipeline.fit(np.where(kept, rows.x[chosen], 0.0), rows.loose[chosen], **weight)


def _kept_columns(
    layout: InputLayout, rows: Rows, cars: NDArray[np.str_], chosen: BoolArray
) -> BoolArray:
    """Columns that these rows allow a scorer to use: see `vibecheck.training.screening`."""
    kept = np.ones(layout.n_columns, dtype=bool)
    if layout.kind == "check":
        n = len(layout.names)
        lasting = lasting_features(rows.x[chosen], rows.loose[chosen], cars[chosen], n)
        kept[: 2 * n] = np.tile(lasting, 2)
    return kept


class Fold(NamedTuple):
    """Rows that a pipeline is fitted on, and columns that it may use."""

    seen: BoolArray
    kept: BoolArray


def _folds_of(
    layout: InputLayout, rows: Rows, cars: NDArray[np.str_], n_folds: int
) -> list[Fold] | None:
    """Folds of whole cars, each with its own screening; ``None`` where a class is missing."""
    folds = []
    for held in car_folds(cars, n_folds):
        seen = ~held
        if not (rows.loose[seen].any() and not rows.loose[seen].all()):
            return None
        folds.append(Fold(seen, _kept_columns(layout, rows, cars, seen)))
    return folds


def held_out_scores(
    family: Family, layout: InputLayout, rows: Rows, folds: Sequence[Fold]
) -> FloatArray:
    """Log-odds of every row by a pipeline that never saw its car."""
    scores = np.full(rows.loose.size, np.nan)
    for seen, kept in folds:
        held = ~seen
        pipeline = _fit_pipeline(family, layout, rows, seen, kept)
        scores[held] = np.clip(pipeline_log_odds(pipeline, rows.x[held]), -15.0, 15.0)
    return scores


def _calibrate(scores: FloatArray, rows: Rows) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Offsets and slopes for rows of one take and of several."""
    several = rows.n_takes > 1
    offsets, slopes = [], []
    for kind in (~several, several):
        loose = rows.loose[kind]
        enough = kind.sum() >= MIN_CALIBRATION_ROWS and loose.any() and not loose.all()
        used = kind if enough else np.ones(kind.size, dtype=bool)
        offset, slope = fit_sigmoid(scores[used], rows.loose[used], rows.weight[used])
        offsets.append(offset)
        slopes.append(slope)
    return tuple(offsets), tuple(slopes)


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
    cars = table.car[rows.take]
    if np.unique(cars).size < 2:
        return None
    folds = _folds_of(layout, rows, cars, n_folds)
    if folds is None:
        return None
    best: tuple[float, Family, FloatArray] | None = None
    losses: dict[str, float] = {}
    scored: dict[str, FloatArray] = {}
    kind = (rows.n_takes > 1).astype(np.intp)
    for family in families:
        if family.parts and all(part in scored for part in family.parts):
            found: FloatArray = np.mean([scored[part] for part in family.parts], axis=0)
        else:
            found = held_out_scores(family, layout, rows, folds)
        scored[family.name] = found
        offset, slope = (np.array(numbers)[kind] for numbers in _calibrate(found, rows))
        loss = log_loss(sigmoid(offset + slope * found), rows.loose, rows.weight)
        losses[family.name] = loss
        if best is None or loss < best[0] * (1.0 - PREFERENCE):
            best = (loss, family, found)
    if best is None:
        return None
    _loss, family, scores = best
    offsets, slopes = _calibrate(scores, rows)
    prior = float(np.average(rows.loose, weights=rows.weight))
    line = np.array(offsets)[kind] + np.array(slopes)[kind] * scores
    every = np.ones(rows.loose.size, dtype=bool)
    kept = _kept_columns(layout, rows, cars, every)
    pipeline = _fit_pipeline(family, layout, rows, every, kept)
    scorer = scorer_from_pipeline(pipeline)
    n = len(layout.names)
    importance, direction = np.zeros(n), np.zeros(n)
    if layout.kind == "check":
        values = rows.x[:, :n]
        columns = np.abs(scorer.contributions(rows.x)) * max(slopes)
        importance = layout.to_features(columns, values).mean(axis=0)
        direction = _directions(values[rows.whole], rows.loose[rows.whole], cars[rows.whole])
    whole = rows.whole
    head = Head(
        layout=layout,
        scorer=scorer,
        offset=(offsets[0], offsets[1]),
        slope=(slopes[0], slopes[1]),
        prior=prior,
        dependence=_dependence_of_takes(table, rows, line, prior),
        spread=fit_spread(line[whole], rows.loose[whole], cars[whole], n_bootstrap=60),
        importance=importance,
        direction=direction,
    )
    skill = auc_over_cars(line[whole], rows.loose[whole], cars[whole], n_bootstrap=100)
    names = tuple(name for name, yes in zip(layout.names, kept, strict=False) if yes)
    return FittedHead(head, pipeline, family.name, losses, skill, line, names)


def _directions(values: FloatArray, loose: BoolArray, cars: NDArray[np.str_]) -> FloatArray:
    """Which way looseness moves each feature, where that holds over blocks of cars; else 0.

    Evidence is named only where a feature moved that way: what moves one way in some cars and the
    other way in others must not be shown to an owner as a sign.
    """
    from vibecheck.training.estimators import StableDirections

    found = StableDirections(min_area=MIN_SHIFT).fit(values, loose, groups=cars)
    return np.asarray(found.directions_, dtype=np.float64)


def _dependence_of_takes(table: FeatureTable, rows: Rows, line: FloatArray, prior: float) -> float:
    """ρ between takes of a check where rows are takes × wheels; elsewhere set later."""
    if not rows.zone.size or not (rows.n_takes == 1).all() or not rows.whole.all():
        return 1.0
    keys = np.array(
        [f"{table.check[t]}|{zone}" for t, zone in zip(rows.take, rows.zone, strict=True)]
    )
    _, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    order = np.argsort(inverse, kind="stable")
    edges = np.cumsum(np.bincount(inverse))[:-1]
    groups = np.split((line - float(log_odds(prior)))[order], edges)
    return fit_dependence(groups, rows.loose[first], float(log_odds(prior)))


def fit_model(
    table: FeatureTable,
    *,
    families: Sequence[Family] = FAMILIES,
    n_folds: int = 4,
    min_skill: float = MIN_SKILL,
    about: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
) -> Fitted:
    """Fit all heads, what brings them together, and the unfamiliarity limits.

    Parameters
    ----------
    table : FeatureTable
    families : sequence of Family
        In order of preference: an earlier one wins a near tie.
    n_folds : int
        Folds of whole cars.
    min_skill : float
        Lower end of the held-out ROC area (95 % interval over cars) that a head must reach.
    about : mapping, optional
        Kept in the model.
    progress : callable, optional
        Called with a sentence before each head.
    """
    say = progress or (lambda _sentence: None)
    populations: dict[str, Population] = {}
    familiarities: dict[str, Familiarity] = {}
    heads: dict[HeadKey, Head] = {}
    fitted = Fitted(LoosenessModel(NAMES, "", {}, {}, {}), {}, {})
    words: dict[HeadKey, Words | WheelWords] = {}
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
                fitted.skill[label], fitted.losses[label] = found.skill, found.losses
                kept = found.skill.low >= min_skill
                skilled = "" if kept else ", no skill"
                say(f"{label}: {found.family}, ROC area {found.skill}{skilled}")
                if kept:
                    heads[key] = found.head
                    fitted.pipelines[label] = found.pipeline
                    fitted.chosen[label] = found.family
                    fitted.kept[label] = found.kept
                    if name == WHICH_WHEEL_HEAD:
                        words[key] = wheel_words_of(part, rows, found.line)
                    else:
                        words[key] = words_of(part, rows, found.head, found.line)
    if not populations:
        raise InputError(
            f"Training needs at least {MIN_SENSOR_TAKES} takes of 2 cars by one kind of sensor. "
            f"Got {table.n_takes} takes in all.",
            advice="Add takes.",
        )
    heads = _with_dependence(heads, words)
    model = LoosenessModel(
        names=NAMES,
        catalogue_version=table.catalogue_version,
        populations=populations,
        familiarities=familiarities,
        heads=heads,
        coherences=_fit_coherences(table, heads, words, n_folds),
        about=dict(about or {}),
    )
    return replace(fitted, model=model)


def _with_dependence(
    heads: Mapping[HeadKey, Head], words: Mapping[HeadKey, Words | WheelWords]
) -> dict[HeadKey, Head]:
    """Give the check heads of one name their ρ between kinds of sensor."""
    found = dict(heads)
    for name, with_baseline in {(key.name, key.with_baseline) for key in heads}:
        keys = [key for key in heads if key[:2] == (name, with_baseline)]
        said = [one for key in keys if isinstance(one := words[key], Words)]
        if said:
            rho = dependence_of(said, heads[keys[0]].prior)
            found |= {key: replace(heads[key], dependence=rho) for key in keys}
    return found


def _fit_coherences(
    table: FeatureTable,
    heads: Mapping[HeadKey, Head],
    words: Mapping[HeadKey, Words | WheelWords],
    n_folds: int,
) -> dict[bool, Coherence]:
    """Bring the heads together, with and without a baseline."""
    found: dict[bool, Coherence] = {}
    for with_baseline in (False, True):
        said: dict[str, list[Words | WheelWords]] = {}
        rho: dict[str, float] = {}
        for key, head in heads.items():
            if key.with_baseline == with_baseline:
                said.setdefault(key.name, []).append(words[key])
                rho[key.name] = max(rho.get(key.name, 0.0), head.dependence)
        if not said:
            continue
        several, single = (gather(table, said, rho, one_take=one) for one in (False, True))
        if not several.loose.any() or several.loose.any(axis=1).all():
            continue
        found[with_baseline] = calibrated(fit_coherence(several), several, single, n_folds)
    return found


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
