"""A rate of finds per run that is not known exactly: Gamma prior, Poisson counts. `GammaRate`.

finds ~ Poisson(rate × exposure) and rate ~ Gamma(shape, exposure₀) give
rate | finds ~ Gamma(shape + finds, exposure₀ + exposure); what the next runs bring follows the
negative binomial distribution (Gelman et al., Bayesian Data Analysis, 3rd ed., sections 2.6–2.7).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class GammaRate:
    """A rate with a Gamma distribution.

    Attributes
    ----------
    shape : float
        > 0; counts what is known in finds.
    exposure : float
        > 0; the inverse scale, in runs.

    Raises
    ------
    ValueError
        If either is not a finite number above 0.
    """

    shape: float
    exposure: float

    def __post_init__(self) -> None:
        for name in ("shape", "exposure"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} must be a finite number above 0. Got {value!r} instead.")

    @property
    def mean(self) -> float:
        """Expected finds per run."""
        return self.shape / self.exposure

    @property
    def standard_deviation(self) -> float:
        """Standard deviation of the finds per run."""
        return math.sqrt(self.shape) / self.exposure

    def after(self, finds: float, exposure: float) -> GammaRate:
        """Return the rate after ``finds`` (>= 0) were made in ``exposure`` (>= 0) runs."""
        if not (finds >= 0.0 and exposure >= 0.0):
            raise ValueError(
                f"finds and exposure must not be negative. Got {finds!r} and {exposure!r} instead."
            )
        return GammaRate(self.shape + finds, self.exposure + exposure)

    def quantile(self, share: float) -> float:
        """Return the rate below which ``share`` (0 to 1) of the probability lies."""
        from scipy.special import gammaincinv

        if not 0.0 <= share <= 1.0:
            raise ValueError(f"share must lie between 0 and 1. Got {share!r} instead.")
        return float(gammaincinv(self.shape, share)) / self.exposure

    def interval(self, coverage: float) -> tuple[float, float]:
        """Return the equal-tailed interval that holds the rate with probability ``coverage``."""
        tail = 0.5 * (1.0 - coverage)
        return self.quantile(tail), self.quantile(1.0 - tail)

    def chance_above(self, rate: float) -> float:
        """Return the probability that the rate is higher than ``rate`` (>= 0)."""
        from scipy.special import gammaincc

        return float(gammaincc(self.shape, self.exposure * rate))

    def chance_of_finds(self, count: int, runs: float) -> float:
        """Return the probability of exactly ``count`` finds in ``runs``: negative binomial."""
        log_share = (
            math.lgamma(self.shape + count)
            - math.lgamma(self.shape)
            - math.lgamma(count + 1.0)
            + self.shape * math.log(self.exposure / (self.exposure + runs))
        )
        if count:
            log_share += count * math.log(runs / (self.exposure + runs))
        return math.exp(log_share)

    def chance_of_a_find(self, runs: float) -> float:
        """Return the probability of at least one find in ``runs`` (>= 0).

        1 − E[exp(−rate × runs)] = 1 − (exposure / (exposure + runs))^shape: the negative binomial
        distribution at zero.
        """
        if not runs >= 0.0:
            raise ValueError(f"runs must not be negative. Got {runs!r} instead.")
        return -math.expm1(-self.shape * math.log1p(runs / self.exposure))

    def runs_until(self, chance: float) -> float:
        """Return the runs after which the chance of a find reaches ``chance`` (0 < chance < 1).

        The inverse of `chance_of_a_find`: exposure × ((1 − chance)^(−1/shape) − 1). Infinite
        where that is beyond all numbers.
        """
        if not 0.0 < chance < 1.0:
            raise ValueError(f"chance must lie between 0 and 1. Got {chance!r} instead.")
        power = -math.log1p(-chance) / self.shape
        return self.exposure * math.expm1(power) if power < 700.0 else math.inf


def none_of(chances: Iterable[float]) -> float:
    """Return the probability that none of several independent things happens."""
    return math.prod(1.0 - chance for chance in chances)


def sum_of(rates: Iterable[GammaRate]) -> GammaRate:
    """Return the Gamma distribution with the mean and variance of a sum of independent rates.

    Exact where all share one exposure; else the usual two-moment approximation (Welch 1938,
    Satterthwaite 1946).

    Raises
    ------
    ValueError
        If there is no rate.
    """
    terms = tuple(rates)
    if not terms:
        raise ValueError("A sum of rates needs at least one rate. Got none.")
    mean = sum(term.mean for term in terms)
    variance = sum(term.standard_deviation**2 for term in terms)
    return GammaRate(mean * mean / variance, mean / variance)
