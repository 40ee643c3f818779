"""The program with a microphone that plays a recording of the demo. For tests in a terminal.

``python record_program.py SPEED ARGUMENTS…``
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from fake_sounddevice import FakeSoundDevice
from numpy.typing import NDArray

import vibecheck
from vibecheck.capture import microphone
from vibecheck.cli import main, record_take

DATA = Path(vibecheck.__file__).parent / "data"
CAR_FILE = DATA / "cars" / "saltflat8.toml"


def spin_up(lead_s: float = 8.0) -> NDArray[np.float32]:
    """A quiet room, then a simulated spin-up of Saltflat 8 with something loose."""
    sound, rate_hz = soundfile.read(
        DATA / "demo" / "2-something-loose-centre.flac", dtype="float32"
    )
    room = np.random.default_rng(9).normal(0.0, 3e-4, round(lead_s * rate_hz))
    return np.concatenate([room.astype(np.float32), sound])


def fake(speed: float = 40.0, **options: Any) -> FakeSoundDevice:
    """A microphone that hears it."""
    return FakeSoundDevice(spin_up(), speed=speed, **options)


if __name__ == "__main__":
    library = fake(float(sys.argv[1]))
    microphone.load_sounddevice = lambda: library
    record_take.pause = lambda _seconds: None
    sys.exit(main(sys.argv[2:]))
