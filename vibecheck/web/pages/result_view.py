"""Web: a kept result as the value that the report's words and pictures are written for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from vibecheck.report.words import QUALITY_WORDS, number_words, spot_words
from vibecheck.result import (
    Candidates,
    CheckResult,
    Evidence,
    HistoryRemark,
    ModelCard,
    Unfamiliar,
    Vibration,
    ZoneHistory,
    ZoneRisk,
)

if TYPE_CHECKING:
    from vibecheck.car.profile import Car

Plain = Mapping[str, Any]


@dataclass(frozen=True)
class TakeWords:
    """What a result says about one of its recordings.

    Attributes
    ----------
    sha256, file, about, speed, grade : str
        ``grade`` ends the sentence "it …".
    verdict : str
        ``usable``, ``limited`` or ``unusable``.
    findings : tuple of (message, advice)
    """

    sha256: str
    file: str
    about: str
    speed: str
    grade: str
    verdict: str
    findings: tuple[tuple[str, str], ...]


def kept_result(kept: Plain, car: Car) -> CheckResult:
    """Return a kept result (``vibecheck.check/1``) as a value, without its recordings.

    Parameters
    ----------
    kept : mapping
        The value of ``CheckResult.to_dict``.
    car : Car
        As it is fitted; its zones name the fasteners.

    Returns
    -------
    CheckResult
        Its ``takes`` and ``baseline_takes`` are empty.
    """
    advice, odd = kept["advice"], kept["unfamiliar"]
    candidates = kept.get("candidates")
    return CheckResult(
        created=datetime.fromisoformat(kept["created"]),
        car=car,
        model=ModelCard(**{key: kept["model"][key] for key in ModelCard.__dataclass_fields__}),
        takes=(),
        zones=tuple(_zone(zone) for zone in kept["zones"]),
        verdict=kept["verdict"],
        unfamiliar=Unfamiliar(_number(odd["score"]), _number(odd["limit"]), odd["is_unfamiliar"]),
        hand_check=advice["hand_check"],
        cautions=tuple(advice.get("cautions", ())),
        notes=tuple(kept.get("notes", ())),
        candidates=None
        if candidates is None
        else Candidates(_number(candidates["coverage"]), tuple(candidates["zones"])),
    )


def take_words(kept: Plain) -> list[TakeWords]:
    """Return the words about each recording of a kept result."""
    return [_take(take) for take in kept["takes"]]


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _zone(zone: Plain) -> ZoneRisk:
    history = dict(zone["history"])
    history["remarks"] = tuple(HistoryRemark(**one) for one in history.get("remarks", ()))
    history["prior"] = _number(history["prior"])
    known = {key: history[key] for key in ZoneHistory.__dataclass_fields__ if key in history}
    moved = zone.get("contributions") or {}
    heard = moved.get("vibration_log_ratio")
    return ZoneRisk(
        zone=zone["zone"],
        probability=_number(zone["probability"]),
        low=_number(zone["low"]),
        high=_number(zone["high"]),
        severity=zone["severity"],
        risk=_number(zone["risk"]),
        rank=zone["rank"],
        evidence=tuple(
            Evidence(**{key: one.get(key) for key in Evidence.__dataclass_fields__})
            for one in zone["evidence"]
        ),
        history=ZoneHistory(**known),
        heard=zone.get("heard", True),
        how_to_check=zone.get("how_to_check", ""),
        vibration=None
        if heard is None
        else Vibration(
            heard, _number(moved.get("vibration_low")), _number(moved.get("vibration_high"))
        ),
    )


def _take(take: Plain) -> TakeWords:
    quality = take["quality"]
    return TakeWords(
        sha256=take["sha256"],
        file=take["file"] or "recording",
        about=f"{take['sensor']} {spot_words(take['spot'])}, {_number(take['duration_s']):.1f} s, "
        f"{number_words(_number(take['sample_rate_hz']))} samples per second",
        speed=_speed(take.get("speed")),
        grade=QUALITY_WORDS[quality["verdict"]],
        verdict=quality["verdict"],
        findings=tuple((one["message"], one["advice"]) for one in quality["findings"]),
    )


def _speed(speed: Plain | None) -> str:
    turning = [rpm for rpm in (speed or {}).get("rpm", ()) if rpm]
    if speed is None or not turning:
        return "No turning shaft was found in this recording."
    low, high = (number_words(round(end, -1)) for end in (min(turning), max(turning)))
    return f"The {speed['shaft']} shaft ran between {low} and {high} turns per minute."
