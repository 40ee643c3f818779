"""Slow sensors hear no line at some speeds: the fit has nothing to go by there, and says so."""

import warnings

import numpy as np
import pytest

from vibecheck.dsp.tracking_lines import Amplitudes
from vibecheck.dsp.tracking_refine import fit_step, refine
from vibecheck.recording.take import Take
from vibecheck.speed import track_speed

RATE_HZ = 60.0
HOP_S = 1.0 / RATE_HZ


def slow_take(kind: str, seed: int) -> Take:
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(RATE_HZ * rng.uniform(8.0, 30.0))) / RATE_HZ
    x = np.sin(2.0 * np.pi * rng.uniform(5.0, 25.0) * time_s)
    if kind == "quiet, then a tone":
        x *= time_s > 0.5 * time_s[-1]
    if kind == "three clicks":
        x[:] = 0.0
        x[rng.integers(x.size, size=3)] = 1e-4
    return Take(x[np.newaxis].astype(np.float32), RATE_HZ)


@pytest.mark.parametrize("kind", ["a tone", "quiet, then a tone", "three clicks"])
@pytest.mark.parametrize("orders", [None, [1.0], [1.0, 2.0]])
def test_a_slow_take_is_tracked_without_a_warning(kind, orders):
    for seed in range(6):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            track = track_speed(slow_take(kind, seed), orders=orders)
        assert np.isfinite(track.rpm).all()
        assert np.isfinite(track.sd_rpm).all()
        # A speed that is not heard is not known for certain either.
        assert (track.sd_rpm[track.running] > 0.0).all()


def test_the_fit_finds_a_tone_that_no_level_hears():
    # Its speed lies under the lowest bin that a level is asked for; known by construction.
    frequency_hz = 15.226551
    take = slow_take("a tone", 4)
    track = track_speed(take, orders=[1.0])
    assert track.running.mean() > 0.9
    assert np.median(track.rpm) == pytest.approx(60.0 * frequency_hz, rel=1e-3)


def unheard(n_frames: int) -> Amplitudes:
    shape = (2, n_frames)
    return Amplitudes(
        np.zeros(shape, np.complex64),
        np.ones(shape, np.float32),
        np.zeros(shape, bool),
        np.ones(shape, np.float32),
        np.array([1.0, 2.0]),
        np.zeros(2),
    )


@pytest.mark.parametrize("prior_hz", [0.0, 0.5])
def test_where_no_line_is_heard_the_fit_leaves_the_speed_and_its_spread(prior_hz):
    speed, prior = np.full(40, 12.0), np.full(40, prior_hz)
    step, sd = fit_step(unheard(40), speed, HOP_S, 5, prior)
    assert np.abs(step).max() < 1e-9
    assert sd == pytest.approx(np.full(40, max(prior_hz, 1e-6)))
    refined = refine(unheard(40), speed, HOP_S, prior)
    assert refined.speed_hz == pytest.approx(speed)
    assert (refined.sd_hz > 0.0).all()
