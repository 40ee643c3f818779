"""Figures of merit of predictions: the ``MODE`` entry of the metrics."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.dataset.columns import HARD_NEGATIVES, MESH_SETTINGS
from vibecheck.training.detection import pod
from vibecheck.training.metrics import (
    CONFIDENCE,
    Figure,
    brier,
    expected_calibration_error,
    first_hits,
    log_loss,
    over_cars,
    roc_auc,
    roc_curve,
    wilson_interval,
)
from vibecheck.training.predictions import COVERAGES, FALSE_ALARM_RATE, Predictions

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

__all__ = ["CONFIDENCE", "plain", "reliability", "summarise"]

MOST_TURNS = 2.0
"""End of the range in which the turns that are found are sought."""
TURN_EDGES = (0.0, 0.25, 0.5, 1.0, 2.0, math.inf)
TURN_NAMES = ("up to 1/4 turn", "1/4 to 1/2 turn", "1/2 to 1 turn", "1 to 2 turns", "over 2 turns")
PRELOAD_EDGES = (0.4, 0.6, 0.8, 1.0)


class _Judge:
    """Figures of one set of predictions, each with its interval over cars."""

    def __init__(self, found: Predictions, n_bootstrap: int) -> None:
        self.found = found
        self.n_bootstrap = n_bootstrap

    def over(
        self, statistic: Callable[[NDArray[np.intp]], float], rows: NDArray[np.intp]
    ) -> Figure:
        """Evaluate a statistic of some checks, given their row numbers."""
        return over_cars(
            lambda drawn: statistic(rows[drawn]),
            self.found.car[rows],
            n_bootstrap=self.n_bootstrap,
        )

    def area(self, scores: FloatArray, labels: BoolArray, among: BoolArray) -> Figure | None:
        """Area under the ROC curve among some checks; ``None`` where a class is empty."""
        rows = np.flatnonzero(among)
        if not labels[rows].any() or labels[rows].all():
            return None
        return self.over(lambda r: roc_auc(scores[r], labels[r]), rows)

    def share(self, hits: BoolArray, among: BoolArray) -> Figure | None:
        """Share of some checks; ``None`` where there are none."""
        rows = np.flatnonzero(among)
        if rows.size == 0:
            return None
        return self.over(lambda r: float(np.mean(hits[r])), rows)

    def mean(self, values: FloatArray, among: BoolArray) -> Figure | None:
        """Mean over some checks; ``None`` where there are none."""
        rows = np.flatnonzero(among)
        if rows.size == 0:
            return None
        return self.over(lambda r: float(np.mean(values[r])), rows)


def summarise(found: Predictions, *, n_bootstrap: int = 300) -> dict[str, Any]:
    """Return the ``MODE`` entry without its label (layout in `vibecheck.training.evaluate`)."""
    mesh = found.select(np.flatnonzero(found.is_mesh))
    found = found.select(np.flatnonzero(~found.is_mesh))
    judge = _Judge(found, n_bootstrap)
    score, any_loose, play = found.any_probability, found.any_loose, found.play
    every: BoolArray = np.ones(score.size, dtype=bool)
    alarm = found.alarm
    fall, rise = roc_curve(score, any_loose)
    return {
        "n_checks": int(found.check.size),
        "n_cars": int(np.unique(found.car).size),
        "n_snug_checks": int((~any_loose).sum()),
        "n_loose_checks": int(any_loose.sum()),
        "n_hard_checks": int(found.is_hard.sum()),
        "n_play_checks": int(play.sum()),
        "n_mesh_checks": int(mesh.check.size),
        "any_loose_auc": judge.area(score, any_loose, every),
        "any_play_auc": judge.area(score, play, play | ~any_loose),
        "zone_auc": _zone_areas(judge, play_only=False),
        "zone_heard": _zone_heard(found),
        "zone_play_auc": _zone_areas(judge, play_only=True),
        "roc": {"false_alarm": fall, "recall": rise},
        "alarm": {
            "false_alarm_rate": FALSE_ALARM_RATE,
            "snug": judge.share(alarm, ~any_loose & ~found.is_hard),
            "recall": judge.share(alarm, any_loose),
            "recall_play": judge.share(alarm, play),
        },
        "hard_negatives": {
            "all": judge.share(alarm, found.is_hard),
            **{
                kind: judge.share(alarm, found.is_hard & (found.kind == kind))
                for kind in HARD_NEGATIVES
                if (found.is_hard & (found.kind == kind)).any()
            },
        },
        "first_zone": {
            "all": _hits(judge, any_loose),
            "play": _hits(judge, play),
            "play_two_spots": _hits(judge, play & (found.n_spots >= 2)),
        },
        "wheels": _one_wheel(judge),
        "reliability": {
            "any": _bins(score, any_loose),
            "zones": reliability(found),
        },
        "ece": _over_both(judge, expected_calibration_error),
        "ece_by_chance": {
            "any": _error_by_chance(score),
            "zones": _error_by_chance(found.probability.reshape(-1)),
        },
        "brier": _over_both(judge, brier),
        "log_loss": {
            "any": log_loss(score, any_loose),
            "zones": log_loss(found.probability.reshape(-1), found.loose.reshape(-1)),
        },
        "conformal": _conformal(judge),
        "familiar": judge.share(~found.unfamiliar, every),
        "detection_by_turns": _by_turns(judge, alarm),
        "detection": {
            "turns": _detection(judge, alarm, "turns"),
            "preload": _detection(judge, alarm, "preload_lost"),
        },
        "mesh": _mesh(mesh, n_bootstrap),
    }


def _zone_areas(judge: _Judge, *, play_only: bool) -> dict[str, Figure]:
    """Area of every zone, and of the wheels together, on checks × zones."""
    found = judge.found
    loose = found.loose & (found.turns > 0.0) if play_only else found.loose
    # Judged on play: what lost preload only is neither one nor the other.
    clear = ~found.loose | loose
    stated = _stated(found)
    areas: dict[str, Figure | None] = {
        str(zone): judge.area(stated[:, k], loose[:, k], clear[:, k])
        for k, zone in enumerate(found.zones)
    }
    for label, chosen in (
        ("driven_wheels", found.driven_wheels),
        ("still_wheels", found.still_wheels),
    ):
        areas[label] = _area_of_cells(judge, stated, loose, chosen & clear)
    driven = found.driven_wheels
    some = 1.0 - np.prod(1.0 - np.where(driven, stated, 0.0), axis=1)
    some_loose: BoolArray = np.asarray((loose & driven).any(axis=1))
    unclear = (found.loose & driven).any(axis=1) & ~some_loose
    areas["some_driven_wheel"] = judge.area(some, some_loose, ~unclear)
    return {name: area for name, area in areas.items() if area is not None}


def _stated(found: Predictions) -> FloatArray:
    """Probabilities of zones, the same in all checks where a zone was not heard.

    There the prior stands, which differs from one training set to another: over folds it would
    tell the folds apart, not the checks.
    """
    stated = found.probability.copy()
    for k in range(found.zones.size):
        for turning in (False, True):
            silent = ~found.heard[:, k] & (found.turning[:, k] == turning)
            if silent.any():
                stated[silent, k] = stated[silent, k].mean()
    return stated


def _zone_heard(found: Predictions) -> dict[str, float]:
    """Share of checks in which a head spoke for a zone; keys as the zones' areas."""
    shares = {str(zone): found.heard[:, k] for k, zone in enumerate(found.zones)}
    for label, chosen in (
        ("driven_wheels", found.driven_wheels),
        ("still_wheels", found.still_wheels),
        ("some_driven_wheel", found.driven_wheels),
    ):
        shares[label] = found.heard[chosen]
    return {name: float(np.mean(heard)) for name, heard in shares.items() if heard.size}


