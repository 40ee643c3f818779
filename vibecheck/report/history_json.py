"""The public JSON form of a car's history, schema ``vibecheck.history/1``.

Every key is described in ``docs/json.md`` and in the JSON Schema that the package carries
(`history_schema`). Keys may be added within version 1; none is renamed or removed.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from vibecheck import __version__
from vibecheck.advice import HAND_CHECK
from vibecheck.car.profile import Car
from vibecheck.result import ZoneRisk
from vibecheck.result_json import finite, zone_history_to_dict
from vibecheck.risk.drift import DriftChart
from vibecheck.risk.history import CarHistory, KindHistory

SCHEMA = "vibecheck.history/1"


def history_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of ``vibecheck.history/1``."""
    from importlib.resources import files

    text = files("vibecheck").joinpath("data", "schema", "history-1.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def history_to_dict(
    car: Car,
    history: CarHistory,
    zones: Sequence[ZoneRisk],
    charts: Sequence[DriftChart] = (),
    *,
    created: datetime,
    simulated: bool = False,
) -> dict[str, Any]:
    """Return a car's history in its public JSON form, as plain Python values.

    Parameters
    ----------
    car : Car
    history : CarHistory
    zones : sequence of ZoneRisk
        Ranked by history alone; the zones to be written.
    charts : sequence of DriftChart
    created : datetime
    simulated : bool
        True where the log, or recordings in it, are simulated.
    """
    return {
        "schema": SCHEMA,
        "created": created.isoformat(timespec="seconds"),
        "software": {"name": "vibecheck", "version": __version__},
        "car": {"name": car.name, "file": car.file},
        "simulated": simulated,
        "runs": finite(history.runs),
        "hand_checks": history.n_hand_checks,
        "miss_probability": finite(history.miss_probability),
        "zones": [
            {
                "zone": risk.zone,
                "rank": risk.rank,
                "probability": finite(risk.probability),
                "severity": risk.severity,
                "risk": finite(risk.risk),
                "history": zone_history_to_dict(risk.history),
                "fasteners": [_kind(kind, history) for kind in history.of_zone(risk.zone)],
            }
            for risk in zones
        ],
        "retired": [{"zone": one.zone, "fastener": one.fastener} for one in history.retired],
        "charts": [_chart(one) for one in charts],
        "advice": {"hand_check": HAND_CHECK},
    }


def _kind(kind: KindHistory, history: CarHistory) -> dict[str, Any]:
    low, high = kind.rate.interval(history.habits.coverage)
    return {
        "fastener": kind.kind.name,
        "count": kind.kind.count,
        "locking": kind.kind.locking,
        "hand_checks": kind.log.n_checks,
        "finds": kind.log.n_finds,
        "found": kind.log.n_found,
        "runs_watched": finite(kind.log.runs_watched),
        "usual_rate_per_run": finite(kind.usual.mean),
        "rate_per_run": finite(kind.rate.mean),
        "rate_low": finite(low),
        "rate_high": finite(high),
        "probability": finite(kind.chance),
        "recheck_every_runs": kind.recheck_every_runs,
        "recheck_due_in_runs": kind.recheck_due_in_runs,
        "due_because": kind.due_because,
        "removals": kind.removals,
        "repeat_offender": kind.repeat_offender,
        "nut_spent": kind.nut_spent,
    }


def _chart(drift: DriftChart) -> dict[str, Any]:
    chart = drift.chart
    return {
        "feature": drift.feature,
        "unit": drift.unit,
        "sensor": drift.sensor,
        "spot": drift.spot,
        "smoothing": finite(chart.smoothing),
        "run_length": finite(chart.run_length),
        "limit": finite(chart.limit),
        "signals_now": chart.signals_now,
        "points": [
            {
                "date": one.point.date.isoformat(timespec="seconds"),
                "runs": finite(one.point.runs),
                "value": finite(one.point.value),
                "snug": one.point.snug,
                "score": finite(one.score),
                "average": finite(one.average),
                "signal": one.signal,
            }
            for one in chart.points
        ],
    }
