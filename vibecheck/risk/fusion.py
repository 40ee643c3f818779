"""Bayes' rule in log-odds: prior of the history × likelihood ratio of the vibration."""

from __future__ import annotations

import math
from dataclasses import dataclass

from vibecheck.result import ZoneRisk

MOST_CERTAIN = 0.995
"""No reading of a recording moves a probability beyond this or below its complement: a
recording is one witness, and the hand decides."""


def logit(probability: float) -> float:
    """Log odds of a probability, 0 < p < 1.

    Raises
    ------
    ValueError
        If ``probability`` is not strictly between 0 and 1.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie between 0 and 1. Got {probability!r} instead.")
    return math.log(probability) - math.log1p(-probability)


def expit(log_odds: float) -> float:
    """Probability of a log odds, without overflow."""
    if log_odds >= 0.0:
        return 1.0 / (1.0 + math.exp(-log_odds))
    odds = math.exp(log_odds)
    return odds / (1.0 + odds)


def posterior(prior: float, log_likelihood_ratio: float) -> float:
    """Probability after the evidence.

    posterior odds = prior odds × likelihood ratio (Bayes' rule in odds form), bounded to
    ``1 - MOST_CERTAIN`` … ``MOST_CERTAIN``.
    """
    value = expit(logit(prior) + log_likelihood_ratio)
    return min(max(value, 1.0 - MOST_CERTAIN), MOST_CERTAIN)


@dataclass(frozen=True)
class Contributions:
    """What moved a zone's probability, in natural log odds.

    The three add to the log odds of the probability, but for the bound of `posterior`.

    Attributes
    ----------
    usual : float
        Log odds for a car of which nothing is known, over one run.
    history : float
        What the car's own log added.
    vibration : float or None
        What the recordings added; ``None`` where nothing was heard.
    """

    usual: float
    history: float
    vibration: float | None


def contributions(zone: ZoneRisk) -> Contributions | None:
    """Return what moved a zone's probability; ``None`` where its history has no usual rate."""
    before = zone.history
    if before.usual is None or not (0.0 < before.prior < 1.0 and 0.0 < before.usual < 1.0):
        return None
    usual = logit(before.usual)
    heard = None if zone.vibration is None else zone.vibration.log_ratio
    return Contributions(usual, logit(before.prior) - usual, heard)
