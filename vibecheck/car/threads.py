"""Metric screw threads as a car file writes them: ``M5x0.8``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from vibecheck.errors import InputError

_THREAD = re.compile(r"M(\d{1,2}(?:\.\d{1,3})?)x(\d{1,2}(?:\.\d{1,3})?)")
_LOOSE = re.compile(r"\s*[mM]?\s*(\d+(?:[.,]\d+)?)(?:\s*[xX×*]\s*(\d+(?:[.,]\d+)?))?\s*(?:mm)?\s*")
_INCH = re.compile(r"\s*#?\s*(\d{1,2})\s*-\s*(\d{2,3})\s*")

# ISO 261 / ISO 262 coarse pitches of small threads, mm (values from memory for M1.6, M8 and M10;
# the others are listed with the thread sizes in ISO 724).
COARSE_PITCH_MM = {
    1.6: 0.35,
    2.0: 0.4,
    2.5: 0.45,
    3.0: 0.5,
    4.0: 0.7,
    5.0: 0.8,
    6.0: 1.0,
    8.0: 1.25,
    10.0: 1.5,
}


@dataclass(frozen=True)
class Thread:
    """A metric thread: nominal diameter and pitch in millimetres."""

    diameter_mm: float
    pitch_mm: float

    @property
    def pitch_diameter_mm(self) -> float:
        """Pitch diameter, d2 = d − 0.649519 P (ISO 724)."""
        return self.diameter_mm - 0.649519 * self.pitch_mm

    @property
    def minor_diameter_mm(self) -> float:
        """Minor diameter of the nut thread, D1 = d − 1.082532 P (ISO 724)."""
        return self.diameter_mm - 1.082532 * self.pitch_mm

    @property
    def core_diameter_mm(self) -> float:
        """Minor diameter of the screw's thread, d3 = d − 1.226869 P (ISO 724, ISO 898-1)."""
        return self.diameter_mm - 1.226869 * self.pitch_mm

    @property
    def stress_area_mm2(self) -> float:
        """Nominal stress area, π/4 ((d2 + d3) / 2)² (ISO 898-1)."""
        return math.pi / 4.0 * (0.5 * (self.pitch_diameter_mm + self.core_diameter_mm)) ** 2

    def __str__(self) -> str:
        return f"M{self.diameter_mm:g}x{self.pitch_mm:g}"


def parse_thread(text: str, *, where: str | None = None) -> Thread:
    """Read ``M<diameter>x<pitch>``, both in millimetres.

    Raises
    ------
    InputError
        If the text is written another way (the right spelling is suggested where it can be
        guessed), or if no such thread can exist.
    """
    match = _THREAD.fullmatch(text)
    if match is None:
        raise InputError(
            f'thread must be written as M, diameter, x, pitch, such as "M5x0.8". '
            f'Got "{text[:40]}" instead.',
            where=where,
            advice=_suggest(text),
        )
    thread = Thread(float(match[1]), float(match[2]))
    if thread.pitch_mm <= 0.0 or thread.minor_diameter_mm <= 0.0:
        raise InputError(
            f'thread must have a pitch above 0 and below its diameter. Got "{text}" instead.',
            where=where,
            advice=_suggest(f"M{thread.diameter_mm:g}"),
        )
    return thread


def _suggest(text: str) -> str:
    loose = _LOOSE.fullmatch(text)
    if loose is not None:
        diameter = float(loose[1].replace(",", "."))
        pitch = float(loose[2].replace(",", ".")) if loose[2] else COARSE_PITCH_MM.get(diameter)
        if pitch and diameter < 100.0 and pitch < diameter:
            return f'Did you mean "M{diameter:g}x{pitch:g}"?'
    inch = _INCH.fullmatch(text)
    if inch is not None:
        # Unified threads, ASME B1.1: diameter = 0.060 in + 0.013 in per number (value from memory).
        diameter = 25.4 * (0.060 + 0.013 * int(inch[1]))
        pitch = 25.4 / int(inch[2])
        return f'Write an inch thread in millimetres: "M{diameter:.2f}x{pitch:.3f}".'
    return "Measure the diameter and the pitch in millimetres."
