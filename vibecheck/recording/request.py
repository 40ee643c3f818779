"""Recordings: what the caller said about a file, checked once and handed to every reader."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import cast

import numpy as np

from vibecheck.errors import CallError, did_you_mean
from vibecheck.recording.take import Sensor, Unit
from vibecheck.units import STANDARD_GRAVITY_M_S2

SENSORS = ("microphone", "accelerometer")
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
COLUMN_ROLES = ("time", "x", "y", "z", "signal", "rate")

# Value in the file × factor = value in the take.
SIGNAL_UNITS: dict[str, tuple[float, Unit]] = {
    "full_scale": (1.0, "full_scale"),
    "m/s^2": (1.0, "m/s^2"),
    "g": (STANDARD_GRAVITY_M_S2, "m/s^2"),
    "mg": (STANDARD_GRAVITY_M_S2 * 1e-3, "m/s^2"),
}
_UNIT_SPELLINGS = {
    "m/s²": "m/s^2",
    "m/s2": "m/s^2",
    "m/s**2": "m/s^2",
    "fs": "full_scale",
    "full scale": "full_scale",
}
_TIME_SPELLINGS = {"µs": "us", "μs": "us", "sec": "s", "second": "s", "seconds": "s"}


@dataclass(frozen=True)
class ReadRequest:
    """The arguments of ``read_take``, validated; None where the file is to decide."""

    sensor: Sensor | None = None
    spot: str = "centre"
    unit: str | None = None
    time_unit: str | None = None
    columns: Mapping[str, str | int] = field(default_factory=dict)
    sample_rate_hz: float | None = None

    @classmethod
    def checked(
        cls,
        *,
        sensor: str | None,
        spot: str,
        unit: str | None,
        time_unit: str | None,
        columns: Mapping[str, str | int] | None,
        sample_rate_hz: float | None,
    ) -> ReadRequest:
        """Validate the arguments of ``read_take``.

        Raises
        ------
        CallError
            An argument has a value that no file could make right.
        """
        if sensor is not None and sensor not in SENSORS:
            raise CallError(
                f'sensor must be "microphone" or "accelerometer". Got {sensor!r} instead.',
                advice=did_you_mean(str(sensor), SENSORS).strip() or None,
            )
        if not isinstance(spot, str) or not spot.strip():
            raise CallError(
                f'spot must be the name of a zone, or "centre". Got {spot!r} instead.',
                advice="Say where the phone or sensor sat.",
            )
        if unit is not None:
            unit = _UNIT_SPELLINGS.get(str(unit).strip().lower(), str(unit).strip())
            if unit not in SIGNAL_UNITS:
                raise CallError(
                    f"unit must be one of {', '.join(SIGNAL_UNITS)}. Got {unit!r} instead.",
                    advice="Name the unit of the acceleration, or leave it out for sound.",
                )
        if time_unit is not None:
            time_unit = _TIME_SPELLINGS.get(str(time_unit).strip(), str(time_unit).strip())
            if time_unit not in TIME_UNITS:
                raise CallError(
                    f"time_unit must be one of {', '.join(TIME_UNITS)}. Got {time_unit!r} instead.",
                    advice="Name the unit of the time column.",
                )
        if sample_rate_hz is not None and not (
            isinstance(sample_rate_hz, int | float | np.number)
            and not isinstance(sample_rate_hz, bool)
            and np.isfinite(sample_rate_hz)
            and sample_rate_hz > 0
        ):
            raise CallError(
                f"sample_rate_hz must be a positive number. Got {sample_rate_hz!r} instead.",
                advice="Give the samples per second of the recording.",
            )
        for role in columns or {}:
            if role not in COLUMN_ROLES:
                raise CallError(
                    f"columns must name the roles {', '.join(COLUMN_ROLES)}. Got {role!r} instead.",
                    advice=did_you_mean(str(role), COLUMN_ROLES).strip()
                    or 'Example: columns={"time": "t", "x": "acc_x"}.',
                )
        return cls(
            sensor=cast("Sensor | None", sensor),
            spot=spot,
            unit=unit,
            time_unit=time_unit,
            columns=dict(columns or {}),
            sample_rate_hz=None if sample_rate_hz is None else float(sample_rate_hz),
        )
