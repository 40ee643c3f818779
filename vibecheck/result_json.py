"""The public JSON form of a check, schema ``vibecheck.check/1``.

Every key is described in ``docs/json.md`` and in the JSON Schema that the package carries
(`check_schema`). Keys may be added within version 1; none is renamed or removed.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from vibecheck import __version__
from vibecheck.findings import Finding, QualityReport
from vibecheck.result import (
    SCHEMA,
    CheckedTake,
    CheckResult,
    Evidence,
    ZoneHistory,
    ZoneRisk,
)

if TYPE_CHECKING:
    from datetime import datetime

    from vibecheck.car.profile import Car
    from vibecheck.recording.take import Take
    from vibecheck.track import SpeedTrack

SIGNIFICANT_DIGITS = 6


def finite(value: float | None, digits: int = SIGNIFICANT_DIGITS) -> float | None:
    """Round to significant digits; ``None`` for a missing, infinite or undefined number."""
    if value is None:
        return None
    number = float(value)
    return float(f"{number:.{digits}g}") if math.isfinite(number) else None


def result_to_dict(result: CheckResult) -> dict[str, Any]:
    """Return a check in its public JSON form, as plain Python values.

    Parameters
    ----------
    result : CheckResult

    Returns
    -------
    dict
        Matches the schema ``vibecheck.check/1``. Only finite numbers: what is undefined is
        ``None``. Zones are ordered by rank.
    """
    found: dict[str, Any] = {
        "schema": SCHEMA,
        "created": _moment(result.created),
        "software": {"name": "vibecheck", "version": __version__},
        "car": _car(result.car),
        "model": asdict(result.model),
        "catalogue_version": _catalogue_version(result),
        "takes": [_checked_take(checked) for checked in result.takes],
        "baseline_takes": [
            _take(checked.take) | {"quality": _quality(checked.take, checked.quality)}
            for checked in result.baseline_takes
        ],
        "zones": [_zone(zone) for zone in sorted(result.zones, key=lambda zone: zone.rank)],
        "verdict": result.verdict,
        "unfamiliar": {
            "score": finite(result.unfamiliar.score),
            "limit": finite(result.unfamiliar.limit),
            "is_unfamiliar": bool(result.unfamiliar.is_unfamiliar),
        },
        "advice": {"hand_check": result.hand_check, "cautions": list(result.cautions)},
        "notes": list(result.notes),
    }
    if result.candidates is not None:
        found["candidates"] = {
            "coverage": finite(result.candidates.coverage),
            "zones": list(result.candidates.zones),
        }
    return found


def check_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of ``vibecheck.check/1``."""
    from importlib.resources import files

    text = files("vibecheck").joinpath("data", "schema", "check-1.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def all_findings(take: Take, quality: QualityReport) -> tuple[Finding, ...]:
    """Return the quality gate's findings, then those of the reader that it did not repeat."""
    seen = {finding.code for finding in quality.findings}
    return (*quality.findings, *(f for f in take.findings if f.code not in seen))


def _catalogue_version(result: CheckResult) -> str:
    """Of the takes' features; empty where no take has any."""
    versions = (one.features.catalogue_version for one in result.takes if one.features is not None)
    return next(versions, "")


def _moment(moment: datetime) -> str:
    """ISO 8601 with the offset from UTC; a time without one is the machine's local time."""
    aware = moment if moment.tzinfo is not None else moment.astimezone()
    return aware.isoformat(timespec="seconds")


def _car(car: Car) -> dict[str, Any]:
    drivetrain = None
    if car.drivetrain is not None:
        drivetrain = {
            key: finite(value) if isinstance(value, float) else value
            for key, value in asdict(car.drivetrain).items()
        }
    return {
        "name": car.name,
        "layout": car.layout,
        "file": car.file,
        "shaft": car.shaft,
        "drivetrain": drivetrain,
        "orders": [
            {"name": order.name, "ratio": finite(order.ratio), "kind": order.kind}
            for order in car.orders
        ],
    }


def _take(take: Take) -> dict[str, Any]:
    return {
        "file": take.file,
        "sha256": take.sha256,
        "sensor": take.sensor,
        "spot": take.spot,
        "sample_rate_hz": finite(take.sample_rate_hz, 10),
        "duration_s": finite(take.duration_s),
        "channels": take.n_channels,
        "channel_names": list(take.channel_names),
        "unit": take.unit,
        "codec": take.codec,
        "offset_s": finite(take.offset_s),
        "start": take.start.isoformat() if take.start is not None else None,
    }


def _checked_take(checked: CheckedTake) -> dict[str, Any]:
    features = checked.features
    return _take(checked.take) | {
        "quality": _quality(checked.take, checked.quality),
        "speed": _speed(checked.speed) if checked.speed is not None else None,
        "features": (
            {name: finite(value) for name, value in features.as_dict().items()}
            if features is not None
            else {}
        ),
    }


def _quality(take: Take, quality: QualityReport) -> dict[str, Any]:
    return {
        "verdict": quality.verdict,
        "findings": [
            {
                "code": finding.code,
                "message": finding.message,
                "advice": finding.advice,
                "value": finite(finding.value),
                "limit": finite(finding.limit),
                "weight": finding.weight,
            }
            for finding in all_findings(take, quality)
        ],
        "highest_order": finite(quality.highest_order),
    }


def _rounded(values: Iterable[float], decimals: int) -> list[float | None]:
    return [round(float(value), decimals) if math.isfinite(value) else None for value in values]


def _speed(speed: SpeedTrack) -> dict[str, Any]:
    ambiguity = speed.order_ambiguity
    return {
        "shaft": speed.shaft,
        "time_s": _rounded(speed.time_s.tolist(), 4),
        "rpm": _rounded(speed.rpm.tolist(), 2),
        "sd_rpm": _rounded(speed.sd_rpm.tolist(), 3),
        "confidence": _rounded(speed.confidence.tolist(), 4),
        "phases": [
            {
                "name": phase.name,
                "start_s": round(float(phase.start_s), 4),
                "end_s": round(float(phase.end_s), 4),
            }
            for phase in speed.phases
        ],
        "order_ambiguity": (
            None
            if ambiguity is None
            else {
                "ratio": finite(ambiguity.ratio),
                "log_odds": finite(ambiguity.log_odds),
                "resolved": bool(ambiguity.resolved),
                "message": ambiguity.message,
            }
        ),
    }


def _evidence(evidence: Evidence) -> dict[str, Any]:
    return {
        "feature": evidence.feature,
        "value": finite(evidence.value),
        "reference": finite(evidence.reference),
        "z": finite(evidence.z),
        "reading": evidence.reading,
        "file": evidence.file,
    }


def zone_history_to_dict(history: ZoneHistory) -> dict[str, Any]:
    """Return the public JSON form of what the log says about a zone."""
    return {
        "prior": finite(history.prior),
        "runs_since_hand_check": history.runs_since_hand_check,
        "finds": history.finds,
        "low": finite(history.low),
        "high": finite(history.high),
        "usual": finite(history.usual),
        "rate_per_run": finite(history.rate_per_run),
        "rate_low": finite(history.rate_low),
        "rate_high": finite(history.rate_high),
        "recheck_every_runs": history.recheck_every_runs,
        "recheck_due_in_runs": history.recheck_due_in_runs,
        "remarks": [asdict(remark) for remark in history.remarks],
    }


def contributions_to_dict(zone: ZoneRisk) -> dict[str, Any] | None:
    """Return what moved a zone's probability, in log odds; ``None`` where that is not known."""
    moved = zone.contributions
    if moved is None:
        return None
    heard = zone.vibration
    return {
        "usual_log_odds": finite(moved.usual),
        "history_log_ratio": finite(moved.history),
        "vibration_log_ratio": finite(moved.vibration),
        "vibration_low": None if heard is None else finite(heard.low),
        "vibration_high": None if heard is None else finite(heard.high),
    }


def _zone(zone: ZoneRisk) -> dict[str, Any]:
    value = {
        "zone": zone.zone,
        "probability": finite(zone.probability),
        "low": finite(zone.low),
        "high": finite(zone.high),
        "severity": zone.severity,
        "risk": finite(zone.risk),
        "rank": zone.rank,
        "heard": bool(zone.heard),
        "how_to_check": zone.how_to_check,
        "evidence": [_evidence(evidence) for evidence in zone.evidence],
        "history": zone_history_to_dict(zone.history),
    }
    moved = contributions_to_dict(zone)
    return value if moved is None else value | {"contributions": moved}
