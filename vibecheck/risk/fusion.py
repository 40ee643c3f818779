"""Bayes' rule in log-odds: prior of the history × likelihood ratio of the vibration."""

from __future__ import annotations

import math

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
