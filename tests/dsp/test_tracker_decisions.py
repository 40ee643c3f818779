"""The tracker's decisions, each at its threshold: readings, phases, levels, bridges, certainty."""

from __future__ import annotations

import numpy as np
import pytest
from tracking_voices import voices

from vibecheck.dsp import tracking
from vibecheck.dsp import tracking_level as level_reader
from vibecheck.dsp import tracking_path as path_search
from vibecheck.dsp import tracking_readings as readings
from vibecheck.dsp.tracking_evidence import Line
from vibecheck.dsp.tracking_phases import _drop_short, split_phases

CANDIDATES = path_search.candidate_grid(20.0, 600.0)
STEP_S = 0.02


def scores_at(heard: dict[float, float], steps: int = 50, quiet: float = -1.0) -> np.ndarray:
    scores = np.full((CANDIDATES.size, steps), quiet, np.float32)
    for frequency, value in heard.items():
        scores[np.argmin(np.abs(CANDIDATES - frequency))] = value
    return scores


# --- rivals ------------------------------------------------------------------------------------


def rival_of(
    heard: dict[float, float], speed_hz: float = 100.0, **more: object
) -> readings.Rival | None:
    speed = np.full(50, speed_hz)
    ratios = readings.OCTAVES
    return readings.strongest_rival(scores_at(heard), CANDIDATES, speed, ratios, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("rival", "clear"), [(3.1, None), (3.3, True), (4.4, True), (4.6, False), (7.9, False)]
)
def test_a_rival_counts_from_two_fifths_and_is_ruled_out_by_three_and_a_half(
    rival: float, clear: bool | None
) -> None:
    found = rival_of({100.0: 8.0, 200.0: rival})
    if clear is None:
        assert found is None
        return
    assert found is not None
    assert (found.ratio, found.clear) == (2.0, clear)
    assert found.log_odds == pytest.approx(8.0 - rival, abs=1e-5)


@pytest.mark.parametrize(("rival", "clear"), [(1.9, True), (2.1, False)])
def test_less_than_half_of_what_is_explained_rules_out(rival: float, clear: bool) -> None:
    # Log-odds of 2 alone would not: 3.5 are asked for.
    found = rival_of({100.0: 4.0, 200.0: rival})
    assert found is not None
    assert found.clear is clear


def test_a_weak_reading_rules_out_nothing() -> None:
    found = rival_of({100.0: 8.0, 200.0: 1.0}, least_support=8.5)
    assert found is not None
    assert not found.clear
    assert found.log_odds == pytest.approx(7.0)
    assert rival_of({100.0: 8.0, 200.0: 1.0}, least_support=7.5) is None
    assert rival_of({100.0: 8.0, 200.0: -0.5}, least_support=8.5) is None


@pytest.mark.parametrize(
    ("expected_hz", "rival", "clear"),
    [
        (100.0, 6.6, True),  # near the limit, the rival far from it: 1.3 are enough
        (100.0, 6.8, False),
        (75.0, 6.6, True),  # log ratio 0.29 to the limit
        (68.0, 6.6, False),  # 0.39
        (118.0, 6.6, True),  # the rival at a log ratio of 0.53
        (124.0, 6.6, False),  # 0.48
    ],
)
def test_the_bench_limit_is_a_second_witness(expected_hz: float, rival: float, clear: bool) -> None:
    found = rival_of({100.0: 8.0, 200.0: rival}, expected_top_hz=expected_hz)
    assert found is not None
    assert found.clear is clear


def test_the_bench_limit_is_held_against_the_top_of_the_run() -> None:
    # Nine tenths of the run are slow: the top is what a tenth of it exceeds.
    speed = np.concatenate([np.zeros(300), np.full(42, 50.0), np.full(8, 100.0)])
    scores = np.full((CANDIDATES.size, 350), -1.0, np.float32)
    for reading, value in ((1.0, 8.0), (2.0, 6.6)):
        for step in np.flatnonzero(speed):
            scores[np.argmin(np.abs(CANDIDATES - reading * speed[step])), step] = value
    found = readings.strongest_rival(
        scores, CANDIDATES, speed, readings.OCTAVES, expected_top_hz=100.0
    )
    assert found is not None
    assert found.clear


