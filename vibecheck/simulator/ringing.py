"""The bank of structural modes above the integrated ones, run as exact resonators (compiled)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.compiled import compiled

Array = NDArray[np.float64]


def resonator_coefficients(
    frequency_hz: Array, damping: Array, mass: Array, sample_rate_hz: float
) -> Array:
    """Return per mode the exact step of q̈ + 2ζω·q̇ + ω²·q = F/m for a force held over a step.

    Returns
    -------
    ndarray, shape (n_modes, 9)
        Four entries of the state matrix exp(A·T), two of the input, then 1/m, 2ζω, ω².
    """
    rate = 2.0 * math.pi * frequency_hz
    step = 1.0 / sample_rate_hz
    decay = damping * rate
    damped = rate * np.sqrt(1.0 - damping**2)
    fade = np.exp(-decay * step)
    cosine, sine = np.cos(damped * step), np.sin(damped * step)
    a11 = fade * (cosine + decay / damped * sine)
    a12 = fade * sine / damped
    a21 = -(rate**2) * a12
    a22 = fade * (cosine - decay / damped * sine)
    b1 = (1.0 - a11) / (mass * rate**2)
    b2 = a12 / mass
    return np.stack((a11, a12, a21, a22, b1, b2, 1.0 / mass, 2.0 * decay, rate**2), axis=1)


@compiled
def ring(
    drive: NDArray[np.float32],
    coefficients: Array,
    state: Array,
    gain: Array,
    group: NDArray[np.int64],
    line: NDArray[np.float32],
    out: NDArray[np.float32],
) -> None:
    """Add every mode's acceleration, times its gain, to the outputs of its group.

    Parameters
    ----------
    drive : ndarray, shape (n_modes, n_samples)
        Modal force.
    state : ndarray, shape (n_modes, 2)
        Place and speed, carried from block to block.
    gain : ndarray, shape (n_modes, n_outputs)
    line : ndarray, shape (n_samples,)
        Scratch space.
    group : ndarray, shape (n_modes,)
        Row of `out` the mode belongs to.
    out : ndarray, shape (n_groups, n_outputs, n_samples)
        Added to in place.
    """
    n_samples = drive.shape[1]
    for mode in range(drive.shape[0]):
        a11 = coefficients[mode, 0]
        a12 = coefficients[mode, 1]
        a21 = coefficients[mode, 2]
        a22 = coefficients[mode, 3]
        b1 = coefficients[mode, 4]
        b2 = coefficients[mode, 5]
        inverse_mass = coefficients[mode, 6]
        loss = coefficients[mode, 7]
        spring = coefficients[mode, 8]
        q = state[mode, 0]
        v = state[mode, 1]
        for n in range(n_samples):
            force = drive[mode, n]
            line[n] = force * inverse_mass - loss * v - spring * q
            q, v = a11 * q + a12 * v + b1 * force, a21 * q + a22 * v + b2 * force
        state[mode, 0] = q
        state[mode, 1] = v
        for output in range(gain.shape[1]):
            weight = np.float32(gain[mode, output])
            target = out[group[mode], output]
            for n in range(n_samples):
                target[n] += weight * line[n]
