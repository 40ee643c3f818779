"""Noise with a shape, and levels."""

from __future__ import annotations

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
