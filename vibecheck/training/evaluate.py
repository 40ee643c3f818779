"""Nested, car-grouped evaluation: the whole fit is repeated without each fold of cars.

`evaluate` returns one plain dict, ready for JSON; `metrics_of` makes it from predictions that are
there already. Undefined numbers are ``None``, never NaN. Layout, with upper-case words as
shorthand:

``FIGURE`` = ``{"value", "low", "high", "n"}``
    A figure of merit, its 95 % bootstrap interval over cars, and the number of cases behind it
    (checks, or checks × zones). Single numbers carry no interval.

``METRICS``
    ``schema``            ``"vibecheck.metrics/1"``
    ``origin``            ``"simulated"``, ``"own"`` or ``"pooled"``
    ``confidence``        0.95
    ``n_cars, n_checks, n_takes, n_loose_checks, n_hard_checks, n_mesh_checks, n_outer, n_folds``
    ``zones``             list of zone names, in the table's order
    ``folds``             list of lists of car names: the held-out cars of each outer fold
    ``modes``             {slug: MODE}, the slugs of `MODES`
    ``targets``           list of {"name", "mode", "wanted", "sense": ">=" or "<=", "reached":
                          FIGURE, "met": bool or None}; ``None`` where it could not be measured;
                          and ``"heard": False`` where the zone was mostly not heard
    ``chosen``            {head: family} of the model fitted on all cars
    ``skill``             {head: FIGURE}, held-out ROC area of each head, those left out included
    ``chosen_per_fold``   list of {head: family}
    ``held_out_log_loss`` {head: {family: number}}
    ``n_kept``            {head: number of features that the screening let it use}
    ``never_kept``        list of the features that no head of the model uses
    ``importance``        {head: list of [feature, share]}, at most 12 a head, largest first

``MODE`` (one way of using the tool; every probability is a held-out one)
    ``label``             words for a person, such as ``"all takes, against baseline"``
    ``n_checks, n_cars, n_snug_checks, n_loose_checks, n_hard_checks, n_play_checks``
        Checks of a mesh set too tight or too loose are in none of these but ``n_mesh_checks``.
        Play: some fastener is backed off (turns > 0). Hard: nothing loose, but it sounds odd.
    ``any_loose_auc``     FIGURE, anything loose against nothing loose (hard cases included)
    ``any_play_auc``      FIGURE, loose with play against nothing loose
    ``zone_auc``          {zone: FIGURE} and, over wheels, ``"driven_wheels"``, ``"still_wheels"``,
                          ``"some_driven_wheel"``; also ``zone_play_auc``: loose with play only.
                          A zone that was not heard counts as alike in all checks
    ``zone_heard``        {zone: share of checks in which a head spoke for it}, same keys
    ``roc``               {"false_alarm": [...], "recall": [...]} of anything loose
    ``alarm``             {"false_alarm_rate": 0.05, "snug": FIGURE, "recall": FIGURE,
                          "recall_play": FIGURE}; the bar is the 95th percentile of plain snug
                          checks of the *training* cars (hard cases apart); ``snug`` is the share
                          of the judged ones above it
    ``hard_negatives``    {"all": FIGURE, KIND: FIGURE}: share above that bar
    ``first_zone``        {"all": HITS, "play": HITS, "play_two_spots": HITS}; HITS = {"first":
                          FIGURE, "first_two": FIGURE, "chance", "chance_two"}: the zone of highest
                          probability, one of the two highest, is a loose one
    ``wheels``            {"wheel": FIGURE, "axle": FIGURE} or None: one loose wheel of a 4wd car
    ``reliability``       {"any": BINS, "zones": BINS}; BINS = list of {"stated", "found", "low",
                          "high", "n"}, low and high a Wilson 95 % interval
    ``ece, brier``        {"any": FIGURE, "zones": FIGURE}
    ``ece_by_chance``     {"any": number, "zones": number}: mean calibration error of as many
                          checks whose outcomes are drawn from the stated probabilities
    ``log_loss``          {"any": number, "zones": number}
    ``conformal``         list of {"nominal", "coverage": FIGURE, "size": FIGURE, "n_zones"}
    ``familiar``          FIGURE, share of held-out checks that count as familiar
    ``detection_by_turns``  list of {"turns", "low", "high", "n", "detected": FIGURE}
    ``detection``         {"turns": {zone: POD}, "preload": {zone: POD}}; zones,
                          ``"driven_wheels"``, ``"still_wheels"`` and ``"any"``
    ``mesh``              {KIND: {"n", "alarm": FIGURE, "gear_mesh_first": FIGURE,
                          "gear_mesh_first_two": FIGURE}}, KIND ``mesh_tight`` or ``mesh_loose``

``POD`` (probability that the check raises the alarm, checks with this zone alone loose)
    ``unit``              ``"turns"`` or ``"preload_lost"`` (1 − preload fraction, turns = 0 only)
    ``n, n_found``        cases
    ``intercept, slope``  of logit POD = intercept + slope · ln(unit); None where not fitted
    ``a90``               size found in 90 % of cases; None where not reached in range
    ``a90_95``            size for which 95 % confidence holds that it is; None where not reached
    ``largest``           end of the range (2 turns, or preload lost 1)
    ``words``             such as ``"0.42 turns"`` or ``"not reached within 2 turns"``
    ``curve``             {"at", "pod", "low", "high"}: lists, 95 % interval over cars; None
    ``bins``              list of {"low", "high", "n", "found"}
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.features.catalogue import NAMES
from vibecheck.model.calibration import log_odds, sigmoid
from vibecheck.model.heads import ANY_HEAD, STILL_WHEELS_HEAD, head_of
from vibecheck.model.looseness import LoosenessModel
from vibecheck.training.families import FAMILIES, Family
from vibecheck.training.figures import CONFIDENCE, plain, reliability, summarise
from vibecheck.training.fit import MIN_SKILL, Fitted, fit_model
from vibecheck.training.heldout import car_folds
from vibecheck.training.predictions import COVERAGES, FALSE_ALARM_RATE, Predictions
from vibecheck.training.table import FeatureTable
from vibecheck.training.targets import targets

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Progress = Callable[[str], None]

PHONE = "microphone"
SCHEMA = "vibecheck.metrics/1"
MOST_IMPORTANT = 12
OUTER_SEED = 7
__all__ = [
    "MODES",
    "Mode",
    "Predictions",
    "base_rates",
    "cross_validate",
    "evaluate",
    "fit_facts",
    "metrics_of",
    "outer_folds",
    "plain",
    "predict",
    "reliability",
    "summarise",
]


@dataclass(frozen=True)
class Mode:
    """A way of using the tool.

    Attributes
    ----------
    name : str
        Short name, the key in the metrics.
    label : str
        In words.
    n_baseline : int or None
        Baseline takes per spot at most; 0 without a baseline, ``None`` for all there are.
    centre_only : bool
        One phone at the centre of the car, instead of all takes of the check.
    sensor : str or None
        Takes by this kind of sensor only.
    """

    name: str
    label: str
    n_baseline: int | None
    centre_only: bool = False
    sensor: str | None = None

    def takes(self, table: FeatureTable, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return those of a check's takes that are used."""
        if self.centre_only:
            rows = rows[(table.spot[rows] == CENTRE_SPOT) & (table.sensor[rows] == PHONE)]
        return rows if self.sensor is None else rows[table.sensor[rows] == self.sensor]


