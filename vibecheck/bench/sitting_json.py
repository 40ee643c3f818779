"""At the bench: a bench check as plain values. `sitting_to_dict`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vibecheck.garage import Sitting, StoredTake
    from vibecheck.risk.log import FastenerFinding

FORMAT = "vibecheck.bench/1"


def sitting_to_dict(sitting: Sitting, result: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return a bench check as plain values."""
    check = sitting.hand_check
    return {
        "schema": FORMAT,
        "id": sitting.id,
        "number": sitting.number,
        "car": sitting.car,
        "date": sitting.date.isoformat(timespec="seconds"),
        "state": "open" if sitting.is_open else "closed",
        "set_up": {
            "pinion_teeth": sitting.set_up.pinion_teeth,
            "spur_teeth": sitting.set_up.spur_teeth,
            "tyres": sitting.set_up.tyres,
            "cells": sitting.set_up.cells,
        },
        "runs": sitting.runs,
        "runs_since_last": sitting.runs_since_last,
        "takes": [_take_to_dict(take, sitting) for take in sitting.takes],
        "verdict": sitting.verdict or None,
        "result": result,
        "hand_check": None
        if check is None
        else {
            "date": check.date.isoformat(timespec="seconds"),
            "done": sitting.hand_check_done,
            "complete": check.complete,
            "findings": [_finding_to_dict(one) for one in check.findings],
        },
        "owner": {"decision": sitting.decision, "note": sitting.note},
    }


def _take_to_dict(take: StoredTake, sitting: Sitting) -> dict[str, Any]:
    return {
        "file_name": take.file_name,
        "file": str(take.path),
        "sha256": take.sha256,
        "sensor": take.sensor,
        "spot": take.spot,
        "after_hand_check": take.after_hand_check,
        "baseline": take in sitting.baseline_takes,
    }


def _finding_to_dict(finding: FastenerFinding) -> dict[str, Any]:
    return {
        "zone": finding.zone,
        "fastener": finding.fastener,
        "outcome": finding.outcome,
        "count": finding.count,
        "turned_deg": finding.turned_deg,
        "done": list(finding.done),
        "note": finding.note,
    }
