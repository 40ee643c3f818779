"""Spectral kurtosis and kurtogram: closed forms and a hidden ringing."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.dsp import kurtogram as kg
from vibecheck.dsp.spectrum import short_time_power
from vibecheck.errors import CallError

FS = 16_000.0


def noise(n: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(n)


def gaussian_power(shape: tuple[int, ...], seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).exponential(size=shape)


def test_gaussian_noise_has_none() -> None:
    # SK of complex Gaussian noise: 0, standard deviation about 2/√M (Antoni 2006; value from
    # memory, recomputed). This estimator has no bias.
    values = kg.spectral_kurtosis(gaussian_power((100, 20_000)))
    assert values.mean() == pytest.approx(0.0, abs=0.006)
    assert values.std() == pytest.approx(2.0 / np.sqrt(100), rel=0.06)


def test_steady_tone_is_minus_one() -> None:
    # −1 for a constant modulus; the unbiased form gives exactly that.
    assert kg.spectral_kurtosis(np.full((50, 3), 7.0)) == pytest.approx(-1.0, abs=1e-9)


@pytest.mark.parametrize("duty", [0.1, 0.25])
def test_on_off_bursts(duty: float) -> None:
    # Duty d: Gaussian bursts 2/d − 2, constant bursts 1/d − 2 (closed form, recomputed).
    n = 200_000
    on = (np.arange(n) % 100) < 100 * duty
    gaussian = gaussian_power((n, 1)) * on[:, np.newaxis]
    constant = on[:, np.newaxis].astype(float)
    assert kg.spectral_kurtosis(gaussian) == pytest.approx(2.0 / duty - 2.0, rel=0.04)
    assert kg.spectral_kurtosis(constant) == pytest.approx(1.0 / duty - 2.0, rel=0.001)


def test_steady_noise_dilutes_it() -> None:
    # SK/(1 + ρ)² with ρ the ratio of steady noise to bursts in power (Antoni 2006; expression
    # from memory).
    rng = np.random.default_rng(4)
    n, duty, rho = 400_000, 0.1, 0.5

    def circular() -> np.ndarray:
        return (rng.standard_normal(n) + 1j * rng.standard_normal(n)) / np.sqrt(2.0)

    bursts = circular() * (rng.random(n) < duty) / np.sqrt(duty)
    power = np.abs(bursts + np.sqrt(rho) * circular()) ** 2
    found = kg.spectral_kurtosis(power[:, np.newaxis])
    assert found == pytest.approx((2.0 / duty - 2.0) / (1.0 + rho) ** 2, rel=0.05)


def test_blocks_keep_a_slow_rise_from_passing_for_bursts() -> None:
    rise = np.exp(np.linspace(0.0, 4.0, 6000))[:, np.newaxis]
    power = gaussian_power((6000, 40)) * rise
    assert kg.spectral_kurtosis(power).mean() > 1.0
    assert kg.spectral_kurtosis(power, 60).mean() == pytest.approx(0.0, abs=0.03)


def test_band_counts_of_the_tree() -> None:
    assert kg.band_counts(24) == [1, 2, 3, 4, 6, 8, 12, 16, 24]


def test_kurtogram_of_gaussian_noise_is_flat() -> None:
    result = kg.fast_kurtogram(noise(120_000), FS)
    assert np.abs(result.kurtosis.mean(axis=1)).max() < 0.05
    assert not result.is_significant


def test_gaussian_noise_is_rarely_called_significant() -> None:
    hits = sum(kg.fast_kurtogram(noise(8000, s), FS, n_finest=24).is_significant for s in range(60))
    assert hits <= 2


def test_finds_the_band_of_a_ringing() -> None:
    """Ringing at 5 kHz, knocks every 50 ms, below the noise in level."""
    t = np.arange(int(4 * FS)) / FS
    since = t % 0.05
    ringing = np.exp(-since * 700.0) * np.sin(2 * np.pi * 5000.0 * since)
    x = 3.0 * ringing + noise(t.size) + 2.0 * np.sin(2 * np.pi * 1200.0 * t)
    result = kg.fast_kurtogram(x, FS)
    assert result.is_significant
    assert result.low_hz <= 5000.0 <= result.high_hz
    assert result.centre_hz == pytest.approx(5000.0, abs=500.0)
    assert 150.0 < result.high_hz - result.low_hz < 1500.0
    assert result.best_kurtosis > 1.0


def test_search_range_is_kept() -> None:
    result = kg.fast_kurtogram(noise(60_000), FS, low_hz=2000.0, high_hz=4000.0)
    assert result.low_hz >= 2000.0
    assert result.high_hz <= 4000.0
    assert result.kurtosis.shape == (result.level.size, result.edges_hz.size - 1)


def test_scale_does_not_matter() -> None:
    x = noise(30_000)
    one, other = kg.fast_kurtogram(x, FS), kg.fast_kurtogram(1e-3 * x, FS)
    np.testing.assert_allclose(one.kurtosis, other.kurtosis, atol=1e-4)


def test_each_bin_of_the_bank_is_centred_on_its_band() -> None:
    power = short_time_power(noise(4000), FS, 4 * 8, 2 * 8)
    width = 0.5 * FS / 8
    np.testing.assert_allclose(power.frequency_hz[1::2], width * (np.arange(8) + 0.5))


def test_wrong_calls() -> None:
    with pytest.raises(CallError, match="n_block must be between 2"):
        kg.spectral_kurtosis(np.ones((5, 2)), 6)
    with pytest.raises(CallError, match="needs 3072 samples"):
        kg.fast_kurtogram(np.zeros(100), FS)
    with pytest.raises(CallError, match="No band of the kurtogram"):
        kg.fast_kurtogram(noise(8000), FS, low_hz=5000.0, high_hz=5001.0)