MODES: tuple[Mode, ...] = (
    Mode("all_takes_baseline", "all takes, against baseline", None),
    Mode("all_takes_one_baseline_take", "all takes, against one baseline take", 1),
    Mode("all_takes_no_baseline", "all takes, no baseline", 0),
    Mode("microphone_baseline", "microphone takes, against baseline", None, sensor=PHONE),
    Mode(
        "accelerometer_baseline",
        "accelerometer takes, against baseline",
        None,
        sensor="accelerometer",
    ),
    Mode("centre_baseline", "centre microphone only, against baseline", None, centre_only=True),
    Mode("centre_no_baseline", "centre microphone only, no baseline", 0, centre_only=True),
)


def base_rates(table: FeatureTable) -> dict[str, float]:
    """Share of loose cases among the zones of every kind of zone, mesh settings left out."""
    cases: dict[str, list[bool]] = {}
    plainly = np.flatnonzero(~table.is_mesh)
    for row in plainly:
        for place, zone in enumerate(table.zones.tolist()):
            name = head_of(zone, str(table.layout[row]))
            cases.setdefault(name, []).append(bool(table.loose[row, place]))
    rates = {name: float(np.mean(found)) for name, found in cases.items()}
    return {**rates, ANY_HEAD: float(table.loose[plainly].any(axis=1).mean())}


