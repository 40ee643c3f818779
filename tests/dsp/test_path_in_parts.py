"""The path search runs long recordings in parts at the same time: the answer must not tell."""

import numpy as np
import pytest

from vibecheck.dsp import tracking_path as path_search


def a_run(n_steps, n_cells=90, seed=0, strength=4.0):
    """Evidence of an off state, a rise, a hold and a fall, over noise."""
    rng = np.random.default_rng(seed)
    scores = rng.normal(-1.0, 1.0, (n_cells, n_steps)).astype(np.float32)
    marks = np.array([0.0, 0.1, 0.45, 0.7, 0.95, 1.0]) * n_steps
    cell = np.interp(np.arange(n_steps), marks, [0, 0, n_cells - 5, n_cells - 5, 2, 0])
    running = (np.arange(n_steps) > marks[1]) & (np.arange(n_steps) < marks[4])
    scores[np.rint(cell).astype(int)[running], np.flatnonzero(running)] += strength
    return scores


def both_ways(monkeypatch, scores):
    in_parts = path_search.likeliest_path(scores)
    monkeypatch.setattr(path_search, "MOST_PARTS", 1)
    return in_parts, path_search.likeliest_path(scores)


@pytest.mark.parametrize("n_steps", [256, 257, 700, 1406])
def test_parts_find_the_path_that_one_pass_finds(monkeypatch, n_steps):
    assert len(path_search._plans(n_steps)) == 2
    in_parts, whole = both_ways(monkeypatch, a_run(n_steps))
    assert np.array_equal(in_parts.cell, whole.cell)
    assert np.abs(in_parts.posterior - whole.posterior).max() < 1e-6
    assert (whole.cell >= 0).mean() > 0.5


@pytest.mark.parametrize("strength", [0.0, 1.0])
def test_parts_that_do_not_meet_are_given_up_for_one_pass(monkeypatch, strength):
    # Weak evidence is remembered for long: the parts disagree where they meet.
    scores = 0.02 * a_run(900, seed=3, strength=strength)
    in_parts, whole = both_ways(monkeypatch, scores)
    assert np.array_equal(in_parts.cell, whole.cell)
    assert np.abs(in_parts.posterior - whole.posterior).max() < 1e-6


@pytest.mark.parametrize("n_steps", range(256, 1500, 83))
def test_every_step_is_in_one_part(n_steps):
    for plan in path_search._plans(n_steps):
        steps = np.arange(n_steps)
        parts = plan.of(steps)
        assert parts.shape == (plan.length, plan.parts)
        assert np.array_equal(plan.joined(parts), steps)
        ends, begins = plan.overlaps(parts)
        assert np.array_equal(ends, begins)


def test_a_short_recording_is_one_part():
    assert [plan.parts for plan in path_search._plans(255)] == [1]
    assert [plan.parts for plan in path_search._plans(1)] == [1]


@pytest.mark.parametrize("off", [False, True])
@pytest.mark.parametrize(("ahead", "behind"), [(True, True), (True, False), (False, True)])
def test_both_passes_must_meet(ahead, behind, off):
    rng = np.random.default_rng(2)
    plan = path_search._plans(700)[0]
    on_values, off_values = rng.uniform(0.5, 1.0, (700, 9)), rng.uniform(0.5, 1.0, (700, 1))

    def one_pass(values, meets):
        parts = plan.of(values).copy()
        if not meets:
            parts[: plan.ahead, 1] *= (
                np.linspace(0.5, 1.5, parts.shape[2]) if parts.shape[2] > 1 else 2
            )
        return parts

    def both(values, bad_here):
        return np.concatenate(
            [one_pass(values, ahead or not bad_here), one_pass(values, behind or not bad_here)],
            axis=1,
        )

    moved, moved_off = both(on_values, not off), both(off_values, off)
    assert path_search._settled(plan, moved, moved_off, 9) == (ahead and behind)
