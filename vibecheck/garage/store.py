"""The store of the garage: one SQLite file and a recordings folder. `Garage`."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any

import sqlalchemy as sa

from vibecheck.car.read import parse_car, read_car
from vibecheck.car.strict_table import check_text
from vibecheck.errors import CallError, InputError, did_you_mean
from vibecheck.garage import schema
from vibecheck.garage.connection import engine_of, reading, writing
from vibecheck.garage.hand_checks import HandChecks
from vibecheck.garage.place import FILE_NAME, RECORDINGS, garage_folder
from vibecheck.garage.recordings import sweep
from vibecheck.garage.rows import moment_of, moment_text
from vibecheck.garage.sittings import check_joint
from vibecheck.garage.upgrade import bring_up_to_date
from vibecheck.garage.values import StoredCar

Now = Callable[[], datetime]
CLOCK_SLACK = timedelta(minutes=5)
"""A clock may be set back by so much without a word."""


def utc_now() -> datetime:
    """Return the moment, in UTC."""
    return datetime.now(UTC)


class Garage(HandChecks):
    """An open garage.

    Use `Garage.open`, and close it, or use it in a ``with`` block. Every method that changes
    something has brought it to the disk when it returns; where it raises, nothing was changed.

    Attributes
    ----------
    folder : Path
    file : Path
    recordings : Path
    """

    def __init__(self, folder: Path, engine: sa.Engine, now: Now) -> None:
        self.folder = folder
        self.file = folder / FILE_NAME
        self.recordings = folder / RECORDINGS
        self._engine = engine
        self._now = now

    # ---- opening and closing -----------------------------------------------------------

    @classmethod
    def open(cls, folder: str | os.PathLike[str] | None = None, *, now: Now = utc_now) -> Garage:
        """Open the garage of a folder; make it, or bring it up to date, where needed.

        Parameters
        ----------
        folder : path-like, optional
            See `vibecheck.garage.garage_folder`.
        now : callable, optional
            The clock: returns an aware moment.

        Raises
        ------
        InputError
            If the folder cannot be made or used, or the garage is of a newer version.
        """
        place = garage_folder(folder)
        try:
            place.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"The folder of the garage cannot be made: {error.strerror}.",
                where=str(place),
                advice="Name another with --data.",
            ) from error
        engine = engine_of(place / FILE_NAME)
        bring_up_to_date(engine, place / FILE_NAME)
        garage = cls(place, engine, now)
        sweep(garage.recordings)
        return garage

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def __enter__(self) -> Garage:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.close()

    def _read(self) -> AbstractContextManager[sa.Connection]:
        return reading(self._engine, self.file)

    def _write(self) -> AbstractContextManager[sa.Connection]:
        return writing(self._engine, self.file)

    def _moment(self, connection: sa.Connection, *, clock_is_right: bool = False) -> str:
        """Return the moment; refuse a clock that went backwards."""
        moment = self._now().astimezone(UTC)
        if clock_is_right:
            return moment_text(moment)
        sittings = schema.sittings.c
        last = sa.select(sittings.date).order_by(sittings.number.desc()).limit(1)
        newest = connection.execute(last).scalar()
        if newest is not None and moment < moment_of(newest) - CLOCK_SLACK:
            raise InputError(
                f"The clock of this computer says {moment:%Y-%m-%d %H:%M} UTC, but the newest "
                f"entry of the garage is of {moment_of(newest):%Y-%m-%d %H:%M} UTC.",
                where=str(self.file),
                advice="Nothing was changed. Set the clock and try again; if it is right and was "
                "wrong before, begin with: vibecheck bench start --clock-is-right",
            )
        return moment_text(moment)

    # ---- cars --------------------------------------------------------------------------

    def add_car(self, car_file: str | os.PathLike[str]) -> StoredCar:
        """Add a car by its file; a file of a known name is kept as its newest version.

        Raises
        ------
        InputError
            If the file cannot be read or is no car file.
        """
        try:
            text = Path(car_file).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "it is no text in UTF-8"
            raise InputError(
                f"The car file cannot be read: {reason}.",
                where=str(car_file),
                advice="Check the path; make one with: vibecheck car new",
            ) from error
        return self.add_car_text(text, where=str(car_file))

    def add_car_text(self, text: str, *, where: str = "car file") -> StoredCar:
        """Add a car by the text of its file; see `add_car`."""
        car = parse_car(text, where=where)
        with self._write() as connection:
            added = moment_text(self._now())
            row = self._car_row(connection, car.name)
            if row is None:
                row = {"id": uuid.uuid4().hex, "name": car.name, "added": added, "hidden": 0}
                connection.execute(sa.insert(schema.cars), row)
            if self._newest_text(connection, row["id"]) != text:
                connection.execute(
                    sa.insert(schema.car_files),
                    {"car_id": row["id"], "name": car.name, "text": text, "added": added},
                )
            return self._car_of(connection, row)

    @staticmethod
    def _newest_text(connection: sa.Connection, car_id: str) -> str | None:
        files = schema.car_files.c
        return connection.execute(
            sa.select(files.text).where(files.car_id == car_id).order_by(files.id.desc()).limit(1)
        ).scalar()

    def cars(self, *, hidden: bool = False) -> tuple[StoredCar, ...]:
        """Return the cars by name; hidden ones too where asked for."""
        with self._read() as connection:
            return tuple(
                self._car_of(connection, row)
                for row in self._car_rows(connection)
                if hidden or not row["hidden"]
            )

    @staticmethod
    def _car_rows(connection: sa.Connection) -> list[dict[str, Any]]:
        rows = connection.execute(sa.select(schema.cars).order_by(schema.cars.c.name)).mappings()
        return [dict(row) for row in rows]

    def find_car(self, name_or_file: str) -> StoredCar:
        """Find a car, hidden or not: by its name, by a name that its file had, or by a car file.

        Raises
        ------
        CallError
            If the garage has no such car.
        """
        with self._read() as connection:
            return self._find_car(connection, str(name_or_file))

    def knows(self, name: str) -> bool:
        """Whether there is a car of that name, hidden or not."""
        with self._read() as connection:
            return self._car_row(connection, name) is not None

    def car_versions(self, car: str) -> tuple[tuple[datetime, str], ...]:
        """Return every version of a car's file with the moment it came, oldest first."""
        files = schema.car_files.c
        with self._read() as connection:
            found = self._find_car(connection, car)
            rows = connection.execute(
                sa.select(files.added, files.text)
                .where(files.car_id == found.id)
                .order_by(files.id)
            )
            return tuple((moment_of(added), text) for added, text in rows)

    @staticmethod
    def _car_row(connection: sa.Connection, name: str) -> dict[str, Any] | None:
        """Look up a name: as it is, then as an id, in old files, and without regard to case."""
        cars, files = schema.cars, schema.car_files
        old = sa.select(files.c.car_id).where(files.c.name == name).order_by(files.c.id.desc())
        for match in (
            cars.c.name == name,
            cars.c.id == name,
            cars.c.id == old.limit(1).scalar_subquery(),
            sa.func.lower(cars.c.name) == name.lower(),
        ):
            row = connection.execute(sa.select(cars).where(match)).mappings().first()
            if row is not None:
                return dict(row)
        return None

    def _find_car(self, connection: sa.Connection, name: str) -> StoredCar:
        row = self._car_row(connection, name)
        if row is None and Path(name).suffix.lower() == ".toml" and Path(name).is_file():
            row = self._car_row(connection, read_car(Path(name)).name)
        if row is None:
            shown = [one["name"] for one in self._car_rows(connection) if not one["hidden"]]
            raise CallError(
                f'The garage has no car "{name}".{did_you_mean(name, shown)}',
                where=str(self.folder),
                advice=f"It has: {', '.join(shown)}."
                if shown
                else "Add one with: vibecheck bench start --car CAR.toml",
            )
        return self._car_of(connection, row)

    def _car_of(self, connection: sa.Connection, row: dict[str, Any]) -> StoredCar:
        text = self._newest_text(connection, row["id"]) or ""
        car = replace(parse_car(text, where=f"{self.file}, {row['name']}"), name=row["name"])
        runs = self._runs_of(connection, row["id"])
        return StoredCar(row["id"], row["name"], text, car, bool(row["hidden"]), runs)

    def rename_car(self, name: str, new: str) -> StoredCar:
        """Give a car another name; its history stays with it.

        Raises
        ------
        CallError
            If there is no such car, or another has, or had, the new name.
        InputError
            If the new name is no name.
        """
        wanted = check_text("name", new.strip())
        with self._write() as connection:
            car = self._find_car(connection, name)
            holder = self._car_row(connection, wanted)
            if holder is not None and holder["id"] != car.id:
                raise CallError(
                    f'Another car of the garage has, or had, the name "{wanted}".',
                    advice="Choose another name.",
                )
            connection.execute(
                sa.update(schema.cars).where(schema.cars.c.id == car.id).values(name=wanted)
            )
            return self._find_car(connection, car.id)

    def hide_car(self, name: str, hidden: bool = True) -> StoredCar:
        """Put a car away, or bring it back; its history stays either way."""
        with self._write() as connection:
            car = self._find_car(connection, name)
            connection.execute(
                sa.update(schema.cars).where(schema.cars.c.id == car.id).values(hidden=int(hidden))
            )
            return self._find_car(connection, car.id)

    def log_disturbances(self, car: str, joints: Sequence[tuple[str, str]], why: str) -> None:
        """Log joints that were undone or worked at on purpose.

        Parameters
        ----------
        car : str
        joints : sequence of (zone, fastener)
            Names as in the car file.
        why : str
            Such as "gear change".

        Raises
        ------
        CallError
            If the car has no such zone or fastener.
        """
        with self._write() as connection:
            stored = self._find_car(connection, car)
            date = self._moment(connection)
            for zone, fastener in joints:
                check_joint(stored.car, zone, fastener)
            rows = [
                {
                    "car_id": stored.id,
                    "zone": zone,
                    "fastener": fastener,
                    "runs": stored.runs,
                    "date": date,
                    "why": why,
                }
                for zone, fastener in joints
            ]
            if rows:
                connection.execute(sa.insert(schema.disturbances), rows)
