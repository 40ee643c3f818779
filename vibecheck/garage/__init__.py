"""The garage: one SQLite file and a folder of recordings, where a car's pre-run care lives.

====================  =============================================================
`Garage`              the store: cars, sittings, takes, hand checks, disturbances
`StoredCar`           a car with every version of its file
`Sitting`             one bench check: set-up, takes, result, hand check, the owner's decision
`StoredTake`          a recording, kept under the hash of its content
`SetUp`               what was fitted: pinion, spur, tyres, cells
====================  =============================================================

Whatever a method has returned from is on the disk. SQLAlchemy is imported when a garage is opened,
Alembic only when one is made or brought up to date.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibecheck.garage.place import garage_folder
from vibecheck.garage.values import Decision, SetUp, Sitting, StoredCar, StoredTake

if TYPE_CHECKING:
    from vibecheck.garage.store import Garage

__all__ = ["Decision", "Garage", "SetUp", "Sitting", "StoredCar", "StoredTake", "garage_folder"]


def __getattr__(name: str) -> object:
    if name == "Garage":
        from vibecheck.garage.store import Garage

        return Garage
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
