"""Additive test signals with known properties (not the simulator; for tests of features only)."""

from __future__ import annotations

import numpy as np

from vibecheck.car.profile import Car, Drivetrain, Order
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack

PINION, SPUR, INTERNAL = 22, 50, 2.6
WHEEL = PINION / SPUR / INTERNAL
CAR = Car(
    name="Testbed",
    layout="4wd",
    drivetrain=Drivetrain(4, 2000.0, 4, PINION, SPUR, INTERNAL, 100.0),
    orders=(
        Order("motor", 1.0, "shaft"),
        Order("electrical", 2.0, "electrical"),
        Order("mesh", float(PINION), "mesh"),
        Order("spur", PINION / SPUR, "shaft"),
        Order("wheel", WHEEL, "shaft"),
    ),
)
BARE = Car(name="Rig", layout=None, drivetrain=None, orders=(Order("reference", 1.0),))
TOP_RPM = 15_000.0


def speed_of(duration_s: float, top_rpm: float = TOP_RPM) -> SpeedTrack:
    """Idle, run-up, hold, coast-down in fixed shares of the duration; exact speed."""
    marks = np.array([0.0, 0.1, 0.35, 0.65, 1.0]) * duration_s
    time_s = np.arange(0.0, duration_s, 0.01)
    rpm = np.interp(time_s, marks, [0.0, 0.0, top_rpm, top_rpm, 0.15 * top_rpm])
    names = ("idle", "run_up", "hold", "coast_down")
    phases = tuple(
        Phase(name, float(marks[k]), float(marks[k + 1])) for k, name in enumerate(names)
    )
    return SpeedTrack(time_s, rpm, np.where(rpm > 0, 2.0, 0.0), np.ones(time_s.size), phases)


def spin_up(
    *,
    sample_rate_hz: float = 48_000.0,
    duration_s: float = 12.0,
    knocks: float = 0.0,
    knock_order: float = WHEEL,
    spur_modulation: float = 0.0,
    sensor: str = "microphone",
    n_channels: int = 1,
    seed: int = 0,
) -> tuple[Take, SpeedTrack]:
    """Tones at motor and mesh, noise that grows with speed, and ringing knocks on demand."""
    rng = np.random.default_rng(seed)
    n = int(sample_rate_hz * duration_s)
    time_s = np.arange(n) / sample_rate_hz
    speed = speed_of(duration_s)
    rpm = speed.rpm_at(time_s)
    turns = np.interp(time_s, speed.time_s, speed.revolutions)
    share = rpm / TOP_RPM
    tone = 0.2 * np.cos(2 * np.pi * turns) * (rpm > 0)
    if sample_rate_hz / 2 > 1.1 * PINION * TOP_RPM / 60:
        depth = 1.0 + spur_modulation * np.cos(2 * np.pi * turns * PINION / SPUR)
        tone = tone + 0.2 * depth * np.cos(2 * np.pi * PINION * turns) * (rpm > 0)
    knocking = np.zeros(n)
    if knocks:
        hits = np.flatnonzero(np.diff(np.floor(turns * knock_order)) > 0)
        knocking[hits] = knocks * share[hits] ** 2 * rng.uniform(0.7, 1.3, hits.size)
        ring_s = np.arange(int(0.012 * sample_rate_hz)) / sample_rate_hz
        ring = np.exp(-ring_s / 0.0015) * sum(
            np.sin(2 * np.pi * f * ring_s)
            for f in (900.0, 2600.0, 5500.0)
            if f < 0.45 * sample_rate_hz
        )
        knocking = (
            np.convolve(knocking, ring)[:n] if ring_s.size < 64 else _fft_convolve(knocking, ring)
        )
    noise = (0.02 + 0.2 * share**2) * rng.standard_normal((n_channels, n))
    samples = 0.1 * (tone + knocking + noise)
    unit = "m/s^2" if sensor == "accelerometer" else "full_scale"
    return Take(samples, sample_rate_hz, sensor, unit), speed


def _fft_convolve(x: np.ndarray, h: np.ndarray) -> np.ndarray:
    n = x.size + h.size
    return np.fft.irfft(np.fft.rfft(x, n) * np.fft.rfft(h, n), n)[: x.size]
