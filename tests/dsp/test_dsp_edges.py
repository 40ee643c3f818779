"""The signal core at its edges: short pieces, channels, tiny levels, limits, search paths."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp

from vibecheck.dsp import tracking_path as path_search
from vibecheck.dsp import tracking_readings as readings
from vibecheck.dsp.angular import PhaseTrack, long_transform, pass_limit_hz, to_angle
from vibecheck.dsp.envelope import analytic_band, effective_averages, line_significance
from vibecheck.dsp.kurtogram import band_counts, block_kurtosis, fast_kurtogram, spectral_kurtosis
from vibecheck.dsp.levels import block_levels, repeated_runs, stuck_runs
from vibecheck.dsp.order_lines import LongSpectrum, order_segments
from vibecheck.dsp.spectrum import band_power, frames, power_spectral_density, short_time_power
from vibecheck.dsp.statistics import clopper_pearson, robust_scale, running_median
from vibecheck.dsp.tracking_phases import split_phases
from vibecheck.dsp.windows import coherent_gain, kaiser, noise_bandwidth_bins, scalloping_loss_db
from vibecheck.errors import CallError

RATE = 8_000.0


def steady(rate_hz: float, seconds: float = 4.0) -> PhaseTrack:
    return PhaseTrack(np.array([0.0, seconds]), np.array([rate_hz, rate_hz]))


# --- shaft angle -------------------------------------------------------------------------------


def test_stretches_reach_the_ends_of_the_take() -> None:
    # Knots from 1 to 2 s: the speed is held before and after.
    track = PhaseTrack(np.array([1.0, 2.0]), np.array([10.0, 10.0]))
    assert track.stretches(5.0, 1.0) == [(0.0, 5.0)]
    assert track.stretches(1.5, 1.0) == [(0.0, 1.5)]
    assert track.stretches(5.0, 10.0) == [(0.0, 5.0)]
    assert track.stretches(5.0, 10.1) == []
    early = PhaseTrack(np.array([-1.0, 0.5, 1.0, 1.5]), np.array([10.0, 10.0, 0.0, 10.0]))
    assert early.stretches(3.0, 1.0) == [(0.0, 0.5), (1.5, 3.0)]
    stopped = PhaseTrack(np.array([0.0, 1.0, 2.0]), np.array([0.0, 5.0, 0.0]))
    assert stopped.stretches(3.0, 1.0) == []  # one knot alone is no stretch


def test_turns_slower_than_once_a_second_are_left_out() -> None:
    x = np.ones(40_000)
    assert len(to_angle(x, RATE, steady(1.5, 5.0), 24)) == 1
    assert to_angle(x, RATE, steady(0.9, 5.0), 24) == []
    (slow,) = to_angle(x, RATE, steady(0.9, 5.0), 24, least_rate_hz=0.5)
    assert slow.n_turns == pytest.approx(4.5, abs=1.0)
    assert slow.rate_hz == pytest.approx(np.full(slow.rate_hz.size, 0.9))
    assert not slow.rate_hz.flags.writeable


def test_a_stretch_says_where_it_lies() -> None:
    track = PhaseTrack(np.array([0.0, 0.99, 1.0, 4.0]), np.array([0.0, 0.0, 20.0, 20.0]))
    (part,) = to_angle(np.ones(32_000), RATE, track, 24)
    assert (part.start_s, part.end_s) == pytest.approx((1.0, 4.0))
    # By hand: 0.1 turns up to 1 s (a straight rise in 10 ms): the grid begins at the third point.
    assert part.first_index == 3
    assert part.n_turns == pytest.approx(60.0, abs=1.0)


def test_what_a_take_shows_true() -> None:
    assert pass_limit_hz(1_000, RATE) == pytest.approx(3_600.0)
    assert pass_limit_hz(10_000_000, RATE) == pytest.approx(3_280.0, rel=0.01)


def test_a_short_run_between_long_ones_is_passed_over() -> None:
    time = np.arange(0.0, 9.01, 0.01)
    off = ((time > 3.0) & (time < 4.0)) | ((time > 4.4) & (time < 5.0))
    parts = to_angle(np.ones(72_000), RATE, PhaseTrack(time, np.where(off, 0.0, 20.0)), 24)
    assert len(parts) == 3
    segments = order_segments(parts, 16, 8.0)
    # By hand: 60 turns hold 6 segments of 16 that overlap by half, 8 turns none, 80 turns 9.
    assert segments.n_turns == 16.0
    assert np.diff(segments.start_turn[:6]) == pytest.approx(8.0)
    assert (segments.start_turn > 68.0).sum() >= 8
    assert segments.low_rate_hz == pytest.approx(segments.top_rate_hz)
    assert segments.power.shape == (segments.start_turn.size, segments.order.size)


def test_a_long_transform_is_padded_by_what_was_asked() -> None:
    (part,) = to_angle(np.ones(32_000), RATE, steady(20.0), 24)
    for turns, most in ((10.0, 1.05), (1e6, 1.05)):
        n_fft, lines = long_transform(part, turns)
        wanted = part.samples.size + min(round(turns * 24), part.samples.size)
        assert wanted <= n_fft <= most * wanted
        assert lines[0].real == pytest.approx(part.samples.sum(), rel=1e-4)


def test_a_band_holds_the_power_of_its_line() -> None:
    # A cosine of amplitude 0.6 at order 3 has a mean square of 0.18; nothing lies at order 5.
    t = np.arange(32_000) / RATE
    (part,) = to_angle(0.6 * np.cos(2 * np.pi * 60.0 * t), RATE, steady(20.0), 36)
    spectrum = LongSpectrum(part, 0.2)
    squares = spectrum.mean_squares(np.array([3.0, 5.0]), np.array([0.2, 0.2]))
    assert squares == pytest.approx([0.18, 0.0], abs=0.002)
    kept = spectrum.synchronous(np.array([3.0]), np.array([0.2]))
    inner = slice(360, -360)
    np.testing.assert_allclose(kept[inner], part.samples[inner], atol=0.01)
    none = spectrum.synchronous(np.array([5.0]), np.array([0.2]))
    assert np.abs(none[inner]).max() < 0.01


# --- envelope ----------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [4096, 4099, 5003])
def test_an_envelope_of_any_length_lies_in_place(n: int) -> None:
    # A burst of a carrier begins where it begins, whatever the length (primes are padded).
    t = np.arange(n) / RATE
    x = np.where(t > 0.25, 0.5, 0.0) * np.cos(2 * np.pi * 2000.0 * t)
    envelope, rate = analytic_band(x, RATE, 1500.0, 2500.0)
    assert envelope.size == pytest.approx(n * rate / RATE, abs=1.0)
    place = np.arange(envelope.size) / rate
    inner = (place > 0.3) & (place < place[-1] - 0.05)
    assert np.abs(envelope[inner]) == pytest.approx(np.full(inner.sum(), 0.5), abs=0.02)
    # The end of the take may run into its begin.
    assert np.abs(envelope[(place > 0.05) & (place < 0.2)]).max() < 0.02


def test_a_tone_on_the_edge_of_a_band_comes_through_half() -> None:
    # The edges are half-amplitude points.
    t = np.arange(8000) / RATE
    for edge in (1500.0, 2500.0):
        envelope, _ = analytic_band(np.cos(2 * np.pi * edge * t), RATE, 1500.0, 2500.0)
        assert np.abs(envelope) == pytest.approx(np.full(envelope.size, 0.5), abs=1e-6)


def test_a_padded_take_keeps_its_frequencies() -> None:
    # 8191 is a prime: the transform is longer than the take.
    t = np.arange(8191) / RATE
    for edge in (1500.0, 2500.0):
        envelope, _ = analytic_band(np.cos(2 * np.pi * edge * t), RATE, 1500.0, 2500.0)
        assert np.median(np.abs(envelope)) == pytest.approx(0.5, abs=0.02)
    with pytest.raises(CallError, match=r"\(4000 Hz\)\. Got 3000 to 5000 Hz"):
        analytic_band(np.zeros(100), RATE, 3000.0, 5000.0)


def test_channels_keep_their_own_envelope() -> None:
    t = np.arange(4000) / RATE
    x = np.cos(2 * np.pi * 2000.0 * t)
    both, _ = analytic_band(np.stack([x, 2.0 * x]), RATE, 1500.0, 2500.0)
    assert np.abs(both).mean(axis=-1) == pytest.approx([1.0, 2.0], abs=1e-6)


@pytest.mark.parametrize("scale", [1e-12, 1e-3, 1e6])
def test_significance_does_not_go_with_the_level(scale: float) -> None:
    slope = np.exp(-np.linspace(0, 3, 300))
    power = np.random.default_rng(3).gamma(20.0, 1 / 20.0, 300) * slope
    one, other = line_significance(power, 20), line_significance(scale * power, 20)
    np.testing.assert_allclose(other.p_value, one.p_value, rtol=1e-6)
    np.testing.assert_allclose(other.background, scale * one.background, rtol=1e-6)
    np.testing.assert_allclose(one.background, slope, rtol=0.25)
    assert one.background.mean() == pytest.approx(slope.mean(), rel=0.05)


def test_limits_of_significance() -> None:
    result = line_significance(np.ones(64), 1)
    assert result.n_effective == 1.0
    for wrong in (0.0, 1.0):
        with pytest.raises(CallError, match="false_alarm must be between 0 and 1"):
            result.limit(wrong, 3)
    # More tests, or fewer false alarms, ask for more.
    assert np.all(result.limit(0.05, 100) > result.limit(0.05, 10))
    assert np.all(result.limit(0.01, 10) > result.limit(0.05, 10))
    assert np.all(result.limit(0.05, 0) == result.limit(0.05, 1))
    # By hand (Welch 1967): two segments are worth 2 / (1 + 2/36 × 1/2) = 1.945946.
    assert effective_averages(2) == pytest.approx(1.945946, abs=1e-6)
    few = line_significance(np.ones(4), 3)
    assert np.isfinite(few.p_value).all()


# --- kurtogram ---------------------------------------------------------------------------------


def test_kurtosis_by_hand() -> None:
    # By hand: powers 1, 1, 4, 2: sum 8, squares 22: 4/3 × (5 × 22 / 64 − 2) = −0.375.
    power = np.array([[1.0], [1.0], [4.0], [2.0]])
    assert spectral_kurtosis(power) == pytest.approx([-0.375])
    assert block_kurtosis(power[np.newaxis]) == pytest.approx(np.array([[-0.375]]))
    # In blocks of two: 2 × (3 × 2/4 − 2) = −1 and 2 × (3 × 20/36 − 2) = −0.666667.
    assert spectral_kurtosis(power, 2) == pytest.approx([-0.833333], abs=1e-6)
    # A tail that fills no block is left out.
    tail = np.concatenate([power, [[100.0]]])
    assert spectral_kurtosis(tail, 2) == pytest.approx([-0.833333], abs=1e-6)
    with pytest.raises(CallError, match="n_block must be between 2"):
        spectral_kurtosis(power, 1)


def test_channels_keep_their_own_kurtosis() -> None:
    power = np.random.default_rng(1).exponential(size=(2, 60, 5))
    for n_block in (None, 20):
        both = spectral_kurtosis(power, n_block)
        assert both.shape == (2, 5)
        for channel in (0, 1):
            np.testing.assert_allclose(both[channel], spectral_kurtosis(power[channel], n_block))


def test_a_kurtogram_says_what_it_drew() -> None:
    x = np.random.default_rng(2).standard_normal(20_000)
    result = fast_kurtogram(x, RATE, n_finest=12)
    counts = band_counts(12)
    assert counts == [1, 2, 3, 4, 6, 8, 12]
    np.testing.assert_allclose(result.level, np.log2(counts))
    np.testing.assert_allclose(result.band_width_hz, 4_000.0 / np.array(counts))
    np.testing.assert_allclose(result.edges_hz, np.linspace(0.0, 4_000.0, 25))
    assert result.kurtosis.shape == (7, 24)
    # 2/√M for M frames (Antoni 2006; value from memory): frames of 4 × bands, half overlapping.
    frames_of = [(20_000 - 4 * n) // (2 * n) + 1 for n in counts]
    np.testing.assert_allclose(result.sd, 2.0 / np.sqrt(frames_of))
    width = result.high_hz - result.low_hz
    level = int(np.argmin(np.abs(result.band_width_hz - width)))
    column = int(np.argmin(np.abs(result.edges_hz - result.low_hz)))
    assert result.best_kurtosis == pytest.approx(result.kurtosis[level, column])
    assert result.best_sd == pytest.approx(result.sd[level])
    assert result.centre_hz == pytest.approx(0.5 * (result.low_hz + result.high_hz))


def test_bursts_are_judged_in_blocks_of_a_quarter_second() -> None:
    # By hand: eight bands: frames of 32 samples, 16 apart: 125 in a quarter second; 1249 frames
    # make ten blocks of 124.
    x = np.random.default_rng(2).standard_normal(20_000).astype(np.float32)
    result = fast_kurtogram(x, RATE, n_finest=12)
    power = short_time_power(x, RATE, 32, 16).power[:, 1::2]
    inner = result.kurtosis[5, ::3][1:-1]
    np.testing.assert_allclose(inner, spectral_kurtosis(power, 124)[1:-1], rtol=1e-5)
    whole = fast_kurtogram(x, RATE, n_finest=12, block_s=None)
    np.testing.assert_allclose(
        whole.kurtosis[5, ::3][1:-1], spectral_kurtosis(power)[1:-1], rtol=1e-5
    )


def test_silence_has_no_bursts() -> None:
    result = fast_kurtogram(np.zeros(8_000), RATE, n_finest=12)
    assert not result.is_significant
    assert np.isfinite(result.kurtosis).all()


# --- spectrum, levels, statistics, windows -------------------------------------------------------


@pytest.mark.parametrize(
    ("overlap", "hop"), [(0.0, 64), (0.5, 32), (0.75, 16), (0.9, 6), (0.99, 1)]
)
def test_segments_overlap_as_asked(overlap: float, hop: int) -> None:
    welch = power_spectral_density(np.ones(640), RATE, 64, overlap=overlap)
    assert welch.n_segments == (640 - 64) // hop + 1
    assert not welch.density.flags.writeable
    assert frames(np.arange(10.0), 4, 3).tolist() == [[0, 1, 2, 3], [3, 4, 5, 6], [6, 7, 8, 9]]


def test_a_long_take_is_the_same_in_pieces() -> None:
    # More frames than are transformed at once.
    x = np.random.default_rng(4).standard_normal((2, 600_000)).astype(np.float32)
    short = short_time_power(x, RATE, 1024, 512)
    for first in (0, 512 * 600, 512 * 1100):
        part = short_time_power(x[:, first : first + 1024], RATE, 1024, 512)
        np.testing.assert_allclose(short.power[:, first // 512], part.power[:, 0], rtol=1e-4)


def test_an_edge_bin_counts_with_its_share() -> None:
    # White power: each whole bin one; the first and the last are half as wide and count whole.
    short = short_time_power(np.ones(64), RATE, 16, 16, window="rectangle", dtype=np.float64)
    flat = type(short)(short.time_s, short.frequency_hz, np.ones((1, 9)), short.step_hz)
    assert band_power(flat, 500.0, 1_000.0) == pytest.approx([1.0])
    assert band_power(flat, 625.0, 1_000.0) == pytest.approx([0.75])
    assert band_power(flat, 0.0, 250.0) == pytest.approx([1.0])
    assert band_power(flat, 3_750.0, 9_000.0) == pytest.approx([1.0])
    none = band_power(short_time_power(np.ones(64), RATE, 16, 16), 5_000.0, 6_000.0)
    assert none.dtype == np.float32
    with pytest.raises(CallError, match="below high_hz"):
        band_power(flat, 10.0, 10.0)


def test_levels_by_hand() -> None:
    x = np.array([[1.0, 3.0, -4.0, 2.0, 9.0], [0.0, 0.0, 2.0, 2.0, 9.0]])
    levels = block_levels(x, 2.0, 2)
    assert levels.n_block == 2
    assert levels.time_s.tolist() == [0.5, 1.5]
    assert levels.mean.tolist() == [[2.0, -1.0], [0.0, 2.0]]
    assert levels.mean_square.tolist() == [[5.0, 10.0], [0.0, 4.0]]
    assert levels.peak.tolist() == [[3.0, 4.0], [0.0, 2.0]]
    assert levels.variance.tolist() == [[1.0, 9.0], [0.0, 0.0]]
    assert block_levels(x, 2.0, 5).mean.tolist() == [[2.2], [2.6]]


@pytest.mark.parametrize(("start", "length"), [(0, 40), (33, 16), (960, 40), (500, 17), (321, 100)])
def test_a_stuck_value_is_found_whole(start: int, length: int) -> None:
    x = np.random.default_rng(6).standard_normal(1_000)
    x[start : start + length] = 0.25
    assert stuck_runs(x, 16) == [(start, length)]
    assert stuck_runs(x, length + 1) == []


def test_repeats_are_told_from_stuck_values_and_tones() -> None:
    x = np.random.default_rng(7).standard_normal(4_096)
    x[1_024:1_152] = x[896:1_024]
    ((start, length),) = repeated_runs(x, (128,))
    assert 1_024 <= start < 1_040
    assert 96 <= length <= 128
    assert repeated_runs(x, (120,)) == []  # no multiple of the stride
    assert repeated_runs(x, (64,)) == []  # too few coarse samples in a buffer
    assert repeated_runs(x[800:1_160], (128,)) == []  # shorter than three buffers
    x[896:1_152] = 1.0
    assert repeated_runs(x, (128,)) == []


def test_small_estimators_by_hand() -> None:
    # By hand: median 3, deviations 2, 1, 0, 1, 97: median 1.
    assert robust_scale(np.array([1.0, 2.0, 3.0, 4.0, 100.0])) == pytest.approx(1.4826, abs=1e-4)
    apart = np.array([[1.0, 2.0, 3.0, 4.0, 100.0], [51.0, 52.0, 53.0, 54.0, 90.0]])
    assert robust_scale(apart) == pytest.approx([1.4826, 1.4826], abs=1e-4)
    both = running_median(np.array([[5.0, 1.0, 4.0, 2.0, 9.0], [1.0, 2.0, 3.0, 4.0, 5.0]]), 3)
    assert both.tolist() == [[4.0, 4.0, 2.0, 4.0, 4.0], [2.0, 2.0, 3.0, 4.0, 4.0]]
    for width in (5, 7):
        assert running_median(np.array([5.0, 1.0, 4.0, 2.0, 9.0]), width).tolist() == [4.0] * 5
    assert running_median(np.array([3, 1, 2]), 1).tolist() == [3.0, 1.0, 2.0]
    # Rule of three, exact: none in n, one-sided 97.5 %: 1 − 0.025^(1/n).
    assert clopper_pearson(0, 1) == pytest.approx((0.0, 0.975))
    assert clopper_pearson(1, 1) == pytest.approx((0.025, 1.0))
    for wrong in (0.0, 1.0):
        with pytest.raises(CallError, match="coverage must be between 0 and 1"):
            clopper_pearson(1, 2, wrong)


def test_window_figures_of_plain_lists() -> None:
    # By hand: weights 1, 3: mean 2; 2 × 10 / 16; half way between bins |1 − 3i| / 4.
    assert coherent_gain([1, 3]) == 2.0
    assert noise_bandwidth_bins([1, 3]) == pytest.approx(1.25)
    assert scalloping_loss_db([1, 3]) == pytest.approx(20 * np.log10(4 / np.sqrt(10)))
    assert kaiser(4, 0.0).tolist() == [1.0] * 4
    assert kaiser(1, 3.0) == pytest.approx([1.0 / np.i0(3.0)])


# --- phases --------------------------------------------------------------------------------------


def test_slopes_between_the_bands_go_with_what_they_belong_to() -> None:
    hop = 0.01
    # By hand: 8 % a second is a ramp only where some of it exceeds 10 %; 4 % never is.
    gentle = 100.0 * np.exp(0.04 * hop * np.arange(400))
    assert split_phases(gentle, hop) == [("hold", 0, 400)]
    doubtful = 100.0 * np.exp(0.08 * hop * np.arange(400))
    assert split_phases(doubtful, hop) == [("hold", 0, 400)]
    rising = 100.0 * np.exp(0.14 * hop * np.arange(400))
    assert split_phases(rising, hop) == [("run_up", 0, 400)]
    assert split_phases(rising[::-1].copy(), hop) == [("coast_down", 0, 400)]
    easing = np.concatenate([rising, rising[-1] * np.exp(0.08 * hop * np.arange(1, 300))])
    assert [name for name, _, _ in split_phases(easing, hop)] == ["run_up"]


def test_pieces_that_are_too_short_go_to_the_longer_neighbour() -> None:
    hop = 0.01
    # A hitch of a tenth of a second within a long hold is no phase of its own.
    speed = np.full(400, 100.0)
    speed[150:] += 4.0
    names = [name for name, _, _ in split_phases(speed, hop)]
    assert names[0] == names[-1] == "hold"
    for _, first, end in split_phases(speed, hop):
        assert end - first >= 15
    assert split_phases(np.full(2, 50.0), hop) == [("hold", 0, 2)]
    assert split_phases(np.full(1, 50.0), hop) == [("hold", 0, 1)]
    blink = np.concatenate([np.full(60, 80.0), np.zeros(30), np.full(60, 80.0)])
    assert split_phases(blink, hop) == [("hold", 0, 60), ("idle", 60, 90), ("hold", 90, 150)]


# --- search paths, against full matrices in plain arithmetic ------------------------------------


def costs(cells: int, start_log: float, stop_log: float) -> np.ndarray:
    """Log-weight of each move between cells, and to and from off (last), as the docs state it."""
    away = np.abs(np.subtract.outer(np.arange(cells), np.arange(cells)))
    norm = np.log(np.exp(-path_search.STEP_COST * np.abs(np.arange(-4, 5))).sum())
    moves = np.full((cells + 1, cells + 1), -np.inf)
    reach = away <= path_search.REACH
    moves[:-1, :-1] = np.where(reach, -path_search.STEP_COST * away - norm, -np.inf)
    moves[:-1, -1] = stop_log
    moves[-1, :-1] = start_log - np.log(cells)
    moves[-1, -1] = 0.0
    return moves


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("start_log", "stop_log"), [(-6.0, -6.0), (-2.0, -4.0), (-5.0, -1.0)])
def test_no_path_is_likelier_than_the_likeliest(
    seed: int, start_log: float, stop_log: float
) -> None:
    rng = np.random.default_rng(seed)
    cells, steps = int(rng.integers(9, 20)), int(rng.integers(1, 30))
    bursts = np.where(rng.random(steps) < 0.5, 2.0, -3.0)
    scores = (2.0 * rng.standard_normal((cells, steps)) + bursts).astype(np.float32)
    found = path_search.likeliest_path(scores, start_log=start_log, stop_log=stop_log).cell
    moves = costs(cells, start_log, stop_log)
    says = np.vstack([scores.astype(float), np.zeros(steps)]).T
    begin = np.append(np.full(cells, -np.log(cells)), 0.0)
    best = begin + says[0]
    for step in range(1, steps):
        best = (best[:, np.newaxis] + moves).max(axis=0) + says[step]
    state = np.where(found < 0, cells, found)
    own = begin[state[0]] + says[np.arange(steps), state].sum()
    own += moves[state[:-1], state[1:]].sum()
    assert own == pytest.approx(best.max(), abs=1e-3)


@pytest.mark.parametrize("steps", [1, 2, 33, 700])
def test_the_posterior_of_long_takes_stays_exact(steps: int) -> None:
    rng = np.random.default_rng(steps)
    cells, start_log, stop_log = 12, -3.0, -4.0
    scores = (6.0 * rng.standard_normal((cells, steps))).astype(np.float32)
    found = path_search.likeliest_path(scores, start_log=start_log, stop_log=stop_log).posterior
    moves = costs(cells, start_log, stop_log)
    moves[:-1, :-1] += np.log1p(-np.exp(stop_log))
    moves[-1, -1] = np.log1p(-np.exp(start_log))
    says = np.vstack([scores.astype(float), np.zeros(steps)]).T
    ahead, behind = np.zeros((steps, cells + 1)), np.zeros((steps, cells + 1))
    ahead[0] = np.append(np.full(cells, np.log(0.5 / cells)), np.log(0.5)) + says[0]
    for step in range(1, steps):
        ahead[step] = logsumexp(ahead[step - 1][:, np.newaxis] + moves, axis=0) + says[step]
        back = steps - 1 - step
        behind[back] = logsumexp(moves + says[back + 1] + behind[back + 1], axis=1)
    joint = ahead + behind
    want = np.exp(joint - logsumexp(joint, axis=1, keepdims=True))
    np.testing.assert_allclose(found, want, atol=5e-4)


def test_what_lies_within_a_speed_range() -> None:
    cells = path_search.Cells(np.arange(3), np.array([10.0, 20.0, 30.0]))
    posterior = np.array([[0.1, 0.2, 0.3, 0.4]] * 5)
    path = path_search.Path(np.array([0, 1, 2, 1, -1]), posterior)
    low = np.array([5.0, 15.0, 20.0, 22.0, 5.0])
    high = np.array([35.0, 25.0, 30.0, 23.0, 35.0])
    assert path.within(cells, low, high) == pytest.approx([0.6, 0.2, 0.5, 0.0, 0.4])


def test_candidates_lie_in_equal_ratios_and_cells_reach_across_the_slew() -> None:
    grid = path_search.candidate_grid(20.0, 600.0)
    assert (grid[0], grid[-1]) == pytest.approx((20.0, 600.0))
    ratios = grid[1:] / grid[:-1]
    assert ratios.max() == pytest.approx(ratios.min())
    assert 1.0039 < ratios[0] <= 1.00401
    assert path_search.candidate_grid(100.0, 100.1).size == 2
    cells = path_search.speed_cells(grid, 300.0, 0.02)
    # By hand: 6 Hz a step over four cells: no cell is much narrower than 1.5 Hz, or 1 %.
    stop = np.append(cells.start[1:], grid.size)
    width = grid[stop - 1] - grid[cells.start]
    assert np.all(width <= np.maximum(1.5, 0.01 * grid[stop - 1]) * 1.01)
    assert np.diff(cells.centre_hz).mean() == pytest.approx(
        np.maximum(1.5, 0.01 * cells.centre_hz).mean(), rel=0.25
    )
    assert np.all((grid[cells.start] <= cells.centre_hz) & (cells.centre_hz <= grid[stop - 1]))
    few = path_search.speed_cells(path_search.candidate_grid(50.0, 60.0), 1e5, 0.02)
    assert few.start.size >= 2 * path_search.REACH + 1


# --- readings ------------------------------------------------------------------------------------


def scores_at(candidates: np.ndarray, lines: dict[float, float], steps: int) -> np.ndarray:
    scores = np.full((candidates.size, steps), -1.0, np.float32)
    for frequency, value in lines.items():
        scores[np.argmin(np.abs(np.log(candidates / frequency)))] = value
    return scores


def test_the_evidence_of_another_reading_by_hand() -> None:
    grid = path_search.candidate_grid(20.0, 600.0)
    scores = scores_at(grid, {100.0: 8.0, 200.0: 3.0, 20.0: 5.0, 600.0: 6.0}, 4)
    steps = np.arange(4)

    def of(speed: float, ratio: float) -> float:
        said = readings.reading_evidence(scores, grid, np.full(4, speed), steps, ratio)
        assert np.ptp(said) == 0.0
        return float(said[0])

    assert (of(100.0, 1.0), of(100.0, 2.0), of(100.0, 1.5)) == (8.0, 3.0, -1.0)
    # At the ends of the range, and beyond them, where it says nothing, like off.
    assert (of(20.0, 1.0), of(600.0, 1.0)) == (5.0, 6.0)
    assert (of(100.0, 0.19), of(100.0, 6.1)) == (0.0, 0.0)
    assert (of(20.0 * 1.0041**-1, 1.0), of(600.0 * 1.0041, 1.0)) == (0.0, 0.0)


def test_an_impossible_jump_is_told_of_the_shorter_stretch() -> None:
    grid = path_search.candidate_grid(20.0, 600.0)
    scores = scores_at(grid, {100.0: 8.0, 200.0: 5.0}, 60)
    early = np.array([100.0] * 20 + [0.0] * 2 + [200.0] * 38)
    (jump,) = readings.impossible_jumps(scores, grid, early, 10.0, 8)
    assert (jump.first, jump.last, jump.ratio) == (0, 20, 2.0)
    assert (jump.own, jump.joined) == (8.0, 5.0)
    assert (jump.rival.ratio, jump.rival.log_odds, jump.rival.clear) == (2.0, 3.0, False)
    (jump,) = readings.impossible_jumps(scores, grid, early[::-1].copy(), 10.0, 8)
    assert (jump.first, jump.last, jump.ratio) == (40, 60, 2.0)
    # Time enough, or a shaft that can: no jump. A gap of 2 steps counts as 3.
    assert readings.impossible_jumps(scores, grid, early, 10.0, 2) == []
    assert readings.impossible_jumps(scores, grid, early, 34.0, 8) == []
    assert len(readings.impossible_jumps(scores, grid, early, 33.0, 8)) == 1


def test_a_jump_is_mended_only_where_the_other_reading_is_heard() -> None:
    grid = path_search.candidate_grid(20.0, 600.0)
    speed = np.array([100.0] * 20 + [0.0] * 2 + [200.0] * 38)
    heard = readings.rejoined(scores_at(grid, {100.0: 8.0, 200.0: 7.0}, 60), grid, speed, 10.0, 8)
    assert heard[:20].tolist() == [200.0] * 20
    assert heard[20:].tolist() == speed[20:].tolist()
    assert speed[0] == 100.0  # what was given stays as it was
    deaf = readings.rejoined(scores_at(grid, {100.0: 8.0}, 60), grid, speed, 10.0, 8)
    assert deaf.tolist() == speed.tolist()
    # Nor does a reading beyond the range count.
    low = readings.rejoined(
        scores_at(grid, {400.0: 8.0, 599.0: 7.0}, 60), grid, speed * 4.0, 10.0, 8
    )
    assert low.tolist() == (speed * 4.0).tolist()
