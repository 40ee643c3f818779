"""The steps of the coast-down search, each on votes, levels and speeds made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tracking_voices import voices

from vibecheck.dsp import tracking_coast as coasting
from vibecheck.dsp.tracking_evidence import Line
from vibecheck.dsp.tracking_path import candidate_grid
from vibecheck.dsp.tracking_whiten import Whitened

STEP_S = 0.02
HELD_HZ = 300.0


# --- the hold that comes before ----------------------------------------------------------------


def ramp_hold_fall(hold: int = 50, fall: int = 40) -> np.ndarray:
    """Off for 20 steps, up in 30, hold at 300, down in a straight line, off for 20 steps."""
    return np.concatenate(
        [
            np.zeros(20),
            np.linspace(60.0, 270.0, 30),
            np.full(hold, HELD_HZ),
            np.linspace(285.0, 40.0, fall),
            np.zeros(20),
        ]
    )


def loud(speed_hz: np.ndarray, contrast_db: float = 20.0) -> np.ndarray:
    return np.where(speed_hz > 0.0, contrast_db, 0.0)


def test_the_anchor_is_the_last_step_of_the_last_hold() -> None:
    speed = ramp_hold_fall()
    assert coasting._anchor(speed, loud(speed), STEP_S) == (99, HELD_HZ)
    twice = np.concatenate([speed, speed])
    assert coasting._anchor(twice, loud(twice), STEP_S) == (speed.size + 99, HELD_HZ)
    assert coasting._anchor(0.0 * speed, loud(speed), STEP_S) is None
    # A running shaft that never stands still holds nothing.
    fast = np.linspace(60.0, 300.0, 40)
    assert coasting._anchor(fast, loud(fast), STEP_S) is None


@pytest.mark.parametrize(("length", "held"), [(14, False), (15, True)])
def test_a_hold_lasts_three_tenths_of_a_second(length: int, held: bool) -> None:
    speed = np.concatenate([np.zeros(40), np.full(length, HELD_HZ), np.zeros(40)])
    assert (coasting._anchor(speed, loud(speed), STEP_S) is not None) is held


@pytest.mark.parametrize(("length", "held"), [(2, False), (3, True)])
def test_a_hold_has_at_least_three_steps(length: int, held: bool) -> None:
    # Steps of 0.2 s: three tenths of a second would be one or two of them.
    speed = np.concatenate([np.zeros(4), np.full(length, HELD_HZ), np.zeros(4)])
    assert (coasting._anchor(speed, loud(speed), 0.2) is not None) is held


@pytest.mark.parametrize(("share", "last"), [(0.985, 107), (0.975, 99), (1.06, 107), (1.09, 99)])
def test_the_hold_ends_where_two_per_cent_are_lost(share: float, last: int) -> None:
    speed = np.concatenate(
        [np.zeros(20), np.linspace(60, 270, 30), np.full(50, 300.0), np.full(8, 300.0 * share)]
    )
    speed = np.concatenate([speed, np.linspace(250.0, 40.0, 30)])
    # Seven per cent above what is held is another speed.
    assert coasting._anchor(speed, loud(speed), STEP_S) == (last, 300.0)


def test_the_speed_held_is_the_median_of_the_last_six_tenths_of_a_second() -> None:
    speed = np.concatenate([np.zeros(20), np.full(60, 290.0), np.full(16, 300.0), np.zeros(20)])
    assert coasting._anchor(speed, loud(speed), STEP_S) == (95, 300.0)
    speed[80:82] = 290.0  # 14 of the last 30
    assert coasting._anchor(speed, loud(speed), STEP_S) == (95, 290.0)


@pytest.mark.parametrize(
    ("contrast_db", "below_db", "held"),
    [(20.0, 4.8, True), (20.0, 5.2, False), (4.0, 2.3, True), (4.0, 2.7, False)],
)
def test_a_hold_is_loud(contrast_db: float, below_db: float, held: bool) -> None:
    # Within a quarter of the contrast of the loudest tenth, or 2.5 dB where that is more.
    speed = np.concatenate([np.linspace(50.0, 200.0, 40), np.full(30, HELD_HZ), np.zeros(30)])
    level_db = np.full(speed.size, contrast_db)
    level_db[40:70] = contrast_db - below_db
    level_db[70:] = 0.0
    anchor = coasting._anchor(speed, level_db, STEP_S)
    assert (anchor == (69, HELD_HZ)) is held


# --- does the car get quieter? -----------------------------------------------------------------


def test_the_car_gets_quieter_along_a_coast_down() -> None:
    # 20 dB between the hold and off; below 0.8 of the speed 1 dB less is asked, below 0.4, 4 dB.
    curve = np.linspace(1.0, 0.0, 50)
    level_db = np.concatenate([np.zeros(1), np.full(29, 20.0), np.full(50, 20.0)])
    slow, slower = 30 + np.flatnonzero(curve < 0.8), 30 + np.flatnonzero(curve < 0.4)

    def quietens(first_db: float, second_db: float) -> bool:
        level = level_db.copy()
        level[slow] = 20.0 - first_db
        level[slower] = 20.0 - second_db
        # The median of what is slow lies between the two: below 0.8 half of it is below 0.4.
        return coasting._quietens(level, 30, 29, curve)

    assert quietens(5.0, 5.0)
    assert quietens(3.0, 4.1)
    assert not quietens(5.0, 3.9)
    assert not quietens(0.0, 3.0)
    assert not quietens(0.0, 0.0)


@pytest.mark.parametrize(
    ("contrast_db", "drop_db", "quieter"),
    [(3.9, 0.0, True), (4.1, 0.0, False), (6.0, 1.9, False), (6.0, 2.1, True), (12.0, 3.9, False)],
)
def test_how_much_quieter_goes_with_the_contrast(
    contrast_db: float, drop_db: float, quieter: bool
) -> None:
    # A third of the contrast up to 4 dB; where less than 4 dB tell running from off, nothing.
    curve = np.linspace(0.39, 0.0, 40)
    level_db = np.full(60, contrast_db)
    level_db[0] = 0.0
    level_db[20:] -= drop_db
    assert coasting._quietens(level_db, 20, 19, curve) is quieter


def test_quieter_than_the_last_steps_of_the_hold() -> None:
    # Ten steps up to the last held one say how loud the hold is: the step before them does not.
    level_db = np.full(60, 20.0)
    level_db[:10] = 0.0
    level_db[10:20] = 26.0
    level_db[20:30] = 20.0
    level_db[30:] = 15.9
    curve = np.linspace(0.39, 0.0, 30)
    assert coasting._quietens(level_db, 30, 29, curve)
    level_db[20:30] = 19.8
    assert not coasting._quietens(level_db, 30, 29, curve)
    # And a curve that never gets slow says nothing.
    assert coasting._quietens(level_db, 30, 29, np.full(30, 0.9))


def test_slower_than_eight_tenths_it_must_be_a_little_quieter() -> None:
    level_db = np.full(60, 20.0)
    level_db[0] = 0.0
    curve = np.linspace(0.79, 0.41, 30)
    for drop_db, quieter in ((0.9, False), (1.1, True)):
        level_db[30:] = 20.0 - drop_db
        assert coasting._quietens(level_db, 30, 29, curve) is quieter


# --- the free track against the curve ----------------------------------------------------------


def test_a_free_track_is_as_good_by_a_margin() -> None:
    candidates = candidate_grid(20.0, 400.0)
    scores = np.zeros((candidates.size, 10), np.float32)
    speed = np.full(10, candidates[100])
    scores[100] = 2.0
    evidence = np.full(10, 1.0)

    def as_good(margin: float) -> bool:
        return coasting._as_good(scores, candidates, speed, evidence, margin)

    assert as_good(0.9)
    assert not as_good(1.1)
    assert as_good(-0.3)
    assert not as_good(np.inf)
    for shift in (-1, 1):  # the neighbours of a candidate count as the same speed
        speed = np.full(10, candidates[100 + shift])
        assert as_good(0.9)
        speed = np.full(10, candidates[100 + 2 * shift])
        assert not as_good(-0.9)
    speed = np.full(10, candidates[100])
    speed[3] = 0.0
    assert not as_good(-5.0)
    # The mean over all steps is what counts, and the range of the search ends at its ends.
    speed = np.full(10, candidates[100])
    scores[100, :5] = 0.0
    assert as_good(-0.1)
    assert not as_good(0.1)
    for end in (0, candidates.size - 1):
        scores[:] = 0.0
        scores[end] = 2.0
        speed = np.full(10, candidates[end])
        assert as_good(0.9)


# --- the corridor ------------------------------------------------------------------------------


def dense_best(value: np.ndarray) -> float:
    """Highest total of any path through the corridor, over the full matrix of moves."""
    n_cells = value.shape[0]
    apart = np.abs(np.subtract.outer(np.arange(n_cells), np.arange(n_cells)))
    moves = np.where(apart <= 1, -0.7 * apart, -np.inf)
    total = value[:, 0] - 0.05 * np.abs(np.arange(n_cells) - n_cells // 2)
    for column in value.T[1:]:
        total = (total + moves).max(axis=1) + column
    return float(total.max())


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 25))
def test_the_corridor_holds_the_likeliest_path(seed: int, steps: int) -> None:
    rng = np.random.default_rng(seed)
    candidates = candidate_grid(50.0, 500.0)
    curve = 250.0 * np.exp(-0.02 * np.arange(steps))
    scores = (2.0 * rng.standard_normal((candidates.size, steps))).astype(np.float32)
    speed, evidence = coasting._corridor(scores, candidates, curve)
    # Cells of 0.4 % from 7 % below the curve to 7 % above it.
    cells = np.log(speed / curve) / 0.004 + 17.5
    cell = np.rint(cells).astype(int)
    assert np.allclose(cells, cell, atol=1e-6)
    assert np.all((cell >= 0) & (cell <= 35))
    spacing = np.log(candidates[1] / candidates[0])
    of_cells = np.log(curve / candidates[0]) + (np.arange(36) - 17.5)[:, np.newaxis] * 0.004
    value = scores[np.rint(of_cells / spacing).astype(int), np.arange(steps)].astype(float)
    assert np.allclose(evidence, value[cell, np.arange(steps)])
    total = evidence.sum() - 0.7 * np.abs(np.diff(cell)).sum() - 0.05 * abs(cell[0] - 18)
    assert np.all(np.abs(np.diff(cell)) <= 1)
    assert total == pytest.approx(dense_best(value), abs=1e-6)


def test_the_corridor_ends_with_the_search_range() -> None:
    candidates = candidate_grid(50.0, 500.0)
    scores = np.zeros((candidates.size, 12), np.float32)
    scores[0] = 1.0
    _, evidence = coasting._corridor(scores, candidates, np.full(12, 50.0))
    assert np.all(evidence == 1.0)
    scores = scores[::-1].copy()
    _, evidence = coasting._corridor(scores, candidates, np.full(12, 500.0))
    assert np.all(evidence == 1.0)


# --- a coast-down put into a track -------------------------------------------------------------


def made_coast(first: int, last: int, curve_hz: np.ndarray) -> coasting.Coast:
    n = last - first
    return coasting.Coast(first, last, curve_hz[:n], np.ones(n), (), curve_hz)


def held_then(*parts: tuple[int, np.ndarray], n: int = 400) -> np.ndarray:
    """A hold from step 10 to 59, and what is heard later."""
    speed = np.zeros(n)
    speed[10:60] = HELD_HZ
    for first, part in parts:
        speed[first : first + part.size] = part
    return speed


CURVE_HZ = HELD_HZ * np.exp(-0.01 * np.arange(200))


def put(speed: np.ndarray, coast: coasting.Coast | None) -> np.ndarray:
    level_db = np.zeros(speed.size)
    level_db[10:60] = 20.0
    return coasting.with_coast(speed, coast, level_db, STEP_S)


def test_a_coast_down_replaces_what_was_read_there() -> None:
    speed = held_then((60, np.full(40, 150.0)))
    out = put(speed, made_coast(60, 130, CURVE_HZ))
    assert np.array_equal(out[:60], speed[:60])
    assert np.array_equal(out[60:130], CURVE_HZ[:70])
    assert not out[130:].any()
    assert np.all(speed[60:100] == 150.0)  # the track given stays as it was
    nothing_held = np.zeros(100)
    assert coasting.with_coast(nothing_held, None, nothing_held, STEP_S) is nothing_held


@pytest.mark.parametrize(
    ("first", "part", "kept"),
    [
        (140, CURVE_HZ[80:120], True),  # meets the curve and falls on
        (140, 1.19 * CURVE_HZ[80:120], True),
        (140, 1.25 * CURVE_HZ[80:120], False),  # out of nowhere
        (140, 0.8 * CURVE_HZ[80:120], False),
        (140, np.full(40, CURVE_HZ[80]), False),  # meets it, but stands
        (140, np.linspace(1.14, 1.0, 40) * CURVE_HZ[80], False),
        (140, np.linspace(1.17, 1.0, 40) * CURVE_HZ[80], True),
        (130, CURVE_HZ[70:110], False),  # the search had ended the coast-down before it
        (140, np.linspace(60.0, 95.0, 40), True),  # a new run-up
        (140, np.linspace(60.0, 85.0, 40), False),
        (300, np.linspace(1.17, 1.0, 40) * CURVE_HZ[199], True),  # the curve's end goes on
        (300, np.linspace(1.5, 1.3, 40) * CURVE_HZ[199], False),
    ],
)
def test_after_a_coast_down_comes_its_end_or_a_new_run(
    first: int, part: np.ndarray, kept: bool
) -> None:
    out = put(held_then((first, part)), made_coast(60, 130, CURVE_HZ))
    assert np.array_equal(out[first : first + part.size], part if kept else 0.0 * part)


def test_what_follows_a_new_run_is_its_own_matter() -> None:
    up, stands = np.linspace(60.0, 250.0, 40), np.full(30, 100.0)
    speed = held_then((140, up), (200, stands))
    out = put(speed, made_coast(60, 130, CURVE_HZ))
    assert np.array_equal(out[200:230], stands)
    out = put(speed, None)
    assert np.array_equal(out[140:], speed[140:])


@pytest.mark.parametrize(
    ("first", "part", "kept"),
    [
        (80, np.full(40, 200.0), False),  # stands at a lower speed, out of nowhere
        (80, np.linspace(220.0, 200.0, 40), False),
        (80, np.linspace(238.0, 200.0, 40), True),  # falls
        (80, np.full(40, 239.0), False),
        (80, np.full(40, 241.0), True),  # not lower than eight tenths of the hold
        (60, np.linspace(240.0, 230.0, 40), True),  # goes on from the hold
        (80, np.linspace(340.0, 250.0, 40), True),
        (80, np.linspace(350.0, 250.0, 40), False),  # a shaft that coasts gets no faster
        (258, np.full(40, 200.0), False),
        (259, np.full(40, 200.0), True),  # four seconds after the hold
    ],
)
def test_without_a_coast_down_inertia_still_rules_out(
    first: int, part: np.ndarray, kept: bool
) -> None:
    out = put(held_then((first, part)), None)
    assert np.array_equal(out[first : first + part.size], part if kept else 0.0 * part)


def test_no_stretch_is_faster_than_what_it_coasts_from() -> None:
    falls = np.linspace(150.0, 100.0, 30)
    speed = held_then((80, falls), (130, np.linspace(140.0, 90.0, 30)))
    out = put(speed, None)
    assert np.array_equal(out[80:110], falls)
    assert not out[130:160].any()
    speed = held_then((80, falls), (130, np.linspace(112.0, 90.0, 30)))
    assert np.array_equal(put(speed, None), speed)
    # Its last step is what counts: 1.15 times 100 are 115, where the step before would allow 122.
    ends = np.append(np.linspace(150.0, 106.0, 29), 100.0)
    speed = held_then((80, ends), (130, np.linspace(118.0, 90.0, 30)))
    assert not put(speed, None)[130:160].any()


# --- orders learnt from the run ----------------------------------------------------------------


def swept(n_steps: int = 120, low: float = 100.0, high: float = 300.0) -> np.ndarray:
    return np.geomspace(low, high, n_steps)


def learnt(votes: dict[float, float], speed: np.ndarray, named: tuple[float, ...]) -> list[Line]:
    heard = dict.fromkeys(votes, speed)
    return coasting.learnt_lines(
        voices(heard, np.zeros(speed.size), votes),
        [Line(order) for order in named],
        speed,
        np.zeros(speed.size),
    )


def test_orders_that_nobody_named_are_learnt() -> None:
    found = learnt({26.0: 3.0, 17.3: 1.2, 40.9: 2.5}, swept(), (1.0, 26.0))
    assert [line.order for line in found] == pytest.approx([40.9, 17.3], rel=0.008)
    # Their say is half their mean vote, at most 1.
    assert found[0].weight == pytest.approx(1.0)
    assert found[1].weight == pytest.approx(0.6, abs=0.05)
    assert all(line.demand == -0.85 for line in found)
    assert all(line.slip == 0.002 for line in found)


def test_what_is_named_or_faint_is_not_learnt() -> None:
    assert learnt({26.0: 3.0, 17.3: 0.7}, swept(), (1.0, 26.0)) == []
    assert len(learnt({17.3: 0.95}, swept(), (1.0, 26.0))) == 1
    # Beside a named order by one per cent it is the same, by three it is another.
    assert learnt({26.0 * 1.006: 3.0}, swept(), (1.0, 26.0)) == []
    assert len(learnt({26.0 * 1.03: 3.0}, swept(), (1.0, 26.0))) == 1


def test_at_most_eight_orders_are_learnt_the_strongest_first() -> None:
    orders = [5.0, 12.0, 19.0, 26.0, 33.0, 40.0, 47.0, 54.0, 61.0, 68.0]
    votes = dict.fromkeys(orders, 2.5) | {19.0: 1.3, 40.0: 1.3, 61.0: 9.0}
    found = [line.order for line in learnt(votes, swept(), (1.0,))]
    want = [order for order in orders if votes[order] > 2.0]
    assert sorted(found) == pytest.approx(want, rel=0.01)
    assert found[0] == pytest.approx(61.0, rel=0.01)


def test_little_change_of_speed_teaches_nothing() -> None:
    # A line of the room would look like an order: 1.4 times the lowest speed at least.
    assert learnt({17.3: 2.0}, swept(high=138.0), (1.0,)) == []
    assert len(learnt({17.3: 2.0}, swept(high=142.0), (1.0,))) >= 1
    assert learnt({17.3: 2.0}, swept(21), (1.0,)) == []
    assert len(learnt({17.3: 2.0}, swept(22), (1.0,))) >= 1


def test_below_three_tenths_of_the_top_speed_nothing_is_learnt_from() -> None:
    # The order speaks from there on alone: all that is looked at hears it.
    speed = swept(200, 30.0, 300.0)
    fast = np.where(speed > 0.3 * speed.max(), speed, 0.0)
    whitened = voices({17.3: fast}, np.zeros(200), 1.0)
    found = coasting.learnt_lines(whitened, [Line(1.0)], speed, np.zeros(200))
    assert [line.order for line in found] == pytest.approx([17.3], rel=0.008)
    assert found[0].weight == pytest.approx(0.5, abs=0.03)


# --- the whole search --------------------------------------------------------------------------

RATE, DRY = float(coasting.RATES[15]), 0.3
CANDIDATES = candidate_grid(20.0, 400.0)
LINES = (Line(1.0), Line(26.0))
LAST_HELD = 119


def coast_speed(n_after: int = 130, leaves: int = 0, rate: float = RATE) -> np.ndarray:
    """Run-up from 60 to 270 in 60 steps, hold to step 119, coast by friction and drag.

    ``f = f0 ((1 + q) exp(-t / tau) - q)`` (elementary mechanics), 0 from 20 Hz down.
    """
    t = np.maximum(np.arange(1, n_after + 1) - leaves, 0) * STEP_S
    down = HELD_HZ * ((1.0 + DRY) * np.exp(-t * rate / (1.0 + DRY)) - DRY)
    down = np.where(down > 20.0, down, 0.0)
    return np.concatenate([np.linspace(60.0, 270.0, 60), np.full(60, HELD_HZ), down])


def level_of(speed: np.ndarray) -> np.ndarray:
    return 20.0 * speed / HELD_HZ


def search(
    truth: np.ndarray,
    vote: float = 0.6,
    *,
    level_db: np.ndarray | None = None,
    free: np.ndarray | None = None,
    heard: dict[float, np.ndarray] | None = None,
) -> coasting.Coast | None:
    level_db = level_of(truth) if level_db is None else level_db
    heard = {1.0: truth, 26.0: truth} if heard is None else heard
    held = np.where(np.arange(truth.size) <= LAST_HELD, truth, 0.0)
    return coasting.follow_coast_down(
        voices(heard, level_db, vote), LINES, CANDIDATES, held if free is None else free, STEP_S
    )


@pytest.mark.parametrize("leaves", [-2, 0, 4])
@pytest.mark.parametrize("place", [8, 15, 20])
def test_the_curve_is_found_with_its_moment_and_rate(place: int, leaves: int) -> None:
    truth = coast_speed(leaves=leaves, rate=float(coasting.RATES[place]))
    found = search(truth)
    assert found is not None
    running = np.flatnonzero(truth > 20.0)[-1]
    # It begins where half a per cent is lost, and ends (by averages over nine steps) where the
    # lines end.
    begins = int(np.flatnonzero(truth[LAST_HELD:] < 0.995 * HELD_HZ)[0]) + LAST_HELD
    assert abs(found.first - begins) <= 2
    assert abs(found.last - 1 - running) <= 8
    inner = np.arange(found.first + 2, running - 4)
    fast = inner[truth[inner] > 60.0]
    assert np.all(np.abs(found.speed_hz[fast - found.first] / truth[fast] - 1.0) < 0.02)
    assert np.all(np.abs(found.curve_hz[fast - found.first] / truth[fast] - 1.0) < 0.03)
    assert found.certainty.shape == found.speed_hz.shape == (found.last - found.first,)
    assert found.curve_hz.size >= found.speed_hz.size


def test_certainty_is_three_looks_per_nine_steps() -> None:
    # Two votes of 0.4 per step: odds of exp(3 * 0.8) (closed form).
    found = search(coast_speed(), 0.4)
    assert found is not None
    assert np.median(found.certainty) == pytest.approx(1.0 / (1.0 + np.exp(-2.4)), abs=0.015)
    # Where the lines end the average over nine steps falls to nothing.
    truth = coast_speed()
    fades = np.where(truth > 60.0, truth, 0.0)
    found = search(truth, 0.4, heard={1.0: fades, 26.0: fades})
    assert found is not None
    assert 0.5 < found.certainty[-1] < 0.65
    assert abs(found.last - 1 - np.flatnonzero(fades)[-1]) <= 5


@pytest.mark.parametrize(("vote", "seen"), [(0.17, False), (0.3, True)])
def test_a_curve_needs_four_tenths_of_evidence_per_step(vote: float, seen: bool) -> None:
    assert (search(coast_speed(), vote) is not None) is seen


def test_lines_may_fall_silent_without_load() -> None:
    found = search(coast_speed())
    assert found is not None
    # Every known line is asked for, with less to lose than under load.
    assert [line.order for line in found.lines[:2]] == [1.0, 26.0]
    assert all(line.demand == -0.85 for line in found.lines)


def test_an_order_learnt_before_speaks_after() -> None:
    truth = coast_speed()
    under_load = np.where(np.arange(truth.size) <= LAST_HELD, truth, 0.0)
    found = search(truth, 2.0, heard={1.0: under_load, 26.0: under_load, 17.3: truth})
    assert found is not None
    assert [line.order for line in found.lines[2:]] == pytest.approx([17.3], rel=0.01)
    inner = np.arange(LAST_HELD + 10, LAST_HELD + 40)
    assert np.all(np.abs(found.speed_hz[inner - found.first] / truth[inner] - 1.0) < 0.03)


def test_no_coast_down_without_a_hold_lines_or_quiet() -> None:
    truth = coast_speed()
    never_held = np.where(truth < HELD_HZ, truth, 0.0)
    assert search(truth, free=never_held[:61].repeat(5)[: truth.size] * 0.0) is None
    silent = np.where(np.arange(truth.size) <= LAST_HELD, truth, 0.0)
    assert search(silent, level_db=level_of(truth)) is None
    as_loud = np.where(truth > 0.0, 20.0, 0.0)
    assert search(truth, level_db=as_loud) is None


@pytest.mark.parametrize(("steps", "found"), [(8, False), (40, True)])
def test_a_take_that_ends_with_the_hold_has_no_coast_down(steps: int, found: bool) -> None:
    assert (search(coast_speed(steps, rate=3.0)) is not None) is found


def test_a_free_track_along_the_curve_is_left_alone() -> None:
    truth = coast_speed()
    assert search(truth, free=truth) is None
    # A free track that ends early, or leaves the curve, is replaced.
    early = np.where(np.arange(truth.size) < LAST_HELD + 20, truth, 0.0)
    assert search(truth, free=early) is not None
    away = np.where(np.arange(truth.size) > LAST_HELD + 30, np.maximum(0.75 * truth, 20.5), truth)
    assert search(truth, free=away) is not None


@pytest.mark.parametrize(
    ("stays_loud", "vote", "coasts"), [(True, 2.0, False), (True, 0.5, True), (False, 2.0, True)]
)
def test_a_lower_throttle_is_no_coast_down(stays_loud: bool, vote: float, coasts: bool) -> None:
    # Beside the faint coast-down a speed of 170 turns a second is held, heard clearly or faintly,
    # the car staying at half its level over the quietest part or falling silent.
    truth = coast_speed(80)
    after = np.arange(truth.size) > LAST_HELD + 2
    lower = np.where(after, 170.0, truth)
    level_db = level_of(truth)
    level_db[after] = np.minimum(level_db[after], 10.0)
    level_db[:15] = 0.0
    if stays_loud:
        level_db[after & (truth < 0.5 * HELD_HZ)] = 8.0
    whitened = voices({1.0: truth, 26.0: truth}, level_db, 0.6)
    more = voices({1.0: lower, 26.0: lower}, level_db, 0.6 + vote)
    both = [
        Whitened(a.level, np.maximum(a.votes, b.votes), a.power, a.floor, a.block_frames)
        for a, b in zip(whitened, more, strict=True)
    ]
    found = coasting.follow_coast_down(both, LINES, CANDIDATES, lower, STEP_S)
    assert (found is not None) is coasts