def test_a_rival_must_lie_in_the_range_for_half_of_the_run() -> None:
    assert rival_of({350.0: 8.0, 175.0: 7.0}, 350.0) is not None
    # Twice 350 lies beyond the search.
    assert rival_of({350.0: 8.0}, 350.0) is None
    speed = np.repeat([250.0, 350.0], [26, 24])
    scores = scores_at({250.0: 8.0, 350.0: 8.0, 500.0: 14.0})
    found = readings.strongest_rival(scores, CANDIDATES, speed, (2.0,))
    assert found is not None
    # What leaves the range says nothing.
    assert found.log_odds == pytest.approx(8.0 - 14.0 * 26 / 50, abs=1e-5)
    speed = np.repeat([250.0, 350.0], [24, 26])
    assert readings.strongest_rival(scores, CANDIDATES, speed, (2.0,)) is None


def test_slower_shafts_are_ruled_out_where_the_machine_is_known() -> None:
    for known, clear in ((False, True), (True, False)):
        found = rival_of({100.0: 8.0, 50.0: 3.5}, any_divisor=known)
        assert found is not None
        assert found.clear is clear
    found = rival_of({100.0: 8.0, 200.0: 3.5}, any_divisor=True)
    assert found is not None
    assert found.clear


def test_neighbours_within_two_candidates_are_the_same_speed() -> None:
    scores = np.zeros((7, 1), np.float32)
    scores[3] = 1.0
    assert readings._highest_within(scores, 2).ravel().tolist() == [0, 1, 1, 1, 1, 1, 0]
    assert readings._highest_within(scores, 0).ravel().tolist() == [0, 0, 0, 1, 0, 0, 0]
    assert scores.ravel().tolist() == [0, 0, 0, 1, 0, 0, 0]
    place = int(np.argmin(np.abs(CANDIDATES - 100.0)))
    for shift, near in ((-3, False), (-2, True), (2, True), (3, False)):
        scores = np.full((CANDIDATES.size, 10), -1.0, np.float32)
        scores[place + shift] = 5.0
        found = readings.support(scores, CANDIDATES, np.full(10, CANDIDATES[place]))
        assert found == (5.0 if near else -1.0)


def test_support_is_the_mean_over_what_runs() -> None:
    scores = scores_at({100.0: 4.0})
    speed = np.where(np.arange(50) < 25, 100.0, 150.0)
    assert readings.support(scores, CANDIDATES, speed) == pytest.approx(1.5)
    speed[25:] = 0.0
    assert readings.support(scores, CANDIDATES, speed) == pytest.approx(4.0)
    assert readings.support(scores, CANDIDATES, 0.0 * speed) == 0.0


@pytest.mark.parametrize(("running", "weighed"), [(200, 200), (499, 499), (500, 250), (1000, 250)])
def test_long_runs_are_thinned_out_evenly(running: int, weighed: int) -> None:
    speed = np.concatenate([np.zeros(7), np.full(running, 100.0)])
    steps = readings._weighed_steps(speed)
    assert steps.size == weighed
    assert steps[0] == 7
    assert np.unique(np.diff(steps)).tolist() == [running // weighed]


# --- runs that are read anew -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("other", "expected_hz", "share", "anew"),
    [
        (250.0, 300.0, 0.35, True),
        (250.0, 300.0, 0.25, False),  # three tenths of the evidence at least
        (95.0, 300.0, 0.9, False),  # not near the limit: 0.32 of it
        (110.0, 300.0, 0.9, True),  # 0.37
        (355.0, 300.0, 0.9, True),  # 1.18 of it
        (365.0, 300.0, 0.9, False),  # 1.22
        (62.0, 120.0, 0.9, False),  # 1.24 times as fast: too little
        (68.0, 120.0, 0.9, True),  # 1.36 times
    ],
)
def test_a_slow_run_takes_a_reading_near_the_limit(
    other: float, expected_hz: float, share: float, anew: bool
) -> None:
    speed = np.full(50, 50.0)
    scores = scores_at({50.0: 4.0, other: 4.0 * share}, quiet=-9.0)
    got = readings.likelier_reading(scores, CANDIDATES, speed, [other / 50.0], expected_hz)
    np.testing.assert_allclose(got, other if anew else 50.0)


