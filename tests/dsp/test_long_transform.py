"""Transforms of whole takes: equal to the plain transform in double precision, up to rounding."""

import numpy as np
import pytest
import scipy.fft

from vibecheck.dsp.long_transform import SHORTEST, long_ifft, long_rfft
from vibecheck.dsp.memory import keep_freed_memory

ROUNDING = 5e-7
"""Single precision: 6e-8 a step (IEEE 754), some five steps in square sum; common practice."""


def relative_error(got, wanted):
    return np.sqrt(np.mean(np.abs(got - wanted) ** 2) / np.mean(np.abs(wanted) ** 2))


# 2^3 3 5^4 7; a square; an odd length; no factors of use; twice a prime.
LENGTHS = (105_000, 409_600, 3**11, SHORTEST - 1, 2 * 99_991)


@pytest.mark.parametrize("n", LENGTHS)
@pytest.mark.parametrize("missing", [0, 1234])
def test_real_rows_are_transformed_as_by_the_plain_transform(n, missing):
    rng = np.random.default_rng(n)
    x = rng.standard_normal((2, n - missing)).astype(np.float32)
    x[1] += 50.0 * np.sin(0.1 * np.arange(n - missing)).astype(np.float32)
    got = long_rfft(x, n)
    wanted = scipy.fft.rfft(x.astype(np.float64), n, axis=-1)
    assert got.dtype == np.complex64
    assert got.shape == wanted.shape
    for row in range(2):
        assert relative_error(got[row], wanted[row]) < ROUNDING


@pytest.mark.parametrize("n", LENGTHS)
@pytest.mark.parametrize("n_channels", [1, 3])
def test_lines_are_brought_back_as_by_the_plain_transform(n, n_channels):
    rng = np.random.default_rng(n)
    shape = (n_channels, n // 3)
    lines = (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)).astype(np.complex64)
    got = long_ifft(lines, n)
    wanted = scipy.fft.ifft(lines.astype(np.complex128), n, axis=-1)
    assert got.dtype == np.complex64
    assert got.shape == wanted.shape
    assert relative_error(got, wanted) < ROUNDING


def test_a_line_stays_in_its_bin():
    n = 144_000
    x = np.cos(2.0 * np.pi * 12_345 * np.arange(n) / n).astype(np.float32)
    size = np.abs(long_rfft(x[np.newaxis], n)[0])
    assert size.argmax() == 12_345
    assert size[12_345] == pytest.approx(n / 2, rel=1e-6)
    size[12_345] = 0.0
    assert size.max() < 1e-5 * n


def test_the_given_rows_are_left_as_they_were():
    x = np.random.default_rng(1).standard_normal((1, 120_000)).astype(np.float32)
    before = x.copy()
    lines = long_rfft(x, 120_000)
    kept = lines.copy()
    long_ifft(lines, 120_000)
    assert np.array_equal(x, before)
    assert np.array_equal(lines, kept)


def test_keeping_memory_may_be_asked_for_again():
    assert keep_freed_memory() is None
    assert keep_freed_memory() is None
