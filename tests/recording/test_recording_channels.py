"""Several channels into one waveform."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.recording.channels import live_channels, mixdown, principal_direction
from vibecheck.recording.take import Take

RNG = np.random.default_rng(8)


def sound(*channels: np.ndarray) -> Take:
    return Take(np.stack(channels).astype(np.float32), 1000.0)


def axes(*channels: np.ndarray) -> Take:
    samples = np.stack(channels).astype(np.float32)
    return Take(samples, 1000.0, sensor="accelerometer", unit="m/s^2")


def test_equal_microphones_keep_their_level_exactly() -> None:
    x = RNG.standard_normal(500).astype(np.float32)
    assert np.array_equal(mixdown(sound(x, x)), x)
    assert np.array_equal(sound(x).mono(), x)


def test_a_dead_microphone_does_not_halve_the_level() -> None:
    x = RNG.standard_normal(500).astype(np.float32)
    take = sound(x, np.full(500, 0.01))
    assert live_channels(take) == (0,)
    assert np.array_equal(take.mono(), x)
    silent = sound(0 * x, 0 * x)
    assert live_channels(silent) == (0, 1)
    assert not silent.mono().any()


def test_opposite_polarity_does_not_cancel() -> None:
    x = RNG.standard_normal(500)
    assert np.array_equal(mixdown(sound(0.5 * x, -x)), -x.astype(np.float32))
    noise = RNG.standard_normal(500)
    assert np.allclose(mixdown(sound(x, noise)), 0.5 * (x + noise), atol=1e-6)


def test_axes_are_projected_on_the_direction_that_vibrates_most() -> None:
    # A known answer: all vibration along (2, -1, 2) / 3, gravity along z.
    direction = np.array([2.0, -1.0, 2.0]) / 3.0
    x = 5.0 * np.sin(2 * np.pi * 50.0 * np.arange(2000) / 1000.0)
    take = axes(*(direction[:, None] * x + np.array([0.0, 0.0, 9.81])[:, None]))
    assert np.abs(principal_direction(take) @ direction) == pytest.approx(1.0, abs=1e-6)
    assert np.allclose(take.mono(), x + 9.81 * 2.0 / 3.0, atol=1e-4)


def test_no_single_axis_vibrates_more_than_the_projection() -> None:
    mixing = RNG.standard_normal((3, 3))
    take = axes(*(mixing @ RNG.standard_normal((3, 5000))))
    assert np.var(take.mono()) >= np.var(take.samples, axis=1).max() * 0.999
    assert take.mono().dtype == np.float32


def test_the_projection_keeps_phase_and_sign() -> None:
    x = np.sin(np.arange(1000) * 0.3)
    take = axes(0.1 * x, -2.0 * x, 0.0 * x)
    # The largest component (y) counts positive.
    assert np.dot(take.mono(), take.samples[1]) > 0
