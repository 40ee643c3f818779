"""The signal core, number by number: edges of bands, rates, paddings, phases, floors of levels."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.dsp.angular import PhaseTrack, _runs, pass_limit_hz, to_angle, to_time
from vibecheck.dsp.envelope import analytic_band, effective_averages, line_significance
from vibecheck.dsp.kurtogram import fast_kurtogram
from vibecheck.dsp.levels import block_levels, flat_top_share, smooth, stuck_runs
from vibecheck.dsp.order_lines import LongSpectrum, order_segments
from vibecheck.dsp.spectrum import band_power, power_spectral_density, short_time_power
from vibecheck.dsp.statistics import running_median
from vibecheck.dsp.tracking_front import decorrelated
from vibecheck.errors import CallError

RATE = 8_000.0


def steady(rate_hz: float, seconds: float = 4.0) -> PhaseTrack:
    return PhaseTrack(np.array([0.0, seconds]), np.array([rate_hz, rate_hz]))


def on_angle(
    order: float, phase: float = 0.0, per_turn: int = 36, seconds: float = 4.0, rate: float = 20.0
):  # type: ignore[no-untyped-def]
    t = np.arange(round(seconds * RATE)) / RATE
    x = np.cos(2 * np.pi * order * rate * t + phase)
    (stretch,) = to_angle(x, RATE, steady(rate, seconds), per_turn)
    return stretch


# --- envelope ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("offset_hz", "want"),
    # By hand: edges of a tenth of the band, 100 Hz, as a squared sine about the half point.
    [(-60.0, 0.0), (-25.0, 0.146447), (0.0, 0.5), (25.0, 0.853553), (50.0, 1.0), (300.0, 1.0)],
)
def test_a_band_has_cosine_edges_of_a_tenth(offset_hz: float, want: float) -> None:
    t = np.arange(8_000) / RATE
    for frequency in (1_500.0 + offset_hz, 2_500.0 - offset_hz):
        envelope, _ = analytic_band(np.cos(2 * np.pi * frequency * t), RATE, 1_500.0, 2_500.0)
        assert np.abs(envelope) == pytest.approx(np.full(envelope.size, want), abs=1e-5)


@pytest.mark.parametrize(("low", "high"), [(1_500.0, 2_500.0), (300.0, 700.0), (0.0, 500.0)])
def test_an_envelope_has_twice_the_rate_of_its_band(low: float, high: float) -> None:
    # The band with both edges is 1.1 times as wide, or 1.05 times from zero on.
    envelope, rate = analytic_band(np.zeros(8_000), RATE, low, high)
    width = (high - low) * (1.1 if low > 0.0 else 1.05)
    assert 2.0 * width <= rate + 4.0
    assert rate <= 2.1 * width
    assert envelope.size == pytest.approx(rate, abs=1.5)


def test_an_envelope_reaches_half_the_rate() -> None:
    t = np.arange(8_000) / RATE
    envelope, rate = analytic_band(np.cos(2 * np.pi * 3_000.0 * t), RATE, 2_000.0, 4_000.0)
    assert np.abs(envelope) == pytest.approx(np.full(envelope.size, 1.0), abs=1e-5)
    assert rate <= RATE
    analytic_band(np.zeros(100), RATE, 0.0, 4_000.0)
    with pytest.raises(CallError, match="The band must lie between"):
        analytic_band(np.zeros(100), RATE, 0.0, 4_000.1)
    with pytest.raises(CallError, match="The band must lie between"):
        analytic_band(np.zeros(100), RATE, 500.0, 500.0)
    with pytest.raises(CallError, match="narrower than one line"):
        analytic_band(np.zeros(100), RATE, 1_010.0, 1_020.0)


def test_a_beat_shows_with_its_rate_and_depth() -> None:
    # Amplitudes 1 and 0.5, 50 Hz apart: the envelope goes from 0.5 to 1.5 fifty times a second.
    t = np.arange(16_000) / RATE
    x = np.cos(2 * np.pi * 2_000.0 * t) + 0.5 * np.cos(2 * np.pi * 2_050.0 * t)
    envelope, rate = analytic_band(x, RATE, 1_500.0, 2_500.0)
    place = np.arange(envelope.size) / rate
    want = np.abs(1.0 + 0.5 * np.exp(2j * np.pi * 50.0 * place))
    np.testing.assert_allclose(np.abs(envelope), want, atol=1e-6)


@pytest.mark.parametrize(("segments", "want"), [(1, 1.0), (2, 1.945946), (10, 9.523810)])
def test_averages_are_worth_a_little_less_than_their_number(segments: int, want: float) -> None:
    # Welch 1967: K / (1 + 2 (K - 1) / (36 K)); recomputed.
    assert effective_averages(segments) == pytest.approx(want, abs=1e-6)


def test_significance_by_fishers_distribution() -> None:
    # Even bins of one: the background is the median over the gamma's median, so that the ratio is
    # that; the chance is Fisher's, by another routine.
    from scipy import stats

    result = line_significance(np.ones(301), 8)
    shape = effective_averages(8)
    median = stats.gamma.ppf(0.5, shape) / shape
    np.testing.assert_allclose(result.background, 1.0 / median, rtol=1e-6)
    assert result.n_effective == pytest.approx(shape)
    assert result.n_background == pytest.approx(shape * 97 / 4)
    want = stats.f.sf(median, 2 * shape, 2 * result.n_background)
    np.testing.assert_allclose(result.p_value, want, rtol=1e-6)
    limit = stats.f.ppf(1 - 0.05 / 20, 2 * shape, 2 * result.n_background) / median
    np.testing.assert_allclose(result.limit(0.05, 20), limit, rtol=1e-6)
    assert line_significance(np.ones(12), 8).n_background == pytest.approx(shape * 11 / 4)
    assert line_significance(np.ones(13), 8).n_background == pytest.approx(shape * 13 / 4)
    assert line_significance([1, 1, 2, 1, 1], 1).power.dtype == np.float64


# --- shaft angle -------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [3.0, 3.013, 7.4567])
def test_an_order_keeps_its_phase_along_a_stretch(order: float) -> None:
    stretch = on_angle(order, 0.8)
    spectrum = LongSpectrum(stretch, 0.2)
    n_points = 128
    amplitude = spectrum.demodulate(order, 0.2, n_points)
    place = np.arange(n_points) * (spectrum.n_fft / n_points)
    inner = amplitude[(place > 360) & (place < spectrum.n - 360)]
    assert inner.size > 40
    np.testing.assert_allclose(inner, np.exp(0.8j), atol=0.01)


def test_a_band_asked_for_beside_an_order_turns_with_it() -> None:
    # The line at 3.05 as seen from 3: it gains 0.05 turns of phase a turn (closed form).
    stretch = on_angle(3.05, 0.3)
    spectrum = LongSpectrum(stretch, 0.2)
    amplitude = spectrum.demodulate(3.0, 0.2, 256)
    place = np.arange(256) * (spectrum.n_fft / 256)
    inner = (place > 720) & (place < spectrum.n - 720)
    turns = (stretch.first_index + place) / stretch.samples_per_turn
    want = np.exp(1j * (0.3 + 2 * np.pi * 0.05 * turns))
    np.testing.assert_allclose(amplitude[inner], want[inner], atol=0.01)
    with pytest.raises(CallError, match="more points"):
        spectrum.demodulate(3.0, 0.2, 8)
    assert not spectrum.demodulate(40.0, 0.2, 64).any()


def test_a_band_holds_its_bins_and_weights() -> None:
    spectrum = LongSpectrum(on_angle(3.0), 0.2)
    part, weights = spectrum.band(3.0, 0.2)
    order = np.arange(part.start, part.stop) / spectrum.bins_per_order
    assert np.all(np.abs(order - 3.0) < 0.2 + 1e-9)
    assert np.abs(order - 3.0).max() > 0.2 - 1.0 / spectrum.bins_per_order
    # The inner half whole, from there a raised cosine to nothing (closed form).
    away = np.abs(order - 3.0) / 0.2
    want = np.where(away < 0.5, 1.0, 0.5 + 0.5 * np.cos(2 * np.pi * (away - 0.5)))
    np.testing.assert_allclose(weights, want, atol=1e-5)
    # A band narrower than a bin holds the bins within one.
    part, weights = spectrum.band(3.0, 1e-6)
    assert part.stop - part.start in (2, 3)
    centre = 3.0 * spectrum.bins_per_order
    assert abs(part.start - centre) <= 1.0
    assert abs(part.stop - 1 - centre) <= 1.0
    # From the first bin on, up to a third of the points per turn, and beyond that nothing.
    assert spectrum.band(0.0, 0.2)[0].start == 1
    part, _ = spectrum.band(12.0, 0.2)
    assert part.stop - 1 == int(12.0 * spectrum.bins_per_order)
    part, weights = spectrum.band(13.0, 0.2)
    assert (part.start, part.stop, weights.size) == (0, 0, 0)


@pytest.mark.parametrize("half_width", [0.0, -0.1, float("nan")])
def test_a_band_has_a_width(half_width: float) -> None:
    with pytest.raises(CallError, match="half_width must be above zero"):
        LongSpectrum(on_angle(3.0), half_width)


@pytest.mark.parametrize(("half_width", "padded"), [(0.05, 40.0), (0.04, 50.0), (0.2, 40.0)])
def test_a_stretch_is_followed_by_two_lengths_of_its_band(half_width: float, padded: float) -> None:
    stretch = on_angle(3.0)
    spectrum = LongSpectrum(stretch, half_width)
    assert spectrum.bins_per_order == pytest.approx(spectrum.n_fft / 36)
    wanted = stretch.samples.size + padded * 36
    assert wanted <= spectrum.n_fft <= 1.06 * wanted


def test_the_ends_of_a_stretch_lose_nothing() -> None:
    stretch = on_angle(3.0)
    spectrum = LongSpectrum(stretch, 0.2)
    kept = spectrum.synchronous(np.array([3.0]), np.array([0.2]))
    turns = np.arange(stretch.samples.size) / 36
    assert np.abs(kept - np.cos(2 * np.pi * 3.0 * turns)).max() < 0.1
    # At an end half of the band's response lies outside; far from it nothing does.
    loss = spectrum.end_loss(np.array([0.0, 18.0, 720.0, stretch.samples.size - 0.0]), 0.2)
    assert loss[0] == pytest.approx(0.5, abs=0.01)
    assert loss[2] == pytest.approx(1.0, abs=0.01)
    assert loss[3] == pytest.approx(0.5, abs=0.01)
    assert 0.5 < loss[1] < 0.9
    # A stretch shorter than its band's response keeps a third at least.
    short = LongSpectrum(on_angle(3.0, seconds=0.2), 0.05)
    assert short.end_loss(np.array([40.0]), 0.05)[0] == pytest.approx(0.35, abs=0.1)


@pytest.mark.parametrize("rate", [20.0, 21.3])
def test_segments_tell_where_and_how_fast(rate: float) -> None:
    time = np.linspace(0.0, 4.0, 401)
    track = PhaseTrack(time, rate * (1.0 + 0.5 * time))
    (stretch,) = to_angle(np.zeros(32_000), RATE, track, 24)
    segments = order_segments([stretch], 8, 8.0)
    assert segments.order.tolist() == (np.arange(65) / 8).tolist()
    middle = track.rate_at(track.time_at(segments.start_turn))
    end = track.rate_at(track.time_at(segments.start_turn + 8.0))
    # Speeds are known at every sixteenth point: two thirds of a turn.
    step = np.max(np.diff(stretch.rate_hz))
    assert np.all(np.abs(segments.low_rate_hz - middle) <= 1.01 * step)
    assert np.all(np.abs(segments.top_rate_hz - end) <= 2.01 * step)
    whole = order_segments([stretch], 8, 8.0, overlap=0.0)
    assert np.diff(whole.start_turn) == pytest.approx(8.0)
    with pytest.raises(CallError, match="max_order must be at most 8 on this grid"):
        order_segments([stretch], 8, 8.1)
    none = order_segments([stretch], 4_000, 8.0)
    assert none.power.shape == (0, 32_001)
    assert none.start_turn.size == none.low_rate_hz.size == none.top_rate_hz.size == 0


def test_a_signal_comes_back_at_its_first_whole_sample() -> None:
    track = PhaseTrack(np.array([0.0, 0.5003, 0.5004, 4.0]), np.array([0.0, 0.0, 20.0, 20.0]))
    t = np.arange(32_000) / RATE
    turns = track.revolutions_at(t)
    x = np.cos(2 * np.pi * 3.0 * turns)
    (stretch,) = to_angle(x, RATE, track, 36)
    first, values = to_time(stretch, stretch.samples, track, RATE)
    assert first == int(np.ceil(track.time_at(stretch.first_index / 36) * RATE))
    last = track.time_at((stretch.first_index + stretch.samples.size - 1) / 36)
    assert first + values.size - 1 == int(np.floor(last * RATE))
    inner = slice(200, -200)
    want = x[first : first + values.size]
    np.testing.assert_allclose(values[inner], want[inner], atol=0.004)


def test_what_is_shown_true_goes_with_the_length() -> None:
    half = 1 << 19
    assert pass_limit_hz(half - 1, 1_000.0) == pytest.approx(450.0)
    assert pass_limit_hz(half, 1_000.0) == pytest.approx(410.0)


# --- spectra and levels ------------------------------------------------------------------------


def test_a_band_beyond_the_spectrum_has_the_shape_of_one_inside() -> None:
    x = np.random.default_rng(1).standard_normal((2, 3, 640))
    for spectrum in (
        short_time_power(x, RATE, 64, 32),
        power_spectral_density(x, RATE, 64),
    ):
        inside = band_power(spectrum, 500.0, 1_000.0)
        beyond = band_power(spectrum, 5_000.0, 6_000.0)
        assert beyond.shape == inside.shape
        assert beyond.dtype == inside.dtype
        assert not beyond.any()
    assert band_power(short_time_power(x, RATE, 64, 32), 0.0, 9e3).dtype == np.float32


def test_the_ends_of_a_moving_mean_by_hand() -> None:
    assert smooth([1.0, 2.0, 6.0, 3.0], 2).tolist() == [1.5, 4.0, 4.5, 3.0]
    assert smooth([1.0, 2.0, 6.0, 3.0], 3).tolist() == [1.5, 3.0, pytest.approx(11 / 3), 4.5]
    assert smooth([1, 2], 1).tolist() == [1.0, 2.0]
    assert smooth([], 3).size == 0


@pytest.mark.parametrize("shortest", [8, 9, 16, 33])
@pytest.mark.parametrize("start", [0, 1, 7, 100, 160])
def test_stuck_values_are_found_from_the_shortest_on(shortest: int, start: int) -> None:
    x = np.random.default_rng(6).standard_normal(200)
    x[start : start + shortest] = 0.5
    assert stuck_runs(x, shortest) == [(start, shortest)]
    x[start + shortest - 1] = -9.0
    assert stuck_runs(x, shortest) == []
    assert stuck_runs(np.zeros(50), 8) == [(0, 50)]


def test_touching_the_top_once_a_period_is_no_flat_top() -> None:
    # By hand: a period of 40 samples whose one highest sample stands alone: regular single
    # samples are a digital tone, at irregular distances they are cut hiss.
    n = 24_000
    rng = np.random.default_rng(2)
    x = 0.5 * rng.uniform(-1.0, 1.0, n)
    x[::40] = 1.0
    share, level = flat_top_share(x, block_levels(x, RATE, 240))
    assert (share, level) == (0.0, 0.0)
    x = 0.5 * rng.uniform(-1.0, 1.0, n)
    at = np.cumsum(rng.integers(20, 60, 500))
    x[at] = 1.0
    share, level = flat_top_share(x, block_levels(x, RATE, 240))
    assert share == pytest.approx(at.size / n)
    assert level == 1.0
    # What was taken off before is put back.
    share, level = flat_top_share(x, block_levels(x, RATE, 240), offset=0.25)
    assert share == pytest.approx(at.size / n)
    assert level == pytest.approx(1.25)


def test_bursts_lie_in_the_band_they_ring_in() -> None:
    # A ringing at 1 300 Hz every 0.05 s in noise: in sixths of 4 000 Hz it is the second.
    rng = np.random.default_rng(3)
    t = np.arange(32_000) / RATE
    since = np.mod(t, 0.05)
    x = 0.3 * rng.standard_normal(t.size)
    x += np.exp(-since * 300.0) * np.sin(2 * np.pi * 1_300.0 * since)
    result = fast_kurtogram(x, RATE, n_finest=12)
    assert result.low_hz <= 1_300.0 <= result.high_hz
    assert result.is_significant
    assert result.kurtosis.shape == (7, 24)
    # Each band is drawn over its share of the columns.
    for level, n in enumerate((1, 2, 3, 4, 6, 8, 12)):
        row = result.kurtosis[level].reshape(n, 24 // n)
        assert np.all(row == row[:, :1])
    limited = fast_kurtogram(x, RATE, n_finest=12, low_hz=2_000.0)
    assert limited.low_hz >= 2_000.0 - 1e-6
    limited = fast_kurtogram(x, RATE, n_finest=12, high_hz=1_000.0)
    assert limited.high_hz <= 1_000.0 + 1e-6
    with pytest.raises(CallError, match="No band of the kurtogram lies between 100 and 110 Hz"):
        fast_kurtogram(x, RATE, n_finest=12, low_hz=100.0, high_hz=110.0)
    with pytest.raises(CallError, match=r"A kurtogram of 12 bands needs 384 samples\. Got 383"):
        fast_kurtogram(x[:383], RATE, n_finest=12)
    assert fast_kurtogram(x[:384], RATE, n_finest=12).kurtosis.shape == (7, 24)


@pytest.mark.parametrize("width", [3, 5, 9])
def test_wide_medians_keep_channels_apart(width: int) -> None:
    x = np.array([[1.0, 2.0, 3.0], [10.0, 30.0, 20.0]])
    assert running_median(x, width).tolist() == [[2.0] * 3, [20.0] * 3]


def test_runs_of_levels_by_hand() -> None:
    assert _runs(np.array([0, 0, 1, 1, 1, 0])) == [(0, 2, 0), (2, 5, 1), (5, 6, 0)]
    assert _runs(np.array([2])) == [(0, 1, 2)]
    assert _runs(np.array([], int)) == []


def test_the_last_line_of_an_odd_take_is_in_its_band() -> None:
    # 3 375 samples: the last line lies half a step below half the rate, on the band's edge.
    n = 3_375
    frequency = 1_687 * RATE / n
    x = np.cos(2 * np.pi * frequency * np.arange(n) / RATE)
    envelope, _ = analytic_band(x, RATE, 3_000.0, 4_000.0)
    assert np.median(np.abs(envelope)) == pytest.approx(0.51, abs=0.02)


def test_windows_by_name_or_by_weights() -> None:
    x = np.random.default_rng(4).standard_normal(640)
    weights = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(64) / 64)
    named = short_time_power(x, RATE, 64, 32)
    given = short_time_power(x, RATE, 64, 32, window=weights.tolist())
    np.testing.assert_allclose(given.power, named.power, rtol=1e-5)
    with pytest.raises(CallError, match=r"n_window = 64 weights\. Got shape \(63,\)"):
        short_time_power(x, RATE, 64, 32, window=weights[1:])
    # Two samples are the shortest window; a rectangle's bins are sum and difference.
    pair = short_time_power([1.0, 3.0], RATE, 2, 1, window="rectangle", dtype=np.float64)
    np.testing.assert_allclose(pair.power, [[4.0, 1.0]])
    assert pair.time_s.tolist() == [1.0 / RATE]


@pytest.mark.parametrize("gap", [np.inf, -np.inf, np.nan])
def test_gaps_count_as_zero_for_the_tracker(gap: float) -> None:
    x = np.random.default_rng(5).standard_normal((2, 500))
    holes, zeros = x.copy(), x.copy()
    holes[0, [7, 80]], zeros[0, [7, 80]] = gap, 0.0
    np.testing.assert_allclose(decorrelated(holes), decorrelated(zeros), rtol=1e-5, atol=1e-6)


def test_blocks_of_one_sample_are_the_samples() -> None:
    levels = block_levels(np.array([1.0, -2.0]), 2.0, 1)
    assert levels.mean.tolist() == levels.high.tolist() == [1.0, -2.0]
    assert levels.time_s.tolist() == [0.25, 0.75]


def test_a_slope_that_bends_is_taken_out_of_the_background() -> None:
    # A parabola of the log power is what the trend can follow (closed form).
    place = np.linspace(-1.0, 1.0, 301)
    power = np.exp(1.0 + 2.0 * place - 1.5 * place**2)
    result = line_significance(power, 8)
    ratio = result.background / power
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-6)