def test_of_two_readings_the_one_nearer_to_the_limit_needs_less() -> None:
    # 150 is a log ratio of 0.69 from 300, two spreads: it loses a quarter of 4 four times over.
    speed = np.full(50, 50.0)
    ratios = [3.0, 6.0]
    for far, want in ((3.9, 300.0), (7.5, 150.0)):
        scores = scores_at({50.0: 4.0, 300.0: 3.0, 150.0: far}, quiet=-9.0)
        got = readings.likelier_reading(scores, CANDIDATES, speed, ratios, 300.0)
        np.testing.assert_allclose(got, want)


def test_what_would_leave_the_range_is_off() -> None:
    speed = np.concatenate([np.full(45, 50.0), np.full(5, 150.0)])
    scores = np.full((CANDIDATES.size, 50), -9.0, np.float32)
    for step, at in enumerate(speed):
        scores[np.argmin(np.abs(CANDIDATES - at)), step] = 4.0
        if 5.0 * at < 600.0:
            scores[np.argmin(np.abs(CANDIDATES - 5.0 * at)), step] = 3.9
    got = readings.likelier_reading(scores, CANDIDATES, speed, [5.0], 250.0)
    np.testing.assert_allclose(got, np.where(speed > 100.0, 0.0, 250.0))


@pytest.mark.parametrize(("slow", "doubted"), [(0.53, True), (0.57, False)])
def test_a_run_over_half_of_the_limit_is_believed(slow: float, doubted: bool) -> None:
    speed = np.full(50, 100.0)
    scores = scores_at({100.0: 4.0, 170.0: 4.0}, quiet=-9.0)
    got = readings.likelier_reading(scores, CANDIDATES, speed, [1.7], 100.0 / slow)
    np.testing.assert_allclose(got, 170.0 if doubted else 100.0)


@pytest.mark.parametrize(
    ("gap", "after_hz", "jumps"),
    [(4, 200.0, 1), (21, 200.0, 0), (4, 122.0, 0), (4, 126.0, 1), (4, 81.0, 0), (4, 79.0, 1)],
)
def test_a_jump_is_near_steep_and_great(gap: int, after_hz: float, jumps: int) -> None:
    # Steeper than 4 Hz a step, within 20 steps, and by a log ratio of 0.22 (a quarter) or more.
    speed = np.concatenate([np.full(40, 100.0), np.zeros(gap), np.full(30, after_hz)])
    found = readings.impossible_jumps(
        scores_at({100.0: 3.0, after_hz: 2.0}, speed.size), CANDIDATES, speed, 4.0, 20
    )
    assert len(found) == jumps
    for jump in found:
        # The shorter stretch is the one in doubt, and what would join it to the longer is asked.
        assert (jump.first, jump.last) == (40 + gap, speed.size)
        assert jump.ratio == pytest.approx(100.0 / after_hz)
        assert jump.own == pytest.approx(2.0)
        assert jump.joined == pytest.approx(3.0)
        assert jump.rival.log_odds == pytest.approx(-1.0)


def test_a_short_first_stretch_is_the_one_in_doubt_wherever_it_lies() -> None:
    speed = np.concatenate([np.zeros(60), np.full(30, 200.0), np.zeros(4), np.full(40, 100.0)])
    scores = scores_at({100.0: 3.0, 200.0: 2.0}, speed.size)
    (jump,) = readings.impossible_jumps(scores, CANDIDATES, speed, 4.0, 20)
    assert (jump.first, jump.last, jump.ratio) == (60, 90, 0.5)
    assert jump.joined == pytest.approx(3.0)


def test_a_gentle_change_over_a_gap_is_no_jump() -> None:
    speed = np.concatenate([np.full(40, 100.0), np.zeros(9), np.full(30, 135.0)])
    scores = scores_at({100.0: 3.0, 135.0: 2.0}, speed.size)
    # Ten steps apart: 35 Hz are 3.5 Hz a step.
    assert readings.impossible_jumps(scores, CANDIDATES, speed, 3.6, 20) == []
    assert len(readings.impossible_jumps(scores, CANDIDATES, speed, 3.4, 20)) == 1


