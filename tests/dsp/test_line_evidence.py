"""Front end, floors, votes and amplitudes of lines: spectra and signals with known answers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tracking_voices import QUIET_VOTE, voices

from vibecheck.dsp import tracking_evidence as evidence
from vibecheck.dsp import tracking_front as front_end
from vibecheck.dsp import tracking_level as level_reader
from vibecheck.dsp import tracking_lines as line_reader
from vibecheck.dsp import tracking_whiten as whitening
from vibecheck.dsp.tracking_evidence import Line
from vibecheck.dsp.tracking_front import Front, Level
from vibecheck.dsp.tracking_path import candidate_grid, speed_cells
from vibecheck.dsp.tracking_whiten import Whitened

RATE = 8_000.0


def level_of(
    name: str, spectrum: np.ndarray, bin_hz: float = 10.0, hop_share: float = 0.5
) -> Level:
    n_frames, n_bins = spectrum.shape[1:]
    return Level(
        name,
        spectrum.astype(np.complex64),
        bin_hz,
        1.0 / bin_hz,
        bin_hz * (n_bins - 3),
        hop_share,
        np.ones(n_frames, bool),
    )


def noise(shape: tuple[int, ...], seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.sqrt(0.5) * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))


# --- front end ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate", "top_hz", "want"),
    [
        (8_000.0, None, 4_000.0),
        (8_000.0, 3_000.0, 3_000.0),
        (8_000.0, 5_000.0, 4_000.0),
        (48_000.0, None, 24_000.0),
        (80_000.0, None, 40_000.0),
        (96_000.0, None, 0.4 * 48_000.0),  # halved, and its low pass passes 0.4 of the new rate
        (192_000.0, None, 0.4 * 48_000.0),
    ],
)
def test_the_top_of_the_band_goes_with_the_rate(
    rate: float, top_hz: float | None, want: float
) -> None:
    x = np.zeros((1, int(rate * 0.6)), np.float32)
    front = front_end.short_time_levels(x, rate, top_hz=top_hz)
    assert front.top_hz == pytest.approx(want)
    short = front.level("short")
    assert short is not None
    assert short.top_hz == pytest.approx(want)
    assert front.level("none") is None
    # Bins reach three beyond the top, or to half the rate.
    reached = (short.spectrum.shape[2] - 1) * short.bin_hz
    assert want <= reached + 1e-6
    assert reached <= max(want + 3 * short.bin_hz, 1e-6)


def test_windows_have_their_lengths_and_tell_where_they_fit() -> None:
    n = round(2.0 * RATE)
    front = front_end.short_time_levels(np.zeros((1, n), np.float32), RATE)
    for name, window_s in front_end.WINDOW_S.items():
        level = front.level(name)
        assert level is not None
        assert level.window_s == pytest.approx(window_s, rel=0.08)
        assert level.bin_hz == pytest.approx(1.0 / level.window_s)
        assert level.hop_share == pytest.approx(front.hop_s / level.window_s)
        half = 0.5 * level.window_s
        # Ends are rounded to whole decimated samples.
        fits = (front.time_s >= half) & (front.time_s <= 2.0 - half)
        assert np.mean(level.inside == fits) > 0.98
        deep = (front.time_s >= half + 0.004) & (front.time_s <= 2.0 - half - 0.004)
        assert level.inside[deep].all()
        assert not level.inside[front.time_s < half - 0.004].any()
        assert not level.inside[front.time_s > 2.0 - half + 0.004].any()


@pytest.mark.parametrize(("rate", "names"), [(3_000.0, "long mid"), (3_400.0, "long mid short")])
def test_a_slow_take_has_no_short_window(rate: float, names: str) -> None:
    # The short window serves from 1 600 Hz on.
    front = front_end.short_time_levels(np.zeros((1, round(rate)), np.float32), rate)
    assert " ".join(level.name for level in front.levels) == names


def test_powers_of_two_are_rounded_down() -> None:
    for ratio, want in ((0.3, 1), (1.0, 1), (1.9, 1), (2.0, 2), (3.9, 2), (4.0, 4), (9.6, 8)):
        assert front_end._power_of_two(ratio) == want


def test_window_lengths_are_even_and_quick() -> None:
    for length in range(8, 400, 7):
        got = front_end._even_fast_length(length)
        assert got % 2 == 0
        assert length <= got <= 1.3 * length + 8
        rest = got
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        assert rest == 1


# --- floor and votes ---------------------------------------------------------------------------


@pytest.mark.parametrize(("hop_share", "looks"), [(0.25, 1), (0.5, 2)])
@pytest.mark.parametrize("channels", [1, 2])
def test_noise_has_as_much_power_as_looks(hop_share: float, looks: int, channels: int) -> None:
    # Two frames a step: overlapping ones are one look. Over its floor noise has a mean of one per
    # look and channel, at any gain.
    for gain in (1.0, 1e-4):
        spectrum = gain * noise((channels, 400, 200))
        if looks == 1:  # frames that overlap as far as they can
            spectrum[:, 1::2] = spectrum[:, ::2]
        whitened = whitening.whiten(level_of("short", spectrum, hop_share=hop_share))
        assert whitened.power.shape == (200, 200)
        assert whitened.votes.shape == (200, 200)
        assert whitened.power.mean() == pytest.approx(looks * channels, rel=0.06)
        assert whitened.floor.mean() == pytest.approx(gain**2, rel=0.06)
        assert whitened.block_frames == 16
        assert whitened.floor.shape == (channels, 25, 200)
        assert whitened.votes.mean() < -0.3
        np.testing.assert_allclose(whitened.log_power, np.log1p(whitened.power))


def test_the_gain_does_not_matter() -> None:
    spectrum = noise((1, 101, 150))
    one = whitening.whiten(level_of("short", spectrum))
    two = whitening.whiten(level_of("short", 300.0 * spectrum))
    np.testing.assert_allclose(two.power, one.power, rtol=1e-3)
    np.testing.assert_allclose(two.floor, 9e4 * one.floor, rtol=1e-3)
    assert one.power.shape[0] == 50  # the odd frame is left out


def test_a_single_frame_is_a_single_look() -> None:
    for hop_share in (0.25, 0.5):
        whitened = whitening.whiten(level_of("short", noise((1, 1, 3000)), hop_share=hop_share))
        assert whitened.power.shape == (1, 3000)
        assert whitened.power.mean() == pytest.approx(1.0, rel=0.06)


def test_the_floor_follows_a_level_that_changes() -> None:
    # 20 dB louder from step 200 on: three blocks of eight steps blur the change.
    spectrum = noise((1, 800, 100))
    spectrum[:, 400:] *= 10.0
    whitened = whitening.whiten(level_of("short", spectrum))
    floor = whitened.floor[0].mean(axis=1)
    assert floor.size == 50
    np.testing.assert_allclose(floor[:24], 1.0, rtol=0.2)
    np.testing.assert_allclose(floor[26:], 100.0, rtol=0.2)
    assert floor[24] == pytest.approx(34.0, rel=0.2)  # (1 + 1 + 100) / 3
    assert floor[25] == pytest.approx(67.0, rel=0.2)


def test_the_floor_follows_a_slope_over_frequency() -> None:
    # In decibels straight between windows of 24 bins: a slope of 20 dB over 240 bins is kept.
    slope = 10.0 ** (np.arange(240) / 240)
    power = (slope**2 * np.random.default_rng(3).exponential(size=(300, 240))).astype(np.float32)
    floor = whitening.noise_floor(power, 1).mean(axis=0)
    ratio = 10.0 * np.log10(floor[12:-12] / slope[12:-12] ** 2)
    assert np.all(np.abs(ratio) < 0.6)


def test_silence_has_no_lines() -> None:
    whitened = whitening.whiten(level_of("short", np.zeros((1, 40, 100))))
    assert np.isfinite(whitened.votes).all()
    assert np.all(whitened.power == 0.0)


@pytest.mark.parametrize("at", [0, 1, 50, 98, 99])
def test_the_flanks_of_a_line_are_no_lines(at: int) -> None:
    # A Hann line: a quarter of its power one bin off (closed form), which alone would be a line.
    power = np.full((3, 100), 1.0, np.float32)
    power[:, at] = 400.0
    for beside in (at - 1, at + 1):
        if 0 <= beside < 100:
            power[:, beside] = 100.0
    votes = whitening._votes(power, 2)
    table = whitening.vote_table(2)
    beside_it = 6.0 if 0 < at < 99 else 1.0
    assert np.allclose(votes[at], table[min(int(400.0 / 0.125 / beside_it), 1023)])
    for beside in (at - 1, at + 1):
        if 0 < beside < 99:
            assert np.all(votes[beside] < 0.5)
    assert np.allclose(votes[(at + 20) % 100], table[int(1.0 / 0.125 / 1.05)])


def test_two_bins_around_a_tone_keep_their_votes() -> None:
    # Half a bin off: two bins of equal power, a tenth of each other's.
    power = np.full((1, 50), 1.0, np.float32)
    power[0, 20:22] = 60.0
    votes = whitening._votes(power, 1)
    table = whitening.vote_table(1)
    want = table[int(60.0 / 0.125 / 7.0)]
    assert votes[20, 0] == votes[21, 0] == want
    assert want > 2.0


# --- votes of lines ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "bin_hz", "top_hz", "want"),
    [
        ("long", 6.0, 600.0, (15.0, 200.0)),
        ("mid", 25.0, 2500.0, (200.0, 1600.0)),
        ("mid", 100.0, 1000.0, (250.0, 800.0)),
        ("short", 50.0, 4000.0, (1600.0, 3900.0)),
    ],
)
def test_levels_serve_their_ranges(
    name: str, bin_hz: float, top_hz: float, want: tuple[float, float]
) -> None:
    level = level_of(name, np.zeros((1, 2, 3)), bin_hz)
    assert evidence.serves(replace(level, top_hz=top_hz)) == want


def said(lines: list[Line], speed_hz: float, heard: dict[float, float]) -> float:
    """Evidence of one speed at which the orders given vote as told."""
    track = np.full(10, speed_hz)
    whitened = voices({order: track for order in heard}, np.zeros(10), heard)  # noqa: C420
    got = evidence.line_evidence(whitened, np.array([speed_hz, 1.02 * speed_hz]), lines)
    assert got.shape == (2, 10)
    assert np.ptp(got[0]) == 0.0
    return float(got[0, 0])


def test_lines_speak_by_their_weight_and_lack_by_their_demand() -> None:
    # By hand, on the short level: 30 turns a second, orders 60 and 90.
    lines = [Line(60.0, 1.0, -0.6), Line(90.0, 0.5, 0.0)]
    assert said(lines, 30.0, {60.0: 2.0, 90.0: 3.0}) == pytest.approx(2.0 + 1.5)
    assert said(lines, 30.0, {60.0: 2.0}) == pytest.approx(2.0 + 0.5 * QUIET_VOTE)
    assert said(lines, 30.0, {90.0: 2.0}) == pytest.approx(0.4 * QUIET_VOTE + 1.0)
    eager = [Line(60.0, 1.0, 0.5)]
    assert said(eager, 30.0, {}) == pytest.approx(1.5 * QUIET_VOTE)
    assert said(eager, 30.0, {60.0: 2.0}) == pytest.approx(2.0)


def test_below_450_hertz_two_windows_are_asked() -> None:
    # The better of two looks, less 0.3; one look below 200 Hz and above 450 Hz.
    assert said([Line(10.0)], 10.0, {10.0: 2.0}) == pytest.approx(2.0)
    assert said([Line(10.0)], 30.0, {10.0: 2.0}) == pytest.approx(1.7)
    assert said([Line(10.0)], 44.0, {10.0: 2.0}) == pytest.approx(1.7)
    assert said([Line(10.0)], 46.0, {10.0: 2.0}) == pytest.approx(2.0)
    # Absence in both windows: the cost of the look counts as well.
    assert said([Line(10.0, demand=0.0)], 30.0, {}) == pytest.approx(QUIET_VOTE - 0.3)
    assert said([Line(10.0, demand=-0.5)], 30.0, {}) == pytest.approx(0.5 * (QUIET_VOTE - 0.3))
    whitened = voices({}, np.zeros(10), 0.0)
    for heard in (0, 1):
        for item in whitened[:2]:
            item.votes[:] = -1.0
        item = whitened[heard]
        item.votes[round(300.0 / item.level.bin_hz)] = 2.0
        got = evidence.line_evidence(whitened, np.array([30.0, 30.6]), [Line(10.0)])
        np.testing.assert_allclose(got[0], 1.7, rtol=1e-6)


def test_where_the_long_window_ends_the_mid_one_speaks_alone() -> None:
    # A long level that reaches 400 Hz, less two of its bins.
    for speed, want in ((38.0, 1.7), (39.5, 2.0)):
        track = np.full(10, speed)
        whitened = voices({10.0: track}, np.zeros(10), 2.0)
        whitened[0] = replace(whitened[0], level=replace(whitened[0].level, top_hz=400.0))
        got = evidence.line_evidence(whitened, np.array([speed, 1.02 * speed]), [Line(10.0)])
        np.testing.assert_allclose(got[0], want, rtol=1e-6)


def test_many_candidates_agree_with_each_alone() -> None:
    rng = np.random.default_rng(6)
    whitened = voices({}, np.zeros(12), 0.0)
    for item in whitened:
        item.votes[:] = rng.standard_normal(item.votes.shape)
    lines = [Line(1.0, 0.7), Line(6.0, 1.0, 0.3), Line(40.0, 0.2, -1.0)]
    candidates = candidate_grid(10.0, 600.0)
    whole = evidence.line_evidence(whitened, candidates, lines)
    assert whole.shape == (candidates.size, 12)
    # By the definition: the votes of each line's bin, level by level.
    frequency = {line: line.order * candidates for line in lines}
    want = np.zeros_like(whole)
    for line in lines:
        for item in whitened:
            low, high = evidence.serves(item.level)
            for i in np.flatnonzero((frequency[line] >= low) & (frequency[line] < high)):
                f = frequency[line][i]
                votes = item.votes[round(f / item.level.bin_hz)].copy()
                if item.level.name == "mid" and f < 450.0:
                    other = whitened[0].votes[round(f / whitened[0].level.bin_hz)]
                    votes = np.maximum(votes, other) - np.float32(0.3)
                votes = np.where(votes < 0.0, votes * (1.0 + line.demand), votes)
                want[i] += line.weight * votes
    np.testing.assert_allclose(whole, want, atol=1e-5)
    # And the stretches of one line alone.
    seen = np.zeros((candidates.size, 12))
    for first, last, votes in evidence.line_votes(whitened, frequency[lines[1]]):
        seen[first:last] = votes
    alone = evidence.line_evidence(whitened, candidates, [Line(6.0, demand=0.0)])
    np.testing.assert_allclose(alone, seen, atol=1e-6)
    # The level speaks on top, whatever the speed.
    loud = np.repeat([0.0, 9.0], 6)
    whitened[-1] = replace(whitened[-1], floor=voices({}, loud, 0.0)[-1].floor)
    both = evidence.candidate_evidence(whitened, candidates, lines)
    votes = level_reader.loudness_votes(whitened, 12)
    np.testing.assert_allclose(both - whole, np.tile(votes, (candidates.size, 1)), atol=1e-5)


@pytest.mark.parametrize(("vote", "speaks"), [(0.45, False), (0.55, True)])
def test_lines_that_speak_on_average_are_heard(vote: float, speaks: bool) -> None:
    track = np.full(20, 70.0)
    whitened = voices({30.0: track}, np.zeros(20), vote)
    lines = [Line(10.0), Line(30.0)]
    assert evidence.speaking_frequencies(whitened, lines, 70.0) == ([2100.0] if speaks else [])


def test_resolution_is_that_of_the_finest_line_heard() -> None:
    # By hand: order 1 at 100 Hz by a long bin, order 30 by a short one over 30, or by its smear.
    steps = np.full(6, 100.0)
    whitened = voices({1.0: steps, 30.0: steps}, np.zeros(6), 2.0)
    long, short = whitened[0].level, whitened[-1].level
    lines = [Line(1.0), Line(30.0)]
    still, fast = np.zeros(6), np.full(6, -400.0)
    got = evidence.resolution(whitened, lines, steps, still)
    np.testing.assert_allclose(got, short.bin_hz / 30.0)
    got = evidence.resolution(whitened, lines, steps, fast)
    np.testing.assert_allclose(got, 0.5 * 400.0 * short.window_s)
    # What says nothing does not count; where nothing speaks the coarsest is told.
    whitened[-1].votes[:] = 0.4
    got = evidence.resolution(whitened, lines, steps, still)
    np.testing.assert_allclose(got, long.bin_hz)
    whitened[0].votes[:] = 0.4
    got = evidence.resolution(whitened, lines, steps, still)
    np.testing.assert_allclose(got, long.bin_hz)
    whitened[-1].votes[:] = 0.6
    got = evidence.resolution(whitened, lines, steps, still)
    np.testing.assert_allclose(got, short.bin_hz / 30.0)


# --- lines that stand --------------------------------------------------------------------------


@pytest.mark.parametrize(("steps", "told"), [(149, False), (150, True)])
def test_standing_lines_need_three_seconds(steps: int, told: bool) -> None:
    # Six parts of half a second.
    power = np.ones((steps, 20), np.float32)
    power[:, 7] = 5.0
    whitened = Whitened(voices({}, np.zeros(2), 0.0)[0].level, power.T, power, power, 2)
    found = whitening.standing_lines(whitened, 0.02)
    assert np.flatnonzero(found).tolist() == ([7] if told else [])


def test_a_line_that_pauses_for_half_a_second_does_not_stand() -> None:
    power = np.full((200, 20), 1.0, np.float32)
    power[:, [3, 4, 5]] = [1.9, 2.1, 5.0]
    power[50:75, 5] = 1.0
    power[50:70, 4] = 2.1
    level = voices({}, np.zeros(2), 0.0)[0].level
    whitened = Whitened(level, power.T, power, power, 2)
    assert np.flatnonzero(whitening.standing_lines(whitened, 0.02)).tolist() == [4]
    # Twice the noise, whatever that is: at least one.
    for gain, want in ((3.0, [4]), (0.4, [])):
        scaled = Whitened(level, power.T, gain * power, power, 2)
        assert np.flatnonzero(whitening.standing_lines(scaled, 0.02)).tolist() == want


def test_standing_lines_lose_their_vote_and_nothing_else() -> None:
    whitened = voices({}, np.zeros(5), 0.0)[0]
    whitened.votes[:] = 1.5
    standing = np.zeros(whitened.votes.shape[0], bool)
    assert whitening.without_standing(whitened, standing) is whitened
    standing[4] = True
    quiet = whitening.without_standing(whitened, standing)
    assert np.all(quiet.votes[4] == 0.0)
    assert np.all(np.delete(quiet.votes, 4, axis=0) == 1.5)
    assert np.all(whitened.votes == 1.5)
    assert quiet.votes.dtype == np.float32


# --- sharpening --------------------------------------------------------------------------------


def peaked(whitened: list[Whitened], order: float, speed: np.ndarray, height: float = 5.0) -> None:
    """Add a line whose log power is a parabola with its top at its frequency."""
    for item in whitened:
        bins = np.arange(item.power.shape[1])
        centre = order * speed[:, np.newaxis] / item.level.bin_hz
        top = np.maximum(height - 0.7 * (bins - centre) ** 2, 0.0)
        item.power[:] = np.maximum(item.power, np.expm1(top))


def flat(n_steps: int) -> list[Whitened]:
    made = voices({}, np.zeros(n_steps), 0.0)
    for item in made:
        item.power[:] = 0.0
    return made


@pytest.mark.parametrize("share", [-0.008, 0.0, 0.003, 0.009])
def test_the_speed_is_placed_by_the_peak_of_a_line(share: float) -> None:
    truth = np.full(30, 100.0)
    whitened = flat(30)
    peaked(whitened, 30.0, truth)
    coarse = truth * (1.0 - share)
    got = evidence.sharpened(whitened, [Line(30.0)], coarse, np.full(30, 1.0))
    np.testing.assert_allclose(got, 100.0, atol=2e-3)


def test_sharpening_keeps_within_its_reach_and_to_what_runs() -> None:
    truth = np.full(30, 100.0)
    whitened = flat(30)
    peaked(whitened, 30.0, truth)
    coarse = np.where(np.arange(30) < 10, 0.0, 98.8)
    got = evidence.sharpened(whitened, [Line(30.0)], coarse, np.full(30, 0.8))
    assert not got[:10].any()
    np.testing.assert_allclose(got[10:], 98.8 + 0.8, atol=0.06)
    assert not evidence.sharpened(whitened, [Line(30.0)], 0.0 * coarse, coarse).any()


def test_a_moving_speed_is_placed_step_by_step() -> None:
    truth = np.linspace(100.0, 106.0, 61)
    whitened = flat(61)
    peaked(whitened, 30.0, truth)
    got = evidence.sharpened(whitened, [Line(30.0)], truth + 0.4, np.full(61, 1.0))
    np.testing.assert_allclose(got[3:-3], truth[3:-3], atol=5e-3)
    alone = evidence.sharpened(whitened, [Line(30.0)], truth + 0.4, np.full(61, 1.0), blur=1)
    np.testing.assert_allclose(alone, truth, atol=5e-3)


def test_stretches_are_blurred_on_their_own() -> None:
    truth = np.concatenate([np.full(20, 100.0), np.zeros(5), np.full(20, 130.0)])
    whitened = flat(45)
    peaked(whitened, 30.0, truth)
    coarse = np.where(truth > 0.0, truth + np.where(truth > 110.0, 0.5, -0.5), 0.0)
    got = evidence.sharpened(whitened, [Line(30.0)], coarse, np.full(45, 1.0))
    np.testing.assert_allclose(got, truth, atol=2e-3)


def test_lines_are_weighed_and_a_lesser_one_beside_a_greater_is_left_out() -> None:
    # Two lines whose parabolas (of one curvature in bins) disagree: the top of the sum lies at
    # the mean weighted by weight times order squared (closed form).
    whitened = flat(20)
    peaked(whitened, 24.0, np.full(20, 100.0))
    peaked(whitened, 30.0, np.full(20, 100.6))
    lines = [Line(24.0, 1.0), Line(30.0, 1.0)]
    got = evidence.sharpened(whitened, lines, np.full(20, 100.2), np.full(20, 1.0))
    weights = np.array([24.0**2, 30.0**2])
    np.testing.assert_allclose(got, weights @ [100.0, 100.6] / weights.sum(), atol=0.01)
    # A gap of half an order is 50 Hz, one bin: less than two. The greater line alone is asked.
    whitened = flat(20)
    peaked(whitened, 30.0, np.full(20, 100.0))
    whitened[-1].power[:, 61:70] = np.expm1(
        3.0 + 0.4 * np.arange(9)
    )  # a flank that would pull the lesser line up
    both = [Line(30.0, 1.0), Line(30.5, 0.9)]
    got = evidence.sharpened(whitened, both, np.full(20, 99.8), np.full(20, 0.6))
    alone = evidence.sharpened(whitened, both[:1], np.full(20, 99.8), np.full(20, 0.6))
    np.testing.assert_array_equal(got, alone)
    # With two and a half bins between them both are.
    apart = [Line(30.0, 1.0), Line(31.25, 0.9)]
    got = evidence.sharpened(whitened, apart, np.full(20, 99.8), np.full(20, 0.6))
    assert not np.allclose(got, alone, atol=1e-4)


# --- amplitudes of lines -----------------------------------------------------------------------


def read_lines(
    x: np.ndarray, orders: list[float], speed_of: object, slip: float = 0.0
) -> tuple[line_reader.Amplitudes, Front, list[Whitened], np.ndarray]:
    front = front_end.short_time_levels(x.astype(np.float32), RATE)
    whitened = [whitening.whiten(level) for level in front.levels]
    speed = speed_of(front.time_s)  # type: ignore[operator]
    lines = [Line(order, slip=slip) for order in orders]
    return line_reader.line_amplitudes(front, whitened, lines, speed), front, whitened, speed


def test_amplitude_phase_and_noise_of_lines_at_a_steady_speed() -> None:
    seconds, speed_hz, sd = 2.0, 30.0, 0.05
    t = np.arange(round(seconds * RATE)) / RATE
    made = {1.0: (0.5, 0.3), 8.0: (1.0, -1.0), 70.0: (0.7, 2.0)}
    rng = np.random.default_rng(7)
    x = sd * rng.standard_normal((2, t.size))
    for order, (size, phase) in made.items():
        x[0] += size * np.cos(2 * np.pi * order * speed_hz * t + phase)
    got, front, _, _ = read_lines(x, list(made), lambda time: np.full(time.size, speed_hz), 0.01)
    assert got.value.shape == got.noise.shape == got.valid.shape == (6, front.time_s.size)
    assert got.order.tolist() == [1.0, 1.0, 8.0, 8.0, 70.0, 70.0]
    assert got.slip.tolist() == [0.01] * 6
    names = ("long", "mid", "short")  # by distance to the neighbours and to zero, then by frequency
    for i, (order, (size, phase)) in enumerate(made.items()):
        level = front.level(names[i])
        assert level is not None
        valid = got.valid[2 * i]
        assert np.array_equal(valid, level.inside)
        f = order * speed_hz
        turned = got.value[2 * i] * np.exp(-2j * np.pi * f * front.time_s)
        np.testing.assert_allclose(turned[valid], size * np.exp(1j * phase), atol=0.03)
        assert np.all(got.hop_share[2 * i, valid] == np.float32(level.hop_share))
        assert np.all(got.hop_share[2 * i, ~valid] == 1.0)
        assert not got.value[2 * i, ~valid].any()
        # Noise of a Hann window (power gain 1.5 bins; value from memory) in the second channel,
        # of variance 4 sd^2 1.5 / N.
        n = level.window_s * RATE
        want = 6.0 * sd**2 / n
        assert np.mean(np.abs(got.value[2 * i + 1, valid]) ** 2) == pytest.approx(want, rel=0.5)
        # The floor takes two frames of half overlap for one look: it lies up to 1.3 too high.
        assert 0.75 * want < np.mean(got.noise[2 * i + 1, valid]) < 1.7 * want


def test_lines_beyond_the_levels_are_not_valid() -> None:
    x = np.random.default_rng(8).standard_normal((1, round(2 * RATE)))
    speed = np.concatenate([np.zeros(60), np.full(60, 30.0), np.full(400, 90.0)])
    got, front, _, track = read_lines(x, [0.05, 1.0, 60.0], lambda time: speed[: time.size])
    # 1.5 and 4.5 Hz lie below one and a half bins of the long window; off, nothing is read.
    assert not got.valid[0].any()
    assert np.array_equal(
        got.valid[1],
        (track > 0.0)
        & np.where(
            # 30 Hz by the long window, 90 Hz by the mid one (its neighbours are 1.7 bins away).
            track > 40.0,
            front.levels[1].inside,
            front.levels[0].inside,
        ),
    )
    # Order 60 at 5 400 Hz lies beyond the take.
    assert np.array_equal(got.valid[2], (track == 30.0) & front.levels[2].inside)


def test_a_line_keeps_two_bins_from_the_top_of_its_window() -> None:
    # Order 50 at 78 and 76 turns a second: 3 900 and 3 800 Hz, two short bins below 4 000 Hz lies
    # between.
    x = np.random.default_rng(9).standard_normal((1, round(2 * RATE)))
    speed = np.repeat([76.0, 79.0], 300)
    got, front, _, track = read_lines(x, [50.0], lambda time: speed[90 : 90 + time.size])
    short = front.levels[2]
    limit = short.top_hz - 2.0 * short.bin_hz
    assert 3_800.0 < limit < 3_950.0
    assert np.array_equal(got.valid[0], (50.0 * track < limit) & short.inside)


@pytest.mark.parametrize("slope", [-60.0, 60.0, 150.0])
def test_a_sweep_is_read_with_its_phase(slope: float) -> None:
    t = np.arange(round(1.5 * RATE)) / RATE
    start = 100.0 if slope > 0 else 200.0
    phi = start * t + 0.5 * slope * t**2
    x = np.cos(2 * np.pi * 8.0 * phi + 0.5)[np.newaxis]
    got, front, _, _ = read_lines(x, [8.0], lambda time: start + slope * time)
    valid = got.valid[0] & (front.time_s > 0.2) & (front.time_s < 1.3)
    assert valid.sum() > 80
    at = start * front.time_s + 0.5 * slope * front.time_s**2
    turned = got.value[0] * np.exp(-2j * np.pi * 8.0 * at)
    assert np.max(np.abs(np.angle(turned[valid]) - 0.5)) < (0.03 if abs(slope) < 100.0 else 0.07)


def test_slopes_are_those_of_each_stretch() -> None:
    time = np.arange(200) * 0.01
    speed = np.where(time < 1.0, 100.0 + 30.0 * time, 300.0 - 50.0 * time)
    speed[[98, 99, 100, 101]] = 0.0
    speed[150] = 0.0
    speed[153:] = 0.0
    slope = line_reader._slew(speed, 0.01)
    np.testing.assert_allclose(slope[:98], 30.0)
    np.testing.assert_allclose(slope[102:150], -50.0)
    assert not slope[98:102].any()
    assert not slope[150:].any()  # two frames have no slope
    # A bend is blurred over 23 frames, evenly to both sides.
    bent = 100.0 + 20.0 * np.maximum(time - 1.0, 0.0)
    slope = line_reader._slew(bent, 0.01)
    np.testing.assert_allclose(slope[:88], 0.0, atol=1e-9)
    np.testing.assert_allclose(slope[113:], 20.0)
    assert slope[100] == pytest.approx(10.0)
    assert slope[90] + slope[110] == pytest.approx(20.0)


def test_isolation_is_the_distance_to_the_nearest_or_to_zero() -> None:
    orders = np.array([1.0, 26.0, 26.5, 40.0])
    assert line_reader._isolation(orders).tolist() == [1.0, 0.5, 0.5, 13.5]
    assert line_reader._isolation(np.array([7.0])).tolist() == [7.0]


def test_the_strongest_lines_say_most_of_the_speed() -> None:
    # Order squared times what the power exceeds the noise by twice, at most a thousandfold.
    power = np.array([9.0, 3.0, 2.0, 5e4, 102.0])
    order = np.array([1.0, 5.0, 50.0, 0.2, 0.5])
    # By hand: 7, 25, 0, 40, 25 per frame.
    shape = (5, 4)
    value = np.repeat(np.sqrt(power)[:, np.newaxis], 4, axis=1).astype(np.complex64)
    made = line_reader.Amplitudes(
        value, np.ones(shape, np.float32), np.ones(shape, bool), np.ones(shape, np.float32),
        order, 0.001 * order,
    )  # fmt: skip
    one = line_reader.strongest(made, 1)
    assert one.order.tolist() == [0.2]
    assert one.value.shape == one.noise.shape == one.valid.shape == one.hop_share.shape == (1, 4)
    assert one.slip == pytest.approx([0.0002])
    assert line_reader.strongest(made, 3).order.tolist() == [5.0, 0.2, 0.5]
    assert line_reader.strongest(made, 4).order.tolist() == [1.0, 5.0, 0.2, 0.5]
    assert line_reader.strongest(made, 9).order.tolist() == order.tolist()
    # Frames that are not valid do not count, nor does noise that is as strong.
    made.valid[3, 1:] = False
    assert line_reader.strongest(made, 2).order.tolist() == [5.0, 0.5]
    made.noise[1] = 1.5
    assert line_reader.strongest(made, 2).order.tolist() == [0.2, 0.5]


# --- cells -------------------------------------------------------------------------------------


def test_cells_hold_every_candidate_once() -> None:
    candidates = candidate_grid(20.0, 600.0)
    cells = speed_cells(candidates, 300.0, 0.02)
    assert cells.start[0] == 0
    assert np.all(np.diff(cells.start) > 0)
    stop = np.append(cells.start[1:], candidates.size)
    low, high = candidates[cells.start], candidates[stop - 1]
    np.testing.assert_allclose(cells.centre_hz, np.sqrt(low * high))
    # 300 Hz a second in 0.02 s are four cells of 1.5 Hz, or of a hundredth where that is more.
    width = np.diff(low)
    slow, fast = low[:-1] < 100.0, low[:-1] > 200.0
    assert np.mean(width[slow]) == pytest.approx(1.5, rel=0.05)
    assert np.mean(width[fast] / low[:-1][fast]) == pytest.approx(0.01, rel=0.05)
