"""EWMA charts against published run lengths and a published worked example."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from vibecheck.risk.control_chart import (
    ChartPoint,
    asymptotic_limit,
    average_run_length,
    control_chart,
    ewma,
    self_starting_score,
    width_for_run_length,
)

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
# Lucas & Saccucci, Technometrics 32 (1990) 1-12, table of average run lengths: values from memory,
# computed on their own as well.
LUCAS_SACCUCCI = {
    (0.40, 3.054): (500.0, 223.7, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4),
    (0.25, 2.998): (499.8, 170.3, 48.3, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7),
    (0.20, 2.962): (499.7, 150.2, 41.8, 18.1, 10.5, 5.5, 3.7, 2.9, 2.4, 1.9),
    (0.10, 2.814): (499.6, 106.3, 31.3, 15.8, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2),
    (0.05, 2.615): (499.9, 84.0, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5, 2.7),
}


@pytest.mark.parametrize(("smoothing", "width"), LUCAS_SACCUCCI)
def test_run_lengths_match_the_published_table(smoothing: float, width: float) -> None:
    table = LUCAS_SACCUCCI[smoothing, width]
    for shift, length in zip(SHIFTS, table, strict=True):
        got = average_run_length(width, smoothing, shift)
        assert got == pytest.approx(length, rel=0.005, abs=0.051), shift


def test_without_smoothing_it_is_the_shewhart_chart() -> None:
    # Shewhart's 3-sigma chart: 370.4 in control, 43.89 at one sigma, 6.30 at two, 2.00 at three
    # (closed form: the inverse of the share beyond the limits).
    for shift, length in ((0.0, 370.40), (1.0, 43.89), (2.0, 6.30), (3.0, 2.00)):
        assert average_run_length(3.0, 1.0, shift) == pytest.approx(length, rel=2e-3)


def markov_chain_run_length(width: float, smoothing: float, shift: float, n: int) -> float:
    """Brook & Evans, Biometrika 59 (1972) 539-549: an independent way to the same number."""
    half = asymptotic_limit(width, smoothing)
    step = 2.0 * half / n
    centre = -half + step * (np.arange(n) + 0.5)

    def below(edge: np.ndarray) -> np.ndarray:
        z = (edge[np.newaxis, :] - (1 - smoothing) * centre[:, np.newaxis]) / smoothing - shift
        return np.array([[0.5 * math.erfc(-v / math.sqrt(2.0)) for v in row] for row in z])

    moves = below(centre + step / 2) - below(centre - step / 2)
    return float(np.linalg.solve(np.eye(n) - moves, np.ones(n))[n // 2])


@pytest.mark.parametrize(
    ("smoothing", "width", "shift"), [(0.25, 2.998, 0.0), (0.25, 2.998, 1.0), (0.1, 2.814, 0.5)]
)
def test_a_markov_chain_comes_to_the_same(smoothing: float, width: float, shift: float) -> None:
    chain = markov_chain_run_length(width, smoothing, shift, 151)
    assert average_run_length(width, smoothing, shift) == pytest.approx(chain, rel=2e-3)


@pytest.mark.parametrize("smoothing", [0.1, 0.25, 0.4])
@pytest.mark.parametrize("run_length", [50.0, 500.0])
def test_the_width_brings_the_stated_run_length(smoothing: float, run_length: float) -> None:
    width = width_for_run_length(run_length, smoothing)
    assert average_run_length(width, smoothing) == pytest.approx(run_length, rel=1e-4)


def test_the_worked_example_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4: lambda 0.3, target 50,
    # s 2.0539, L 3; limits 52.5884 and 47.4115 (the page truncates); no value out of control.
    # Confirmed in a public file that quotes the page.
    data = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
        49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
    ]  # fmt: skip
    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    averages = ewma(data, 0.3, 50.0)
    assert averages == pytest.approx(printed, abs=0.0101)
    limit = 2.0539 * asymptotic_limit(3.0, 0.3)
    assert 50.0 + limit == pytest.approx(52.5884, abs=1e-4)
    assert 50.0 - limit == pytest.approx(47.4115, abs=2e-4)
    assert np.all(np.abs(averages - 50.0) < limit)


def test_scores_of_a_snug_car_are_standard_normal_and_independent() -> None:
    rng = np.random.default_rng(3)
    scores = []
    for _ in range(400):
        values = list(-7.0 + 2.5 * rng.standard_normal(13))
        scores.append([self_starting_score(values[n], values[:n]) for n in range(3, 13)])
    table = np.array(scores, dtype=float)
    # 4000 scores: four standard errors of the mean are 0.063, of the spread 0.045.
    assert abs(table.mean()) < 0.063
    assert table.std() == pytest.approx(1.0, abs=0.05)
    neighbours = np.corrcoef(table[:, :-1].ravel(), table[:, 1:].ravel())[0, 1]
    assert abs(neighbours) < 0.067
    assert np.mean(np.abs(table) > 1.96) == pytest.approx(0.05, abs=0.015)


def test_a_score_by_hand() -> None:
    # By hand: reference 0, 2, 4 has mean 2, s = 2; value 2 + 2 × sqrt(4/3) × 2.919986 lies at
    # t = 2.919986 with 2 degrees of freedom: 95 % below (t table), normal score 1.644854.
    value = 2.0 + 2.0 * math.sqrt(4.0 / 3.0) * 2.919986
    assert self_starting_score(value, [0.0, 2.0, 4.0]) == pytest.approx(1.644854, abs=1e-5)
    mirrored = self_starting_score(4.0 - value, [0.0, 2.0, 4.0])
    assert mirrored == pytest.approx(-1.644854, abs=1e-5)


def test_too_few_or_unvaried_references_judge_nothing() -> None:
    assert self_starting_score(1.0, [0.0, 2.0]) is None
    assert self_starting_score(1.0, [2.0, 2.0, 2.0, 2.0]) is None


def points(values: list[float], n_snug: int) -> list[ChartPoint]:
    begin = datetime(2026, 4, 1, tzinfo=UTC)
    return [
        ChartPoint(begin + timedelta(days=n), float(n), value, snug=n < n_snug)
        for n, value in enumerate(values)
    ]


def test_a_lasting_shift_is_found_and_dated() -> None:
    rng = np.random.default_rng(5)
    snug = list(rng.standard_normal(12))
    chart = control_chart(points([*snug, *(3.0 + 0.3 * rng.standard_normal(8))], 12))
    assert chart.n_judged == 17
    assert not any(one.signal for one in chart.points[:12])
    assert chart.signals_now
    since = chart.signal_since
    assert since is not None
    assert 12 <= since.point.runs <= 16
    assert chart.centre == pytest.approx(float(np.mean(snug)))


def test_the_chart_does_not_begin_before_it_knows_the_car() -> None:
    chart = control_chart(points([1.0, 50.0, -50.0], 3))
    assert chart.n_judged == 0
    assert not chart.signals_now
    assert chart.signal_since is None
    assert [one.score for one in chart.points] == [None, None, None]


def test_false_signals_are_as_rare_as_stated() -> None:
    """Cars that stay snug and are confirmed snug each time: the stated run length must hold."""
    rng = np.random.default_rng(11)
    wanted, lengths = 10.0, []
    for _ in range(200):
        chart = control_chart(points(list(rng.standard_normal(70)), 70), run_length=wanted)
        signals = [n for n, one in enumerate(chart.points[3:], start=1) if one.signal]
        lengths.append(signals[0] if signals else 67)
    # Run lengths spread like an exponential: four standard errors are 10 × 4 / sqrt(200) = 2.8.
    assert np.mean(lengths) == pytest.approx(wanted, abs=2.8)


@pytest.mark.parametrize("width", [0.0, -1.0, math.nan])
def test_a_width_that_is_none_is_refused(width: float) -> None:
    with pytest.raises(ValueError, match="width must be a finite number above 0"):
        average_run_length(width, 0.2)


def test_values_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="smoothing must lie above 0 and up to 1"):
        average_run_length(3.0, 0.0)
    with pytest.raises(ValueError, match="run_length must lie between 2 and 100000"):
        width_for_run_length(1.0)
    with pytest.raises(ValueError, match=r"smoothing must lie between 0\.01 and 1"):
        width_for_run_length(500.0, 2.0)