# --- the broadband level -----------------------------------------------------------------------


def heard_at(level_db: np.ndarray) -> list:
    return voices({}, level_db, 0.0)


def test_loudness_is_over_the_quietest_twentieth() -> None:
    level = np.concatenate([np.full(15, -3.0), np.full(85, 5.0), np.full(100, 12.0)])
    found = level_reader.loudness_db(heard_at(level), 200)
    np.testing.assert_allclose(found, level + 3.0, atol=1e-4)
    # A single quiet step is not the quietest part.
    level = np.concatenate([np.full(1, -30.0), np.full(99, 5.0), np.full(100, 12.0)])
    found = level_reader.loudness_db(heard_at(level), 200)
    np.testing.assert_allclose(found[1:], level[1:] - 5.0, atol=1e-4)
    assert level_reader.loudness_db(heard_at(level), 150).size == 150


def test_loudness_is_that_of_the_widest_level_in_decibel() -> None:
    whitened = heard_at(np.zeros(40))
    whitened[0].floor[:] = 7.0
    whitened[-1].floor[:, 20:, 0::2] = 100.0  # half of the bins by 20 dB: 10 dB on average
    half = np.mean(np.arange(whitened[-1].floor.shape[2]) % 2 == 0)
    found = level_reader.loudness_db(whitened, 40)
    np.testing.assert_allclose(found, np.repeat([0.0, 20.0 * half], 20), atol=1e-4)


def test_votes_of_the_level_rise_from_six_to_twelve_decibels() -> None:
    level = np.repeat([0.0, 5.0, 6.0, 9.0, 12.0, 40.0], 10)
    votes = level_reader.loudness_votes(heard_at(level), 60)
    np.testing.assert_allclose(votes, np.repeat([0.0, 0.0, 0.0, 0.5, 1.0, 1.0], 10), atol=1e-5)
    assert votes.dtype == np.float32


def test_the_expected_top_is_a_lognormal_prior_where_it_is_loudest() -> None:
    # One spread (a log ratio of 0.35) costs half over 1.5 looks; no distance costs more than 4.
    level = np.repeat([0.0, 24.0, 19.5, 18.0, 12.0], [10, 10, 10, 10, 10])
    candidates = 300.0 * np.exp(0.35 * np.array([-9.0, -2.0, -1.0, 0.0, 1.0, 9.0]))
    prior = level_reader.expectation(heard_at(level), candidates, 300.0)
    cost = np.array([4.0, 4 / 3, 1 / 3, 0.0, 1 / 3, 4.0])
    # Within 3 dB of the loudest it counts whole, from 6 dB on not at all.
    share = np.repeat([0.0, 1.0, 0.5, 0.0, 0.0], 10)
    np.testing.assert_allclose(prior, -np.outer(cost, share), atol=1e-4)
    assert prior.dtype == np.float32


@pytest.mark.parametrize(("loudest_db", "share"), [(12.0, 1.0), (6.0, 0.5), (30.0, 1.0)])
def test_a_car_hardly_heard_has_no_expected_top(loudest_db: float, share: float) -> None:
    level = np.repeat([0.0, loudest_db], 30)
    prior = level_reader.expectation(heard_at(level), np.array([300.0 * np.exp(-0.35)]), 300.0)
    np.testing.assert_allclose(prior[0, 30:], -share / 3, atol=1e-4)


# --- phases ------------------------------------------------------------------------------------


def names_of(speed: np.ndarray, step_s: float = STEP_S) -> list[str]:
    return [name for name, _, _ in split_phases(speed, step_s)]


@pytest.mark.parametrize(
    ("rate", "name"),
    [(0.12, "run_up"), (0.08, "hold"), (0.0, "hold"), (-0.08, "hold"), (-0.12, "coast_down")],
)
def test_a_ramp_changes_by_a_tenth_a_second(rate: float, name: str) -> None:
    speed = 200.0 * np.exp(rate * np.arange(100) * STEP_S)
    assert names_of(speed) == [name]


