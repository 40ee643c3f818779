"""Uploads: quality and first zones of a staged take, and keeping it."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

from vibecheck.bench.judge import is_motion
from vibecheck.report import words
from vibecheck.web.uploads.state import UploadState

if TYPE_CHECKING:
    from vibecheck.bench.judge import Judge
    from vibecheck.garage import Garage
    from vibecheck.recording.take import Sensor, Take
    from vibecheck.result import CheckResult

ZONES_SHOWN = 4


def read_staged(state: UploadState) -> Take:
    """Read a finished upload.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    from vibecheck.recording.read import read_take

    wish = state.wish
    return read_take(state.path, sensor=cast("Sensor", wish.sensor), spot=wish.spot, **wish.reading)


def prepare(judge: Judge, garage: Garage, number: int, sensor: str, spot: str) -> None:
    """Measure, while the owner still records, what the next take will be held against.

    Loads the analysis and the model, and measures the car's baseline takes of that sensor and spot
    and the takes that the bench check holds already: the judge remembers them.
    """
    # Loaded here for their own sake: the first look would wait for them.
    import vibecheck.pipeline
    from vibecheck.bench.known import matching
    from vibecheck.model.store import load_model

    assert vibecheck.pipeline
    load_model()
    sitting = garage.sitting(str(number))
    snug = garage.baseline_takes(sitting.car_id, sitting.set_up)
    takes = [*matching(snug, {(sensor, spot)}, set()), *sitting.takes]
    if takes:
        judge.check(replace(sitting, takes=tuple(takes)))


def look(judge: Judge, garage: Garage, state: UploadState) -> dict[str, Any]:
    """Judge a staged take together with the takes of its bench check.

    Returns
    -------
    dict
        Plain values for the page: ``take``, ``quality``, ``result`` and ``seconds``.

    Raises
    ------
    VibecheckError
        If it cannot be read or judged.
    """
    began = time.perf_counter()
    take = read_staged(state)
    read = time.perf_counter()
    sitting = garage.sitting(str(state.wish.sitting))
    judge.refuse_kept_elsewhere(sitting, take)
    result = judge.check(sitting, (take,), reading=state.wish.reading)
    done = time.perf_counter()
    return {
        "take": _take_words(take, result),
        "quality": _quality(take, result),
        "result": result_words(result),
        "seconds": {"read": round(read - began, 3), "judge": round(done - read, 3)},
    }


def keep(judge: Judge, garage: Garage, state: UploadState) -> str:
    """Keep a staged take and the result of its bench check.

    Returns
    -------
    str
        Page of the result.

    Raises
    ------
    VibecheckError
        If the garage refuses it. Nothing was changed then.
    """
    wish = state.wish
    sitting = garage.sitting(str(wish.sitting))
    garage.add_take(
        sitting.id, state.path, sensor=wish.sensor, spot=wish.spot, reading=wish.reading
    )
    sitting = garage.sitting(sitting.id)
    if any(not is_motion(take.sensor, take.file_name) for take in sitting.takes):
        judge.keep(sitting, judge.check(sitting))
    return f"/checks/{wish.sitting}/result"


def result_words(result: CheckResult) -> dict[str, Any]:
    """Return what a result says, in the owner's words, as plain values."""
    headline, explanation = words.verdict_words(result)
    remarks = [" ".join(part for part in pair if part) for pair in words.remarks(result)]
    simulated = result.model.trained_on == "simulated"
    return {
        "verdict": result.verdict,
        "headline": headline,
        "explanation": explanation,
        "zones": [
            {
                "rank": zone.rank,
                "zone": zone.zone,
                "words": words.zone_words(zone.zone),
                "probability": zone.probability,
                "percent": words.percent(zone.probability),
                "interval": words.interval(zone.low, zone.high),
                "severity": words.SEVERITY_WORDS.get(zone.severity, ""),
            }
            for zone in words.ranked(result)
        ],
        "shown": ZONES_SHOWN,
        "remarks": [*remarks, *([words.SIMULATED_REMARK] if simulated else [])],
        "hand_check": result.hand_check,
    }


def as_fields(text: str) -> str:
    """Return advice that names arguments of the Python functions with the fields of the page."""
    text = re.sub(r'\btime_unit="(\w*)"', r'"Unit of the time": \1', text)
    text = re.sub(r'\bunit="([^"]*)"', r'"Unit of the values": \1', text)
    text = re.sub(r"\bcolumns=\{[^}]*\}", '"Columns"', text)
    return re.sub(r"\bsample_rate_hz\b", '"Samples a second"', text)


def _take_words(take: Take, result: CheckResult) -> dict[str, Any]:
    checked = next((one for one in result.takes if one.take.sha256 == take.sha256), None)
    return {
        "duration_s": round(take.duration_s, 2),
        "sample_rate_hz": take.sample_rate_hz,
        "sensor": take.sensor,
        "spot": take.spot,
        "words": f"{take.duration_s:.1f} s {words.spot_words(take.spot)}",
        "speed": "" if checked is None else words.speed_words(checked),
    }


def _quality(take: Take, result: CheckResult) -> dict[str, Any]:
    for one in result.takes:
        if one.take.sha256 == take.sha256:
            quality = one.quality
            return {
                "verdict": quality.verdict,
                "words": f"This recording {words.QUALITY_WORDS[quality.verdict]}.",
                "findings": [
                    {
                        "code": finding.code,
                        "message": finding.message,
                        "advice": as_fields(finding.advice),
                        "weight": finding.weight,
                    }
                    for finding in quality.findings
                ],
            }
    return {"verdict": "", "words": "This recording is kept already.", "findings": []}
