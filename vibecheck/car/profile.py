"""The car: drivetrain, orders, zones; an immutable value read from a TOML file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeVar

from vibecheck.car.zones import Zone
from vibecheck.errors import InputError, did_you_mean

Layout = Literal["4wd", "rwd", "fwd"]
OrderKind = Literal["shaft", "electrical", "mesh", "bearing", "other"]


@dataclass(frozen=True)
class Order:
    """A rotating part's events per turn of the reference shaft."""

    name: str
    ratio: float
    kind: OrderKind = "other"


_Named = TypeVar("_Named", Order, Zone)


@dataclass(frozen=True)
class Drivetrain:
    """Motor to wheel. All counts > 0; ``internal_ratio`` is spur turns per wheel turn."""

    motor_poles: int
    kv_rpm_per_v: float
    cells: int
    pinion_teeth: int
    spur_teeth: int
    internal_ratio: float
    tyre_diameter_mm: float
    wheel_max_rpm: float | None = None
    bench_max_wheel_rpm: float | None = None


@dataclass(frozen=True)
class Bearing:
    """A rolling bearing on the motor, spur or wheel shaft (outer ring fixed)."""

    shaft: Literal["motor", "spur", "wheel"]
    balls: int
    ball_mm: float
    pitch_mm: float
    contact_deg: float = 0.0


@dataclass(frozen=True)
class Car:
    """A car (or, for outside recordings, a bare machine known only by its orders).

    Attributes
    ----------
    orders : tuple of Order
        Events per turn of the reference shaft. For a car: ``motor`` (1), ``electrical``,
        ``mesh``, ``spur``, ``wheel`` and those of its bearings; for a bare machine as given.
    shaft : str
        Name of the reference shaft: ``"motor"``, or ``"reference"`` for a bare machine.
    file : str
        Name of the file it was read from; two cars that differ in nothing else are equal.
    """

    name: str
    layout: Layout | None
    drivetrain: Drivetrain | None
    orders: tuple[Order, ...]
    zones: tuple[Zone, ...] = ()
    bearings: tuple[Bearing, ...] = ()
    shaft: str = "motor"
    file: str = field(default="", compare=False)

    def order(self, name: str) -> Order:
        """Return the order of one name.

        Raises
        ------
        InputError
            If the car has no order of that name.
        """
        return self._named("order", name, self.orders)

    def has_order(self, name: str) -> bool:
        """Tell whether the car has an order of that name."""
        return any(order.name == name for order in self.orders)

    def zone(self, name: str) -> Zone:
        """Return the zone of one name.

        Raises
        ------
        InputError
            If the car has no zone of that name.
        """
        return self._named("zone", name, self.zones)

    def _named(self, kind: str, name: str, things: tuple[_Named, ...]) -> _Named:
        for thing in things:
            if thing.name == name:
                return thing
        known = [thing.name for thing in things]
        raise InputError(
            f'There is no {kind} "{name}".{did_you_mean(name, known)}',
            where=self.file or self.name,
            advice=f"Known {kind}s: {', '.join(known)}.",
        )
