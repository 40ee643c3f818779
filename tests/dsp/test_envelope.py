"""The squared envelope: closed forms, and the false alarms that were promised."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.dsp import envelope as env
from vibecheck.errors import CallError

FS = 10_000.0
N = 20_000


def lines_of(square: np.ndarray, rate: float) -> dict[float, float]:
    """Amplitude at whole hertz of a two-second record."""
    spectrum = np.abs(scipy.fft.rfft(square)) * 2.0 / square.size
    spectrum[0] /= 2.0
    return {f: float(spectrum[round(f * square.size / rate)]) for f in (0.0, 20.0, 40.0, 60.0)}


def test_squared_envelope_of_a_modulated_carrier() -> None:
    # (1 + m cos)cos: DC 1 + m²/2, 2m at f_m, m²/2 at 2 f_m; m = .4 → 1.08, .8, .08 (closed form).
    t = np.arange(N) / FS
    x = (1.0 + 0.4 * np.cos(2 * np.pi * 20 * t)) * np.cos(2 * np.pi * 2000 * t)
    square, rate = env.squared_envelope(x, FS, 1500.0, 2500.0)
    assert rate >= 2 * 1000.0
    found = lines_of(square, rate)
    assert found[0.0] == pytest.approx(1.08, abs=1e-9)
    assert found[20.0] == pytest.approx(0.8, abs=1e-9)
    assert found[40.0] == pytest.approx(0.08, abs=1e-9)
    assert found[60.0] == pytest.approx(0.0, abs=1e-9)


def test_envelope_shows_the_modulation_alone() -> None:
    # |analytic|: the line m at f_m and nothing at 2 f_m (closed form).
    t = np.arange(N) / FS
    x = (1.0 + 0.4 * np.cos(2 * np.pi * 20 * t)) * np.cos(2 * np.pi * 2000 * t)
    envelope, rate = env.analytic_band(x, FS, 1500.0, 2500.0)
    found = lines_of(np.abs(envelope), rate)
    assert found[20.0] == pytest.approx(0.4, abs=1e-9)
    assert found[40.0] == pytest.approx(0.0, abs=1e-9)


def test_out_of_band_tones_do_not_count() -> None:
    t = np.arange(N) / FS
    square, _ = env.squared_envelope(np.cos(2 * np.pi * 3000 * t), FS, 1000.0, 2000.0)
    assert square.max() < 1e-12


@given(gain=st.floats(1e-3, 1e3), seed=st.integers(0, 2**32 - 1), n=st.integers(500, 3000))
@settings(deadline=None, max_examples=25)
def test_goes_with_the_square_of_the_gain(gain: float, seed: int, n: int) -> None:
    x = np.random.default_rng(seed).standard_normal(n)
    one, _ = env.squared_envelope(x, FS, 1000.0, 3000.0)
    other, _ = env.squared_envelope(gain * x, FS, 1000.0, 3000.0)
    assert one.size > 0.35 * n
    np.testing.assert_allclose(other, gain**2 * one, rtol=1e-6, atol=1e-12 * gain**2)


def test_single_precision_stays_single() -> None:
    square, _ = env.squared_envelope(np.ones(1000, np.float32), FS, 1000.0, 2000.0)
    assert square.dtype == np.float32


def test_effective_averages_of_overlapping_segments() -> None:
    # Welch 1967 (value from memory): K = 31, Hann, half overlap, var/mean² = 0.03399.
    assert 1.0 / env.effective_averages(31) == pytest.approx(0.03399, abs=1e-5)
    assert env.effective_averages(1) == 1.0


@pytest.mark.parametrize("n_segments", [6, 40])
def test_false_alarms_are_as_many_as_promised(n_segments: int) -> None:
    """Gaussian noise through the whole arithmetic: p-values are uniform in their lower tail."""
    from vibecheck.dsp.spectrum import short_time_power

    rng = np.random.default_rng(17)
    n_window, n_runs = 256, 250
    x = rng.standard_normal((n_runs, n_window // 2 * (n_segments + 1)))
    power = short_time_power(x, 1.0, n_window, n_window // 2).power.mean(axis=1)[:, 2:-1]
    results = [env.line_significance(p, n_segments) for p in power]
    chances = np.concatenate([r.p_value for r in results])
    for nominal in (0.05, 0.01):
        assert np.mean(chances < nominal) == pytest.approx(nominal, rel=0.3)
    # About 30 expected at one in a thousand.
    assert 0.0003 < np.mean(chances < 0.001) < 0.0016
    above = [np.any(r.power > r.limit(0.05, r.power.size)) for r in results]
    # Bonferroni promises at most 5 %; 250 runs have a standard deviation of 1.4 %.
    assert np.mean(above) <= 0.05 + 3 * 0.014


def test_a_line_is_found() -> None:
    rng = np.random.default_rng(3)
    power = rng.gamma(20.0, 1 / 20.0, 400) * np.exp(-np.linspace(0, 2, 400))
    power[120] *= 5.0
    result = env.line_significance(power, 20)
    assert result.p_value.argmin() == 120
    assert result.power[120] > result.limit(0.001, 400)[120]


def test_wrong_calls() -> None:
    with pytest.raises(CallError, match="between 0 Hz and half the sample rate"):
        env.analytic_band(np.zeros(100), FS, 4000.0, 6000.0)
    with pytest.raises(CallError, match="narrower than one line of the take"):
        env.analytic_band(np.zeros(100), FS, 110.0, 111.0)
    with pytest.raises(CallError, match="n_segments must be at least 1"):
        env.line_significance(np.ones(30), 0)
    with pytest.raises(CallError, match="false_alarm must be between 0 and 1"):
        env.line_significance(np.ones(30), 4).limit(0.0, 3)
