"""Spectra: scaling identities, Parseval, and the errors that a wrong call gives."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.dsp import spectrum as sp
from vibecheck.errors import CallError

FS = 1000.0
N = 1024


def tone(amplitude: float, bin_number: float, n: int = N) -> np.ndarray:
    return amplitude * np.cos(2 * np.pi * bin_number * np.arange(n) / n)


def test_sine_in_a_bin_reads_half_its_amplitude_squared() -> None:
    # Closed form a²/2 = 4.5; its density (a²/2)/(ENBW fs/N) = 3.0720 (recomputed).
    short = sp.short_time_power(tone(3.0, 128), FS, N, N, dtype=np.float64)
    assert short.power.max() == pytest.approx(4.5, abs=1e-9)
    assert short.density.max() == pytest.approx(3.0720, abs=1e-9)
    assert short.frequency_hz[short.power[0].argmax()] == pytest.approx(125.0)
    assert sp.band_power(short, 0.0, FS / 2)[0] == pytest.approx(4.5, abs=1e-9)


def test_amplitude_spectrum_reads_the_amplitude_and_phase() -> None:
    x = 2.5 + 0.7 * np.cos(2 * np.pi * 40 * np.arange(N) / N + 0.3)
    lines = sp.amplitude_spectrum(x, FS)
    assert lines.amplitude[0] == pytest.approx(2.5, abs=1e-9)
    assert lines.amplitude[40] == pytest.approx(0.7, abs=1e-9)
    assert lines.phase_rad[40] == pytest.approx(0.3, abs=1e-9)


def test_amplitude_at_the_nyquist_frequency() -> None:
    lines = sp.amplitude_spectrum(1.5 * (-1.0) ** np.arange(N), FS, window="rectangle")
    assert lines.amplitude[-1] == pytest.approx(1.5, abs=1e-9)


def test_sine_half_way_between_bins_loses_the_scalloping_of_hann() -> None:
    # Harris 1978, Table I: 1.42 dB (value from memory, recomputed).
    lines = sp.amplitude_spectrum(tone(1.0, 100.5), FS)
    assert 20 * np.log10(lines.amplitude.max()) == pytest.approx(-1.42, abs=0.01)


@given(seed=st.integers(0, 2**32 - 1), n=st.integers(8, 400))
@settings(deadline=None, max_examples=50)
def test_parseval(seed: int, n: int) -> None:
    # Mean square in time = sum of the power over the bins, for a rectangular window.
    x = np.random.default_rng(seed).standard_normal(n)
    short = sp.short_time_power(x, FS, n, n, window="rectangle", dtype=np.float64)
    assert short.power.sum() == pytest.approx(np.mean(x**2), rel=1e-12)
    assert sp.band_power(short, 0.0, FS)[0] == pytest.approx(np.mean(x**2), rel=1e-12)


@given(seed=st.integers(0, 2**32 - 1), cut=st.floats(1.0, 499.0))
@settings(deadline=None, max_examples=50)
def test_adjoining_bands_add_up(seed: int, cut: float) -> None:
    x = np.random.default_rng(seed).standard_normal(2000)
    short = sp.short_time_power(x, FS, 256, 128, dtype=np.float64)
    parts = sp.band_power(short, 0.0, cut) + sp.band_power(short, cut, 500.0)
    np.testing.assert_allclose(parts, sp.band_power(short, 0.0, 500.0), rtol=1e-12)


@given(gain=st.floats(1e-3, 1e3), seed=st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=30)
def test_power_goes_with_the_square_of_the_gain(gain: float, seed: int) -> None:
    x = np.random.default_rng(seed).standard_normal((2, 700))
    one = sp.short_time_power(x, FS, 128, 64, dtype=np.float64).power
    other = sp.short_time_power(gain * x, FS, 128, 64, dtype=np.float64).power
    assert one.shape == (2, 9, 65)
    np.testing.assert_allclose(other, gain**2 * one, rtol=1e-9)


def test_white_noise_density() -> None:
    # 2σ²/fs away from DC and Nyquist: σ² = 4, fs = 1000 → 0.0080 (closed form).
    x = 2.0 * np.random.default_rng(11).standard_normal(400_000)
    welch = sp.power_spectral_density(x, FS, N)
    assert welch.density[5:-5].mean() == pytest.approx(0.008, rel=0.01)
    assert sp.band_power(welch, 0.0, 500.0) == pytest.approx(4.0, rel=0.01)
    assert sp.band_power(welch, 100.0, 200.0) == pytest.approx(0.8, rel=0.02)


def test_variance_of_welch_estimate() -> None:
    # Welch 1967 (value from memory): Hann, 50 % overlap, K = 31 segments, var/mean² = 0.03399.
    rng = np.random.default_rng(5)
    welch = sp.power_spectral_density(rng.standard_normal((400, 16 * 128)), FS, 128)
    assert welch.n_segments == 31
    bins = welch.density[:, 3:-3]
    ratio = np.mean(np.var(bins, axis=0) / np.mean(bins, axis=0) ** 2)
    assert ratio == pytest.approx(0.03399, rel=0.05)


def test_same_as_a_plain_transform_of_every_frame() -> None:
    x = np.random.default_rng(3).standard_normal(5000)
    short = sp.short_time_power(x, FS, 300, 70, dtype=np.float64)
    weights = sp.hann(300)
    for i in (0, 7, short.time_s.size - 1):
        lines = scipy.fft.rfft(weights * x[70 * i : 70 * i + 300])
        power = 2 * np.abs(lines) ** 2 / weights.sum() ** 2
        np.testing.assert_allclose(short.power[i, 1:-1], power[1:-1], rtol=1e-10)
        assert short.time_s[i] == pytest.approx((70 * i + 150) / FS)
    assert short.time_s.size == (5000 - 300) // 70 + 1
    assert short.step_hz == pytest.approx(FS / 300)


def test_single_precision_is_the_default_and_close() -> None:
    x = np.random.default_rng(3).standard_normal(5000)
    single = sp.short_time_power(x, FS, 256, 128).power
    double = sp.short_time_power(x, FS, 256, 128, dtype=np.float64).power
    assert single.dtype == np.float32
    assert not single.flags.writeable
    np.testing.assert_allclose(single, double, atol=1e-5 * double.max())


def test_a_band_beyond_the_spectrum_holds_nothing() -> None:
    short = sp.short_time_power(np.ones(256), FS, 64, 64)
    assert np.all(sp.band_power(short, 2000.0, 3000.0) == 0.0)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        ({"sample_rate_hz": 0.0}, "sample_rate_hz must be a positive number"),
        ({"sample_rate_hz": float("nan")}, "sample_rate_hz must be a positive number"),
        ({"n_window": 1}, "n_window must be between 2 and the number of samples"),
        ({"n_window": 101}, "n_window must be between 2 and the number of samples"),
        ({"hop": 0}, "hop must be at least 1 sample"),
        ({"window": np.ones(7)}, "name or an array of n_window = 64 weights"),
        ({"window": "nosuch"}, "The window must be one of"),
    ],
)
def test_wrong_calls(call: dict[str, Any], match: str) -> None:
    arguments: dict[str, Any] = {"sample_rate_hz": FS, "n_window": 64, "hop": 32} | call
    with pytest.raises(CallError, match=match):
        sp.short_time_power(np.zeros(100), **arguments)


def test_wrong_overlap() -> None:
    with pytest.raises(CallError, match="overlap must be at least 0 and below 1"):
        sp.power_spectral_density(np.zeros(100), FS, 10, overlap=1.0)


def test_wrong_band() -> None:
    short = sp.short_time_power(np.zeros(256), FS, 64, 64)
    with pytest.raises(CallError, match="low_hz must be at least 0 and below high_hz"):
        sp.band_power(short, 30.0, 20.0)
