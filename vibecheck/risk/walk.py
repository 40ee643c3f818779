"""Stage 6, for the hand: zones in the order of their risk, and what each fastener needs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from vibecheck.car.guidance import FastenerGuide, fastener_guide
from vibecheck.car.profile import Car
from vibecheck.car.zones import Zone
from vibecheck.risk.history import CarHistory, KindHistory
from vibecheck.risk.log import FastenerFinding, Outcome
from vibecheck.risk.triage import rank_zones


@dataclass(frozen=True)
class FastenerToCheck:
    """One kind of fastener with what to know about it.

    Attributes
    ----------
    guide : FastenerGuide
    history : KindHistory or None
    """

    guide: FastenerGuide
    history: KindHistory | None = None


@dataclass(frozen=True)
class ZoneToCheck:
    """One stop of the walk.

    Attributes
    ----------
    zone : Zone
    place : int
        From 1, in the order of risk.
    probability : float
        Of a loose fastener there, 0 to 1.
    by_sound : bool
        A recording had its say in the probability.
    fasteners : tuple of FastenerToCheck
    """

    zone: Zone
    place: int
    probability: float
    by_sound: bool
    fasteners: tuple[FastenerToCheck, ...]


def zones_to_check(
    car: Car, history: CarHistory, result: Mapping[str, Any] | None = None
) -> tuple[ZoneToCheck, ...]:
    """Lay out the walk.

    Parameters
    ----------
    car : Car
    history : CarHistory
        Of the car's zones.
    result : mapping, optional
        The kept result of the bench check; without it the history alone orders the zones.

    Returns
    -------
    tuple of ZoneToCheck
        Every zone of the car, once; one that the result does not name comes by its history, after
        those that it does.
    """
    said = {str(item["zone"]): item for item in (result or {}).get("zones", ())}
    by_history = {risk.zone: risk for risk in rank_zones(car.zones, None, history)}

    def order(zone: Zone) -> tuple[int, int]:
        item = said.get(zone.name)
        return (0, int(item["rank"])) if item else (1, by_history[zone.name].rank)

    walk = []
    for place, zone in enumerate(sorted(car.zones, key=order), start=1):
        item = said.get(zone.name)
        kinds = {kind.kind.name: kind for kind in history.of_zone(zone.name)}
        walk.append(
            ZoneToCheck(
                zone=zone,
                place=place,
                probability=float(item["probability"])
                if item
                else by_history[zone.name].probability,
                by_sound=bool(item and item.get("heard", True)),
                fasteners=tuple(
                    FastenerToCheck(
                        fastener_guide(one, nut_removals=history.habits.nut_removals),
                        kinds.get(one.name),
                    )
                    for one in zone.fasteners
                ),
            )
        )
    return tuple(walk)


def same_for_all(
    zone: Zone, outcome: Outcome, kept: Iterable[FastenerFinding] = ()
) -> tuple[FastenerFinding, ...]:
    """Return findings of the same outcome for every fastener of a zone that has none in `kept`."""
    said = {one.fastener for one in answers_of(zone, kept)}
    return tuple(
        FastenerFinding(zone.name, one.name, outcome, one.count)
        for one in zone.fasteners
        if one.name not in said
    )


def answers_of(zone: Zone, findings: Iterable[FastenerFinding]) -> tuple[FastenerFinding, ...]:
    """Return the findings that are of a zone."""
    return tuple(one for one in findings if one.zone == zone.name)


def is_answered(zone: Zone, findings: Iterable[FastenerFinding]) -> bool:
    """Whether every kind of fastener of a zone has an answer, "not checked" among them."""
    said = {one.fastener for one in findings if one.zone == zone.name}
    return all(one.name in said for one in zone.fasteners)


def due_after_first_run(history: CarHistory) -> tuple[KindHistory, ...]:
    """Return the kinds that are due again after one run: undone, found loose, or left as found."""
    because = ("settling", "left_as_found")
    return tuple(kind for kind in history.kinds if kind.due_because in because)


def left_open(zones: Sequence[Zone], findings: Sequence[FastenerFinding]) -> tuple[Zone, ...]:
    """Return the zones of which some fastener has no answer, or was not checked."""
    skipped = {one.zone for one in findings if one.outcome == "not_checked"}
    return tuple(zone for zone in zones if zone.name in skipped or not is_answered(zone, findings))
