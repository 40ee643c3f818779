"""Sittings of the garage: set-up, runs, and the owner's decision. `Sittings`."""

from __future__ import annotations

import uuid
from abc import abstractmethod
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from vibecheck.car.profile import Car
from vibecheck.errors import CallError, did_you_mean
from vibecheck.garage import schema
from vibecheck.garage.rows import (
    Logged,
    decision_of,
    hand_check_of,
    moment_of,
    read_findings,
    set_up_of,
    take_of,
)
from vibecheck.garage.values import Decision, SetUp, Sitting, StoredCar, StoredTake

MOST_RUNS = 1e6
LONGEST_NUMBER = 9
SHORTEST_BEGINNING = 8
"""Fewer letters of an id say nothing: "2" is the number of a bench check, there or not."""
AT_ONCE = 500
"""So many sittings are looked up by one statement."""


class Sittings:
    """The part of `vibecheck.garage.store.Garage` that is about sittings."""

    file: Path
    recordings: Path

    @abstractmethod
    def _read(self) -> AbstractContextManager[sa.Connection]: ...

    @abstractmethod
    def _write(self) -> AbstractContextManager[sa.Connection]: ...

    @abstractmethod
    def _moment(self, connection: sa.Connection, *, clock_is_right: bool = False) -> str: ...

    @abstractmethod
    def _find_car(self, connection: sa.Connection, name: str) -> StoredCar: ...

    # ---- sittings ----------------------------------------------------------------------

    def start_sitting(
        self,
        car: str,
        *,
        set_up: SetUp | None = None,
        runs_since_last: float = 1.0,
        clock_is_right: bool = False,
    ) -> Sitting:
        """Begin a bench check.

        Parameters
        ----------
        car : str
        set_up : SetUp, optional
            As the car file says, with the tyres of the sitting before, where absent.
        runs_since_last : float
            Runs since the sitting before, >= 0.
        clock_is_right : bool
            Begin although the newest sitting carries a later date.

        Raises
        ------
        CallError
            If the car is unknown, put away or has an open sitting, or the number of runs is none.
        InputError
            If the clock went backwards.
        """
        if not 0.0 <= runs_since_last < MOST_RUNS:
            raise CallError(
                f"The runs since the last bench check must be 0 or more. Got {runs_since_last!r} "
                "instead."
            )
        with self._write() as connection:
            stored = self._find_car(connection, car)
            before = self._newest_sitting(connection, stored.id)
            if stored.hidden:
                raise CallError(
                    f"{stored.name} was put away.",
                    advice=f'Bring it back with: vibecheck car hide "{stored.name}" --undo',
                )
            if before is not None and before["is_open"]:
                raise CallError(
                    f"{stored.name} has an open bench check, number {before['number']}, begun on "
                    f"{before['date'][:10]}.",
                    advice="Go on with it, or close it with: vibecheck bench close",
                )
            if set_up is None:
                set_up = SetUp.of(stored.car, tyres=before["tyres"] if before else "")
            sitting_id = uuid.uuid4().hex
            connection.execute(
                sa.insert(schema.sittings),
                {
                    "id": sitting_id,
                    "car_id": stored.id,
                    "date": self._moment(connection, clock_is_right=clock_is_right),
                    "pinion_teeth": set_up.pinion_teeth,
                    "spur_teeth": set_up.spur_teeth,
                    "tyres": set_up.tyres,
                    "cells": set_up.cells,
                    "runs": stored.runs + runs_since_last,
                    "runs_since_last": runs_since_last,
                },
            )
            return self._sitting(connection, sitting_id)

    def sitting(self, sitting_id: str) -> Sitting:
        """Return a sitting by its number, its id, or the beginning of its id.

        Raises
        ------
        CallError
            If there is none, or several ids begin so.
        """
        with self._read() as connection:
            return self._sitting(connection, sitting_id)

    def _sitting(self, connection: sa.Connection, key: str) -> Sitting:
        table = schema.sittings
        matches: list[Any] = []
        if len(key) >= SHORTEST_BEGINNING:
            matches.append(table.c.id.startswith(key, autoescape=True))
        if key.isascii() and key.isdigit() and len(key) <= LONGEST_NUMBER:
            matches.insert(0, table.c.number == int(key))
        rows: list[dict[str, Any]] = []
        for match in matches:
            found = connection.execute(sa.select(table).where(match).limit(2)).mappings()
            rows = [dict(row) for row in found]
            if rows:
                break
        if len(rows) != 1:
            raise CallError(
                f'There is no bench check "{key}".'
                if not rows
                else f'Several bench checks begin with "{key}".',
                advice="List them with: vibecheck bench list",
            )
        return self._whole(connection, rows)[0]

    def _open(self, connection: sa.Connection, key: str) -> Sitting:
        """Return a sitting that may be changed."""
        sitting = self._sitting(connection, key)
        if not sitting.is_open:
            raise CallError(
                f"Bench check {sitting.number} of {sitting.car} is closed.",
                advice="Begin another with: vibecheck bench start",
            )
        return sitting

    def open_sitting(self, car: str) -> Sitting | None:
        """Return the open sitting of a car, if it has one."""
        with self._read() as connection:
            row = self._newest_sitting(connection, self._find_car(connection, car).id)
            if row is None or not row["is_open"]:
                return None
            return self._whole(connection, [row])[0]

    def open_sittings(self, car: str | None = None) -> tuple[Sitting, ...]:
        """Return the open sittings of one car or of all, oldest first."""
        table = schema.sittings
        query = sa.select(table).where(table.c.is_open == 1).order_by(table.c.number)
        with self._read() as connection:
            if car is not None:
                query = query.where(table.c.car_id == self._find_car(connection, car).id)
            found = connection.execute(query).mappings()
            return tuple(self._whole(connection, [dict(row) for row in found]))

    def sittings(
        self, car: str | None = None, *, limit: int | None = None, newest_first: bool = True
    ) -> tuple[Sitting, ...]:
        """Return sittings of one car or of all."""
        table = schema.sittings
        query = sa.select(table).order_by(table.c.number.desc() if newest_first else table.c.number)
        with self._read() as connection:
            if car is not None:
                query = query.where(table.c.car_id == self._find_car(connection, car).id)
            found = connection.execute(query.limit(limit)).mappings()
            return tuple(self._whole(connection, [dict(row) for row in found]))

    def close_sitting(self, sitting_id: str) -> Sitting:
        """End a bench check; the next one of the car can begin then."""
        return self._change(sitting_id, is_open=0)

    def note_decision(self, sitting_id: str, decision: Decision | None, note: str = "") -> Sitting:
        """Keep the owner's own decision and words; the tool never makes one.

        Raises
        ------
        CallError
            If the decision is another word than ``go`` and ``no_go``.
        """
        if decision not in (None, "go", "no_go"):
            raise CallError(f"A decision is go or no_go. Got {decision!r} instead.")
        return self._change(sitting_id, decision=decision, note=note)

    def _change(self, sitting_id: str, **values: Any) -> Sitting:
        table = schema.sittings
        with self._write() as connection:
            found = self._sitting(connection, sitting_id)
            connection.execute(sa.update(table).where(table.c.id == found.id).values(**values))
            return self._sitting(connection, found.id)

    # ---- pieces ------------------------------------------------------------------------

    @staticmethod
    def _runs_of(connection: sa.Connection, car_id: str) -> float:
        table = schema.sittings.c
        newest = sa.select(table.runs).where(table.car_id == car_id)
        found = connection.execute(newest.order_by(table.number.desc()).limit(1)).scalar()
        return 0.0 if found is None else float(found)

    @staticmethod
    def _newest_sitting(connection: sa.Connection, car_id: str) -> dict[str, Any] | None:
        table = schema.sittings
        row = connection.execute(
            sa.select(table)
            .where(table.c.car_id == car_id)
            .order_by(table.c.number.desc())
            .limit(1)
        ).mappings()
        found = row.first()
        return None if found is None else dict(found)

    def _whole(self, connection: sa.Connection, rows: Sequence[dict[str, Any]]) -> list[Sitting]:
        """Return sittings with their takes and findings, a few statements for all of them."""
        ids = [row["id"] for row in rows]
        takes: dict[str, list[StoredTake]] = defaultdict(list)
        for some in _portions(ids):
            query = sa.select(schema.takes).where(schema.takes.c.sitting_id.in_(some))
            for take in connection.execute(query.order_by(schema.takes.c.id)).mappings():
                takes[take["sitting_id"]].append(take_of(dict(take), self.recordings))
        logged: dict[str, Logged] = {}
        for some in _portions(ids):
            logged |= read_findings(connection, schema.findings.c.sitting_id.in_(some))
        cars = connection.execute(sa.select(schema.cars.c.id, schema.cars.c.name))
        names = {car_id: name for car_id, name in cars}  # noqa: C416
        return [
            Sitting(
                id=row["id"],
                number=row["number"],
                car=names[row["car_id"]],
                car_id=row["car_id"],
                date=moment_of(row["date"]),
                set_up=set_up_of(row),
                runs=row["runs"],
                runs_since_last=row["runs_since_last"],
                is_open=bool(row["is_open"]),
                takes=tuple(takes[row["id"]]),
                hand_check=hand_check_of(row, logged.get(row["id"])),
                hand_check_done=row["hand_check_date"] is not None,
                verdict=row["verdict"],
                decision=decision_of(row),
                note=row["note"],
            )
            for row in rows
        ]


def _portions(ids: Sequence[str]) -> Iterator[Sequence[str]]:
    return (ids[start : start + AT_ONCE] for start in range(0, len(ids), AT_ONCE))


def check_joint(car: Car, zone: str, fastener: str) -> None:
    """Refuse a zone or fastener that the car does not have."""
    zones = {one.name: one for one in car.zones}
    if zone not in zones:
        raise CallError(
            f'{car.name} has no zone "{zone}".{did_you_mean(zone, zones)}',
            advice=f"Known: {', '.join(zones)}.",
        )
    names = [one.name for one in zones[zone].fasteners]
    if names and fastener not in names:
        raise CallError(
            f'{zone} has no fastener "{fastener}".{did_you_mean(fastener, names)}',
            advice=f"Known: {', '.join(names)}.",
        )
