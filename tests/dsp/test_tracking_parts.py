"""The parts of the speed tracker, each against a closed form or an invariant."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vibecheck.dsp import tracking_evidence as evidence
from vibecheck.dsp import tracking_front as front_end
from vibecheck.dsp import tracking_lines as line_reader
from vibecheck.dsp import tracking_path as path_search
from vibecheck.dsp import tracking_readings as readings
from vibecheck.dsp import tracking_refine as refinement
from vibecheck.dsp import tracking_whiten as whitening
from vibecheck.dsp.tracking import tidied, without_blips
from vibecheck.dsp.tracking_phases import split_phases, stretches


def tone(frequency_hz: float, phase: float, seconds: float, rate_hz: float) -> np.ndarray:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.cos(2 * np.pi * frequency_hz * t + phase)[np.newaxis].astype(np.float32)


# --- front end ---------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [2, 4, 8, 32])
def test_decimation_keeps_the_pass_band_in_place(factor: int) -> None:
    # Closed form: a tone in the pass band comes through with its phase and level.
    rate = 8000.0
    f = 0.35 * rate / factor
    x = tone(f, 0.7, 2.0, rate)
    y = front_end.decimate(x, factor)[0]
    want = np.cos(2 * np.pi * f * np.arange(y.size) * factor / rate + 0.7)
    inner = slice(60, -60)
    assert np.max(np.abs(y[inner] - want[inner])) < 2e-3


def test_decimation_stops_what_would_alias() -> None:
    # Kaiser design for 65 dB (value from memory); 60 dB leaves room for float32.
    rate, factor = 8000.0, 8
    x = tone(0.62 * rate / factor, 0.0, 2.0, rate)
    y = front_end.decimate(x, factor)[0][60:-60]
    assert 20 * np.log10(np.max(np.abs(y))) < -60


@settings(max_examples=25, deadline=None)
@given(st.floats(70, 3500), st.floats(-3, 3), st.sampled_from([8000.0, 44100.0, 48000.0]))
def test_levels_read_amplitude_and_phase_at_the_frame_centre(
    frequency: float, phase: float, rate: float
) -> None:
    x = tone(frequency, phase, 1.0, rate)
    front = front_end.short_time_levels(x, rate)
    for level in front.levels:
        if not 6 * level.bin_hz < frequency < level.top_hz - 2 * level.bin_hz:
            continue
        frame = front.time_s.size // 2
        z = level.spectrum[0, frame, round(frequency / level.bin_hz)]
        want = 2 * np.pi * frequency * front.time_s[frame] + phase
        assert 0.82 < abs(z) < 1.01  # Hann scalloping is at most 1.42 dB (value from memory)
        assert abs(np.angle(z * np.exp(-1j * want))) < 0.02


@pytest.mark.parametrize("rate", [952.0, 8000.0, 44100.0, 48000.0, 192000.0])
def test_frames_sit_symmetrically(rate: float) -> None:
    n = int(rate * 1.37)
    front = front_end.short_time_levels(np.zeros((1, n), np.float32), rate)
    left, right = front.time_s[0], n / rate - front.time_s[-1]
    assert abs(left - right) <= 33 / min(rate, 44100.0)
    assert front.hop_s == pytest.approx(front_end.HOP_S, rel=0.15)


def test_doubled_and_dead_channels_are_one_witness() -> None:
    rng = np.random.default_rng(0)
    x = rng.standard_normal(5000)
    out = front_end.decorrelated(np.stack([x, x, np.zeros(5000), 0.5 * x]))
    assert out.shape[0] == 1
    both = front_end.decorrelated(np.stack([x, rng.standard_normal(5000)]))
    assert both.shape[0] == 2
    assert abs(np.mean(both[0] * both[1])) < 1e-3
    assert front_end.decorrelated(np.zeros((2, 100))).shape == (1, 100)
    assert np.isfinite(front_end.decorrelated(np.full((1, 100), np.nan))).all()


# --- evidence ----------------------------------------------------------------------------------


def test_noise_floor_is_the_mean_of_the_noise() -> None:
    # Closed form: exponential powers of mean 3; lines must not lift the floor by much.
    rng = np.random.default_rng(1)
    power = (3.0 * rng.exponential(size=(400, 300))).astype(np.float32)
    assert np.mean(whitening.noise_floor(power, 1)) == pytest.approx(3.0, rel=0.06)
    power[:, ::16] = 1e4
    assert np.mean(whitening.noise_floor(power, 1)) == pytest.approx(3.0, rel=0.25)


def test_votes_are_bounded_and_rise_with_power() -> None:
    for looks in (1, 2, 6):
        table = whitening.vote_table(looks)
        assert np.all(np.diff(table) > -1e-6)
        assert table[0] > np.log(1 - whitening.PRESENT) - 1e-6
        assert 2.0 < table[-1] < np.log(1 / whitening.STRAY) + 1.5
        # In noise a vote loses on average: otherwise silence would look like a shaft.
        q = np.arange(table.size) * 0.125
        weight = stats.gamma.pdf(q, looks)
        assert np.sum(weight * table) / np.sum(weight) < -0.3


def test_standing_lines_are_told_from_moving_ones() -> None:
    rate, seconds = 8000.0, 6.0
    t = np.arange(int(seconds * rate)) / rate
    rng = np.random.default_rng(2)
    x = rng.standard_normal(t.size) + np.cos(2 * np.pi * 100 * t)
    x += np.cos(2 * np.pi * (120 * t + 10 * t**2))
    front = front_end.short_time_levels(x[np.newaxis].astype(np.float32), rate)
    long = whitening.whiten(front.levels[0])
    standing = whitening.standing_lines(long, 2 * front.hop_s)
    bins = np.flatnonzero(standing) * long.level.bin_hz
    assert standing.any()
    assert np.all(np.abs(bins - 100) < 3 * long.level.bin_hz)
    silenced = whitening.without_standing(long, standing)
    assert np.all(silenced.votes[standing] == 0.0)


# --- path --------------------------------------------------------------------------------------


def brute_force(scores: np.ndarray, start_log: float, stop_log: float) -> tuple[np.ndarray, float]:
    """Posterior of off at each step, by the full transition matrix (independent of the banded
    code) in plain log-sums."""
    cells, steps = scores.shape
    moves = -path_search.STEP_COST * np.abs(np.subtract.outer(np.arange(cells), np.arange(cells)))
    reach = np.abs(np.subtract.outer(np.arange(cells), np.arange(cells))) <= path_search.REACH
    norm = np.log(np.exp(-path_search.STEP_COST * np.abs(np.arange(-4, 5))).sum())
    matrix = np.zeros((cells + 1, cells + 1))
    matrix[:-1, :-1] = np.where(reach, np.exp(moves - norm), 0.0) * (1 - np.exp(stop_log))
    matrix[:-1, -1] = np.exp(stop_log)
    matrix[-1, :-1] = np.exp(start_log) / cells
    matrix[-1, -1] = 1 - np.exp(start_log)
    like = np.exp(np.vstack([scores, np.zeros(steps)]))
    forward = np.zeros((steps, cells + 1))
    forward[0] = np.append(np.full(cells, 0.5 / cells), 0.5) * like[:, 0]
    for k in range(1, steps):
        forward[k] = (forward[k - 1] @ matrix) * like[:, k]
    backward = np.ones((steps, cells + 1))
    for k in range(steps - 2, -1, -1):
        backward[k] = matrix @ (like[:, k + 1] * backward[k + 1])
    joint = forward * backward
    return joint / joint.sum(axis=1, keepdims=True), 0.0


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.integers(10, 25), st.integers(1, 14))
def test_posterior_agrees_with_the_full_matrix(seed: int, cells: int, steps: int) -> None:
    rng = np.random.default_rng(seed)
    scores = (3 * rng.standard_normal((cells, steps))).astype(np.float32)
    found = path_search.likeliest_path(scores)
    want, _ = brute_force(scores.astype(float), -6.0, -6.0)
    np.testing.assert_allclose(found.posterior, want, atol=2e-4)


def test_path_follows_a_ramp_between_off_states() -> None:
    rng = np.random.default_rng(3)
    cells, steps = 80, 200
    scores = (0.5 * rng.standard_normal((cells, steps)) - 1.5).astype(np.float32)
    truth = np.full(steps, -1)
    truth[40:160] = np.linspace(5, 70, 120).astype(int)
    on = truth >= 0
    scores[truth[on], np.flatnonzero(on)] = 5.0
    found = path_search.likeliest_path(scores)
    assert np.mean((found.cell >= 0) == on) > 0.98
    both = on & (found.cell >= 0)
    assert np.mean(np.abs(found.cell[both] - truth[both]) <= 1) > 0.97


def test_cells_pool_the_best_candidate() -> None:
    candidates = path_search.candidate_grid(20.0, 600.0)
    cells = path_search.speed_cells(candidates, 300.0, 0.0213)
    scores = np.random.default_rng(4).standard_normal((candidates.size, 7)).astype(np.float32)
    np.testing.assert_array_equal(
        path_search.pooled(scores, cells), np.maximum.reduceat(scores, cells.start, axis=0)
    )
    assert np.all(np.diff(cells.centre_hz) > 0)


# --- refinement --------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(st.floats(0.0, 1.0), st.floats(-3, 3))
def test_two_bins_read_the_amplitude_between_them(part: float, phase: float) -> None:
    # A windowed complex tone between two bins; independent of the module's kernels.
    n = 512
    k = np.arange(n) - n / 2
    window = 0.5 + 0.5 * np.cos(2 * np.pi * k / n)
    x = window * np.exp(1j * (2 * np.pi * (40 + part) * k / n + phase)) / window.sum()
    low, high = (np.sum(x * np.exp(-2j * np.pi * b * k / n)) for b in (40, 41))
    lower, upper, noise = line_reader.two_bin_weights()
    i = round(part * 64)
    z = lower[i] * low + upper[i] * high
    assert abs(z * np.exp(-1j * phase) - 1.0) < 0.03
    assert 0.95 < noise[i] < 1.25  # never far from the noise of one bin


@pytest.mark.parametrize("hop_share", [0.25, 0.5])
@pytest.mark.parametrize("span", [5, 17])
def test_overlap_variance_against_simulated_noise(hop_share: float, span: int) -> None:
    rng = np.random.default_rng(5)
    n, hop = 64, int(64 * hop_share)
    noise = rng.standard_normal((4000, n + hop * span))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    frames = np.stack([noise[:, i * hop : i * hop + n] @ window for i in range(span)], axis=1)
    frames /= np.sqrt(window @ window)
    slope = np.arange(span) - (span - 1) / 2
    mean_factor, slope_factor = refinement.overlap_variance(hop_share, span)
    assert np.var(frames.sum(axis=1)) / span == pytest.approx(mean_factor, rel=0.1)
    assert np.var(frames @ slope) / (slope @ slope) == pytest.approx(slope_factor, rel=0.1)


def test_turns_of_a_linear_ramp() -> None:
    # Closed form: phi = f0 t + k t^2 / 2; 10 -> 60 Hz in 10 s is 350 turns (recomputed).
    t = np.arange(0, 10.0 + 1e-9, 0.01)
    assert refinement.turns(10 + 5 * t, 0.01)[-1] == pytest.approx(350.0, abs=1e-9)


def test_a_straight_track_projects_onto_itself() -> None:
    t = np.arange(200) * 0.0107
    straight = 100 + 40 * t
    for span in refinement.SPANS:
        np.testing.assert_allclose(refinement.projected(straight, 0.0107, span), straight)
    bent = 100 + 40 * t + 30 * t**2
    np.testing.assert_allclose(refinement.smoothed(bent, 33), bent)


# --- phases, tidying, readings -----------------------------------------------------------------


def test_phases_of_a_scripted_spin_up() -> None:
    hop = 0.0107
    parts = {"idle": 90, "run_up": 280, "hold": 190, "coast_down": 280, "end": 60}
    speed = np.concatenate(
        [
            np.zeros(parts["idle"]),
            np.linspace(30, 400, parts["run_up"]),
            np.full(parts["hold"], 400.0),
            400 * np.exp(-np.arange(parts["coast_down"]) * hop / 1.2),
            np.zeros(parts["end"]),
        ]
    )
    found = split_phases(speed, hop)
    assert [name for name, _, _ in found] == ["idle", "run_up", "hold", "coast_down", "idle"]
    want = np.cumsum(list(parts.values()))
    for (_, _, end), edge in zip(found, want, strict=True):
        assert abs(end - edge) * hop < 0.13
    assert split_phases(np.zeros(50), hop) == [("idle", 0, 50)]


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0, 500).map(lambda v: 0.0 if v < 100 else v), min_size=1, max_size=80))
def test_phases_cover_everything_once(speeds: list[float]) -> None:
    found = split_phases(np.array(speeds), 0.0107)
    assert found[0][1] == 0
    assert found[-1][2] == len(speeds)
    assert all(a[2] == b[1] for a, b in pairwise(found))
    for name, first, end in found:
        assert all((v > 0) == (name != "idle") for v in speeds[first:end])


def test_tidying_bridges_blinks_and_drops_blips() -> None:
    step = 0.0213
    speed = np.full(100, 200.0)
    speed[40:43] = 0.0  # a lost line
    assert np.all(tidied(speed, step) > 0)
    octave = np.concatenate([np.full(40, 200.0), np.zeros(2), np.full(40, 100.0)])
    assert np.any(tidied(octave, step)[40:42] == 0)  # no shaft halves its speed in 40 ms
    blip = np.zeros(100)
    blip[50:55] = 300.0
    assert not np.any(tidied(blip, step))


def test_stretches() -> None:
    assert stretches(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
    assert stretches(np.zeros(3, bool)) == []


def made_scores(candidates: np.ndarray, lines_hz: dict[float, float], steps: int) -> np.ndarray:
    scores = np.full((candidates.size, steps), -1.0, np.float32)
    for frequency, value in lines_hz.items():
        scores[np.argmin(np.abs(candidates - frequency))] = value
    return scores


def test_rivals_are_weighed() -> None:
    candidates = path_search.candidate_grid(20.0, 600.0)
    speed = np.full(50, 100.0)
    alike = made_scores(candidates, {100.0: 8.0, 200.0: 7.5}, 50)
    found = readings.strongest_rival(alike, candidates, speed, readings.OCTAVES)
    assert found is not None
    assert found.ratio == 2.0
    assert found.log_odds == pytest.approx(0.5)
    assert not found.clear
    clear = made_scores(candidates, {100.0: 8.0, 50.0: 4.0}, 50)
    found = readings.strongest_rival(clear, candidates, speed, readings.OCTAVES)
    assert found is not None
    assert found.clear
    found = readings.strongest_rival(clear, candidates, speed, readings.OCTAVES, any_divisor=True)
    assert found is not None
    assert not found.clear  # blades or poles can always hide a slower shaft
    alone = made_scores(candidates, {100.0: 8.0}, 50)
    assert readings.strongest_rival(alone, candidates, speed, readings.OCTAVES) is None
    assert readings.strongest_rival(alone, candidates, 0 * speed, readings.OCTAVES) is None


def test_a_stretch_beyond_an_impossible_jump_is_read_anew() -> None:
    candidates = path_search.candidate_grid(20.0, 600.0)
    scores = made_scores(candidates, {100.0: 5.0, 200.0: 6.0}, 100)
    speed = np.concatenate([np.full(70, 200.0), np.full(30, 100.0)])
    speed[69:71] = 0.0
    jumps = readings.impossible_jumps(scores, candidates, speed, 21.0, 20)
    assert len(jumps) == 1
    assert jumps[0].ratio == pytest.approx(2.0)
    assert not jumps[0].rival.clear
    joined = readings.rejoined(scores, candidates, speed, 21.0, 20)
    np.testing.assert_allclose(joined[joined > 0], 200.0)


def test_a_run_far_below_the_expected_speed_is_read_anew() -> None:
    candidates = path_search.candidate_grid(20.0, 600.0)
    speed = np.full(50, 50.0)
    ratios = readings.rival_ratios([evidence.Line(1.0), evidence.Line(0.2)])
    wheel = made_scores(candidates, {50.0: 4.0, 250.0: 3.0}, 50)
    anew = readings.likelier_reading(wheel, candidates, speed, ratios, 300.0)
    np.testing.assert_allclose(anew, 250.0)
    # Not without evidence, and not where the run is as fast as expected.
    alone = made_scores(candidates, {50.0: 4.0}, 50)
    np.testing.assert_array_equal(
        readings.likelier_reading(alone, candidates, speed, ratios, 300.0), speed
    )
    np.testing.assert_array_equal(
        readings.likelier_reading(wheel, candidates, speed, ratios, 60.0), speed
    )


def test_a_run_at_half_the_expected_speed_needs_more_to_be_read_anew() -> None:
    candidates = path_search.candidate_grid(20.0, 600.0)
    speed = np.full(50, 130.0)
    ratios = readings.rival_ratios([evidence.Line(1.0), evidence.Line(0.45)])
    asked = candidates, speed, ratios, 300.0
    # The spur gear (0.45 of the motor) passed for the motor: 130 turns a second are 289 in truth.
    fair = made_scores(candidates, {130.0: 6.0, 130.0 / 0.45: 4.0}, 50)
    np.testing.assert_allclose(readings.likelier_reading(fair, *asked), 130.0 / 0.45, rtol=0.01)
    # A share that would do at a third of the expected speed does not do here.
    little = made_scores(candidates, {130.0: 6.0, 130.0 / 0.45: 2.2}, 50)
    np.testing.assert_array_equal(readings.likelier_reading(little, *asked), speed)
    # A run at 0.6 of the expected speed is believed as it is.
    np.testing.assert_array_equal(
        readings.likelier_reading(fair, candidates, speed, ratios, 130.0 / 0.6), speed
    )


def test_wrong_tooth_counts_are_among_the_rivals() -> None:
    ratios = np.array(readings.rival_ratios([evidence.Line(1.0), evidence.Line(20.0)]))
    assert np.min(np.abs(np.log(ratios / (26 / 20)))) < 0.007
    assert np.all(np.abs(np.log(ratios)) > readings.SAME_SPEED)
    assert 0.5 in ratios


@pytest.mark.parametrize("rate", [-9.0, -2.0, 0.0, 0.5, 4.0, 15.0])
def test_chirp_turn_brings_the_phase_back_to_the_centre(rate: float) -> None:
    # A chirp of `rate` Hz/s in a window of one second, its phase 0.4 at the centre.
    t = (np.arange(4096) - 2048) / 4096
    window = 0.5 + 0.5 * np.cos(2 * np.pi * t)
    z = np.sum(window * np.exp(1j * (np.pi * rate * t**2 + 0.4)))
    turned = z * line_reader.chirp_turn(np.array([rate]))[0]
    assert np.angle(turned) == pytest.approx(0.4, abs=0.01)


def test_blips_far_from_the_run_are_taken_out() -> None:
    step_s = 0.02
    speed = np.zeros(500)
    speed[20:40] = 500.0  # 0.4 s, flat, 3.2 s before the run: a remnant
    speed[180:200] = 60.0  # 0.4 s, flat, 0.2 s before the run: its beginning
    speed[210:400] = np.linspace(60.0, 200.0, 190)
    speed[460:490] = np.linspace(200.0, 10.0, 30)  # 0.6 s, coasts down: a short spin-up
    kept = without_blips(speed, step_s)
    assert not kept[20:40].any()
    assert np.array_equal(kept[180:], speed[180:])
    alone = np.zeros(100)
    alone[40:60] = 50.0
    assert np.array_equal(without_blips(alone, step_s), alone)