@pytest.mark.parametrize(("rate", "name"), [(0.07, "run_up"), (0.03, "hold")])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_ramp_is_over_where_it_changes_by_a_twentieth(rate: float, name: str, sign: int) -> None:
    first = 100.0 * np.exp(sign * 0.3 * np.arange(100) * STEP_S)
    second = first[-1] * np.exp(sign * rate * np.arange(1, 101) * STEP_S)
    ramp = "run_up" if sign > 0 else "coast_down"
    want = [ramp] if name == "run_up" else [ramp, "hold"]
    assert names_of(np.concatenate([first, second])) == want


@pytest.mark.parametrize(("slope_hz_s", "name"), [(1.8, "hold"), (3.0, "run_up")])
def test_below_a_quarter_of_the_top_changes_count_as_there(slope_hz_s: float, name: str) -> None:
    # By hand: a quarter of 100 is 25, a tenth of that 2.5 Hz a second.
    slow = 10.0 + slope_hz_s * np.arange(60) * STEP_S
    speed = np.concatenate([slow, np.zeros(30), np.full(100, 100.0)])
    assert names_of(speed) == [name, "idle", "hold"]


def test_phases_begin_and_end_where_the_slope_does() -> None:
    speed = np.concatenate(
        [np.linspace(100.0, 200.0, 51)[:-1], np.full(60, 200.0), np.linspace(200.0, 100.0, 51)[1:]]
    )
    found = split_phases(speed, STEP_S)
    assert [name for name, _, _ in found] == ["run_up", "hold", "coast_down"]
    # A slope over a quarter second blurs an edge by half of that: six steps.
    assert abs(found[0][2] - 50) <= 6
    assert abs(found[1][2] - 110) <= 6
    assert found[0][2] - 50 == 110 - found[1][2]  # alike forwards and backwards


@pytest.mark.parametrize("size", [1, 2])
def test_a_stretch_of_two_frames_is_a_hold(size: int) -> None:
    speed = np.concatenate([np.zeros(5), np.linspace(100.0, 200.0, size), np.zeros(5)])
    assert split_phases(speed, STEP_S) == [
        ("idle", 0, 5),
        ("hold", 5, 5 + size),
        ("idle", 5 + size, 10 + size),
    ]


@pytest.mark.parametrize("size", [3, 4, 5, 9])
def test_short_stretches_have_a_slope_of_their_own(size: int) -> None:
    up = np.linspace(100.0, 150.0, size)
    assert names_of(up) == ["run_up"]
    assert names_of(up[::-1]) == ["coast_down"]


# --- the track itself --------------------------------------------------------------------------


def test_inertia_counts_per_step() -> None:
    assert tracking._inertia(0.02, False) == (pytest.approx(20.0), 25)
    assert tracking._inertia(0.02, True) == (pytest.approx(40.0), 25)
    assert tracking._inertia(0.5, False)[1] == 2


@pytest.mark.parametrize(
    ("frequency_hz", "hum"),
    [
        (50.0, True),
        (60.0, True),
        (50.08, True),
        (50.12, False),
        (59.89, True),
        (59.85, False),
        (55.0, False),
        (75.0, False),
        (25.0, False),
        (20.0, False),
        (1800.0, True),
        (1950.0, True),
        (2000.0, True),
        (2050.0, False),
    ],
)
def test_hum_lies_at_multiples_of_the_mains(frequency_hz: float, hum: bool) -> None:
    assert tracking._at_mains(frequency_hz) is hum


def steady_found(speed: np.ndarray, certainty: float) -> tracking._Found:
    zeros = np.zeros(speed.size)
    sure = np.where(speed > 0.0, certainty, 0.1)
    return tracking._Found(speed, zeros, zeros, sure, np.zeros((2, speed.size), np.float32), None)


