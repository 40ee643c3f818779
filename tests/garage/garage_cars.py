"""An invented car, made-up recordings and a clock for the garage's tests."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

from made_up import GARAGE_CAR

from vibecheck.garage import Garage
from vibecheck.risk.log import FastenerFinding

CAR_FILE = (
    GARAGE_CAR
    + """\
bench_max_wheel_rpm = 4000
[[zones]]
name = "wheel_front_left"
severity = 3
[[zones.fasteners]]
name = "wheel nut"
thread = "M5x0.8"
locking = "nylon_insert"
[[zones]]
name = "motor_mount"
severity = 3
[[zones.fasteners]]
name = "mount screw"
count = 4
[[zones.fasteners]]
name = "set screw"
"""
)
KINDS = (("wheel_front_left", "wheel nut", 1), ("motor_mount", "mount screw", 4),
         ("motor_mount", "set screw", 1))  # fmt: skip


class Clock:
    """A clock that goes on by a minute whenever it is asked."""

    def __init__(self, start: datetime = datetime(2031, 5, 4, 9, 30, tzinfo=UTC)) -> None:
        self.moment = start

    def __call__(self) -> datetime:
        self.moment += timedelta(minutes=1)
        return self.moment


def made_up_file(folder: Path, number: int, size: int = 20_000) -> Path:
    """Write bytes that stand for a recording; the store does not look into them."""
    path = folder / f"take-{number}.wav"
    path.write_bytes(random.Random(number).randbytes(size))
    return path


def snug(except_for: str = "") -> list[FastenerFinding]:
    """Return findings that make a hand check complete, with one kind left out."""
    return [FastenerFinding(zone, name, "snug", n) for zone, name, n in KINDS if name != except_for]


def add_car(garage: Garage, name: str = "Saltflat 8") -> str:
    """Add the car under a name and return it."""
    return garage.add_car_text(CAR_FILE.replace("Saltflat 8", name)).name
