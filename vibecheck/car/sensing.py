"""What a sensor can show: its band, the highest order at a speed, where folded tones land."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibecheck.car.fields import closest_choice
from vibecheck.errors import CallError

SENSORS = ("microphone", "accelerometer")

# Sampling that a phone gives where nothing else is known. Microphone: 44.1 or 48 kHz (Android
# CDD 5.4). Accelerometer: an app that does not ask for more gets 200 Hz at most (Android ≥ 12).
_USUAL_RATE_HZ = {"microphone": 48_000.0, "accelerometer": 200.0}

# Above this, the mechanics and electronics of small accelerometers pass little (common practice).
FOLD_LIMIT_HZ = 3_000.0


@dataclass(frozen=True)
class SensorBand:
    """The band in which a sensor shows tones.

    Attributes
    ----------
    sensor : {"microphone", "accelerometer"}
    sample_rate_hz : float
    assumed : bool
        True where the sample rate is what phones usually give, not what the caller said.
    low_hz, high_hz : float
        Tones in between are shown.
    even_low_hz, even_high_hz : float
        Tones in between are shown at about their true strength.
    folds : bool
        True where tones above half the sample rate may appear at a wrong, lower frequency.
    note : str
        One sentence in the owner's words.
    """

    sensor: Literal["microphone", "accelerometer"]
    sample_rate_hz: float
    assumed: bool
    low_hz: float
    high_hz: float
    even_low_hz: float
    even_high_hz: float
    folds: bool
    note: str


def sensor_band(sensor: str, sample_rate_hz: float | None = None) -> SensorBand:
    """Return the band of a sensor.

    Parameters
    ----------
    sensor : {"microphone", "accelerometer"}
    sample_rate_hz : float, optional
        10 Hz to 1 MHz; by default what phones usually give: 48 000 Hz for a microphone, 200 Hz for
        an accelerometer.

    Raises
    ------
    CallError
        If the sensor is not known or the sample rate is out of range.
    """
    if sensor not in SENSORS:
        raise CallError(
            f'sensor must be microphone or accelerometer. Got "{sensor}" instead.',
            where="--sensor",
            advice=closest_choice(sensor, SENSORS),
        )
    rate = _USUAL_RATE_HZ[sensor] if sample_rate_hz is None else float(sample_rate_hz)
    if not (math.isfinite(rate) and 10.0 <= rate <= 1e6):
        raise CallError(
            f"sample_rate_hz must be a number from 10 to 1000000. Got {rate:g} instead.",
            where="--sample-rate",
            advice="Give the samples per second of the recording.",
        )
    assumed = sample_rate_hz is None
    if sensor == "microphone":
        # The filter before the converter needs the top tenth; ears and phones end near 20 kHz.
        high = min(0.45 * rate, 20_000.0)
        note = (
            "Phone microphones are weak below 100 Hz and uneven above 7 kHz, and automatic volume "
            "and noise suppression must be off."
        )
        # Even within ±10 dB from 100 Hz to 7 kHz: Android CDD 5.11.
        return SensorBand(
            "microphone", rate, assumed, 20.0, high, 100.0, min(high, 7_000.0), False, note
        )
    # Half the rate is the limit of principle; without a sharp filter the top fifth is suspect.
    high = 0.4 * rate
    note = (
        f"At {rate:g} samples a second nothing above {0.5 * rate:g} Hz can be told apart, and "
        "faster tones may appear at a wrong, lower place."
    )
    return SensorBand("accelerometer", rate, assumed, 0.5, high, 0.5, high, True, note)


def highest_rpm(sample_rate_hz: float, order: float = 1.0) -> float:
    """Fastest speed at which an order stays below half the sample rate, in rpm."""
    return 0.5 * sample_rate_hz * 60.0 / order


def folded_hz(frequency_hz: ArrayLike, sample_rate_hz: float) -> NDArray[np.float64]:
    """Where a tone appears after sampling without a filter: |f − fs · round(f / fs)|."""
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    return np.abs(frequency - sample_rate_hz * np.round(frequency / sample_rate_hz))
