"""Stage 6, the ground of it: what a car's log of hand checks holds. `CarLog`.

Plain values without a store, so that history, the store and the hand check share one vocabulary.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, get_args

Outcome = Literal["snug", "took_a_turn", "loose", "missing", "not_checked"]
OUTCOMES: tuple[str, ...] = get_args(Outcome)
FIND_OUTCOMES = ("took_a_turn", "loose", "missing")
"""Outcomes that count as a find: the fastener was not as it should be."""
DONE = ("tightened", "threadlocker", "new_nut", "replaced", "refitted", "cleaned")
"""What may have been done about a fastener, any of them."""
UNDONE = ("threadlocker", "new_nut", "replaced", "refitted", "cleaned")
"""Those of `DONE` for which the joint came apart, so that it settles anew."""

ZoneLabel = Literal["loose", "snug", "unknown"]


@dataclass(frozen=True)
class FastenerFinding:
    """One kind of fastener of one zone in one hand check.

    Attributes
    ----------
    zone, fastener : str
        Names as in the car file.
    outcome : Outcome
    count : int
        How many of that kind had this outcome, at least 1; a kind may have several findings.
    turned_deg : float or None
        How far it turned in the tightening direction, degrees, >= 0; only with ``took_a_turn``
        and ``loose``.
    done : tuple of str
        Words of `DONE`.
    note : str

    Raises
    ------
    ValueError
        If a value is outside its range.
    """

    zone: str
    fastener: str
    outcome: Outcome
    count: int = 1
    turned_deg: float | None = None
    done: tuple[str, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        if self.outcome not in OUTCOMES:
            raise ValueError(f"outcome must be one of {OUTCOMES}. Got {self.outcome!r} instead.")
        if self.count < 1:
            raise ValueError(f"count must be at least 1. Got {self.count!r} instead.")
        if self.turned_deg is not None:
            if not (math.isfinite(self.turned_deg) and self.turned_deg >= 0.0):
                raise ValueError(
                    f"turned_deg must be a finite number from 0 up. Got {self.turned_deg!r} "
                    "instead."
                )
            if self.outcome not in ("took_a_turn", "loose"):
                raise ValueError(
                    f"turned_deg must come with took_a_turn or loose. Got {self.outcome!r} instead."
                )
        for word in self.done:
            if word not in DONE:
                raise ValueError(f"done must hold words of {DONE}. Got {word!r} instead.")


@dataclass(frozen=True)
class HandCheck:
    """One hand check of one car.

    Attributes
    ----------
    id : str
    date : datetime
        Aware, in UTC.
    runs : float
        The car's run counter at this hand check, >= 0.
    findings : tuple of FastenerFinding
    complete : bool
        Every fastener of every zone was checked.

    Raises
    ------
    ValueError
        If a value is outside its range.
    """

    id: str
    date: datetime
    runs: float
    findings: tuple[FastenerFinding, ...]
    complete: bool

    def __post_init__(self) -> None:
        _check_moment(self.date, self.runs)


@dataclass(frozen=True)
class Disturbance:
    """A joint was undone or worked at on purpose: a gear change, a new nut.

    Attributes
    ----------
    zone, fastener : str
    runs : float
        The car's run counter then, >= 0.
    date : datetime
        Aware, in UTC.
    why : str

    Raises
    ------
    ValueError
        If a value is outside its range.
    """

    zone: str
    fastener: str
    runs: float
    date: datetime
    why: str

    def __post_init__(self) -> None:
        _check_moment(self.date, self.runs)


@dataclass(frozen=True)
class CarLog:
    """The whole log of one car, oldest first.

    Attributes
    ----------
    car : str
    runs : float
        The car's run counter now, >= 0.
    hand_checks : tuple of HandCheck
    disturbances : tuple of Disturbance

    Raises
    ------
    ValueError
        If ``runs`` is outside its range.
    """

    car: str
    runs: float
    hand_checks: tuple[HandCheck, ...]
    disturbances: tuple[Disturbance, ...]

    def __post_init__(self) -> None:
        _check_runs(self.runs)


def is_find(outcome: str) -> bool:
    """Return whether an outcome is a find: ``took_a_turn``, ``loose`` or ``missing``."""
    return outcome in FIND_OUTCOMES


def finds_in(findings: Iterable[FastenerFinding], zone: str | None = None) -> int:
    """Count the fasteners that were finds, in one zone or in all."""
    return sum(
        one.count for one in findings if is_find(one.outcome) and (zone is None or one.zone == zone)
    )


def findings_of(check: HandCheck, zone: str) -> Iterator[FastenerFinding]:
    """Yield the findings of one zone."""
    return (one for one in check.findings if one.zone == zone)


def zone_label(check: HandCheck, zone: str, counts: dict[str, int] | None = None) -> ZoneLabel:
    """Return what a hand check says about a zone, as a label for the takes before it.

    Parameters
    ----------
    check : HandCheck
    zone : str
    counts : dict of str to int, optional
        How many fasteners of each kind the zone has, as in the car file; with it a zone is
        ``snug`` only where all of them were found snug.

    Returns
    -------
    {"loose", "snug", "unknown"}
        ``loose`` with any find; ``snug`` where every fastener was snug; ``unknown`` where
        something was not checked, or nothing of the zone was written down.
    """
    findings = tuple(findings_of(check, zone))
    if any(is_find(one.outcome) for one in findings):
        return "loose"
    if not findings or any(one.outcome == "not_checked" for one in findings):
        return "unknown"
    if counts is not None:
        snug: dict[str, int] = {}
        for one in findings:
            snug[one.fastener] = snug.get(one.fastener, 0) + one.count
        if any(snug.get(name, 0) < count for name, count in counts.items()):
            return "unknown"
    return "snug"


def _check_runs(runs: float) -> None:
    if not (math.isfinite(runs) and runs >= 0.0):
        raise ValueError(f"runs must be a finite number from 0 up. Got {runs!r} instead.")


def _check_moment(date: datetime, runs: float) -> None:
    if date.utcoffset() != timedelta(0):
        raise ValueError(f"date must carry a time zone and be in UTC. Got {date!r} instead.")
    _check_runs(runs)
