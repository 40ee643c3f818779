"""Hand checks of the garage: findings, logs of cars, and the takes they label. `HandChecks`."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa

from vibecheck.errors import CallError
from vibecheck.garage import schema
from vibecheck.garage.rows import (
    disturbance_of,
    finding_row,
    hand_check_of,
    is_complete,
    moment_text,
    read_findings,
    set_up_of,
    take_of,
)
from vibecheck.garage.sittings import check_joint
from vibecheck.garage.takes import Takes
from vibecheck.garage.values import LEFT_SNUG, SetUp, StoredTake
from vibecheck.risk.log import CarLog, Disturbance, FastenerFinding, HandCheck


class HandChecks(Takes):
    """The part of `vibecheck.garage.store.Garage` that is about hand checks."""

    def log_findings(
        self, sitting_id: str, zone: str, fastener: str, findings: Sequence[FastenerFinding]
    ) -> None:
        """Log what was found of one kind of fastener; replaces what was logged for it before.

        Raises
        ------
        CallError
            If the sitting is closed, the car has no such fastener, or a finding is of another.
        """
        if any((one.zone, one.fastener) != (zone, fastener) for one in findings):
            raise CallError(f"All findings must be of {zone}, {fastener}.")
        self._log(sitting_id, [(zone, fastener)], findings)

    def log_hand_check(self, sitting_id: str, *findings: FastenerFinding) -> None:
        """Log findings of several kinds at once: all of them are kept, or none.

        Each kind's findings replace what was logged for it before.

        Raises
        ------
        CallError
            If the sitting is closed, or the car has no such fastener.
        """
        self._log(sitting_id, [(one.zone, one.fastener) for one in findings], findings)

    def _log(
        self,
        sitting_id: str,
        kinds: Sequence[tuple[str, str]],
        findings: Sequence[FastenerFinding],
    ) -> None:
        table = schema.findings
        with self._write() as connection:
            sitting = self._open(connection, sitting_id)
            car = self._find_car(connection, sitting.car_id).car
            logged = self._moment(connection)
            for zone, fastener in dict.fromkeys(kinds):
                check_joint(car, zone, fastener)
                connection.execute(
                    sa.delete(table).where(
                        table.c.sitting_id == sitting.id,
                        table.c.zone == zone,
                        table.c.fastener == fastener,
                    )
                )
            rows = [finding_row(sitting.id, one, logged) for one in findings]
            if rows:
                connection.execute(sa.insert(table), rows)
            if sitting.hand_check_done:
                self._finish(connection, sitting.id)

    def findings(self, sitting_id: str) -> tuple[FastenerFinding, ...]:
        """Return what was logged so far."""
        found = self.sitting(sitting_id).hand_check
        return () if found is None else found.findings

    def finish_hand_check(self, sitting_id: str) -> HandCheck:
        """End the hand check; it is complete where every fastener of the car was answered.

        Raises
        ------
        CallError
            If the sitting is closed.
        InputError
            If the clock went backwards.
        """
        with self._write() as connection:
            return self._finish(connection, self._open(connection, sitting_id).id)

    def _finish(self, connection: sa.Connection, sitting_id: str) -> HandCheck:
        sitting = self._sitting(connection, sitting_id)
        car = self._find_car(connection, sitting.car_id).car
        logged = () if sitting.hand_check is None else sitting.hand_check.findings
        # A slip that is put right later leaves the date of the hand check as it was.
        date = sitting.hand_check.date if sitting.hand_check_done and sitting.hand_check else None
        table = schema.sittings
        connection.execute(
            sa.update(table)
            .where(table.c.id == sitting.id)
            .values(
                hand_check_date=moment_text(date) if date else self._moment(connection),
                hand_check_complete=int(is_complete(car, logged)),
            )
        )
        found = self._sitting(connection, sitting.id).hand_check
        assert found is not None
        return found

    def car_log(self, car: str) -> CarLog:
        """Return the whole log of a car, oldest first."""
        table = schema.sittings
        with self._read() as connection:
            stored = self._find_car(connection, car)
            sittings = [
                dict(row)
                for row in connection.execute(
                    sa.select(table).where(table.c.car_id == stored.id).order_by(table.c.number)
                ).mappings()
            ]
            of_car = sa.select(table.c.id).where(table.c.car_id == stored.id)
            logged = read_findings(connection, schema.findings.c.sitting_id.in_(of_car))
            disturbances = _disturbances(connection, stored.id)
        checks = [hand_check_of(row, logged.get(row["id"])) for row in sittings]
        return CarLog(
            stored.name, stored.runs, tuple(one for one in checks if one is not None), disturbances
        )

    def disturbances(self, car: str) -> tuple[Disturbance, ...]:
        """Return the joints of a car that were worked at on purpose, oldest first."""
        with self._read() as connection:
            return _disturbances(connection, self._find_car(connection, car).id)

    def baseline_takes(self, car: str, set_up: SetUp | None = None) -> tuple[StoredTake, ...]:
        """Return the takes that show the car as it sounds when snug, oldest first.

        See `Sitting.baseline_takes`. The set-up must be the same.

        Parameters
        ----------
        car : str
        set_up : SetUp, optional
            That of the newest sitting where absent.
        """
        sittings, findings, takes = schema.sittings, schema.findings, schema.takes
        of_sitting = findings.c.sitting_id == sittings.c.id
        no_work = findings.c.done == ""
        left_alone = no_work & findings.c.outcome.not_in(LEFT_SNUG)
        untouched = no_work & (findings.c.outcome == "snug")
        with self._read() as connection:
            newest = self._newest_sitting(connection, self._find_car(connection, car).id)
            if newest is None:
                return ()
            fitted = set_up_of(newest) if set_up is None else set_up
            rows = connection.execute(
                sa.select(takes)
                .join(sittings, sittings.c.id == takes.c.sitting_id)
                .where(
                    sittings.c.car_id == newest["car_id"],
                    sittings.c.hand_check_complete == 1,
                    sittings.c.pinion_teeth.is_not_distinct_from(fitted.pinion_teeth),
                    sittings.c.spur_teeth.is_not_distinct_from(fitted.spur_teeth),
                    sittings.c.cells.is_not_distinct_from(fitted.cells),
                    sittings.c.tyres == fitted.tyres,
                    ~sa.exists().where(of_sitting, left_alone),
                    (takes.c.after_hand_check == 1) | ~sa.exists().where(of_sitting, ~untouched),
                )
                .order_by(sittings.c.number, takes.c.id)
            ).mappings()
            return tuple(take_of(dict(row), self.recordings) for row in rows)


def _disturbances(connection: sa.Connection, car_id: str) -> tuple[Disturbance, ...]:
    rows = connection.execute(
        sa.select(schema.disturbances)
        .where(schema.disturbances.c.car_id == car_id)
        .order_by(schema.disturbances.c.id)
    ).mappings()
    return tuple(disturbance_of(dict(row)) for row in rows)
