"""Nested, car-grouped evaluation: the whole fit is repeated without each fold of cars.

`evaluate` (being built on `cross_validate` and `summarise`) returns one plain dict, ready for JSON.
Undefined numbers are ``None``, never NaN. Layout, with upper-case words as shorthand:

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
                          FIGURE, "met": bool or None}; ``None`` where it could not be measured
    ``chosen``            {head: family} of the model fitted on all cars
    ``skill``             {head: FIGURE}, held-out ROC area of each head, those left out included
    ``chosen_per_fold``   list of {head: family}
    ``held_out_log_loss`` {head: {family: number}}
    ``importance``        {head: list of [feature, share]}, at most 12 a head, largest first

``MODE`` (one way of using the tool; every probability is a held-out one)
    ``label``             words for a person, such as ``"all takes, against baseline"``
    ``n_checks, n_cars, n_snug_checks, n_loose_checks, n_hard_checks, n_play_checks``
        Checks of a mesh set too tight or too loose are in none of these but ``n_mesh_checks``.
        Play: some fastener is backed off (turns > 0). Hard: nothing loose, but it sounds odd.
    ``any_loose_auc``     FIGURE, anything loose against nothing loose (hard cases included)
    ``any_play_auc``      FIGURE, loose with play against nothing loose
    ``zone_auc``          {zone: FIGURE} and, over wheels, ``"driven_wheels"``, ``"still_wheels"``,
                          ``"some_driven_wheel"``; also ``zone_play_auc``: loose with play only
    ``roc``               {"false_alarm": [...], "recall": [...]} of anything loose
    ``alarm``             {"false_alarm_rate": 0.05, "threshold", "recall": FIGURE,
                          "recall_play": FIGURE}; the threshold is the 95th percentile of
                          plain snug checks (hard cases apart)
    ``hard_negatives``    {"all": FIGURE, KIND: FIGURE}: share above that threshold
    ``first_zone``        {"all": HITS, "play": HITS, "play_two_spots": HITS}; HITS = {"first":
                          FIGURE, "first_two": FIGURE, "chance", "chance_two"}: the zone of highest
                          probability, one of the two highest, is a loose one
    ``wheels``            {"wheel": FIGURE, "axle": FIGURE} or None: one loose wheel of a 4wd car
    ``reliability``       {"any": BINS, "zones": BINS}; BINS = list of {"stated", "found", "low",
                          "high", "n"}, low and high a Wilson 95 % interval
    ``ece, brier``        {"any": FIGURE, "zones": FIGURE}
    ``log_loss``          {"any": number, "zones": number}
    ``conformal``         list of {"nominal", "coverage": FIGURE, "size": FIGURE, "n_zones"}
    ``familiar``          FIGURE, share of held-out checks that count as familiar
    ``detection_by_turns``  list of {"turns", "low", "high", "n", "detected": FIGURE}
    ``detection``         {"turns": {zone: POD}, "preload": {zone: POD}}; zones and ``"any"``
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
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.model.calibration import log_odds, sigmoid
from vibecheck.model.heads import ANY_HEAD, STILL_WHEELS_HEAD, head_of
from vibecheck.model.looseness import LoosenessModel
from vibecheck.training.families import FAMILIES, Family
from vibecheck.training.fit import MIN_SKILL, car_folds, fit_model
from vibecheck.training.metrics import (
    Figure,
    auc_over_cars,
    brier,
    expected_calibration_error,
    first_hits,
    over_cars,
)
from vibecheck.training.table import FeatureTable

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Progress = Callable[[str], None]

PHONE = "microphone"
FALSE_ALARM_RATE = 0.05
"""Share of snug checks at which detection is stated."""
TURN_EDGES = (0.0, 1e-9, 0.25, 0.5, 1.0, 2.0, 5.1)
TURN_NAMES = (
    "preload lost, no play",
    "up to 1/4 turn",
    "1/4 to 1/2 turn",
    "1/2 to 1 turn",
    "1 to 2 turns",
    "over 2 turns",
)


@dataclass(frozen=True)
class Mode:
    """A way of using the tool.

    Attributes
    ----------
    name : str
    n_baseline : int or None
        Baseline takes per spot at most; 0 without a baseline, ``None`` for all there are.
    centre_only : bool
        One phone at the centre of the car, instead of all takes of the check.
    """

    name: str
    n_baseline: int | None
    centre_only: bool = False


MODES: tuple[Mode, ...] = (
    Mode("all takes, against baseline", None),
    Mode("all takes, against one baseline take", 1),
    Mode("all takes, no baseline", 0),
    Mode("centre microphone only, against baseline", None, centre_only=True),
    Mode("centre microphone only, no baseline", 0, centre_only=True),
)


@dataclass(frozen=True, eq=False)
class Predictions:
    """What models said of checks of cars they never saw.

    Attributes
    ----------
    car, check : ndarray of str, shape (n,)
    zones : ndarray of str, shape (n_zones,)
    ratio : ndarray, shape (n, n_zones)
        Log likelihood ratios.
    probability : ndarray, shape (n, n_zones)
        With the prior of the training set.
    any_probability : ndarray, shape (n,)
    loose : ndarray of bool, shape (n, n_zones)
    turns, preload : ndarray, shape (n, n_zones)
    heard, turning : ndarray of bool, shape (n, n_zones)
        Zones the model had a head for; zones other than wheels that do not turn.
    is_hard, unfamiliar : ndarray of bool, shape (n,)
    """

    car: NDArray[np.str_]
    check: NDArray[np.str_]
    zones: NDArray[np.str_]
    ratio: FloatArray
    probability: FloatArray
    any_probability: FloatArray
    loose: BoolArray
    turns: FloatArray
    preload: FloatArray
    heard: BoolArray
    turning: BoolArray
    is_hard: BoolArray
    unfamiliar: BoolArray

    @staticmethod
    def join(parts: Sequence[Predictions]) -> Predictions:
        """Put the folds together."""
        joined: dict[str, Any] = {}
        for item in fields(Predictions):
            values = [getattr(part, item.name) for part in parts]
            joined[item.name] = values[0] if item.name == "zones" else np.concatenate(values)
        return Predictions(**joined)


def base_rates(table: FeatureTable) -> dict[str, float]:
    """Share of loose cases among the zones of every kind of zone."""
    cases: dict[str, list[bool]] = {}
    for row in range(table.n_takes):
        for place, zone in enumerate(table.zones.tolist()):
            name = head_of(zone, str(table.layout[row]))
            cases.setdefault(name, []).append(bool(table.loose[row, place]))
    rates = {name: float(np.mean(found)) for name, found in cases.items()}
    return {**rates, ANY_HEAD: float(table.loose.any(axis=1).mean())}


def predict(
    model: LoosenessModel,
    table: FeatureTable,
    rates: Mapping[str, float],
    mode: Mode,
) -> Predictions:
    """Let a model judge every check of a table.

    ``rates`` are the training set's base rates: the prior probability of every zone.
    """
    zones = table.zones
    with_baseline = mode.n_baseline != 0
    rows: dict[str, list[Any]] = {item.name: [] for item in fields(Predictions)}
    for check in np.unique(table.check):
        takes = np.flatnonzero(table.check == check)
        if mode.centre_only:
            takes = takes[(table.spot[takes] == CENTRE_SPOT) & (table.sensor[takes] == PHONE)]
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
        odds = [model.zone_odds(str(zone), evidence, layout) for zone in zones]
        names = [head_of(str(zone), layout) for zone in zones]
        priors = np.array([rates.get(name, 0.05) for name in names])
        ratio = np.array([one.log_ratio for one in odds])
        anything = model.combined(ANY_HEAD, evidence)
        any_ratio = anything.log_ratio if anything else 0.0
        rows["car"].append(table.car[first])
        rows["check"].append(check)
        rows["ratio"].append(ratio)
        rows["probability"].append(sigmoid(ratio + log_odds(priors)))
        rows["any_probability"].append(sigmoid(np.asarray(any_ratio + log_odds(rates[ANY_HEAD]))))
        rows["loose"].append(table.loose[first])
        rows["turns"].append(table.turns[first])
        rows["preload"].append(table.preload[first])
        rows["heard"].append([one.heard for one in odds])
        rows["turning"].append([name != STILL_WHEELS_HEAD for name in names])
        rows["is_hard"].append(table.is_hard[first])
        rows["unfamiliar"].append(model.unfamiliar_of(evidence).is_unfamiliar)
    rows["zones"] = list(zones)
    return Predictions(**{name: np.array(values) for name, values in rows.items()})


def cross_validate(
    table: FeatureTable,
    *,
    families: Sequence[Family] = FAMILIES,
    n_outer: int = 7,
    n_folds: int = 5,
    modes: Sequence[Mode] = MODES,
    min_skill: float = MIN_SKILL,
    n_jobs: int = 1,
    seed: int = 7,
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
        known, test = table.select(~held), table.select(held)
        fitted = fit_model(known, families=families, n_folds=n_folds, min_skill=min_skill)
        rates = base_rates(known)
        found = {mode.name: predict(fitted.model, test, rates, mode) for mode in modes}
        return fitted.chosen, found

    folds = car_folds(table.car, n_outer, seed=seed)
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


def summarise(found: Predictions, *, n_bootstrap: int = 300) -> dict[str, Any]:
    """Figures of merit of held-out predictions, with 90 % intervals over cars."""
    any_loose: BoolArray = np.asarray(found.loose.any(axis=1))
    snug = ~any_loose

    def auc_of(scores: FloatArray, labels: BoolArray) -> Figure:
        return auc_over_cars(scores, labels, found.car, n_bootstrap=n_bootstrap)

    def share(hits: BoolArray, among: BoolArray) -> Figure:
        chosen = np.flatnonzero(among)
        return over_cars(
            lambda rows: float(np.mean(hits[chosen][rows])),
            found.car[chosen],
            n_bootstrap=n_bootstrap,
        )

    score = found.any_probability
    result: dict[str, Any] = {
        "n_checks": int(found.check.size),
        "n_cars": int(np.unique(found.car).size),
        "n_loose_checks": int(any_loose.sum()),
        "any_loose_auc": auc_of(score, any_loose),
        "any_loose_brier": brier(score, any_loose),
        "any_loose_ece": expected_calibration_error(score, any_loose),
        "zone_ece": expected_calibration_error(
            found.probability.reshape(-1), found.loose.reshape(-1)
        ),
        "zone_brier": brier(found.probability.reshape(-1), found.loose.reshape(-1)),
        "familiar_share": float(np.mean(~found.unfamiliar)),
        "zone_auc": {},
    }
    wheels = np.array([str(zone).startswith("wheel_") for zone in found.zones])
    for k, zone in enumerate(found.zones):
        if found.loose[:, k].any() and not wheels[k]:
            result["zone_auc"][str(zone)] = auc_of(found.probability[:, k], found.loose[:, k])
    for label, chosen in (("driven wheels", found.turning), ("wheels at rest", ~found.turning)):
        rows, places = np.nonzero(chosen & wheels)
        p, y, cars = found.probability[rows, places], found.loose[rows, places], found.car[rows]
        if y.any():
            result["zone_auc"][label] = auc_over_cars(p, y, cars, n_bootstrap=n_bootstrap)
    driven = found.turning & wheels
    some = np.where(driven, found.probability, 0.0).sum(axis=1)
    some_loose: BoolArray = np.asarray((found.loose & driven).any(axis=1))
    if some_loose.any():
        result["zone_auc"]["some driven wheel"] = auc_of(some, some_loose)
    # Loose with play, in a part that turns or carries the drive, against snug: the rest (preload
    # lost without play, wheels that do not turn) makes hardly any sound.
    play: BoolArray = np.asarray((found.loose & (found.turns > 0.0) & found.turning).any(axis=1))
    clear = np.flatnonzero(play | snug)
    if play.any() and snug.any():
        result["any_play_auc"] = auc_over_cars(
            score[clear], play[clear], found.car[clear], n_bootstrap=n_bootstrap
        )
    if any_loose.any():
        result["first_zone_hit"] = share(first_hits(found.probability, found.loose, 1), any_loose)
        result["first_two_zones_hit"] = share(
            first_hits(found.probability, found.loose, 2), any_loose
        )
        result["first_hit_by_chance"] = float(found.loose[any_loose].mean())
        axle = wheel_axle_hits(found)
        if axle is not None:
            result["first_wheel_hit"], result["first_wheel_axle_hit"] = axle
    if snug.any():
        threshold = float(np.quantile(score[snug], 1.0 - FALSE_ALARM_RATE))
        alarm = score > threshold
        result["threshold_at_false_alarm_rate"] = threshold
        result["detection_at_false_alarm_rate"] = share(alarm, any_loose)
        if (found.is_hard & snug).any():
            result["false_alarms_hard"] = share(alarm, found.is_hard & snug)
            result["n_hard"] = int((found.is_hard & snug).sum())
        result["detection_by_turns"] = detection_by_turns(found, threshold)
    return result


def wheel_axle_hits(found: Predictions) -> tuple[float, float] | None:
    """Share of checks with one loose wheel in which the likeliest wheel is it, or on its axle."""
    wheels = np.array([str(zone).startswith("wheel_") for zone in found.zones])
    if wheels.sum() < 4:
        return None
    loose = found.loose[:, wheels]
    # Cars of which all wheels turn: elsewhere the layout alone halves the choice.
    rows = np.flatnonzero((loose.sum(axis=1) == 1) & found.turning[:, wheels].all(axis=1))
    if rows.size == 0:
        return None
    names = [str(zone) for zone in found.zones[wheels]]
    first = found.probability[rows][:, wheels].argmax(axis=1)
    true = loose[rows].argmax(axis=1)
    axle = np.array([name.split("_")[1] for name in names])
    return float(np.mean(first == true)), float(np.mean(axle[first] == axle[true]))


def detection_by_turns(found: Predictions, threshold: float) -> list[dict[str, Any]]:
    """Share of checks that raise an alarm, by how far the worst loose fastener is backed off."""
    any_loose: BoolArray = np.asarray(found.loose.any(axis=1))
    worst = np.where(found.loose, found.turns, -1.0).max(axis=1)
    rows = []
    for name, low, high in zip(TURN_NAMES, TURN_EDGES[:-1], TURN_EDGES[1:], strict=True):
        among = any_loose & (worst >= low) & (worst < high)
        if among.any():
            rows.append(
                {
                    "turns": name,
                    "n": int(among.sum()),
                    "detected": float(np.mean(found.any_probability[among] > threshold)),
                }
            )
    return rows


def reliability(found: Predictions, n_bins: int = 10) -> list[dict[str, float]]:
    """Stated against found frequency of zones, in equal-width bins."""
    p, y = found.probability.reshape(-1), found.loose.reshape(-1)
    place = np.minimum((p * n_bins).astype(np.intp), n_bins - 1)
    return [
        {
            "stated": float(p[place == k].mean()),
            "found": float(y[place == k].mean()),
            "n": float((place == k).sum()),
        }
        for k in range(n_bins)
        if (place == k).any()
    ]


def plain(value: Any) -> Any:
    """Figures as plain numbers, for JSON."""
    if isinstance(value, Figure):
        return {"value": value.value, "low": value.low, "high": value.high}
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return value.item()
    return value
