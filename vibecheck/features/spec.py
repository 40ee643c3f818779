"""Stage 4: what the catalogue says about one feature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Sign = Literal["impact", "onset", "harmonics", "resonance", "mesh", "colour", "speed"]
Shaft = Literal["wheel", "spur", "motor", "mesh", "none"]
PhaseOfFeature = Literal["running", "run_up", "hold", "coast_down", "driven", "idle"]
Direction = Literal[-1, 0, 1]
WHEELS = "wheel"
"""Stands for all four wheel zones."""
TOWERS = ("shock_tower_front", "shock_tower_rear")
DRIVE = ("motor_mount", "gear_mesh", "driveline")
BODY = ("battery_hold_down", "chassis_screws", "body_and_aero", *TOWERS)
ALL_ZONES = (WHEELS, *DRIVE, *BODY, "steering")

_LOGARITHMS = {"log2": 2.0, "log10": 10.0}


@dataclass(frozen=True)
class FeatureSpec:
    """One entry of the feature catalogue.

    Attributes
    ----------
    name : str
        ``snake_case``, unique.
    unit : str
        ``"dB"``, ``"log2 Hz"``, ``"1"`` …
    formula : str
        How it is computed, on one line.
    shaft : {"wheel", "spur", "motor", "mesh", "none"}
        The shaft (or mesh) whose order must be known.
    phase : {"running", "run_up", "hold", "coast_down", "driven", "idle"}
        The part of the spin-up it is taken from; ``driven`` is run-up and hold together, ``idle``
        is before and after.
    raised_by : str
        What raises it, in one sentence.
    reading_high, reading_low : str
        What a high and a low value mean, in the owner's words. ``{value}`` is the value (of a
        logarithm, the number itself).
    zones : tuple of str
        Zones it speaks about; ``"wheel"`` stands for all four.
    neutral : float
        Value where it cannot be observed.
    sign : str
        The sign of looseness it belongs to.
    source : str
        Where the idea comes from.
    locates : bool
        True where its strength differs between spots, so that several spots locate a wheel.
    direction : {-1, 0, 1}
        Which way looseness moves it by physics: +1 up, -1 down, 0 where either way or both are
        possible.
    """

    name: str
    unit: str
    formula: str
    shaft: Shaft
    phase: PhaseOfFeature
    raised_by: str
    reading_high: str
    reading_low: str
    zones: tuple[str, ...]
    neutral: float
    sign: Sign
    source: str
    locates: bool = False
    direction: Direction = 0

    def speaks_about(self, zone: str) -> bool:
        """Tell whether the feature says something about a zone."""
        return zone in self.zones or (zone.startswith("wheel_") and WHEELS in self.zones)

    def reading(self, value: float, *, high: bool) -> str:
        """Return the sentence for a value that is high (or low) against its reference.

        A logarithm is for the model; the owner reads the number itself.
        """
        base = next((b for name, b in _LOGARITHMS.items() if self.unit.startswith(name)), None)
        plain = value if base is None else base**value
        return (self.reading_high if high else self.reading_low).format(value=plain)
