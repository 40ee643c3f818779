"""At the bench: a car, its log, and the feature values of its takes. `read_source`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from vibecheck.car.profile import Car
from vibecheck.features.catalogue import CATALOGUE_VERSION
from vibecheck.risk.drift import KEY_FEATURES, TakeValues
from vibecheck.risk.log import CarLog

if TYPE_CHECKING:
    from vibecheck.garage import Garage


@dataclass(frozen=True)
class HistorySource:
    """A car, its log, and the feature values of its takes."""

    car: Car
    log: CarLog
    takes: tuple[TakeValues, ...] = ()


def read_source(garage: Garage, name: str, file: Car | None = None) -> HistorySource:
    """Read a car's log; the car file that was named, where one was, stands for the stored one."""
    stored = garage.find_car(name)
    # One pass over the bench checks gives the log and the baseline: a log may be long.
    sittings = garage.sittings(name, newest_first=False)
    checks = tuple(one.hand_check for one in sittings if one.hand_check is not None)
    log = CarLog(stored.name, stored.runs, checks, garage.disturbances(name))
    snug = {take.id for sitting in sittings for take in sitting.baseline_takes}
    takes = tuple(
        TakeValues(
            date=kept.date,
            runs=kept.runs,
            sensor=kept.take.sensor,
            spot=kept.take.spot,
            features=kept.features,
            snug=kept.take.id in snug,
            setup=kept.set_up.words(),
        )
        for kept in garage.features(name, KEY_FEATURES)
        # Features that were computed differently cannot be compared.
        if kept.catalogue_version == CATALOGUE_VERSION
    )
    return HistorySource(file or stored.car, log, takes)
