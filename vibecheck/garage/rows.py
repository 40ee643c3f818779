"""From the garage's rows to its values and back."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

from vibecheck.car.profile import Car
from vibecheck.garage import schema
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


@dataclass(frozen=True)
class Logged:
    """What was logged of one hand check so far, and when the last of it was."""

    findings: tuple[FastenerFinding, ...]
    moment: str


def read_findings(connection: sa.Connection, wanted: sa.ColumnElement[bool]) -> dict[str, Logged]:
    """Read the findings of sittings.

    Parameters
    ----------
    connection : Connection
    wanted : condition
        On the findings.

    Returns
    -------
    dict
        By the id of the sitting.
    """
    table = schema.findings.c
    query = sa.select(
        table.sitting_id, table.logged, table.zone, table.fastener, table.outcome, table.count,
        table.turned_deg, table.done, table.note,
    ).where(wanted)  # fmt: skip
    found: dict[str, list[FastenerFinding]] = defaultdict(list)
    moments: dict[str, str] = {}
    # Thousands of findings are alike: each is made once.
    alike: dict[tuple[Any, ...], FastenerFinding] = {}
    for sitting, logged, *rest in connection.execute(query.order_by(table.id)).all():
        key = tuple(rest)
        finding = alike.get(key)
        if finding is None:
            zone, fastener, outcome, count, turned, done, note = key
            finding = FastenerFinding(
                zone, fastener, outcome, count, turned, tuple(done.split()), note
            )
            alike[key] = finding
        found[sitting].append(finding)
        moments[sitting] = max(logged, moments.get(sitting, ""))
    return {key: Logged(tuple(findings), moments[key]) for key, findings in found.items()}


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


def hand_check_of(sitting: Row, logged: Logged | None) -> HandCheck | None:
    """Return what a sitting's hand check found so far; ``None`` where nothing was logged."""
    date = sitting["hand_check_date"]
    if date is None:
        if logged is None:
            return None
        date = logged.moment
    return HandCheck(
        id=sitting["id"],
        date=moment_of(date),
        runs=sitting["runs"],
        findings=logged.findings if logged else (),
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


class Unpacker:
    """Read kept feature values, each list of names once.

    Parameters
    ----------
    wanted : sequence of str or None
        Only these, where a take has them; all where ``None``.
    """

    def __init__(self, wanted: Sequence[str] | None) -> None:
        self._wanted = wanted
        self._places: dict[str, tuple[list[str], list[int]]] = {}

    def __call__(self, names: str, numbers: bytes) -> dict[str, float | None]:
        """Return name to value, ``None`` where it could not be observed."""
        if names not in self._places:
            all_names: list[str] = json.loads(names)
            chosen = [
                (name, place)
                for place, name in enumerate(all_names)
                if self._wanted is None or name in self._wanted
            ]
            self._places[names] = [name for name, _ in chosen], [place for _, place in chosen]
        chosen_names, places = self._places[names]
        values = np.frombuffer(numbers, dtype="<f8")[places].tolist()
        return {
            name: None if value != value else value
            for name, value in zip(chosen_names, values, strict=True)
        }
