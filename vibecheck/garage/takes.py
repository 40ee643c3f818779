"""Takes of the garage: recordings, results and features. `Takes`."""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.errors import CallError, did_you_mean
from vibecheck.garage import schema
from vibecheck.garage.recordings import keep_recording
from vibecheck.garage.rows import Unpacker, moment_of, pack_numbers, set_up_of, take_of
from vibecheck.garage.sittings import Sittings
from vibecheck.garage.values import KeptFeatures, Sitting, StoredTake

SENSORS = ("microphone", "accelerometer")
OF_SITTING = ("date", "runs", "pinion_teeth", "spur_teeth", "tyres", "cells")


class Takes(Sittings):
    """The part of `vibecheck.garage.store.Garage` that is about takes."""

    def add_take(
        self,
        sitting_id: str,
        file: str | os.PathLike[str],
        *,
        sensor: str = "microphone",
        spot: str = CENTRE_SPOT,
        reading: Mapping[str, Any] | None = None,
    ) -> StoredTake:
        """Keep a recording in an open sitting; the same content is kept once.

        Parameters
        ----------
        sitting_id : str
        file : path-like
        sensor : {"microphone", "accelerometer"}
        spot : str
            A zone of the car, or ``"centre"``.
        reading : mapping, optional
            Further arguments of `vibecheck.read_take` that the file needs.

        Raises
        ------
        CallError
            If the sitting is closed, the sensor or the spot unknown, or the recording belongs to
            another sitting or spot.
        InputError
            If the file cannot be read or kept.
        """
        if sensor not in SENSORS:
            raise CallError(
                f'There is no sensor "{sensor}".{did_you_mean(sensor, SENSORS)}',
                advice=f"Known: {', '.join(SENSORS)}.",
            )
        with self._read() as connection:
            self._check_spot(connection, self._open(connection, sitting_id), spot)
        source = Path(file)
        # The recording is on the disk before the row that speaks of it.
        sha256, stored = keep_recording(source, self.recordings)
        table = schema.takes
        with self._write() as connection:
            sitting = self._open(connection, sitting_id)
            same = connection.execute(sa.select(table).where(table.c.sha256 == sha256)).mappings()
            row = same.first()
            if row is not None:
                take = take_of(dict(row), self.recordings)
                if (take.sitting, take.sensor, take.spot) != (sitting.id, sensor, spot):
                    other = self._sitting(connection, take.sitting)
                    raise CallError(
                        f"This recording is kept already, in bench check {other.number} of "
                        f"{other.car} as {take.sensor} at {take.spot}.",
                        where=str(source),
                        advice="A recording belongs to one bench check, one sensor and one spot.",
                    )
                return take
            values = {
                "sitting_id": sitting.id,
                "sha256": sha256,
                "file_name": source.name,
                "stored": stored,
                "sensor": sensor,
                "spot": spot,
                "after_hand_check": int(sitting.hand_check_done),
                "added": self._moment(connection),
                "reading": json.dumps(dict(reading or {})),
            }
            made = connection.execute(sa.insert(table).returning(table.c.id), values).scalar_one()
            return take_of({"id": made, **values}, self.recordings)

    def take_of_content(self, sha256: str) -> StoredTake | None:
        """Return the take that has this content, if the garage has one."""
        table = schema.takes
        with self._read() as connection:
            rows = connection.execute(sa.select(table).where(table.c.sha256 == sha256)).mappings()
            row = rows.first()
            return None if row is None else take_of(dict(row), self.recordings)

    def _check_spot(self, connection: sa.Connection, sitting: Sitting, spot: str) -> None:
        car = self._find_car(connection, sitting.car_id).car
        spots = [CENTRE_SPOT, *(zone.name for zone in car.zones)]
        if car.zones and spot not in spots:
            raise CallError(
                f'{sitting.car} has no spot "{spot}".{did_you_mean(spot, spots)}',
                advice=f"Known: {', '.join(spots)}.",
            )

    def set_result(self, sitting_id: str, result: Mapping[str, Any]) -> Sitting:
        """Keep the result of a check (the value of ``CheckResult.to_dict``) and its features."""
        packed = zlib.compress(json.dumps(result, allow_nan=False).encode("utf-8"))
        version = str(result.get("catalogue_version", ""))
        with self._write() as connection:
            sitting = self._open(connection, sitting_id)
            by_hash = {take.sha256: take.id for take in sitting.takes}
            connection.execute(
                sa.insert(schema.results).prefix_with("OR REPLACE"),
                {"sitting_id": sitting.id, "packed": packed},
            )
            connection.execute(
                sa.update(schema.sittings)
                .where(schema.sittings.c.id == sitting.id)
                .values(verdict=str(result.get("verdict", "")))
            )
            for take in result.get("takes", ()):
                features = take.get("features")
                if take.get("sha256") in by_hash and features:
                    names = sorted(features)
                    connection.execute(
                        sa.insert(schema.take_features).prefix_with("OR REPLACE"),
                        {
                            "take_id": by_hash[take["sha256"]],
                            "names_id": _names_id(connection, version, names),
                            "numbers": pack_numbers(features, names),
                        },
                    )
            return self._sitting(connection, sitting.id)

    def result(self, sitting_id: str) -> dict[str, Any] | None:
        """Return the kept result of a sitting."""
        table = schema.results.c
        with self._read() as connection:
            sitting = self._sitting(connection, sitting_id)
            query = sa.select(table.packed).where(table.sitting_id == sitting.id)
            packed = connection.execute(query).scalar()
        found: dict[str, Any] | None = packed and json.loads(zlib.decompress(packed))
        return found

    def features(self, car: str, names: Sequence[str] | None = None) -> tuple[KeptFeatures, ...]:
        """Return the features of a car's takes, oldest first.

        Parameters
        ----------
        car : str
        names : sequence of str, optional
            Only these features.
        """
        unpack = Unpacker(names)
        sittings, takes, kept, lists = (
            schema.sittings,
            schema.takes,
            schema.take_features,
            schema.feature_names,
        )
        columns: list[Any] = [
            *takes.c,
            *(sittings.c[name] for name in OF_SITTING),
            lists.c.catalogue_version,
            lists.c.names,
            kept.c.numbers,
        ]
        query = (
            sa.select(*columns)
            .join(sittings, sittings.c.id == takes.c.sitting_id)
            .join(kept, kept.c.take_id == takes.c.id)
            .join(lists, lists.c.id == kept.c.names_id)
            .order_by(sittings.c.number, takes.c.id)
        )
        with self._read() as connection:
            query = query.where(sittings.c.car_id == self._find_car(connection, car).id)
            return tuple(
                KeptFeatures(
                    take_of(row, self.recordings),
                    moment_of(row["date"]),
                    row["runs"],
                    set_up_of(row),
                    row["catalogue_version"],
                    unpack(row["names"], row["numbers"]),
                )
                for row in map(dict, connection.execute(query).mappings())
            )


def _names_id(connection: sa.Connection, version: str, names: Sequence[str]) -> int:
    table = schema.feature_names
    text = json.dumps(list(names))
    where = (table.c.catalogue_version == version) & (table.c.names == text)
    found = connection.execute(sa.select(table.c.id).where(where)).scalar()
    if found is None:
        values = {"catalogue_version": version, "names": text}
        found = connection.execute(sa.insert(table).returning(table.c.id), values).scalar_one()
    return int(found)
