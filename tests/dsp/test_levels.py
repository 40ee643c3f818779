"""Block levels, runs, flat tops, repeated buffers: against closed forms and plain loops."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.dsp.levels import (
    block_levels,
    flat_top_share,
    median_over_time,
    repeated_runs,
    runs,
    smooth,
    stuck_runs,
)
from vibecheck.errors import CallError


class TestBlockLevels:
    def test_a_sine(self) -> None:
        # Mean square of a sine over whole periods: a²/2. Closed form.
        t = np.arange(4800) / 48000.0
        levels = block_levels(0.5 * np.sin(2 * np.pi * 1000.0 * t), 48000.0, 240)
        np.testing.assert_allclose(levels.mean_square, 0.125, rtol=1e-12)
        np.testing.assert_allclose(levels.peak, 0.5, rtol=1e-6)
        assert levels.time_s[0] == pytest.approx(0.0025)
        assert levels.time_s.size == 20

    def test_the_tail_is_left_out_and_channels_are_kept(self) -> None:
        x = np.arange(22.0).reshape(2, 11)
        levels = block_levels(x, 1.0, 4)
        np.testing.assert_array_equal(levels.high, [[3, 7], [14, 18]])
        np.testing.assert_array_equal(levels.low, [[0, 4], [11, 15]])

    @pytest.mark.parametrize("n_block", [0, 11])
    def test_lengths_out_of_range(self, n_block: int) -> None:
        with pytest.raises(CallError, match="n_block must be between 1"):
            block_levels(np.zeros(10), 1.0, n_block)


@given(st.lists(st.booleans(), max_size=60))
def test_runs_rebuild_the_mask(mask: list[bool]) -> None:
    first, length = runs(np.array(mask, dtype=bool))
    rebuilt = np.zeros(len(mask), dtype=bool)
    for start, n in zip(first, length, strict=True):
        rebuilt[start : start + n] = True
    assert rebuilt.tolist() == mask
    # Runs do not touch: the fewest that can be.
    assert np.all(first[1:] > first[:-1] + length[:-1])


@given(st.lists(st.floats(-1e3, 1e3), max_size=30), st.integers(1, 9))
def test_smooth_is_a_moving_mean(values: list[float], n: int) -> None:
    out = smooth(values, n)
    for i in range(len(values)):
        part = values[max(0, i - (n - 1) // 2) : i + n // 2 + 1]
        assert out[i] == pytest.approx(np.mean(part), abs=1e-9)


class TestFlatTops:
    def share(self, x: np.ndarray) -> tuple[float, float]:
        return flat_top_share(x, block_levels(x, 48000.0, 240))

    @pytest.mark.parametrize("ceiling", [0.5, 0.9, 0.99])
    def test_a_cut_sine(self, ceiling: float) -> None:
        # Share of a sine beyond ±c: 1 − (2/π) asin c. Closed form. What lies within 0.1 % of the
        # ceiling counts as well.
        t = np.arange(96_000) / 48000.0
        x = np.clip(np.sin(2 * np.pi * 123.4 * t), -ceiling, ceiling)
        share, level = self.share(x)
        assert share == pytest.approx(1 - 2 / np.pi * np.arcsin(0.999 * ceiling), rel=0.02)
        assert level == pytest.approx(ceiling)

    @pytest.mark.parametrize("ceiling", [1.5, 3.0])
    def test_cut_hiss(self, ceiling: float) -> None:
        # Share of a Gaussian beyond ±c: erfc(c/√2). Closed form.
        from math import erfc, sqrt

        x = np.clip(np.random.default_rng(1).standard_normal(480_000), -ceiling, ceiling)
        # Three standard deviations of 1300 counts are 8 %.
        assert self.share(x)[0] == pytest.approx(erfc(0.999 * ceiling / sqrt(2)), rel=0.08)

    def test_one_side_only(self) -> None:
        x = np.minimum(np.random.default_rng(1).standard_normal(480_000), 2.0)
        # Half of erfc(2/√2) = 0.0455.
        assert self.share(x)[0] == pytest.approx(0.02275, rel=0.06)

    @pytest.mark.parametrize("seed", range(5))
    @pytest.mark.parametrize("bits", [6, 8, 12, 16, 24])
    def test_uncut_noise_at_any_resolution(self, seed: int, bits: int) -> None:
        x = np.random.default_rng(seed).standard_normal(240_000)
        step = np.abs(x).max() / 2 ** (bits - 1)
        assert self.share(np.round(x / step) * step)[0] == 0.0

    @pytest.mark.parametrize("tone_hz", [50.0, 123.4, 1000.0, 6000.0, 12_000.0])
    def test_uncut_tones(self, tone_hz: float) -> None:
        t = np.arange(240_000) / 48000.0
        assert self.share(np.sin(2 * np.pi * tone_hz * t + 0.3))[0] == 0.0

    def test_nothing_in_nothing(self) -> None:
        assert self.share(np.zeros(4800)) == (0.0, 0.0)


class TestRepeatedRuns:
    @pytest.mark.parametrize("buffer", [128, 480, 1024])
    @pytest.mark.parametrize("start", [5000, 5007])
    def test_a_repeated_buffer_is_found(self, buffer: int, start: int) -> None:
        x = np.random.default_rng(1).standard_normal(20_000)
        x[start : start + buffer] = x[start - buffer : start]
        ((at, length),) = repeated_runs(x, (128, 480, 1024))
        assert abs(at - start) < 16
        assert buffer - 32 <= length <= buffer

    def test_noise_tones_and_silence_do_not_repeat(self) -> None:
        rng = np.random.default_rng(1)
        tone = np.sin(2 * np.pi * np.arange(20_000) / 128)
        quiet = np.round(rng.standard_normal(20_000))
        for x in (rng.standard_normal(20_000), tone, np.zeros(20_000), quiet):
            assert repeated_runs(x, (128, 256, 480)) == []

    def test_lags_that_do_not_fit_are_left_out(self) -> None:
        x = np.tile(np.random.default_rng(1).standard_normal(100), 3)
        assert repeated_runs(x, (100, 64, 4096)) == []


class TestStuckRuns:
    @pytest.mark.parametrize("start", [5000, 5017])
    @pytest.mark.parametrize("length", [96, 100, 480, 5000])
    @pytest.mark.parametrize("value", [0.0, 0.25])
    def test_one_value_repeated(self, start: int, length: int, value: float) -> None:
        x = np.random.default_rng(1).standard_normal(20_000)
        x[start : start + length] = value
        assert stuck_runs(x, 96) == [(start, length)]

    def test_too_short(self) -> None:
        x = np.random.default_rng(1).standard_normal(20_000)
        x[5000:5090] = 0.0
        assert stuck_runs(x, 96) == []

    def test_everything(self) -> None:
        assert stuck_runs(np.zeros(1000), 96) == [(0, 1000)]

    def test_coarse_noise(self) -> None:
        x = np.round(np.random.default_rng(1).standard_normal(100_000))
        assert stuck_runs(x, 96) == []


@pytest.mark.parametrize("n", [1, 2, 7, 40])
def test_median_over_time(n: int) -> None:
    power = np.random.default_rng(n).exponential(size=(n, 5))
    out = median_over_time(power)
    np.testing.assert_array_equal(out, np.sort(power, axis=0)[n // 2])
