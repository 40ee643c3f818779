"""At the bench: the hand check of a bench check, begun, gone on with, and ended. `walk_of`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from vibecheck.risk.history import read_history
from vibecheck.risk.log import is_find
from vibecheck.risk.walk import (
    answers_of,
    due_after_first_run,
    is_answered,
    left_open,
    zones_to_check,
)

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.car.zones import Zone
    from vibecheck.garage import Garage, Sitting
    from vibecheck.risk.history import CarHistory, KindHistory
    from vibecheck.risk.kind_log import Habits
    from vibecheck.risk.log import FastenerFinding, HandCheck
    from vibecheck.risk.walk import ZoneToCheck


@dataclass(frozen=True)
class HandCheckWalk:
    """The hand check of a bench check as it stands.

    Attributes
    ----------
    car : Car
    history : CarHistory
        As it was before this hand check.
    stops : tuple of ZoneToCheck
        Every zone, in the order of risk; it stays the same while answers come in.
    kept : tuple of FastenerFinding
        What was answered so far.
    """

    car: Car
    history: CarHistory
    stops: tuple[ZoneToCheck, ...]
    kept: tuple[FastenerFinding, ...]

    @property
    def answered(self) -> tuple[bool, ...]:
        """Which stops have an answer for every fastener."""
        return tuple(is_answered(stop.zone, self.kept) for stop in self.stops)

    def answers(self, zone: Zone) -> tuple[FastenerFinding, ...]:
        """Return what was answered of a zone."""
        return answers_of(zone, self.kept)


@dataclass(frozen=True)
class HandCheckSummary:
    """What a finished hand check comes to.

    Attributes
    ----------
    finds : tuple of FastenerFinding
        What was not as it should be.
    undone : tuple of FastenerFinding
        Those of them that nothing was done about.
    skipped : tuple of Zone
        Not checked whole: the hand check is not complete.
    due : tuple of KindHistory
        Due again after the first run.
    """

    finds: tuple[FastenerFinding, ...]
    undone: tuple[FastenerFinding, ...]
    skipped: tuple[Zone, ...]
    due: tuple[KindHistory, ...]


def walk_of(garage: Garage, sitting: Sitting, habits: Habits) -> HandCheckWalk:
    """Lay out the hand check of a bench check.

    Parameters
    ----------
    garage : Garage
    sitting : Sitting
    habits : Habits
    """
    car = garage.find_car(sitting.car_id).car
    # The order stays as it was when the check began, whatever it has found since.
    log = garage.car_log(sitting.car_id)
    earlier = tuple(check for check in log.hand_checks if check.id != sitting.id)
    history = read_history(car.zones, replace(log, hand_checks=earlier), habits=habits)
    stops = zones_to_check(car, history, garage.result(sitting.id))
    return HandCheckWalk(car, history, stops, garage.findings(sitting.id))


def summary(garage: Garage, sitting: Sitting, done: HandCheck, habits: Habits) -> HandCheckSummary:
    """Sum up a hand check.

    Parameters
    ----------
    garage : Garage
    sitting : Sitting
    done : HandCheck
        Of that sitting.
    habits : Habits
    """
    car = garage.find_car(sitting.car_id).car
    log = garage.car_log(sitting.car_id)
    history = (
        read_history(car.zones, log, habits=habits) if habits else read_history(car.zones, log)
    )
    finds = tuple(one for one in done.findings if is_find(one.outcome))
    return HandCheckSummary(
        finds=finds,
        undone=tuple(one for one in finds if not one.done),
        skipped=left_open(car.zones, done.findings),
        due=due_after_first_run(history),
    )
