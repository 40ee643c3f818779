"""Sets of candidates: the index rule, and coverage by simulation."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.model.conformal import candidate_places, quantile_index, share_limit


@pytest.mark.parametrize(
    ("n", "coverage", "k"),
    [(100, 0.9, 91), (9, 0.9, 9), (19, 0.95, 19), (99, 0.9, 90), (1000, 0.8, 801)],
)
def test_index_of_the_quantile(n: int, coverage: float, k: int) -> None:
    """k = ⌈(n + 1)(1 − α)⌉: n = 100, α = 0.1 gives 91 (Angelopoulos & Bates,
    arXiv:2107.07511)."""
    assert quantile_index(n, coverage) == k


@pytest.mark.parametrize(("n", "coverage"), [(8, 0.9), (18, 0.95), (0, 0.8)])
def test_too_few_calibration_checks_bound_nothing(n: int, coverage: float) -> None:
    """It needs n ≥ ⌈1/α⌉ − 1: 9 for α = 0.1, 19 for 0.05 (same source)."""
    assert quantile_index(n, coverage) is None
    assert share_limit(np.zeros(n), coverage) == 0.0


def test_the_set_by_hand() -> None:
    scores = np.linspace(0.0, 0.9, 10)
    limit = share_limit(scores, 0.8)  # k = ⌈11 · 0.8⌉ = 9, score 0.8
    assert limit == pytest.approx(0.2)
    assert candidate_places(np.array([0.2, 0.5, 0.1, 0.2]), limit) == [1, 0, 3]
    assert candidate_places(np.array([0.3, 0.4, 0.3]), 0.9) == [1], "never empty"


def test_coverage_of_exchangeable_checks() -> None:
    """Over many calibration sets the coverage lies in [1 − α, 1 − α + 1/(n + 1)]."""
    rng = np.random.default_rng(0)
    n, draws = 50, 4000
    scores = rng.random((draws, n + 1))
    limits = np.array([share_limit(np.sort(row[:n]), 0.9) for row in scores])
    covered = 1.0 - scores[:, n] >= limits
    assert covered.mean() == pytest.approx(46 / 51, abs=3 * np.sqrt(0.09 / draws))
