"""The tracker from samples to speed, and its fit of given stretches, on signals of known speed."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.dsp import tracking
from vibecheck.dsp import tracking_coast as coasting
from vibecheck.dsp import tracking_whiten as whitening
from vibecheck.dsp.tracking_evidence import Line
from vibecheck.dsp.tracking_front import Front, short_time_levels

RATE = 8_000.0
LINES = (Line(1.0, 0.8), Line(2.0, 0.6), Line(13.0))


def heard(
    speed: np.ndarray,
    orders: tuple[float, ...] = (1.0, 2.0, 13.0),
    size: float = 0.3,
    seed: int = 1,
) -> np.ndarray:
    """White noise of unit power, and cosines of some orders where the shaft turns."""
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))]) / RATE
    x = np.random.default_rng(seed).standard_normal(speed.size)
    for order in orders:
        on = (speed > 0.0) & (order * speed < 0.5 * RATE)
        x += size * on * np.cos(2 * np.pi * order * turns + order)
    return x[np.newaxis]


def at_samples(*points: tuple[float, float]) -> np.ndarray:
    """Speed per sample, straight between ``(time, speed)``; two points of one time are a jump."""
    time = np.arange(round(points[-1][0] * RATE)) / RATE
    return np.interp(time, [p[0] for p in points], [p[1] for p in points])


SPIN = ((0.0, 0.0), (0.6, 0.0), (0.601, 30.0), (2.4, 220.0), (3.4, 220.0), (3.401, 0.0), (4.0, 0.0))


def track_spin_up(blind: bool = False) -> tracking.Tracked:
    return tracking.track(heard(at_samples(*SPIN)), RATE, LINES, 20.0, 400.0, blind=blind)


@pytest.fixture(scope="module")
def known() -> tracking.Tracked:
    return track_spin_up()


@pytest.fixture(scope="module")
def guess() -> tracking.Tracked:
    return track_spin_up(blind=True)


@pytest.mark.parametrize("name", ["known", "guess"])
def test_a_spin_up_is_tracked_frame_by_frame(name: str, request: pytest.FixtureRequest) -> None:
    found: tracking.Tracked = request.getfixturevalue(name)
    n = found.time_s.size
    for field in (found.speed_hz, found.sd_hz, found.confidence, found.span):
        assert field.shape == (n,)
    np.testing.assert_allclose(np.diff(found.time_s), found.hop_s)
    assert found.steps_per_s == pytest.approx(0.5 / found.hop_s)
    truth = np.interp(found.time_s, [p[0] for p in SPIN], [p[1] for p in SPIN])
    inner = (found.time_s > 0.75) & (found.time_s < 3.3)
    error = np.abs(found.speed_hz[inner] / truth[inner] - 1.0)
    assert np.quantile(error, 0.9) < 0.003
    assert not found.speed_hz[found.time_s < 0.5].any()
    assert not found.speed_hz[found.time_s > 3.55].any()
    running = found.speed_hz > 0.0
    assert np.all(found.sd_hz[running] > 0.0)
    assert not found.sd_hz[~running].any()
    assert np.all(found.span[running] >= 1)
    assert not found.span[~running].any()
    assert np.all((found.confidence >= 0.0) & (found.confidence <= 1.0))
    assert np.median(found.confidence[~running]) > 0.95
    # The spread is that of the errors, within the scatter of one take.
    score = (found.speed_hz - truth)[inner] / found.sd_hz[inner]
    assert 0.4 < np.sqrt(np.mean(score**2)) < 2.0


def test_trust_is_halved_by_a_rival_as_its_odds_say(
    known: tracking.Tracked, guess: tracking.Tracked
) -> None:
    inner = (known.time_s > 0.8) & (known.time_s < 3.3)
    # Odds of exp(log_odds) for the reading (closed form) where the rival is ruled out, of e at
    # most where it is not: blades or poles can always hide a slower shaft.
    assert known.rival is not None
    assert known.rival.clear
    want = 1.0 / (1.0 + np.exp(-known.rival.log_odds))
    assert np.median(known.confidence[inner]) == pytest.approx(want, abs=0.02)
    assert guess.rival is not None
    assert guess.rival.ratio < 1.0
    assert guess.rival.log_odds > 1.0
    assert not guess.rival.clear
    want = 1.0 / (1.0 + np.exp(-1.0))
    assert np.median(guess.confidence[inner]) == pytest.approx(want, abs=0.005)
    # Where lines are clear there is none.
    loud = tracking.track(heard(at_samples(*SPIN), size=1.0), RATE, LINES, 20.0, 400.0)
    assert loud.rival is None
    assert np.median(loud.confidence[inner]) > 0.99


def test_orders_that_are_not_heard_cost_trust() -> None:
    # One line of eleven: half of their say is 5.5 per step, more than one line gives.
    speed = at_samples(*SPIN)
    x = heard(speed, (13.0,), 1.5)
    alone = tracking.track(x, RATE, [Line(13.0)], 20.0, 400.0)
    inner = (alone.time_s > 0.9) & (alone.time_s < 3.2)
    truth = np.interp(alone.time_s, [p[0] for p in SPIN], [p[1] for p in SPIN])
    assert np.median(np.abs(alone.speed_hz[inner] / truth[inner] - 1.0)) < 0.003
    silent = [Line(13.0 + 0.37 * k, 1.0, -0.99) for k in range(1, 11)]
    many = tracking.track(x, RATE, [Line(13.0), *silent], 20.0, 400.0)
    on = many.speed_hz > 0.0
    assert on[inner].mean() > 0.8
    assert many.confidence[on].max() < 0.5
    assert np.median(alone.confidence[inner]) > 0.95


def test_two_readings_alike_halve_the_trust() -> None:
    # A single order is known, and two lines an octave apart are heard.
    points = ((0.0, 0.0), (0.5, 0.0), (0.501, 60.0), (3.0, 160.0), (3.001, 0.0), (3.5, 0.0))
    x = heard(at_samples(*points), (1.0, 2.0), 0.4)
    found = tracking.track(x, RATE, [Line(1.0)], 20.0, 500.0)
    assert found.rival is not None
    assert not found.rival.clear
    assert abs(np.log(found.rival.ratio)) == pytest.approx(np.log(2.0), abs=0.02)
    on = (found.time_s > 0.7) & (found.time_s < 2.9)
    assert np.median(found.confidence[on]) < 0.8
    # The bench limit decides between them.
    for expected, want in ((160.0, 1.0), (320.0, 2.0)):
        told = tracking.track(x, RATE, [Line(1.0)], 20.0, 500.0, expected_top_hz=expected)
        truth = np.interp(told.time_s, [p[0] for p in points], [p[1] for p in points])
        assert np.median(told.speed_hz[on] / truth[on]) == pytest.approx(want, rel=0.01)


@pytest.mark.parametrize(("speed_hz", "found"), [(37.0, True), (50.0, False), (60.0, False)])
def test_a_shaft_at_constant_speed_is_told_from_hum(speed_hz: float, found: bool) -> None:
    x = heard(np.full(round(4.0 * RATE), speed_hz), (1.0, 2.0), 1.0)
    got = tracking.track(x, RATE, [Line(1.0), Line(2.0)], 20.0, 400.0)
    assert (got.speed_hz > 0.0).mean() == pytest.approx(1.0 if found else 0.0, abs=0.05)
    if found:
        on = got.speed_hz > 0.0
        np.testing.assert_allclose(got.speed_hz[on], speed_hz, rtol=0.004)


def test_a_moving_shaft_is_found_beside_a_line_that_stands() -> None:
    speed = at_samples(*SPIN)
    t = np.arange(speed.size) / RATE
    x = heard(speed, size=0.8) + 2.0 * np.cos(2 * np.pi * 90.0 * t)
    found = tracking.track(x, RATE, LINES, 20.0, 400.0)
    truth = np.interp(found.time_s, [p[0] for p in SPIN], [p[1] for p in SPIN])
    inner = (found.time_s > 0.8) & (found.time_s < 3.3)
    assert np.mean(np.abs(found.speed_hz[inner] / truth[inner] - 1.0) < 0.01) > 0.9
    assert not found.speed_hz[found.time_s < 0.45].any()


def test_silence_and_noise_hold_no_shaft() -> None:
    for x in (np.zeros((1, 16_000)), heard(np.zeros(24_000))):
        found = tracking.track(x, RATE, LINES, 20.0, 400.0)
        assert not found.speed_hz.any()
        assert found.rival is None
        assert np.all(found.confidence > 0.9)


def test_gain_and_sign_and_channels_do_not_matter(known: tracking.Tracked) -> None:
    x = heard(at_samples(*SPIN))
    one = known
    for other in (-300.0 * x, np.concatenate([x, x, np.zeros_like(x)])):
        found = tracking.track(other, RATE, LINES, 20.0, 400.0)
        on = (one.speed_hz > 0.0) & (found.speed_hz > 0.0)
        assert np.mean(on == (one.speed_hz > 0.0)) > 0.99
        np.testing.assert_allclose(found.speed_hz[on], one.speed_hz[on], rtol=1e-3)
        np.testing.assert_allclose(found.sd_hz[on], one.sd_hz[on], rtol=0.05)


def test_two_channels_know_more_than_one() -> None:
    speed = at_samples((0.0, 60.0), (2.0, 200.0))
    one, two = heard(speed, seed=1), heard(speed, seed=2)
    alone = tracking.track(one, RATE, LINES, 20.0, 400.0)
    both = tracking.track(np.concatenate([one, two]), RATE, LINES, 20.0, 400.0)
    inner = (alone.time_s > 0.3) & (alone.time_s < 1.7)
    ratio = np.median(both.sd_hz[inner] / alone.sd_hz[inner])
    assert ratio == pytest.approx(np.sqrt(0.5), abs=0.12)


# --- the fit of what was found -----------------------------------------------------------------


Heard = tuple[Front, list[whitening.Whitened]]


@pytest.fixture(scope="module")
def steady_front() -> Heard:
    x = heard(np.full(round(2.0 * RATE), 70.0), (1.0, 13.0), 3.0)
    front = short_time_levels(x.astype(np.float32), RATE)
    return front, [whitening.whiten(level) for level in front.levels]


def found_at(
    coarse: np.ndarray, width_hz: float, reach_hz: float = 1.0, coast: coasting.Coast | None = None
) -> tracking._Found:
    n = coarse.size
    return tracking._Found(
        coarse,
        np.full(n, reach_hz),
        np.full(n, width_hz),
        np.ones(n),
        np.zeros((2, n), np.float32),
        coast,
    )


def test_a_stretch_is_placed_and_fitted(steady_front: Heard) -> None:
    front, whitened = steady_front
    n_steps = whitened[0].power.shape[0]
    coarse = np.full(n_steps, 70.4)
    speed, sd, span = tracking._fitted(whitened, front, LINES, found_at(coarse, 2.0))
    assert speed.shape == sd.shape == span.shape == front.time_s.shape
    inner = slice(20, -20)
    np.testing.assert_allclose(speed[inner], 70.0, atol=0.02)
    assert np.all(sd[inner] < 0.02)
    assert np.all(span[inner] == 17)


def test_frames_are_twice_the_steps(steady_front: Heard) -> None:
    front, whitened = steady_front
    n_steps = whitened[0].power.shape[0]
    coarse = np.zeros(n_steps)
    coarse[20:40] = 70.3
    speed, sd, span = tracking._fitted(whitened, front, LINES, found_at(coarse, 2.0))
    on = np.flatnonzero(speed)
    assert (on[0], on[-1], on.size) == (40, 79, 40)
    for field in (sd, span):
        assert np.array_equal(np.flatnonzero(field), on)
    # A stretch that ends with the take takes in the odd frame.
    coarse = np.zeros(n_steps)
    coarse[n_steps - 20 :] = 70.3
    speed, _, _ = tracking._fitted(whitened, front, LINES, found_at(coarse, 2.0))
    assert np.flatnonzero(speed).tolist() == list(range(2 * (n_steps - 20), front.time_s.size))


@pytest.mark.parametrize(("steps", "fitted"), [(3, False), (4, True)])
def test_short_stretches_keep_what_the_peaks_say(
    steps: int, fitted: bool, steady_front: Heard
) -> None:
    # Seven frames at least; else a quarter of the finest line's width is the spread.
    front, whitened = steady_front
    coarse = np.zeros(whitened[0].power.shape[0])
    coarse[30 : 30 + steps] = 70.3
    speed, sd, span = tracking._fitted(whitened, front, LINES, found_at(coarse, 2.0))
    part = slice(60, 60 + 2 * steps)
    np.testing.assert_allclose(speed[part], 70.0, atol=0.1)
    if fitted:
        assert np.all(sd[part] < 0.45)
        assert np.all(span[part] == 5)
    else:
        np.testing.assert_allclose(sd[part], 0.5)
        assert np.all(span[part] == 1)


def test_where_the_long_window_hangs_over_the_end_the_spread_is_threefold(
    steady_front: Heard,
) -> None:
    front, whitened = steady_front
    outside = ~front.levels[0].inside
    assert outside[:6].all()
    assert not outside[20]
    coarse = np.zeros(whitened[0].power.shape[0])
    coarse[0:3] = 70.0
    _, sd, _ = tracking._fitted(whitened, front, LINES, found_at(coarse, 2.0))
    np.testing.assert_allclose(sd[:6], 1.5)


def test_widths_between_steps_are_straight(steady_front: Heard) -> None:
    # Steps lie between their two frames: 2, 3, 4 at frames 60.5, 62.5, 64.5 (by hand).
    front, whitened = steady_front
    coarse = np.zeros(whitened[0].power.shape[0])
    coarse[30:33] = 70.0
    found = found_at(coarse, 2.0)
    found.width_hz[30:33] = [2.0, 3.0, 4.0]
    _, sd, _ = tracking._fitted(whitened, front, LINES, found)
    np.testing.assert_allclose(sd[60:66], 0.25 * np.array([2.0, 2.25, 2.75, 3.25, 3.75, 4.0]))


def test_a_coast_down_is_fitted_with_its_own_lines(steady_front: Heard) -> None:
    # From step 40 on the lines known are silent: the order 7 alone is heard, and learnt.
    n = round(2.0 * RATE)
    speed = np.full(n, 70.0)
    first = heard(speed, (1.0, 13.0), 3.0)[0]
    second = heard(speed, (7.0,), 3.0)[0]
    front0, _ = steady_front
    knee_s = front0.time_s[80] - 0.5 * front0.hop_s
    x = np.where(np.arange(n) / RATE < knee_s, first, second)[np.newaxis]
    front = short_time_levels(x.astype(np.float32), RATE)
    whitened = [whitening.whiten(level) for level in front.levels]
    n_steps = whitened[0].power.shape[0]
    coarse = np.full(n_steps, 70.3)
    last = n_steps - 4
    coast = coasting.Coast(40, last, coarse[40:last], np.ones(last - 40), (Line(7.0),), coarse[40:])
    speed_hz, sd, _ = tracking._fitted(whitened, front, LINES, found_at(coarse, 2.0, 1.0, coast))
    np.testing.assert_allclose(speed_hz[20:70], 70.0, atol=0.02)
    inner = slice(100, 2 * last - 20)
    np.testing.assert_allclose(speed_hz[inner], 70.0, atol=0.03)
    assert np.all(sd[inner] < 0.05)
    # Without the lines of the coast-down nothing is known there but the prior.
    _, alone, _ = tracking._fitted(whitened, front, LINES, found_at(coarse, 2.0))
    assert np.median(alone[inner]) > 3.0 * np.median(sd[inner])


def test_a_jump_that_no_shaft_makes_costs_trust() -> None:
    # From 100 to 250 turns a second at once: the shorter stretch is trusted half, both by the odds
    # of e of a rival that cannot be ruled out.
    speed = at_samples((0.0, 60.0), (2.0, 100.0), (2.0001, 250.0), (3.4, 320.0))
    found = tracking.track(heard(speed, size=1.0), RATE, LINES, 20.0, 400.0)
    first = (found.time_s > 0.3) & (found.time_s < 1.8)
    second = (found.time_s > 2.3) & (found.time_s < 3.2)
    truth = np.interp(found.time_s * RATE, np.arange(speed.size), speed)
    both = first | second
    assert np.mean(np.abs(found.speed_hz[both] / truth[both] - 1.0) < 0.01) > 0.97
    assert found.rival is not None
    assert not found.rival.clear
    assert found.rival.ratio == pytest.approx(0.4, rel=0.05)
    odds = 1.0 / (1.0 + np.exp(-1.0))
    assert np.median(found.confidence[first]) == pytest.approx(odds, abs=0.01)
    assert np.median(found.confidence[second]) == pytest.approx(0.5 * odds, abs=0.01)


def test_a_short_stretch_beyond_a_jump_does_not_doubt_the_whole() -> None:
    speed = at_samples((0.0, 60.0), (3.0, 120.0), (3.0001, 280.0), (3.6, 300.0))
    found = tracking.track(heard(speed, size=1.0), RATE, LINES, 20.0, 400.0)
    first = (found.time_s > 0.3) & (found.time_s < 2.8)
    second = (found.time_s > 3.2) & (found.time_s < 3.4)
    assert np.median(found.confidence[first]) > 0.95
    assert np.median(found.confidence[second]) == pytest.approx(0.5, abs=0.02)


def test_a_wheel_that_passes_for_the_motor_is_read_by_the_limit() -> None:
    # A fifth of the motor's speed is heard alone.
    motor = at_samples((0.0, 100.0), (3.0, 300.0))
    x = heard(motor, (0.2,), 2.0)
    lines = [Line(1.0, 1.0, -0.9), Line(0.2, 0.9, -0.9)]
    asked = {"low_hz": 15.0, "high_hz": 600.0}
    plain = tracking.track(x, RATE, lines, **asked)
    inner = (plain.time_s > 0.5) & (plain.time_s < 2.7)
    truth = 100.0 + 200.0 * plain.time_s / 3.0
    assert np.median(plain.speed_hz[inner] / truth[inner]) == pytest.approx(0.2, rel=0.01)
    told = tracking.track(x, RATE, lines, **asked, expected_top_hz=300.0)
    assert np.median(told.speed_hz[inner] / truth[inner]) == pytest.approx(1.0, rel=0.01)
    # What was read anew is trusted half at most.
    assert np.median(told.confidence[inner]) <= 0.51


def test_a_coast_down_has_the_certainty_of_its_search() -> None:
    # Unloaded, the lines are faint: the curve of inertia is followed where single steps are not.
    t = np.arange(round(5.0 * RATE)) / RATE
    down = 220.0 * np.exp(-0.9 * (t - 3.0))
    speed = np.select(
        [t < 0.5, t < 2.0, t < 3.0], [0 * t, 40 + 120 * (t - 0.5), 0 * t + 220.0], down
    )
    noise = np.random.default_rng(5).standard_normal(t.size) * np.maximum(speed / 220.0, 0.02)
    x = (heard(speed, size=0.4) - heard(speed, (), seed=1)) + noise[np.newaxis]
    found = tracking.track(x, RATE, LINES, 20.0, 400.0)
    truth = np.interp(found.time_s * RATE, np.arange(speed.size), speed)
    after = (found.time_s > 3.1) & (truth > 60.0)
    assert np.mean(np.abs(found.speed_hz[after] / truth[after] - 1.0) < 0.01) > 0.95
    assert np.median(found.confidence[after]) > 0.95
