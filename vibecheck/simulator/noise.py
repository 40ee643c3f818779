"""Noise with a shape, levels, and what passes through a soft support."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.run import RECORD_RATE_HZ

REFERENCE_PRESSURE = 20e-6


def shaped_noise(
    rng: np.random.Generator, n: int, low_hz: float, high_hz: float, slope: float
) -> NDArray[np.float32]:
    """Unit-power noise between two frequencies, falling by `slope` (power of frequency)."""
    from scipy import fft

    n_fft = fft.next_fast_len(n, real=True)
    spectrum = fft.rfft(rng.standard_normal(n_fft, dtype=np.float32))
    frequency = np.fft.rfftfreq(n_fft, 1.0 / RECORD_RATE_HZ)
    weight = np.zeros(frequency.size, dtype=np.float32)
    f = np.maximum(frequency, 1.0)
    weight = (
        (f / 1000.0) ** (-0.5 * slope)
        / np.sqrt(1.0 + (low_hz / f) ** 4)
        / np.sqrt(1.0 + (f / high_hz) ** 4)
    ).astype(np.float32)
    weight[0] = 0.0
    noise = fft.irfft(spectrum * weight, n_fft)[:n]
    result: NDArray[np.float32] = (noise / noise.std()).astype(np.float32)
    return result


def pressure(level_db: float) -> float:
    """Root-mean-square pressure of a sound pressure level."""
    return float(REFERENCE_PRESSURE * 10.0 ** (level_db / 20.0))


def transmit(signal: NDArray[np.float64], natural_hz: float, damping: float) -> NDArray[np.float64]:
    """Pass a signal through a mass on a spring and damper: (2ζωs + ω²)/(s² + 2ζωs + ω²).

    Force through a support, or motion through a soft mount, along the last axis; bilinear
    transform with its frequency warped so that the resonance lies where it should.
    """
    from scipy.signal import lfilter

    omega = 2.0 * math.pi * natural_hz
    k = omega / math.tan(0.5 * omega / RECORD_RATE_HZ)
    loss = 2.0 * damping * omega
    top = np.array([loss * k + omega**2, 2.0 * omega**2, omega**2 - loss * k])
    low = np.array([k**2, -2.0 * k**2, k**2]) + top
    result: NDArray[np.float64] = lfilter(top / low[0], low / low[0], signal)
    return result