@pytest.mark.parametrize(
    ("speed_hz", "spread", "certainty", "shaft"),
    [
        (37.0, 0.0, 0.9, True),
        (37.0, 0.0, 0.61, True),
        (37.0, 0.0, 0.59, False),  # not sure of itself
        (50.0, 0.0, 0.9, False),  # all that is heard lies at 50 Hz
        (60.0, 0.0, 0.9, False),
        (37.0, 0.009, 0.9, True),
        (37.0, 0.011, 0.9, False),  # not steady
    ],
)
def test_a_steady_shaft_is_sure_steady_and_not_hum(
    speed_hz: float, spread: float, certainty: float, shaft: bool
) -> None:
    lines = [Line(1.0), Line(26.0)]
    speed = np.concatenate([np.zeros(60), np.full(40, speed_hz)])
    whitened = voices({1.0: speed, 26.0: speed}, np.zeros(100), 2.0)
    for item in whitened:
        item.votes[:, :60] = item.votes[:, 60:61]
    fitted = speed.copy()
    fitted[60:74] *= 1.0 + spread  # 14 of 40, more than a tenth
    assert (
        tracking._is_steady_shaft(steady_found(speed, certainty), fitted, whitened, lines) is shaft
    )
    # A few frames astray do not matter.
    astray = speed.copy()
    astray[70:73] *= 1.5
    if shaft:
        assert tracking._is_steady_shaft(steady_found(speed, certainty), astray, whitened, lines)
    nothing = np.zeros(100)
    assert not tracking._is_steady_shaft(steady_found(speed, certainty), nothing, whitened, lines)


def test_certainty_is_the_posterior_of_the_state_reported() -> None:
    cells = path_search.Cells(np.arange(3), np.array([100.0, 200.0, 300.0]))
    posterior = np.array([[0.1, 0.6, 0.2, 0.1]] * 5)
    path = path_search.Path(np.array([1, 1, -1, -1, 1]), posterior)
    raw = np.array([200.0, 200.0, 0.0, 0.0, 200.0])
    coarse = np.array([200.0, 100.0, 200.0, 0.0, 0.0])
    reach = np.full(5, 20.0)
    got = tracking._certainty(path, cells, raw, coarse, reach)
    # As found; read anew (half of what was heard there); bridged (half of not being off); off;
    # heard but taken out.
    np.testing.assert_allclose(got, [0.6, 0.3, 0.45, 0.1, 0.1])
    # A tenth (log ratio) beside what was heard is still the same; within the reach counts alone.
    coarse = np.array([218.0, 224.0, 200.0, 0.0, 0.0])
    got = tracking._certainty(path, cells, raw, coarse, reach)
    np.testing.assert_allclose(got[:2], [0.6, 0.3])
    wide = tracking._certainty(path, cells, raw, np.full(5, 200.0), np.full(5, 101.0))
    np.testing.assert_allclose(wide[[0, 1, 4]], 0.9)


@pytest.mark.parametrize(
    ("gap", "after_hz", "bridged"),
    [
        (12, 200.0, True),  # 0.24 s
        (13, 200.0, False),  # 0.26 s
        (12, 275.0, True),  # 75 Hz in 13 steps: 288 Hz a second
        (12, 280.0, False),  # 308
        (5, 310.0, True),  # a blink of 0.1 s: up to 1 000 Hz a second
        (5, 325.0, False),
        (6, 250.0, False),  # no blink, and 357 Hz a second
        (6, 240.0, True),
    ],
)
def test_gaps_that_inertia_explains_are_bridged(gap: int, after_hz: float, bridged: bool) -> None:
    speed = np.concatenate([np.full(40, 200.0), np.zeros(gap), np.full(40, after_hz)])
    out = tracking.tidied(speed, STEP_S)
    inside = out[40 : 40 + gap]
    if bridged:
        want = 200.0 + (after_hz - 200.0) * np.arange(1, gap + 1) / (gap + 1)
        np.testing.assert_allclose(inside, want)
    else:
        assert not inside.any()
    np.testing.assert_array_equal(
        np.delete(out, np.arange(40, 40 + gap)), np.delete(speed, np.arange(40, 40 + gap))
    )


def test_a_bridge_begins_and_ends_at_what_is_beside_it() -> None:
    speed = np.concatenate(
        [np.linspace(100.0, 178.0, 40), np.zeros(3), np.linspace(186.0, 264, 40)]
    )
    out = tracking.tidied(speed, STEP_S)
    np.testing.assert_allclose(out[40:43], [180.0, 182.0, 184.0])


