"""Drift of a feature across bench checks: an EWMA control chart with a stated run length.

z_t = λ x_t + (1 − λ) z_{t−1}, z_0 = 0, for standardised values x. The chart signals where |z|
passes L √(λ / (2 − λ)). L follows from the average run length (ARL): how many checks of a snug
car pass, on average, until the chart signals by chance. The run length solves the integral
equation of Crowder (Technometrics 29 (1987) 401–407), citation from memory.

A car has few snug takes, so that its true centre and spread are not known. Each value is judged
against the snug takes before it, by the exact distribution of that comparison (Student's t), and
carried over to a standard normal value: the self-starting chart of Hawkins (The Statistician 36
(1987) 299–315), citation from memory. The stated run length then holds with few takes too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SMOOTHING = 0.25
"""Weight of the newest value: shifts of about one spread are found soonest (Lucas & Saccucci,
Technometrics 32 (1990) 1–12, value from memory)."""
IN_CONTROL_RUN_LENGTH = 500.0
"""Checks until a false signal, on average, for one chart of a car that stays as it was."""
LEAST_REFERENCE = 3
"""Snug takes needed before a value can be judged."""
_NODES = 61
_LIMIT_TOLERANCE = 1e-6
_EDGE = 8.0  # standard normal values are cut here


@dataclass(frozen=True)
class ChartPoint:
    """One value of a feature.

    Attributes
    ----------
    date : datetime
    runs : float
        The car's run counter then.
    value : float
    snug : bool
        Taken with a complete hand check that found, or left, everything snug: joins the baseline.
    """

    date: datetime
    runs: float
    value: float
    snug: bool = False


@dataclass(frozen=True)
class JudgedPoint:
    """One value after the chart has judged it.

    Attributes
    ----------
    point : ChartPoint
    n_reference : int
        Snug takes it was judged against.
    score : float or None
        Standard normal where the car is as it was; ``None`` before the chart begins.
    average : float or None
        The moving average z.
    signal : bool
        z lies beyond the limit.
    """

    point: ChartPoint
    n_reference: int
    score: float | None
    average: float | None
    signal: bool


@dataclass(frozen=True)
class ControlChart:
    """The chart of one feature, oldest first.

    Attributes
    ----------
    smoothing : float
        λ.
    run_length : float
        Average run length in control, in values.
    limit : float
        Of the moving average, both ways, in spreads of one value.
    points : tuple of JudgedPoint
    centre : float or None
        Mean of all snug takes; ``None`` where there is none.
    """

    smoothing: float
    run_length: float
    limit: float
    points: tuple[JudgedPoint, ...]
    centre: float | None

    @property
    def n_judged(self) -> int:
        """Values that could be judged."""
        return sum(one.score is not None for one in self.points)

    @property
    def signals_now(self) -> bool:
        """Whether the newest value lies beyond the limit."""
        return bool(self.points) and self.points[-1].signal

    @property
    def signal_since(self) -> JudgedPoint | None:
        """First value of the excursion that still lasts; ``None`` where there is none."""
        first = None
        for one in reversed(self.points):
            if not one.signal:
                break
            first = one
        return first


def ewma(values: Sequence[float] | FloatArray, smoothing: float, start: float) -> FloatArray:
    """Return the exponentially weighted moving average after each value.

    Parameters
    ----------
    values : sequence of float
    smoothing : float
        λ, 0 < λ <= 1.
    start : float
        z_0, the target.
    """
    averages = np.empty(len(values))
    average = start
    for place, value in enumerate(values):
        average = smoothing * float(value) + (1.0 - smoothing) * average
        averages[place] = average
    return averages


def asymptotic_limit(width: float, smoothing: float) -> float:
    """Return the limit of the average, L √(λ / (2 − λ)), in spreads of one value."""
    return width * math.sqrt(smoothing / (2.0 - smoothing))


def average_run_length(width: float, smoothing: float, shift: float = 0.0) -> float:
    """Return the average run length of a two-sided chart that starts at its target.

    Solves L(u) = 1 + (1/λ) ∫ L(y) φ((y − (1 − λ) u) / λ − shift) dy over −h … h by Gauss–Legendre
    quadrature, at u = 0.

    Parameters
    ----------
    width : float
        L, > 0.
    smoothing : float
        λ, 0 < λ <= 1.
    shift : float
        Of the mean, in spreads of one value.

    Raises
    ------
    ValueError
        If ``width`` or ``smoothing`` is outside its range.
    """
    if not (math.isfinite(width) and width > 0.0):
        raise ValueError(f"width must be a finite number above 0. Got {width!r} instead.")
    if not 0.0 < smoothing <= 1.0:
        raise ValueError(f"smoothing must lie above 0 and up to 1. Got {smoothing!r} instead.")
    half = asymptotic_limit(width, smoothing)
    # The kernel is λ wide: small λ needs more nodes across −h … h.
    n_nodes = max(_NODES, 2 * math.ceil(6.0 * half / smoothing) + 1)
    node, weight = np.polynomial.legendre.leggauss(n_nodes)
    place, weight = half * node, half * weight

    def kernel(start: FloatArray) -> FloatArray:
        distance = (place[np.newaxis, :] - (1.0 - smoothing) * start[:, np.newaxis]) / smoothing
        density = np.exp(-0.5 * (distance - shift) ** 2) / math.sqrt(2.0 * math.pi)
        return np.asarray(density * weight / smoothing)

    lengths = np.linalg.solve(np.eye(n_nodes) - kernel(place), np.ones(n_nodes))
    return float(1.0 + (kernel(np.zeros(1)) @ lengths)[0])


@cache
def width_for_run_length(run_length: float, smoothing: float = SMOOTHING) -> float:
    """Return L for a wanted average run length in control.

    Parameters
    ----------
    run_length : float
        2 to 100 000 values.
    smoothing : float
        λ, 0.01 to 1.

    Raises
    ------
    ValueError
        If either is outside its range.
    """
    if not 2.0 <= run_length <= 1e5:
        raise ValueError(f"run_length must lie between 2 and 100000. Got {run_length!r} instead.")
    if not 0.01 <= smoothing <= 1.0:
        raise ValueError(f"smoothing must lie between 0.01 and 1. Got {smoothing!r} instead.")
    low, high = 0.05, 5.5
    while high - low > _LIMIT_TOLERANCE:
        middle = 0.5 * (low + high)
        if average_run_length(middle, smoothing) < run_length:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def self_starting_score(value: float, reference: Sequence[float]) -> float | None:
    """Return how far a value lies from the snug values before it, as a standard normal score.

    (value − mean) / (s √(1 + 1/n)) follows Student's t with n − 1 degrees of freedom where all
    values share one normal distribution; its share of probability is carried over to a normal
    score. Scores of successive values that join the reference are then independent.

    Returns
    -------
    float or None
        ``None`` with fewer than `LEAST_REFERENCE` values, or where they do not vary.
    """
    if len(reference) < LEAST_REFERENCE:
        return None
    seen = _Snug()
    for one in reference:
        seen.add(one)
    return seen.score(value)


class _Snug:
    """Count, mean and spread of the snug values so far (Welford, Technometrics 4 (1962) 419)."""

    def __init__(self) -> None:
        self.count = 0
        self.mean = 0.0
        self._squares = 0.0

    def add(self, value: float) -> None:
        self.count += 1
        step = value - self.mean
        self.mean += step / self.count
        self._squares += step * (value - self.mean)

    def score(self, value: float) -> float | None:
        from scipy.special import ndtri, stdtr

        n = self.count
        if n < LEAST_REFERENCE:
            return None
        spread = math.sqrt(self._squares / (n - 1))
        if not spread > 1e-9 * max(1.0, abs(self.mean)):
            return None
        distance = (value - self.mean) / (spread * math.sqrt(1.0 + 1.0 / n))
        # The lower tail keeps its digits far out; the upper one is its mirror image.
        score = float(ndtri(stdtr(n - 1, -abs(distance))))
        return math.copysign(min(-score, _EDGE), distance)


def control_chart(
    points: Sequence[ChartPoint],
    *,
    smoothing: float = SMOOTHING,
    run_length: float = IN_CONTROL_RUN_LENGTH,
) -> ControlChart:
    """Judge a feature's values, oldest first, against the car's snug takes before each.

    Parameters
    ----------
    points : sequence of ChartPoint
        Of one sensor at one spot, with one set-up of the car.
    smoothing, run_length : float
        See `width_for_run_length`.
    """
    limit = asymptotic_limit(width_for_run_length(run_length, smoothing), smoothing)
    snug = _Snug()
    average: float | None = None
    judged = []
    for point in points:
        score = snug.score(point.value)
        if score is not None:
            average = smoothing * score + (1.0 - smoothing) * (average or 0.0)
        beyond = score is not None and average is not None and abs(average) > limit
        judged.append(
            JudgedPoint(point, snug.count, score, None if score is None else average, beyond)
        )
        if point.snug:
            snug.add(point.value)
    centre = snug.mean if snug.count else None
    return ControlChart(smoothing, run_length, limit, tuple(judged), centre)
