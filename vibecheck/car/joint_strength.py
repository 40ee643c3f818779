"""Screw joints in numbers: proof load, nut factor, and the torque for a share of the proof load.

For metal threads that clamp metal on metal. Nothing here holds for plastic.
"""

from __future__ import annotations

import math
from typing import Literal, get_args

from vibecheck.car.threads import Thread

PropertyClass = Literal["8.8", "10.9", "12.9"]

# ISO 898-1:2013, stress under proof load and minimum tensile strength, MPa.
PROOF_STRESS_MPA = {"8.8": 580.0, "10.9": 830.0, "12.9": 970.0}
TENSILE_STRENGTH_MPA = {"8.8": 800.0, "10.9": 1040.0, "12.9": 1220.0}

DRY_NUT_FACTOR = 0.20
"""K of steel as delivered, friction about 0.14; common practice, no source."""
WET_NUT_FACTOR = 0.15
"""K with thread-locker or oil in the thread, friction about 0.10; common practice, no source."""

_HALF_FLANK_ANGLE = math.radians(30.0)


def lead_angle_deg(thread: Thread) -> float:
    """Return the lead angle at the pitch diameter, atan(P / π d2)."""
    return math.degrees(math.atan2(thread.pitch_mm, math.pi * thread.pitch_diameter_mm))


def proof_load_n(thread: Thread, property_class: PropertyClass = "8.8") -> float:
    """Return the proof load of a steel screw, stress area times proof stress (ISO 898-1).

    Raises
    ------
    ValueError
        If the property class is unknown.
    """
    _check_class(property_class)
    return thread.stress_area_mm2 * PROOF_STRESS_MPA[property_class]


def tensile_load_n(thread: Thread, property_class: PropertyClass = "8.8") -> float:
    """Return the least load that breaks a steel screw, stress area times R_m (ISO 898-1).

    Raises
    ------
    ValueError
        If the property class is unknown.
    """
    _check_class(property_class)
    return thread.stress_area_mm2 * TENSILE_STRENGTH_MPA[property_class]


def torque_parts_mm(
    thread: Thread, friction: float, head_friction_mm: float
) -> tuple[float, float, float]:
    """Return torque per preload in its parts, N·m per kN: pitch, thread, under the head.

    P / 2π, μ d2 / (2 cos 30°) and μ D_km / 2 (Motosh's form; VDI 2230-1 has the same terms, both
    from memory).

    Parameters
    ----------
    thread : Thread
    friction : float
        In the thread and under the head alike, >= 0.
    head_friction_mm : float
        D_km, the mean diameter of the ring that rubs under the head or nut.
    """
    return (
        thread.pitch_mm / (2.0 * math.pi),
        friction * thread.pitch_diameter_mm / (2.0 * math.cos(_HALF_FLANK_ANGLE)),
        0.5 * friction * head_friction_mm,
    )


def nut_factor(thread: Thread, friction: float, head_friction_mm: float) -> float:
    """Return K of T = K · F · d, the sum of `torque_parts_mm` over the diameter."""
    return sum(torque_parts_mm(thread, friction, head_friction_mm)) / thread.diameter_mm


def torque_n_m(
    thread: Thread,
    share: float,
    factor: float = DRY_NUT_FACTOR,
    property_class: PropertyClass = "8.8",
) -> float:
    """Return T = K · F · d, where F is a share of the proof load.

    Parameters
    ----------
    thread : Thread
    share : float
        Of the proof load, above 0 and at most 1.
    factor : float
        K, above 0.
    property_class : {"8.8", "10.9", "12.9"}

    Raises
    ------
    ValueError
        If a value is outside its range.
    """
    if not 0.0 < share <= 1.0:
        raise ValueError(f"share must be above 0 and at most 1. Got {share!r} instead.")
    if not factor > 0.0:
        raise ValueError(f"factor must be above 0. Got {factor!r} instead.")
    return factor * share * proof_load_n(thread, property_class) * thread.diameter_mm * 1e-3


def _check_class(property_class: str) -> None:
    known = get_args(PropertyClass)
    if property_class not in known:
        raise ValueError(f"property_class must be one of {known}. Got {property_class!r} instead.")
