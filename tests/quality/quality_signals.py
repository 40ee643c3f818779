"""Seeded test spin-ups with a known speed: a recipe of sines and noise, good enough for the gate.

These are test signals, not a model of a car: they have the phases, the levels and the orders that
the quality gate looks at, and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.profile import Car, Drivetrain, Order
from vibecheck.findings import Finding, QualityReport
from vibecheck.recording.take import Take
from vibecheck.track import Phase, PhaseName, SpeedTrack

WHEEL_RATIO = 26 / (46 * 2.85)
CAR = Car(
    name="Saltflat 8",
    layout="4wd",
    drivetrain=Drivetrain(4, 2650.0, 6, 26, 46, 2.85, 104.0, 9000.0, 4000.0),
    orders=(
        Order("motor", 1.0, "shaft"),
        Order("electrical", 2.0, "electrical"),
        Order("mesh", 26.0, "mesh"),
        Order("spur", 26 / 46, "shaft"),
        Order("wheel", WHEEL_RATIO, "shaft"),
    ),
)
ORDERS = ((1.0, 1.0), (2.0, 0.5), (26.0, 0.7), (52.0, 0.2), (26 / 46, 0.3), (WHEEL_RATIO, 0.4))


@dataclass(frozen=True, eq=False)
class SpinUp:
    """A take, its known speed, and the parts to build disturbed versions from."""

    take: Take
    speed: SpeedTrack
    rpm: NDArray[np.float64]
    """Speed at every sample."""
    time_s: NDArray[np.float64]

    @property
    def x(self) -> NDArray[Any]:
        """The samples of a mono take, to be changed freely."""
        return np.array(self.take.samples[0])

    def with_samples(self, x: NDArray[Any], **changes: Any) -> Take:
        """The same take with other samples (and other fields)."""
        return replace(self.take, samples=np.asarray(x, np.float32), **changes)


def speed_track(
    phases: tuple[tuple[PhaseName, float], ...], top_rpm: float, step_s: float = 0.02
) -> SpeedTrack:
    """A speed track with linear run-ups and exponential coast-downs."""
    edges = np.concatenate([[0.0], np.cumsum([length for _, length in phases])])
    time_s = np.arange(0.5 * step_s, edges[-1], step_s)
    rpm = np.zeros_like(time_s)
    made = []
    for (name, length), start in zip(phases, edges[:-1], strict=True):
        inside = (time_s >= start) & (time_s < start + length)
        share = (time_s[inside] - start) / length
        if name == "run_up":
            rpm[inside] = top_rpm * (0.08 + 0.92 * share)
        elif name == "hold":
            rpm[inside] = top_rpm * (1.0 + 0.003 * np.sin(2 * np.pi * 0.4 * time_s[inside]))
        elif name == "coast_down":
            rpm[inside] = top_rpm * np.exp(-2.5 * share)
        made.append(Phase(name, float(start), float(start + length)))
    running = rpm > 0
    return SpeedTrack(
        time_s=time_s,
        rpm=rpm,
        sd_rpm=np.where(running, 0.001 * rpm, 0.0),
        confidence=np.full_like(rpm, 0.98),
        phases=tuple(made),
    )


FULL = (("idle", 2.0), ("run_up", 4.0), ("hold", 4.0), ("coast_down", 3.0), ("idle", 2.0))


def coloured_noise(n: int, sample_rate_hz: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Room noise: falls by 3 dB per octave above 60 Hz; unit RMS."""
    lines = np.fft.rfft(rng.standard_normal(n))
    frequency = np.fft.rfftfreq(n, 1.0 / sample_rate_hz)
    noise = np.fft.irfft(lines / np.sqrt(np.maximum(frequency, 60.0)), n)
    return noise / np.std(noise)


def spin_up(
    seed: int = 0,
    *,
    phases: tuple[tuple[PhaseName, float], ...] = FULL,
    top_rpm: float = 18000.0,
    sample_rate_hz: float = 48000.0,
    level: float = 0.05,
    noise: float = 0.0006,
    exponent: float = 1.5,
    broadband: float = 0.5,
    sensor: str = "microphone",
) -> SpinUp:
    """A spin-up whose amplitudes grow with a power of the speed.

    Parameters
    ----------
    level, noise : float
        RMS of the machine at top speed, and of the idle noise.
    exponent : float
        Amplitude ∝ speed ** exponent.
    broadband : float
        RMS of the broadband part over that of the orders.
    """
    rng = np.random.default_rng(seed)
    speed = speed_track(phases, top_rpm)
    n = round(phases_length(phases) * sample_rate_hz)
    t = np.arange(n) / sample_rate_hz
    rpm = np.interp(t, speed.time_s, speed.rpm)
    for phase in speed.phases:
        if phase.name == "idle":
            rpm[(t >= phase.start_s) & (t < phase.end_s)] = 0.0
    turns = np.cumsum(rpm) / 60.0 / sample_rate_hz
    sines = np.zeros(n)
    for ratio, amplitude in ORDERS:
        visible = ratio * rpm / 60.0 < 0.45 * sample_rate_hz
        sines += np.where(
            visible, amplitude * np.sin(2 * np.pi * (ratio * turns + rng.uniform())), 0.0
        )
    sines /= np.sqrt(0.5 * sum(a * a for _, a in ORDERS))
    machine = sines + broadband * rng.standard_normal(n)
    gain = level * (rpm / top_rpm) ** exponent
    x = gain * machine + noise * coloured_noise(n, sample_rate_hz, rng)
    take = Take(
        samples=x.astype(np.float32),
        sample_rate_hz=sample_rate_hz,
        sensor=sensor,
        unit="full_scale" if sensor == "microphone" else "m/s^2",
    )
    return SpinUp(take, speed, rpm, t)


