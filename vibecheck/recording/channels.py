"""Recordings: several channels become one waveform, for stages that need a single one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibecheck.recording.clean import DEAD_RATIO
from vibecheck.recording.take import Take

# Two microphones whose waveforms oppose each other more than this would cancel when averaged.
_OPPOSED = -0.5


def live_channels(take: Take) -> tuple[int, ...]:
    """Indexes of the channels that hold a signal; all of them where none does."""
    spread = np.std(take.samples, axis=1, dtype=np.float64)
    live = np.flatnonzero(spread > DEAD_RATIO * spread.max())
    return tuple(int(index) for index in live) or tuple(range(take.n_channels))


def mixdown(take: Take) -> NDArray[np.float32]:
    """One waveform of all channels, shape (n_samples,), float32.

    Microphones: the mean of the live channels, so that equal channels keep their level exactly. A
    channel wired with opposite polarity would cancel: where two channels oppose each other
    (correlation below −0.5) the strongest alone is used.

    Accelerometers: the axes' projection on the direction in which the take vibrates most (first
    principal axis of the mean-free samples, signed so that its largest component is positive).
    That is a fixed linear combination of the axes: unlike the length of the acceleration vector it
    keeps waveform, orders and phase, and its variance is the largest any direction has. The mean
    (gravity) along that direction stays in.

    Parameters
    ----------
    take : Take

    Returns
    -------
    ndarray, shape (n_samples,), float32
        In the take's unit.
    """
    live = live_channels(take)
    if len(live) == 1:
        return np.asarray(take.samples[live[0]], dtype=np.float32)
    samples = take.samples[list(live)]
    if take.sensor == "accelerometer":
        direction = principal_direction(take)[list(live)]
        return np.asarray(direction.astype(samples.dtype) @ samples, dtype=np.float32)
    covariance = _covariance(samples)
    scale = np.sqrt(np.diag(covariance))
    if scale.min() > 0.0 and (covariance / np.outer(scale, scale)).min() < _OPPOSED:
        return np.asarray(samples[int(np.argmax(scale))], dtype=np.float32)
    return np.asarray(samples.mean(axis=0), dtype=np.float32)


def principal_direction(take: Take) -> NDArray[np.float64]:
    """Unit vector, shape (n_channels,), along which the mean-free samples vary most."""
    _, vectors = np.linalg.eigh(_covariance(take.samples))
    direction: NDArray[np.float64] = vectors[:, -1]
    sign = np.sign(direction[int(np.argmax(np.abs(direction)))])
    return direction * (sign or 1.0)


def _covariance(samples: NDArray[np.float32]) -> NDArray[np.float64]:
    """Covariance of the channels, shape (n_channels, n_channels)."""
    means = samples.mean(axis=1, dtype=np.float64)
    free = samples - means.astype(samples.dtype)[:, np.newaxis]
    covariance: NDArray[np.float64] = (free @ free.T).astype(np.float64) / samples.shape[1]
    return covariance