def predict(
    model: LoosenessModel,
    table: FeatureTable,
    rates: Mapping[str, float],
    mode: Mode,
) -> Predictions:
    """Let a model judge every check of a table.

    ``rates`` are `base_rates` of the training set: they stand in for a zone's prior where the model
    does not know the zone.
    """
    zones = [str(zone) for zone in table.zones]
    with_baseline = mode.n_baseline != 0
    rows: dict[str, list[Any]] = {name: [] for name in Predictions.__dataclass_fields__}
    for check in np.unique(table.check):
        takes = mode.takes(table, np.flatnonzero(table.check == check))
        evidence = [
            table.evidence(int(k), with_baseline=with_baseline, n_baseline=mode.n_baseline)
            for k in takes
        ]
        if with_baseline:
            evidence = [one for one in evidence if one.baseline is not None]
        if not evidence:
            continue
        first = int(takes[0])
        layout = str(table.layout[first])
        found = model.judge(evidence, zones, layout, with_evidence=False)
        names = [head_of(zone, layout) for zone in zones]
        priors = np.array(
            [
                one.prior if one.prior is not None else rates.get(name, 0.05)
                for one, name in zip(found.zones, names, strict=True)
            ]
        )
        ratio = np.array([one.log_ratio for one in found.zones])
        any_prior = found.any_prior if found.any_prior is not None else rates[ANY_HEAD]
        any_line = (found.any_log_ratio or 0.0) + log_odds(any_prior)
        sets = [model.candidates(found, coverage) for coverage in COVERAGES]
        rows["car"].append(table.car[first])
        rows["check"].append(check)
        rows["kind"].append(table.kind[first])
        rows["n_spots"].append(len({one.spot for one in evidence}))
        rows["probability"].append(sigmoid(ratio + log_odds(priors)))
        rows["any_probability"].append(float(sigmoid(np.asarray(any_line))))
        rows["loose"].append(table.loose[first])
        rows["turns"].append(table.turns[first])
        rows["preload"].append(table.preload[first])
        rows["heard"].append([one.heard for one in found.zones])
        rows["turning"].append([name != STILL_WHEELS_HEAD for name in names])
        rows["alarm"].append(model.is_alarm(found, FALSE_ALARM_RATE))
        rows["unfamiliar"].append(model.unfamiliar_of(evidence).is_unfamiliar)
        # Without a calibrated set every zone is a candidate.
        rows["candidates"].append(
            [[one is None or zone in one.zones for zone in zones] for one in sets]
        )
    rows["zones"] = zones
    return Predictions(**{name: np.array(values) for name, values in rows.items()})


def outer_folds(table: FeatureTable, n_outer: int, seed: int = OUTER_SEED) -> list[BoolArray]:
    """Masks of the held-out takes of every outer fold, by cars: the same on every machine."""
    return car_folds(table.car, n_outer, seed=seed)


def cross_validate(
    table: FeatureTable,
    *,
    families: Sequence[Family] = FAMILIES,
    n_outer: int = 7,
    n_folds: int = 4,
    modes: Sequence[Mode] = MODES,
    min_skill: float = MIN_SKILL,
    n_jobs: int = 1,
    seed: int = OUTER_SEED,
    progress: Progress | None = None,
) -> tuple[dict[str, Predictions], list[dict[str, str]]]:
    """Judge every car by a model fitted, chosen and calibrated without it.

    Returns
    -------
    predictions : dict of mode to Predictions
    chosen : list of dict
        Families chosen in each outer fold.
    """
    from joblib import Parallel, delayed

    def one_fold(held: BoolArray) -> tuple[dict[str, str], dict[str, Predictions]]:
        known, test = table.select(np.flatnonzero(~held)), table.select(np.flatnonzero(held))
        fitted = fit_model(known, families=families, n_folds=n_folds, min_skill=min_skill)
        rates = base_rates(known)
        found = {mode.name: predict(fitted.model, test, rates, mode) for mode in modes}
        return fitted.chosen, found

    folds = outer_folds(table, n_outer, seed)
    parts: dict[str, list[Predictions]] = {mode.name: [] for mode in modes}
    chosen = []
    jobs = Parallel(n_jobs=n_jobs, return_as="generator")(delayed(one_fold)(f) for f in folds)
    for number, (families_chosen, found) in enumerate(jobs, start=1):
        chosen.append(families_chosen)
        for name, predictions in found.items():
            if predictions.check.size:
                parts[name].append(predictions)
        if progress:
            progress(f"Judged fold {number} of {len(folds)}")
    return {name: Predictions.join(found) for name, found in parts.items() if found}, chosen