def test_the_ends_of_a_take_are_not_bridged() -> None:
    speed = np.concatenate([np.zeros(5), np.full(40, 200.0), np.zeros(5)])
    np.testing.assert_array_equal(tracking.tidied(speed, STEP_S), speed)


@pytest.mark.parametrize(("steps", "kept"), [(12, False), (13, True)])
def test_a_run_lasts_a_quarter_of_a_second(steps: int, kept: bool) -> None:
    speed = np.concatenate([np.zeros(50), np.linspace(50.0, 200.0, steps), np.zeros(50)])
    assert tracking.tidied(speed, STEP_S).any() == kept


def test_in_a_very_short_take_two_fifths_of_it_are_a_run() -> None:
    # 20 steps of 0.02 s: two fifths are 0.16 s.
    for steps, kept in ((7, False), (9, True)):
        speed = np.concatenate([np.zeros(5), np.full(steps, 200.0), np.zeros(15 - steps)])
        assert tracking.tidied(speed, STEP_S).any() == kept


@pytest.mark.parametrize(
    ("length", "gap", "low", "kept"),
    [
        (40, 60, 1.0, False),
        (40, 49, 1.0, True),  # 0.98 s to the run
        (40, 51, 1.0, False),
        (49, 60, 1.0, False),
        (50, 60, 1.0, True),  # a second long
        (40, 60, 0.51, False),  # flat: its ends are over half of its top
        (40, 60, 0.49, True),
    ],
)
def test_blips_are_short_flat_and_far(length: int, gap: int, low: float, kept: bool) -> None:
    blip = np.concatenate([np.full(length - 1, 100.0), [100.0 * low]])
    run = np.linspace(100.0, 200.0, 100)
    speed = np.concatenate([np.zeros(10), blip, np.zeros(gap), run, np.zeros(10)])
    for way in (speed, speed[::-1]):
        out = tracking.without_blips(way, STEP_S)
        assert out.sum() == pytest.approx(run.sum() + (blip.sum() if kept else 0.0))


# --- posterior within a range ------------------------------------------------------------------


def test_what_lies_between_two_speeds_includes_both() -> None:
    cells = path_search.Cells(np.arange(3), np.array([100.0, 200.0, 300.0]))
    posterior = np.array([[0.1, 0.2, 0.3, 0.4]] * 4)
    path = path_search.Path(np.array([0, 0, 0, -1]), posterior)
    low = np.array([100.0, 100.1, 150.0, 100.0])
    high = np.array([200.0, 300.0, 160.0, 300.0])
    np.testing.assert_allclose(path.within(cells, low, high), [0.3, 0.5, 0.0, 0.4])
    # An empty range holds nothing.
    assert path.within(cells, high, low)[1] == 0.0


# --- pieces that are too short -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("lengths", "codes", "want"),
    [
        ((6, 2, 9), (1, 2, 3), "111111" + "33" + "333333333"),  # to the longer neighbour
        ((9, 2, 6), (1, 2, 3), "111111111" + "11" + "333333"),
        ((6, 2, 6), (1, 2, 3), "111111" + "11" + "333333"),  # to the earlier of two alike
        ((2, 6), (1, 2), "22" + "222222"),
        ((6, 2), (1, 2), "111111" + "11"),
        ((3, 6), (1, 2), "111" + "222222"),
        ((2, 1, 6), (1, 2, 3), "333333333"),
        ((2,), (1,), "11"),
        ((2, 2), (1, 2), "2222"),
    ],
)
def test_pieces_under_the_shortest_go_to_a_neighbour(
    lengths: tuple[int, ...], codes: tuple[int, ...], want: str
) -> None:
    code = np.repeat(codes, lengths)
    _drop_short(code, np.ones(code.size, bool), 3)
    assert "".join(map(str, code)) == want


def test_pieces_do_not_cross_a_stop() -> None:
    code = np.array([1] * 5 + [0] * 2 + [2] * 2 + [0] * 2 + [3] * 5)
    before = code.copy()
    _drop_short(code, code > 0, 3)
    assert np.array_equal(code, before)
