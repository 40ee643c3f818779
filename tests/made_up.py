"""An invented car and a made-up spin-up, for tests in which neither matters by itself."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import soundfile

GARAGE_CAR = """\
name = "Saltflat 8"
layout = "4wd"
default_zones = false
[drivetrain]
motor_poles = 4
kv_rpm_per_v = 2650
cells = 6
pinion_teeth = 26
spur_teeth = 46
internal_ratio = 2.85
tyre_diameter_mm = 104
"""
"""Without zones: each test adds those that it walks through."""

TESTBED = """\
name = "Testbed"
layout = "4wd"
[drivetrain]
motor_poles = 4
kv_rpm_per_v = 2000.0
cells = 3
pinion_teeth = 20
spur_teeth = 50
internal_ratio = 2.5
tyre_diameter_mm = 100.0
"""


def write_take(path: Path, seed: int) -> str:
    """Write a spin-up of tones and noise, 8 kHz, 6 s; return the file's hash."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(48_000) / 8000.0
    hz = np.interp(time_s, [0.0, 1.0, 3.0, 4.5, 6.0], [0.0, 0.0, 150.0, 150.0, 40.0])
    turns = np.cumsum(hz) / 8000.0
    tone = sum(np.cos(2 * np.pi * order * turns) for order in (1.0, 2.0, 20.0)) * (hz > 0)
    sound = 0.05 * tone + (0.002 + 0.02 * hz / 150.0) * rng.standard_normal(time_s.size)
    soundfile.write(path, sound, 8000, subtype="PCM_16")
    return hashlib.sha256(path.read_bytes()).hexdigest()
