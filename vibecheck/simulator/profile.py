"""The car file an owner would write for a simulated car."""

from __future__ import annotations

from typing import Any

from vibecheck.simulator.parameters import SimulatedCar


def _value(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else repr(value)


def profile_toml(car: SimulatedCar) -> str:
    """Return the text of the car file (TOML); zones and fasteners are the layout's defaults."""
    lines = [
        "# An invented car: its recordings are simulated.",
        f"name = {_value(car.profile['name'])}",
        f"layout = {_value(car.profile['layout'])}",
        "",
        "[drivetrain]",
    ]
    lines += [f"{key} = {_value(value)}" for key, value in car.profile["drivetrain"].items()]
    return "\n".join(lines) + "\n"
