"""The take: an immutable value that keeps what is known about it."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.errors import InputError
from vibecheck.recording.clock import to_uniform
from vibecheck.recording.take import Take


def test_samples_are_copied_and_frozen() -> None:
    mine = np.zeros((1, 100), dtype=np.float32)
    take = Take(mine, 1000.0)
    mine[0, 0] = 1.0
    assert take.samples[0, 0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        take.samples[0, 0] = 1.0


def test_shapes_and_types() -> None:
    take = Take(np.arange(100), 1000)
    assert take.samples.shape == (1, 100)
    assert take.samples.dtype == np.float64
    assert (take.n_channels, take.n_samples, take.duration_s) == (1, 100, 0.1)
    assert take.channel_names == ("mono",)
    assert [row.shape for row in Take(np.zeros((3, 50)), 10.0)] == [(50,)] * 3


@pytest.mark.parametrize("samples", [np.zeros((1, 1)), np.zeros((2, 2, 2)), np.zeros(0)])
def test_arrays_that_are_no_take(samples: np.ndarray) -> None:
    with pytest.raises(InputError, match="at least 2 samples"):
        Take(samples, 1000.0)


@pytest.mark.parametrize("rate", [0.0, -1.0, np.nan, np.inf])
def test_rates_that_are_none(rate: float) -> None:
    with pytest.raises(InputError, match="sample_rate_hz must be a positive number"):
        Take(np.zeros(100), rate)


def test_a_cut_keeps_what_is_known() -> None:
    take = Take(np.arange(1000.0), 100.0, spot="motor_mount", file="a.wav", offset_s=5.0)
    part = take.cut(2.0, 4.0)
    assert np.array_equal(part.samples[0], np.arange(200.0, 400.0))
    assert (part.spot, part.file, part.offset_s) == ("motor_mount", "a.wav", 7.0)
    assert take.cut(-1.0, 99.0).n_samples == 1000


def test_one_sample_has_no_clock() -> None:
    with pytest.raises(InputError, match="only one sample"):
        to_uniform(np.array([1.0]), np.zeros((1, 1)), "a.csv")