def phases_length(phases: tuple[tuple[PhaseName, float], ...]) -> float:
    """Seconds in all phases."""
    return float(sum(length for _, length in phases))


def accelerometer(seed: int = 0, *, sample_rate_hz: float = 3200.0, **changes: Any) -> SpinUp:
    """The same from an accelerometer with an anti-alias filter and gravity on the axis."""
    values: dict[str, Any] = {
        "level": 6.0,
        "noise": 0.03,
        "sensor": "accelerometer",
        "sample_rate_hz": sample_rate_hz,
    }
    made = spin_up(seed, **{**values, **changes})
    x = low_pass(made.x.astype(float), sample_rate_hz, 0.3 * sample_rate_hz) + 9.81
    return replace(made, take=replace(made.take, samples=x, bandwidth_hz=0.4 * sample_rate_hz))


def low_pass(x: NDArray[Any], sample_rate_hz: float, cut_hz: float) -> NDArray[np.float64]:
    """Eighth-order Butterworth magnitude, zero phase."""
    frequency = np.fft.rfftfreq(x.size, 1.0 / sample_rate_hz)
    return np.fft.irfft(np.fft.rfft(x) / np.sqrt(1.0 + (frequency / cut_hz) ** 16), x.size)


def brick_wall(x: NDArray[Any], sample_rate_hz: float, cut_hz: float) -> NDArray[np.float64]:
    """Everything above one frequency removed, as a codec does."""
    lines = np.fft.rfft(x)
    lines[np.fft.rfftfreq(x.size, 1.0 / sample_rate_hz) > cut_hz] = 0.0
    return np.fft.irfft(lines, x.size)


def automatic_gain(
    x: NDArray[Any], sample_rate_hz: float, *, target: float = 0.1, most: float = 60.0
) -> NDArray[np.float64]:
    """A gain that chases a constant level: fast down (20 ms), slow up (2 s)."""
    step = round(0.005 * sample_rate_hz)
    n = x.size // step
    level = np.sqrt(np.mean(np.square(x[: n * step].reshape(n, step), dtype=float), axis=1))
    wanted = np.minimum(target / np.maximum(level, 1e-9), most)
    gain = np.empty(n)
    now = most
    for i, aim in enumerate(wanted):
        now += (aim - now) * (1 - np.exp(-0.005 / (0.02 if aim < now else 2.0)))
        gain[i] = now
    at = np.interp(np.arange(x.size), (np.arange(n) + 0.5) * step, gain)
    return np.clip(x * at, -1.0, 1.0)


def speech(seed: int, length_s: float, sample_rate_hz: float) -> NDArray[np.float64]:
    """Voice-like sound: glottal pulses of moving pitch through moving formants, in syllables."""
    rng = np.random.default_rng(seed)
    n = round(length_s * sample_rate_hz)
    t = np.arange(n) / sample_rate_hz
    pitch = 120.0 + 25.0 * np.sin(2 * np.pi * 0.7 * t + rng.uniform(0, 6)) + 10 * np.sin(5 * t)
    phase = np.cumsum(pitch) / sample_rate_hz
    out = np.zeros(n)
    formants = [
        500 + 200 * np.sin(2 * np.pi * 2.1 * t + rng.uniform(0, 6)),
        1500 + 500 * np.sin(2 * np.pi * 1.7 * t + rng.uniform(0, 6)),
        2600 + 200 * np.sin(2 * np.pi * 1.1 * t + rng.uniform(0, 6)),
    ]
    for k in range(1, 30):
        f = k * pitch
        shape = sum(
            g / (1 + ((f - c) / 120.0) ** 2) for c, g in zip(formants, (1, 0.5, 0.25), strict=True)
        )
        out += (0.02 + shape) / np.sqrt(k) * np.sin(2 * np.pi * k * phase)
    envelope = np.zeros(n)
    at = 0.1
    while at < length_s - 0.1:
        width = rng.uniform(0.10, 0.2)
        inside = (t >= at) & (t < at + width)
        envelope[inside] = np.sin(np.pi * (t[inside] - at) / width) * rng.uniform(0.5, 1.0)
        at += width + (rng.uniform(0.03, 0.1) if rng.uniform() < 0.8 else rng.uniform(0.2, 0.4))
    out *= envelope
    return out / np.sqrt(np.mean(out**2))


def finding(report: QualityReport, code: str) -> Finding | None:
    """The finding of one code, or None."""
    found = [each for each in report.findings if each.code == code]
    assert len(found) <= 1, f"{code} is reported twice"
    return found[0] if found else None


def codes(report: QualityReport) -> set[str]:
    """All codes in a report."""
    return {each.code for each in report.findings}
