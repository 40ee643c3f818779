"""A car from its drivetrain alone: the orders that follow, the usual zones of its layout."""

from __future__ import annotations

from vibecheck.car.drivetrain import derive_orders
from vibecheck.car.profile import Car, Drivetrain, Layout
from vibecheck.car.zones import default_zones


def usual_car(name: str, layout: Layout, drivetrain: Drivetrain) -> Car:
    """Return a car with the usual zones and fasteners of its layout.

    Parameters
    ----------
    name : str
    layout : {"4wd", "rwd", "fwd"}
    drivetrain : Drivetrain
    """
    return Car(name, layout, drivetrain, derive_orders(drivetrain), default_zones(layout))
