"""What brings the heads together: shares add up, and a zone that explains takes from the others."""

from __future__ import annotations

import numpy as np
import pytest

from vibecheck.model.calibration import log_odds, sigmoid
from vibecheck.model.coherence import Coherence

GROUPS = ("wheels", "motor_mount", "gear_mesh")


@pytest.fixture
def coherence() -> Coherence:
    return Coherence(
        groups=GROUPS,
        any_weights=np.array([0.8, 0.5, 0.8]),
        share_offset=np.log([0.15, 0.2, 0.2]),
        share_weight=0.9,
        group_weights=np.array([0.0, 0.7, 0.3]),
        base=0.6,
        mean_loose=1.1,
        scores={1: np.array([0.2, 0.5]), 2: np.array([0.1, 0.4, 0.6])},
    )


SIZES = np.array([[4.0, 1.0, 1.0]])


def test_shares_add_to_one_and_follow_the_zones_of_the_car(coherence: Coherence) -> None:
    quiet = coherence.shares(np.zeros((1, 3)), SIZES)
    np.testing.assert_allclose(quiet, [[0.6, 0.2, 0.2]])
    without = coherence.shares(np.zeros((1, 3)), np.array([[0.0, 1.0, 1.0]]))
    np.testing.assert_allclose(without, [[0.0, 0.5, 0.5]])


def test_a_loud_zone_takes_from_the_others(coherence: Coherence) -> None:
    ratios = np.zeros((1, 3))
    quiet = coherence.bring_together(np.zeros(1), ratios, SIZES)
    ratios[0, 2] = 4.0
    loud = coherence.bring_together(np.zeros(1), ratios, SIZES)
    assert loud.anything[0] > quiet.anything[0] + 1.0
    assert loud.group[0, 2] > quiet.group[0, 2] + 2.0
    assert loud.share[0, 1] < quiet.share[0, 1]
    assert loud.share.sum() == pytest.approx(1.0)


def test_nothing_heard_is_the_prior(coherence: Coherence) -> None:
    prior = coherence.group_prior(SIZES)
    shares = coherence.shares(np.zeros((1, 3)), SIZES)
    expected = 0.6 * (1.0 - (1.0 - shares) ** 1.1)
    np.testing.assert_allclose(sigmoid(prior), expected)
    whole = coherence.group_line(log_odds(0.6)[None], shares)
    np.testing.assert_allclose(whole, prior)


def test_round_trip(coherence: Coherence) -> None:
    again = Coherence.from_arrays(coherence.arrays())
    ratios = np.array([[1.0, -1.0, 0.5]])
    one, two = (each.bring_together(np.ones(1), ratios, SIZES).group for each in (coherence, again))
    np.testing.assert_array_equal(one, two)
    assert again.groups == GROUPS
    np.testing.assert_array_equal(again.scores[2], coherence.scores[2])
