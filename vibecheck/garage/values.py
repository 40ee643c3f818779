"""What the garage gives: frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from vibecheck.car.profile import Car
from vibecheck.risk.log import FastenerFinding, HandCheck, is_find

Decision = Literal["go", "no_go"]
"""The owner's own; the tool never makes one."""


@dataclass(frozen=True)
class SetUp:
    """What is fitted to the car; ``None`` or empty where it was not said.

    Attributes
    ----------
    pinion_teeth, spur_teeth : int or None
        At least 1.
    tyres : str
        In the owner's words.
    cells : int or None
        Cells in series, at least 1.

    Raises
    ------
    ValueError
        If a number is below 1.
    """

    pinion_teeth: int | None = None
    spur_teeth: int | None = None
    tyres: str = ""
    cells: int | None = None

    def __post_init__(self) -> None:
        for name in ("pinion_teeth", "spur_teeth", "cells"):
            value = getattr(self, name)
            if value is not None and value < 1:
                raise ValueError(f"{name} must be at least 1. Got {value!r} instead.")

    @classmethod
    def of(cls, car: Car, *, tyres: str = "") -> SetUp:
        """Return the set-up that a car file states."""
        drivetrain = car.drivetrain
        if drivetrain is None:
            return cls(tyres=tyres)
        return cls(drivetrain.pinion_teeth, drivetrain.spur_teeth, tyres, drivetrain.cells)

    def words(self) -> str:
        """Say it in a line."""
        parts = []
        if self.pinion_teeth and self.spur_teeth:
            parts.append(f"pinion {self.pinion_teeth}, spur {self.spur_teeth}")
        elif self.pinion_teeth or self.spur_teeth:
            parts.append(
                f"pinion {self.pinion_teeth}" if self.pinion_teeth else f"spur {self.spur_teeth}"
            )
        if self.tyres:
            parts.append(f"tyres {self.tyres}")
        if self.cells:
            parts.append(f"{self.cells} cells")
        return ", ".join(parts) or "not said"


@dataclass(frozen=True)
class StoredCar:
    """A car of the garage.

    Attributes
    ----------
    id : str
        Stays when the name changes.
    name : str
    text : str
        Its car file, the newest version.
    car : Car
        Read from that text, under the name it has in the garage.
    hidden : bool
        Sold or put away: its history stays.
    runs : float
        Its run counter.
    """

    id: str
    name: str
    text: str
    car: Car
    hidden: bool
    runs: float


@dataclass(frozen=True)
class StoredTake:
    """A recording of the garage.

    Attributes
    ----------
    id : int
    sitting : str
    path : Path
        Where the recording lies, under the hash of its content.
    file_name : str
        The name it had when it was added.
    sha256 : str
    sensor, spot : str
    after_hand_check : bool
        Added once the hand check of its sitting was done.
    reading : mapping
        How its file is read where it does not say itself: arguments of `read_take`.
    """

    id: int
    sitting: str
    path: Path
    file_name: str
    sha256: str
    sensor: str
    spot: str
    after_hand_check: bool
    reading: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Sitting:
    """One bench check.

    Attributes
    ----------
    id : str
        Unique over garages.
    number : int
        Counts the sittings of this garage.
    car, car_id : str
        Name of the car now, and what stays when it changes.
    date : datetime
        Aware, in UTC.
    set_up : SetUp
    runs : float
        The car's run counter at it.
    runs_since_last : float
        Runs between the sitting before and this one.
    is_open : bool
    takes : tuple of StoredTake
    hand_check : HandCheck or None
        What was logged so far; `HandCheck.complete` is false until it was finished as such.
    hand_check_done : bool
        The hand check was finished, completely or not.
    verdict : str
        Of the result, empty where there is none (`Garage.result` gives it whole).
    decision : {"go", "no_go"} or None
        The owner's own.
    note : str
        The owner's own words.
    """

    id: str
    number: int
    car: str
    car_id: str
    date: datetime
    set_up: SetUp
    runs: float
    runs_since_last: float
    is_open: bool
    takes: tuple[StoredTake, ...]
    hand_check: HandCheck | None
    hand_check_done: bool
    verdict: str
    decision: Decision | None
    note: str

    @property
    def left_snug(self) -> bool:
        """A complete hand check found everything snug, or left it so."""
        check = self.hand_check
        return check is not None and check.complete and all(map(_left_snug, check.findings))

    @property
    def baseline_takes(self) -> tuple[StoredTake, ...]:
        """Takes that belong to the car's baseline.

        All, where a complete hand check found everything snug; those after it, where it left
        everything snug; none else.
        """
        if not self.left_snug or self.hand_check is None:
            return ()
        found = any(is_find(one.outcome) or one.done for one in self.hand_check.findings)
        return tuple(take for take in self.takes if take.after_hand_check or not found)


LEFT_SNUG = ("snug", "took_a_turn")
"""Outcomes that leave a joint snug by themselves: what took a turn was tightened by it."""


def _left_snug(finding: FastenerFinding) -> bool:
    return finding.outcome in LEFT_SNUG or bool(finding.done)


@dataclass(frozen=True)
class KeptFeatures:
    """Features of a stored take, as a check measured them.

    Attributes
    ----------
    take : StoredTake
    date : datetime
        Of its sitting.
    runs : float
    set_up : SetUp
    catalogue_version : str
    features : mapping of str to float or None
    """

    take: StoredTake
    date: datetime
    runs: float
    set_up: SetUp
    catalogue_version: str
    features: Mapping[str, float | None]
