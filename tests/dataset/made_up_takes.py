"""Made-up takes: noise with a truth, for tests of the files and not of the simulator."""

from __future__ import annotations

from typing import Any

import numpy as np

from vibecheck.dataset.simulated import SimulatedCheck
from vibecheck.simulator import FastenerState, SimulatedCar, SimulatedRecording, Truth
from vibecheck.simulator.script import Phase


def recording(car: SimulatedCar, check: SimulatedCheck, sensor: str, spot: str) -> Any:
    """A made-up take: what is written must be what it holds."""
    # Nothing moves in the idle part, so its points lie far apart.
    time_s = np.concatenate(([0.0], np.arange(2.0, 8.0, 1 / 750)))
    truth = Truth(
        time_s=time_s,
        motor_rpm=1000.0 * time_s,
        wheel_rpm=np.stack([100.0 * time_s] * 4),
        motor_turns=time_s,
        states={"steering": check.states.get("steering", FastenerState())},
        phases=(Phase("idle", 0.0, 2.0), Phase("run_up", 2.0, 8.0)),
        seed=check.seed,
    )
    rng = np.random.default_rng(check.seed)
    sound = sensor == "microphone"
    return SimulatedRecording(
        samples=rng.uniform(-0.5, 0.5, (1 if sound else 3, 4000)).round(3),
        sample_rate_hz=16_000.0 if sound else 1600.0,
        sensor=sensor,  # type: ignore[arg-type]
        unit="full_scale" if sound else "m/s^2",
        spot=spot,
        device="phone 1",
        truth=truth,
        time_s=None if sound else np.arange(4000) / 1600.0,
    )