def metrics_of(
    table: FeatureTable,
    found: Mapping[str, Predictions],
    *,
    origin: str,
    folds: Sequence[BoolArray] = (),
    n_folds: int | None = None,
    chosen_per_fold: Sequence[Mapping[str, str]] = (),
    fitted: Fitted | None = None,
    modes: Sequence[Mode] = MODES,
    n_bootstrap: int = 300,
) -> dict[str, Any]:
    """Return the ``METRICS`` of predictions.

    Parameters
    ----------
    table : FeatureTable
        The takes that were judged.
    found : mapping of mode's name to Predictions
    origin : {"simulated", "own", "pooled"}
    folds : sequence of ndarray of bool
        Outer folds, where the takes were judged fold by fold.
    n_folds : int, optional
        Inner folds.
    chosen_per_fold : sequence of mapping
    fitted : Fitted, optional
        The model fitted on all cars: what was chosen, the heads' skill and importance.
    modes : sequence of Mode
    n_bootstrap : int
    """
    _, first = np.unique(table.check, return_index=True)
    loose: BoolArray = np.asarray(table.loose[first].any(axis=1))
    figures = {
        mode.name: {"label": mode.label, **summarise(found[mode.name], n_bootstrap=n_bootstrap)}
        for mode in modes
        if mode.name in found
    }
    metrics: dict[str, Any] = {
        "schema": SCHEMA,
        "origin": origin,
        "confidence": CONFIDENCE,
        "n_cars": int(np.unique(table.car).size),
        "n_checks": int(first.size),
        "n_takes": table.n_takes,
        "n_loose_checks": int(loose.sum()),
        "n_hard_checks": int(table.is_hard[first].sum()),
        "n_mesh_checks": int(table.is_mesh[first].sum()),
        "n_outer": len(folds),
        "n_folds": n_folds,
        "zones": [str(zone) for zone in table.zones],
        "folds": [sorted(np.unique(table.car[held]).tolist()) for held in folds],
        "modes": figures,
        "targets": targets(figures),
        "chosen_per_fold": [dict(one) for one in chosen_per_fold],
    }
    made: dict[str, Any] = plain(metrics)
    return made if fitted is None else {**made, **fit_facts(fitted)}


def fit_facts(fitted: Fitted) -> dict[str, Any]:
    """Return what the metrics say of the model fitted on all cars."""
    facts: dict[str, Any] = plain(
        {
            "chosen": fitted.chosen,
            "skill": fitted.skill,
            "held_out_log_loss": fitted.losses,
            "n_kept": {label: len(names) for label, names in fitted.kept.items()},
            "never_kept": sorted(set(NAMES).difference(*fitted.kept.values())),
            "importance": importance_of(fitted),
        }
    )
    return facts


def importance_of(fitted: Fitted) -> dict[str, list[list[Any]]]:
    """Share of each feature in what moves a head, the largest first."""
    from vibecheck.model.store import head_name

    found: dict[str, list[list[Any]]] = {}
    for key, head in fitted.model.heads.items():
        total = float(head.importance.sum())
        if total > 0.0:
            order = np.argsort(-head.importance)[:MOST_IMPORTANT]
            found[head_name(key)] = [
                [head.layout.names[k], float(head.importance[k] / total)] for k in order
            ]
    return found


def evaluate(
    table: FeatureTable,
    *,
    origin: str = "simulated",
    fitted: Fitted | None = None,
    families: Sequence[Family] = FAMILIES,
    n_outer: int = 7,
    n_folds: int = 4,
    modes: Sequence[Mode] = MODES,
    min_skill: float = MIN_SKILL,
    n_jobs: int = 1,
    seed: int = OUTER_SEED,
    n_bootstrap: int = 300,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Judge the method on held-out cars, and return the ``METRICS`` described above."""
    found, chosen = cross_validate(
        table,
        families=families,
        n_outer=n_outer,
        n_folds=n_folds,
        modes=modes,
        min_skill=min_skill,
        n_jobs=n_jobs,
        seed=seed,
        progress=progress,
    )
    return metrics_of(
        table,
        found,
        origin=origin,
        folds=outer_folds(table, n_outer, seed),
        n_folds=n_folds,
        chosen_per_fold=chosen,
        fitted=fitted,
        modes=modes,
        n_bootstrap=n_bootstrap,
    )
