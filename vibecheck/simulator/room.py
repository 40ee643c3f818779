"""The room: reflections, noise, and what else sounds in it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.noise import pressure, shaped_noise
from vibecheck.simulator.run import RECORD_RATE_HZ

Array = NDArray[np.float64]
NEAR_M = 0.25  # where `Surroundings.reverberant_db` holds


@dataclass(frozen=True)
class Surroundings:
    """The room and what else sounds in it.

    Attributes
    ----------
    noise_db : float
        Room noise as a sound pressure level (about A-weighted).
    reverberation_s : float
        Time to fall by 60 dB.
    reverberant_db : float
        Level of the reverberant sound against the direct sound of the car.
    second_motor_rpm, second_motor_db : float
        Another machine in the room; 0 rpm: none.
    speech_db : float
        Level of a voice-like sound; 0: none.
    hum_hz, hum_db : float
        Mains hum; 0 Hz: none.
    noise_slope, noise_low_hz, noise_high_hz : float
        Colour of the room noise: power falls with this power of the frequency between the two.
    knocks_per_min, knock_db : float
        Mean number of thumps on the bench, and their peak level.
    """

    noise_db: float = 36.0
    reverberation_s: float = 0.3
    reverberant_db: float = -12.0
    second_motor_rpm: float = 0.0
    second_motor_db: float = 0.0
    speech_db: float = 0.0
    hum_hz: float = 0.0
    hum_db: float = 0.0
    noise_slope: float = 1.3
    noise_low_hz: float = 60.0
    noise_high_hz: float = 8000.0
    knocks_per_min: float = 0.0
    knock_db: float = 70.0


def draw_surroundings(seed: int) -> Surroundings:
    """Draw a workshop, a garage or a quiet room."""
    rng = np.random.default_rng([seed, 42])
    # A living room fades in half a second, a bare garage in nearly one (common practice).
    return Surroundings(
        noise_db=float(rng.uniform(26.0, 48.0)),
        reverberation_s=float(math.exp(rng.uniform(math.log(0.1), math.log(0.9)))),
        reverberant_db=float(rng.uniform(-22.0, -4.0)),
        hum_hz=float(rng.choice([50.0, 60.0])) if rng.random() < 0.4 else 0.0,
        hum_db=float(rng.uniform(15.0, 46.0)),
        noise_slope=float(rng.uniform(0.3, 2.4)),
        noise_low_hz=float(math.exp(rng.uniform(math.log(30.0), math.log(150.0)))),
        noise_high_hz=float(math.exp(rng.uniform(math.log(2000.0), math.log(14_000.0)))),
        knocks_per_min=float(rng.uniform(2.0, 8.0)) if rng.random() < 0.15 else 0.0,
        knock_db=float(rng.uniform(58.0, 88.0)),
    )


def add_room(
    sound: NDArray[np.float32],
    surroundings: Surroundings,
    seed: int,
    far: NDArray[np.float32] | None = None,
    far_m: float = 2.0,
) -> NDArray[np.float32]:
    """Add reflections, room noise and other sounds to the direct sound at one place.

    Parameters
    ----------
    far : ndarray, optional
        Direct sound of a source `far_m` away. The reverberant sound is as loud everywhere, so
        against the direct sound it grows with the distance.
    """
    from scipy import fft

    rng = np.random.default_rng([seed, 48])
    n = sound.size
    # Reflections: a sparse early part and a diffuse, exponentially fading tail.
    length = int(min(surroundings.reverberation_s, 0.9) * RECORD_RATE_HZ)
    time = np.arange(length) / RECORD_RATE_HZ
    tail = rng.standard_normal(length) * np.exp(-6.91 * time / surroundings.reverberation_s)
    tail[: int(0.002 * RECORD_RATE_HZ)] = 0.0
    tail *= 10.0 ** (surroundings.reverberant_db / 20.0) / np.sqrt((tail**2).sum())
    diffuse = tail.copy()
    for _ in range(3):
        lag = int(rng.uniform(0.0008, 0.006) * RECORD_RATE_HZ)
        tail[lag] += rng.choice([-1.0, 1.0]) * rng.uniform(0.05, 0.35)
    tail[0] += 1.0
    n_fft = fft.next_fast_len(n + length, real=True)
    spectrum = fft.rfft(sound, n_fft) * fft.rfft(tail.astype(np.float32), n_fft)
    if far is not None:
        diffuse *= far_m / NEAR_M
        diffuse[0] += 1.0
        spectrum += fft.rfft(far, n_fft) * fft.rfft(diffuse.astype(np.float32), n_fft)
    out = fft.irfft(spectrum, n_fft)[:n].astype(np.float32)
    room = shaped_noise(
        rng,
        n,
        surroundings.noise_low_hz,
        surroundings.noise_high_hz,
        surroundings.noise_slope,
    )
    out += np.float32(pressure(surroundings.noise_db)) * room
    clock = np.arange(n) / RECORD_RATE_HZ
    if surroundings.hum_hz > 0.0:
        hum = np.zeros(n)
        for harmonic in (1, 2, 3, 4, 6):
            hum += (
                rng.uniform(0.2, 1.0)
                / harmonic
                * np.sin(2 * np.pi * harmonic * surroundings.hum_hz * clock + rng.uniform(0, 6.28))
            )
        out += (hum * pressure(surroundings.hum_db)).astype(np.float32)
    if surroundings.second_motor_rpm > 0.0:
        out += _second_motor(surroundings, clock, rng)
    if surroundings.speech_db > 0.0:
        out += _voice(surroundings.speech_db, clock, rng)
    result: NDArray[np.float32] = out
    return result


def _second_motor(
    surroundings: Surroundings, clock: Array, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Another machine: harmonics of a wandering speed, unrelated to the car's orders."""
    wander = np.cumsum(rng.standard_normal(clock.size // 480 + 2)) * 0.0006
    speed = surroundings.second_motor_rpm / 60.0
    drift = np.interp(clock, np.arange(wander.size) * 0.01, wander)
    phase = 2.0 * np.pi * np.cumsum(speed * (1.0 + drift)) / RECORD_RATE_HZ
    sound = np.zeros(clock.size)
    for harmonic in range(1, 16):
        sound += (
            rng.lognormal(0.0, 0.7) / harmonic * np.sin(harmonic * phase + rng.uniform(0, 6.28))
        )
    sound *= pressure(surroundings.second_motor_db) / max(float(sound.std()), 1e-12)
    result: NDArray[np.float32] = sound.astype(np.float32)
    return result


def _voice(level_db: float, clock: Array, rng: np.random.Generator) -> NDArray[np.float32]:
    """A voice-like sound: a wandering pitch through moving formants, in syllables."""
    from scipy.signal import lfilter

    sound = np.zeros(clock.size)
    start = rng.uniform(0.0, 1.0)
    while start < clock[-1]:
        length = rng.uniform(0.12, 0.35)
        first, last = (int(t * RECORD_RATE_HZ) for t in (start, min(start + length, clock[-1])))
        n = last - first
        if n > 100:
            pitch = rng.uniform(90.0, 230.0) * (1.0 + 0.15 * np.linspace(0, rng.normal(), n))
            phase = np.cumsum(pitch) / RECORD_RATE_HZ
            pulses = (np.diff(np.floor(phase), prepend=0.0) > 0).astype(np.float64)
            voiced = pulses + 0.01 * rng.standard_normal(n)
            for formant, width in (
                (rng.uniform(300, 800), 90.0),
                (rng.uniform(900, 2200), 120.0),
                (rng.uniform(2300, 3200), 200.0),
            ):
                radius = math.exp(-math.pi * width / RECORD_RATE_HZ)
                angle = 2.0 * math.pi * formant / RECORD_RATE_HZ
                voiced = lfilter(
                    [1.0 - radius], [1.0, -2.0 * radius * math.cos(angle), radius**2], voiced
                )
            sound[first:last] += voiced * np.hanning(n)
        start += length + (rng.uniform(0.02, 0.12) if rng.random() < 0.8 else rng.uniform(0.4, 1.2))
    active = sound[np.abs(sound) > 0.0]
    sound *= pressure(level_db) / max(float(active.std()) if active.size else 0.0, 1e-12)
    result: NDArray[np.float32] = sound.astype(np.float32)
    return result