def _error_by_chance(p: FloatArray, n_draws: int = 200) -> float | None:
    """Mean calibration error where every stated probability is true."""
    if p.size == 0:
        return None
    rng = np.random.default_rng(0)
    drawn = [expected_calibration_error(p, rng.random(p.size) < p) for _ in range(n_draws)]
    return float(np.mean(drawn))


def _area_of_cells(
    judge: _Judge, stated: FloatArray, loose: BoolArray, chosen: BoolArray
) -> Figure | None:
    """Area over single wheels of all checks."""
    rows, places = np.nonzero(chosen)
    p, y, cars = stated[rows, places], loose[rows, places], judge.found.car[rows]
    if not y.any() or y.all():
        return None
    return over_cars(lambda r: roc_auc(p[r], y[r]), cars, n_bootstrap=judge.n_bootstrap)


def _hits(judge: _Judge, among: BoolArray) -> dict[str, Any]:
    """How often the first zone, or one of the first two, is a loose one; and by chance."""
    found = judge.found
    n_loose, n = found.loose.sum(axis=1), found.zones.size
    one = n_loose / n
    # Both of two zones drawn without replacement are tight: hypergeometric.
    neither = (n - n_loose) * (n - n_loose - 1) / max(n * (n - 1), 1)
    return {
        "first": judge.share(first_hits(found.probability, found.loose, 1), among),
        "first_two": judge.share(first_hits(found.probability, found.loose, 2), among),
        "chance": float(np.mean(one[among])) if among.any() else None,
        "chance_two": float(np.mean(1.0 - neither[among])) if among.any() else None,
    }


def _one_wheel(judge: _Judge) -> dict[str, Figure | None] | None:
    """One loose wheel of a car of which all wheels turn: is the likeliest it, or on its axle?"""
    found = judge.found
    wheels = np.flatnonzero([str(zone).startswith("wheel_") for zone in found.zones])
    if wheels.size < 4:
        return None
    loose = found.loose[:, wheels]
    among = (loose.sum(axis=1) == 1) & found.turning[:, wheels].all(axis=1)
    if not among.any():
        return None
    axle = np.array([str(zone).split("_")[1] for zone in found.zones[wheels]])
    first = found.probability[:, wheels].argmax(axis=1)
    true = loose.argmax(axis=1)
    return {
        "wheel": judge.share(first == true, among),
        "axle": judge.share(axle[first] == axle[true], among),
    }


