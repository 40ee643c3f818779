"""Additive test signals of known phase, for the tests of the speed tracker.

SNR is the power of each order over the power of all the broadband noise of the recording.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibecheck.car.profile import Car, Drivetrain
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack

RATE = 48_000.0
LOW, HIGH = 2_000 / 60, 25_000 / 60
ORDERS = (1.0, 2.0, 26.0, 26 / 46, 26 / 46 / 2.85)


def a_car(pinion: int = 26, poles: int = 4) -> Car:
    return Car("Saltflat 8", "4wd", Drivetrain(poles, 2650, 6, pinion, 46, 2.85, 104.0), ())


CAR = a_car()


@dataclass(frozen=True, eq=False)
class SpinUp:
    samples: np.ndarray
    speed_hz: np.ndarray

    def at(self, time_s: np.ndarray) -> np.ndarray:
        return np.interp(time_s * RATE, np.arange(self.speed_hz.size), self.speed_hz)

    def take(self, **changes: object) -> Take:
        return Take(self.samples.astype(np.float32), RATE, **changes)  # type: ignore[arg-type]


def additive(
    speed: np.ndarray, snr_db: float, seed: int, orders: tuple[float, ...] = ORDERS
) -> SpinUp:
    rng = np.random.default_rng(seed)
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))]) / RATE
    x = rng.standard_normal(speed.size)
    for order in orders:
        heard = (speed > 0) & (order * speed < RATE / 2)
        phase = 2 * np.pi * (order * turns + rng.uniform())
        x += np.sqrt(2 * 10 ** (snr_db / 10)) * np.cos(phase) * heard
    return SpinUp(x, speed)


def script(up_s: float = 4.0, hold_s: float = 1.0, down_s: float = 3.0) -> np.ndarray:
    """Idle 0.7 s, start, run-up 2 000 -> 25 000 rpm, hold, exponential coast-down, idle 0.6 s."""
    edges = np.cumsum([0.7, 0.15, up_s, hold_s, down_s, 0.6])
    t = np.arange(round(edges[-1] * RATE)) / RATE
    return np.select(
        [t < e for e in edges],
        [
            0 * t,
            LOW * (t - edges[0]) / 0.15,
            LOW + (HIGH - LOW) * (t - edges[1]) / up_s,
            0 * t + HIGH,
            HIGH * np.exp(-(t - edges[3]) * np.log(HIGH / 20) / down_s),
            0 * t,
        ],
    )


def relative_error(track: SpeedTrack, truth: SpinUp) -> tuple[np.ndarray, float]:
    """Relative errors where the shaft is known to run, and the share of it that was missed."""
    speed = truth.at(track.time_s)
    known = speed > 1.02 * LOW
    both = known & track.running
    return (
        np.abs(track.rpm[both] / 60 - speed[both]) / speed[both],
        float(np.sum(known & ~track.running) / known.sum()),
    )
