"""Amplitude statistics against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from vibecheck.dsp import statistics as s
from vibecheck.errors import CallError

N = 100_000
TURN = np.arange(N) / N  # one period, sampled evenly

# Closed forms, recomputed: (signal, crest factor or None, kurtosis).
SIGNALS = {
    "sine": (np.sin(2 * np.pi * TURN), np.sqrt(2.0), 1.5),
    "square": (np.where(TURN < 0.5, 1.0, -1.0), 1.0, 1.0),
    "triangle": (4.0 * np.abs(TURN - 0.5) - 1.0, np.sqrt(3.0), 1.8),
    "sawtooth": (2.0 * (TURN + 0.5 / N) - 1.0, np.sqrt(3.0), 1.8),
}


def am(m: float) -> np.ndarray:
    return (1.0 + m * np.cos(2 * np.pi * 7 * TURN)) * np.cos(2 * np.pi * 1001 * TURN)


@pytest.mark.parametrize("name", SIGNALS)
def test_crest_factor_and_kurtosis_of_plain_waves(name: str) -> None:
    x, crest, kurtosis = SIGNALS[name]
    assert s.crest_factor(x) == pytest.approx(crest, rel=1e-4)
    assert s.kurtosis(x) == pytest.approx(kurtosis, rel=1e-4)


@pytest.mark.parametrize(("m", "expected"), [(0.0, 1.5), (0.5, 2.10185), (1.0, 2.91667)])
def test_kurtosis_of_a_modulated_sine(m: float, expected: float) -> None:
    # 1.5 (1 + 3m² + 3m⁴/8) / (1 + m²/2)², recomputed.
    assert s.kurtosis(am(m)) == pytest.approx(expected, abs=1e-4)


def test_kurtosis_of_two_sines() -> None:
    # 3 − 1.5/n for n equal incommensurate sines.
    x = np.sin(2 * np.pi * 31 * TURN) + np.sin(2 * np.pi * 1013 * TURN)
    assert s.kurtosis(x) == pytest.approx(2.25, abs=1e-3)


def test_sparse_impulses() -> None:
    # ±1 with probability p: kurtosis 1/p, crest factor 1/√p.
    x = np.zeros(N)
    x[::200], x[100::200] = 1.0, -1.0
    assert s.kurtosis(x) == pytest.approx(100.0, rel=1e-9)
    assert s.crest_factor(x) == pytest.approx(10.0, rel=1e-9)


def test_periodic_ringing_bursts() -> None:
    # ≈ 1.5·a·T for e^{−at} sin(…), a·T = 20 → 30 (closed form, a·T ≫ 1).
    burst = np.exp(-20.0 * TURN) * np.sin(2 * np.pi * 2000 * TURN)
    assert s.kurtosis(burst) == pytest.approx(30.0, rel=0.01)


def test_gaussian_noise() -> None:
    # 3, standard deviation of the estimate √(24/N): .0490 for 10 000 samples.
    x = np.random.default_rng(1).standard_normal((300, 10_000))
    values = s.kurtosis(x)
    assert values.mean() == pytest.approx(3.0, abs=0.01)
    assert values.std() == pytest.approx(0.0490, rel=0.12)


def test_robust_scale_of_a_gaussian_with_outliers() -> None:
    x = 2.0 * np.random.default_rng(2).standard_normal(50_000)
    x[:500] = 1e6
    assert s.robust_scale(x) == pytest.approx(2.0, rel=0.03)
    assert s.rms(np.array([3.0, -4.0])) == pytest.approx(np.sqrt(12.5))


def test_silence_has_no_crest_factor() -> None:
    assert np.isnan(s.crest_factor(np.zeros(10)))
    assert np.isnan(s.kurtosis(np.ones(10)))


@given(gain=st.floats(1e-6, 1e6), seed=st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=30)
def test_gain_changes_neither_crest_factor_nor_kurtosis(gain: float, seed: int) -> None:
    x = np.random.default_rng(seed).standard_normal(500)
    assert s.kurtosis(gain * x) == pytest.approx(float(s.kurtosis(x)), rel=1e-9)
    assert s.crest_factor(gain * x) == pytest.approx(float(s.crest_factor(x)), rel=1e-9)


@given(seed=st.integers(0, 2**32 - 1), n=st.integers(1, 60), half=st.integers(0, 20))
@settings(deadline=None, max_examples=60)
def test_running_median_matches_an_independent_one_in_the_middle(
    seed: int, n: int, half: int
) -> None:
    x = np.random.default_rng(seed).standard_normal(n)
    width = 2 * half + 1
    ours = s.running_median(x, width)
    assert ours.shape == x.shape
    if width >= n:
        np.testing.assert_allclose(ours, np.median(x))
    else:
        reference = ndimage.median_filter(x, width)
        np.testing.assert_allclose(ours[half : n - half], reference[half : n - half])


def test_running_median_needs_an_odd_width() -> None:
    with pytest.raises(CallError, match="width must be an odd number"):
        s.running_median(np.zeros(5), 4)


# Two-sided 95 % Clopper-Pearson, recomputed; 4 of 20 at 90 % is the NIST e-Handbook 7.2.4.1
# example (values from memory).
@pytest.mark.parametrize(
    ("k", "n", "coverage", "low", "high"),
    [
        (0, 10, 0.95, 0.0, 0.30850),
        (1, 10, 0.95, 0.00253, 0.44502),
        (4, 20, 0.95, 0.05733, 0.43661),
        (81, 263, 0.95, 0.25274, 0.36762),
        (29, 29, 0.95, 0.88056, 1.0),
        (4, 20, 0.90, 0.071354, 0.401029),
    ],
)
def test_clopper_pearson(k: int, n: int, coverage: float, low: float, high: float) -> None:
    assert s.clopper_pearson(k, n, coverage) == pytest.approx((low, high), abs=1e-5)


def test_clopper_pearson_refuses_impossible_counts() -> None:
    with pytest.raises(CallError, match="k and n must fulfil"):
        s.clopper_pearson(5, 4)
    with pytest.raises(CallError, match="coverage must be between 0 and 1"):
        s.clopper_pearson(1, 4, 1.0)


@pytest.mark.parametrize("n", [1, 2, 3, 10, 257])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_middle_is_the_median(n, dtype):
    values = np.random.default_rng(n).standard_normal(n).astype(dtype)
    before = values.copy()
    assert s.middle(values) == float(np.median(values))  # oracle: numpy
    assert np.array_equal(values, before)
