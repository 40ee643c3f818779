"""From the garage's rows to its values and back."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from vibecheck.car.profile import Car
from vibecheck.garage.values import Decision, SetUp, StoredTake
from vibecheck.risk.log import Disturbance, FastenerFinding, HandCheck

Row = Mapping[str, Any]


def moment_text(moment: datetime) -> str:
    """Write a moment, in UTC; texts sort as the moments do."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def moment_of(text: str) -> datetime:
    """Read a moment."""
    return datetime.fromisoformat(text)


def set_up_of(row: Row) -> SetUp:
    """Return the set-up of a sitting's row."""
    return SetUp(row["pinion_teeth"], row["spur_teeth"], row["tyres"], row["cells"])


def take_of(row: Row, recordings: Path) -> StoredTake:
    """Return a take."""
    return StoredTake(
        id=row["id"],
        sitting=row["sitting_id"],
        path=recordings / row["stored"],
        file_name=row["file_name"],
        sha256=row["sha256"],
        sensor=row["sensor"],
        spot=row["spot"],
        after_hand_check=bool(row["after_hand_check"]),
        reading=json.loads(row["reading"]),
    )


def finding_of(row: Row) -> FastenerFinding:
    """Return a finding."""
    return FastenerFinding(
        zone=row["zone"],
        fastener=row["fastener"],
        outcome=row["outcome"],
        count=row["count"],
        turned_deg=row["turned_deg"],
        done=tuple(row["done"].split()),
        note=row["note"],
    )


def finding_row(sitting_id: str, found: FastenerFinding, logged: str) -> dict[str, Any]:
    """Return the row of a finding."""
    return {
        "sitting_id": sitting_id,
        "zone": found.zone,
        "fastener": found.fastener,
        "outcome": found.outcome,
        "count": found.count,
        "turned_deg": found.turned_deg,
        "done": " ".join(found.done),
        "note": found.note,
        "logged": logged,
    }


def hand_check_of(sitting: Row, findings: Sequence[Row]) -> HandCheck | None:
    """Return what a sitting's hand check found so far; ``None`` where nothing was logged."""
    if not findings and sitting["hand_check_date"] is None:
        return None
    date = sitting["hand_check_date"] or max(row["logged"] for row in findings)
    return HandCheck(
        id=sitting["id"],
        date=moment_of(date),
        runs=sitting["runs"],
        findings=tuple(finding_of(row) for row in findings),
        complete=bool(sitting["hand_check_complete"]),
    )


def is_complete(car: Car, findings: Iterable[FastenerFinding]) -> bool:
    """Whether every fastener of every zone of the car was checked."""
    looked: dict[tuple[str, str], int] = defaultdict(int)
    for one in findings:
        if one.outcome == "not_checked":
            return False
        looked[one.zone, one.fastener] += one.count
    zones = {zone for zone, _ in looked}
    for zone in car.zones:
        if not zone.fasteners and zone.name not in zones:
            return False
        if any(looked[zone.name, kind.name] < kind.count for kind in zone.fasteners):
            return False
    return bool(car.zones)


def disturbance_of(row: Row) -> Disturbance:
    """Return a disturbance."""
    return Disturbance(
        row["zone"], row["fastener"], row["runs"], moment_of(row["date"]), row["why"]
    )


def decision_of(row: Row) -> Decision | None:
    """Return the owner's decision."""
    word: Decision | None = row["decision"]
    return word


def pack_numbers(values: Mapping[str, Any], names: Sequence[str]) -> bytes:
    """Write feature values in the order of their names."""
    numbers = [np.nan if values[name] is None else float(values[name]) for name in names]
    return np.asarray(numbers, dtype="<f8").tobytes()


def unpack_numbers(names: str, numbers: bytes) -> dict[str, float | None]:
    """Read feature values."""
    values = np.frombuffer(numbers, dtype="<f8").tolist()
    return {
        name: None if value != value else value
        for name, value in zip(json.loads(names), values, strict=True)
    }
