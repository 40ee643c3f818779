"""Files for the command-line tests: an invented car, and noise that is no recording."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np

CAR_FILE = """\
name = "Saltflat 8"
layout = "4wd"
[drivetrain]
motor_poles = 4
kv_rpm_per_v = 2650
cells = 6
pinion_teeth = 26
spur_teeth = 46
internal_ratio = 2.85
tyre_diameter_mm = 104
bench_max_wheel_rpm = 4000
"""


def write_wav(path: Path, seconds: float = 3.0, seed: int = 0, rate: int = 16000) -> Path:
    """Write made-up noise as a WAV file with the standard library alone."""
    noise = np.random.default_rng(seed).normal(0.0, 800.0, round(seconds * rate))
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes(noise.astype("<i2").tobytes())
    return path