def _over_both(
    judge: _Judge, statistic: Callable[[FloatArray, BoolArray], float]
) -> dict[str, Figure | None]:
    """Evaluate a statistic of probabilities and outcomes, for anything and for zones."""
    found = judge.found
    rows = np.arange(found.check.size)
    if rows.size == 0:
        return {"any": None, "zones": None}
    return {
        "any": judge.over(lambda r: statistic(found.any_probability[r], found.any_loose[r]), rows),
        "zones": judge.over(
            lambda r: statistic(found.probability[r].reshape(-1), found.loose[r].reshape(-1)), rows
        ),
    }


def reliability(found: Predictions, n_bins: int = 10) -> list[dict[str, float]]:
    """Stated against found frequency of zones, in equal-width bins."""
    return _bins(found.probability.reshape(-1), found.loose.reshape(-1), n_bins)


def _bins(p: FloatArray, y: BoolArray, n_bins: int = 10) -> list[dict[str, float]]:
    place = np.minimum((p * n_bins).astype(np.intp), n_bins - 1)
    rows = []
    for k in range(n_bins):
        among = place == k
        if among.any():
            n, hits = int(among.sum()), int(y[among].sum())
            low, high = wilson_interval(hits, n)
            stated = float(p[among].mean())
            rows.append({"stated": stated, "found": hits / n, "low": low, "high": high, "n": n})
    return rows


def _conformal(judge: _Judge) -> list[dict[str, Any]]:
    """How often the set of candidates holds a loose zone, and how large it is."""
    found = judge.found
    rows = []
    for k, nominal in enumerate(COVERAGES):
        chosen = found.candidates[:, k]
        held: BoolArray = np.asarray((chosen & found.loose).any(axis=1))
        size = chosen.sum(axis=1).astype(np.float64)
        rows.append(
            {
                "nominal": nominal,
                "coverage": judge.share(held, found.any_loose),
                "size": judge.mean(size, found.any_loose),
                "n_zones": int(found.zones.size),
            }
        )
    return rows


def _by_turns(judge: _Judge, alarm: BoolArray) -> list[dict[str, Any]]:
    """Share of checks that raise an alarm, by how far the worst loose fastener is backed off."""
    found = judge.found
    worst = np.where(found.loose, found.turns, -1.0).max(axis=1)
    silent = found.any_loose & (worst <= 0.0)
    bins = [("preload lost, no play", 0.0, 0.0, silent)]
    for name, low, high in zip(TURN_NAMES, TURN_EDGES[:-1], TURN_EDGES[1:], strict=True):
        bins.append((name, low, high, (worst > low) & (worst <= high)))
    return [
        {
            "turns": name,
            "low": low,
            "high": high,
            "n": int(among.sum()),
            "detected": judge.share(alarm, among),
        }
        for name, low, high, among in bins
        if among.any()
    ]


def _detection(judge: _Judge, alarm: BoolArray, unit: str) -> dict[str, Any]:
    """Detection curves of checks in which one zone alone is loose."""
    found = judge.found
    alone = found.loose.sum(axis=1) == 1
    turns = np.where(found.loose, found.turns, 0.0)
    lost = np.where(found.loose, 1.0 - found.preload, 0.0)
    size = turns if unit == "turns" else np.where(turns > 0.0, 0.0, lost)
    cells = {str(zone): found.loose & (found.zones == zone) for zone in found.zones}
    cells["driven_wheels"] = found.loose & found.driven_wheels
    cells["still_wheels"] = found.loose & found.still_wheels
    cells["any"] = found.loose
    curves = {}
    for name, chosen in cells.items():
        own = np.where(chosen, size, 0.0).max(axis=1, initial=0.0)
        rows = np.flatnonzero(alone & (own > 0.0))
        if rows.size == 0:
            continue
        curves[name] = pod(
            own[rows],
            alarm[rows],
            found.car[rows],
            unit=unit,
            largest=MOST_TURNS if unit == "turns" else 1.0,
            edges=TURN_EDGES[:-1] if unit == "turns" else PRELOAD_EDGES,
            n_bootstrap=judge.n_bootstrap,
        )
    return curves


def _mesh(mesh: Predictions, n_bootstrap: int) -> dict[str, Any]:
    """How a mesh set too tight or too loose is judged."""
    judge = _Judge(mesh, n_bootstrap)
    place = np.array([str(zone) == "gear_mesh" for zone in mesh.zones])
    is_mesh = np.broadcast_to(place, mesh.probability.shape)
    entries = {}
    for kind in MESH_SETTINGS:
        among: BoolArray = np.asarray(mesh.kind == kind)
        if among.any():
            entries[kind] = {
                "n": int(among.sum()),
                "alarm": judge.share(mesh.alarm, among),
                "gear_mesh_first": judge.share(first_hits(mesh.probability, is_mesh, 1), among),
                "gear_mesh_first_two": judge.share(first_hits(mesh.probability, is_mesh, 2), among),
            }
    return entries


def plain(value: Any) -> Any:
    """Figures as plain numbers, for JSON; what is not finite is ``None``."""
    if isinstance(value, Figure):
        return plain(value.as_dict())
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
