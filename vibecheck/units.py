"""Ground: the few unit conversions that cross a border, each in one place."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

STANDARD_GRAVITY_M_S2 = 9.80665
"""Conventional standard gravity, exact by definition (3rd CGPM, 1901; ISO 80000-3)."""


def hz_to_rpm(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Turns per second to turns per minute."""
    return np.asarray(frequency_hz, dtype=np.float64) * 60.0


def amplitude_to_db(ratio: ArrayLike, floor_db: float = -200.0) -> NDArray[np.float64]:
    """Amplitude ratio to decibel (20 log10), never below ``floor_db``."""
    tiny = 10.0 ** (floor_db / 20.0)
    level: NDArray[np.float64] = np.log10(
        np.maximum(np.abs(np.asarray(ratio, dtype=np.float64)), tiny)
    )
    return 20.0 * level


def power_to_db(ratio: ArrayLike, floor_db: float = -200.0) -> NDArray[np.float64]:
    """Power ratio to decibel (10 log10), never below ``floor_db``."""
    tiny = 10.0 ** (floor_db / 10.0)
    level: NDArray[np.float64] = np.log10(np.maximum(np.asarray(ratio, dtype=np.float64), tiny))
    return 10.0 * level
