"""Search for hold speeds that keep a car's tones apart, inside a sensor's band, under a cap.

A hand does not hold a speed exactly, so every tone is taken as the interval that it sweeps while
the speed wanders within ± `SPEED_TOLERANCE`, and distances are those between intervals: what is
claimed here holds anywhere within the tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.profile import Car
from vibecheck.car.sensing import FOLD_LIMIT_HZ, SensorBand

PLANNED_HARMONICS = (1, 2)
"""Each order and its first harmonic are kept apart from the others."""
MAINS_HARMONICS = (1, 2, 3, 4, 5, 6)
SPEED_TOLERANCE = 0.02
"""A hand on a trigger keeps a speed to about ±2 % (common practice, no source)."""
ENOUGH_SCORE = 4.0
"""A distance beyond this many resolvable spacings is not worth moving the speed for."""
GRID_SPEEDS = 401


@dataclass(frozen=True)
class Line:
    """Tones that are one and the same at every speed.

    Attributes
    ----------
    order : float
        Events per turn of the reference shaft.
    names : tuple of str
        Such as ``("2 × motor", "electrical")``.
    """

    order: float
    names: tuple[str, ...]

    @property
    def name(self) -> str:
        """All names."""
        return " = ".join(self.names)


@dataclass(frozen=True)
class Clearance:
    """How far apart the tones at one speed are, at worst within the speed tolerance.

    Attributes
    ----------
    separation_hz : float
        Least distance of any two; infinite where there are no two.
    score : float
        Least distance over the resolvable spacing there; 1 or more: all are kept apart.
    closest : tuple of str
        The two with the least score, if there are two.
    meets : tuple of tuple of str
        Every pair with a score under 1.
    """

    separation_hz: float
    score: float
    closest: tuple[str, str] | None
    meets: tuple[tuple[str, str], ...]


def planned_lines(car: Car) -> tuple[Line, ...]:
    """Every planned tone in rising order; tones that coincide at every speed become one line."""
    tones = sorted(
        (order.ratio * harmonic, order.name if harmonic == 1 else f"{harmonic} × {order.name}")
        for order in car.orders
        for harmonic in PLANNED_HARMONICS
    )
    lines: list[Line] = []
    for order, name in tones:
        if lines and order - lines[-1].order <= 1e-9 * order:
            lines[-1] = Line(lines[-1].order, (*lines[-1].names, name))
        else:
            lines.append(Line(order, (name,)))
    return tuple(lines)


def mains_lines(mains_hz: float | None) -> tuple[tuple[float, str], ...]:
    """Mains hum and its harmonics; both 50 and 60 Hz where the mains is not known."""
    bases = (50.0, 60.0) if mains_hz is None else (float(mains_hz),)
    found = {base * harmonic for base in bases for harmonic in MAINS_HARMONICS}
    return tuple((frequency, f"mains hum {frequency:g} Hz") for frequency in sorted(found))


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What stays the same while the speed is searched.

    Attributes
    ----------
    lines : tuple of Line
    band : SensorBand
    mains : tuple of (float, str)
    spacing_orders : float
        Resolvable spacing in orders of the reference shaft.
    """

    lines: tuple[Line, ...]
    band: SensorBand
    mains: tuple[tuple[float, str], ...]
    spacing_orders: float

    @property
    def others(self) -> tuple[str, ...]:
        """Names of the tones that do not grow with the speed as the car's own do."""
        hum = tuple(name for _, name in self.mains)
        if not self.band.folds:
            return hum
        return (*hum, *(f"folded {line.name}" for line in self.lines))

    def own_score(self, rpm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Spacing of the car's own lines over the resolvable one, (n_speeds, n_lines, n_lines).

        Infinite where one of the two is out of the band, and where they are too close at every
        speed (those are reported as close pairs).
        """
        order = self._orders()
        gap = np.abs(order[:, np.newaxis] - order[np.newaxis, :])
        ratio = np.where(gap >= self.spacing_orders, gap / self.spacing_orders, np.inf)
        _, _, shown = self._tones(rpm)
        both = shown[:, :, np.newaxis] & shown[:, np.newaxis, :]
        return np.where(both, ratio[np.newaxis], np.inf)

    def other_distance_hz(self, rpm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distance of each line to hum and folded tones, (n_speeds, n_lines, n_others)."""
        low, high, shown = self._tones(rpm)
        hum = np.broadcast_to([f for f, _ in self.mains], (rpm.size, len(self.mains)))
        other_low, other_high = hum, hum
        if self.band.folds:
            folded_low, folded_high = _folded(low, high, self.band)
            other_low = np.concatenate([hum, folded_low], axis=1)
            other_high = np.concatenate([hum, folded_high], axis=1)
        # Between intervals [a, b] and [c, d]: max(0, a − d, c − b).
        gap = np.maximum(
            low[:, :, np.newaxis] - other_high[:, np.newaxis, :],
            other_low[:, np.newaxis, :] - high[:, :, np.newaxis],
        )
        return np.where(shown[:, :, np.newaxis], np.maximum(gap, 0.0), np.inf)

    def resolvable_hz(self, rpm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Resolvable spacing at the upper end of the tolerance."""
        return self.spacing_orders * rpm * (1.0 + SPEED_TOLERANCE) / 60.0

    def _orders(self) -> NDArray[np.float64]:
        return np.array([line.order for line in self.lines])

    def _tones(
        self, rpm: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
        """Interval that each line sweeps, (n_speeds, n_lines), and whether the band shows it."""
        tone = self._orders()[np.newaxis, :] * rpm[:, np.newaxis] / 60.0
        low, high = tone * (1.0 - SPEED_TOLERANCE), tone * (1.0 + SPEED_TOLERANCE)
        return low, high, (high >= self.band.low_hz) & (low <= self.band.high_hz)


def _folded(
    low: NDArray[np.float64], high: NDArray[np.float64], band: SensorBand
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Interval in which a swept tone appears after folding; infinite where it does not disturb."""
    rate = band.sample_rate_hz
    first, last = low / rate, high / rate
    a = np.abs(first - np.round(first))
    b = np.abs(last - np.round(last))
    # The folded tone turns round at 0 (whole multiples of the rate) and at half the rate.
    touches_zero = np.floor(last) > np.floor(first)
    touches_half = np.floor(last + 0.5) > np.floor(first + 0.5)
    folded_low = rate * np.where(touches_zero, 0.0, np.minimum(a, b))
    folded_high = rate * np.where(touches_half, 0.5, np.maximum(a, b))
    disturbs = (high > band.high_hz) & (low <= FOLD_LIMIT_HZ)
    disturbs &= (folded_high >= band.low_hz) & (folded_low <= band.high_hz)
    return np.where(disturbs, folded_low, np.inf), np.where(disturbs, folded_high, -np.inf)


def clearance(rpm: float, around: Surroundings) -> Clearance:
    """Work out how far apart the tones at one speed are."""
    speed = np.array([rpm])
    own_score = around.own_score(speed)[0]
    other_hz = around.other_distance_hz(speed)[0]
    own_hz = own_score * around.spacing_orders * rpm * (1.0 - SPEED_TOLERANCE) / 60.0
    score = np.concatenate([own_score, other_hz / around.resolvable_hz(speed)], axis=1)
    names = [line.name for line in around.lines]
    others = [*names, *around.others]
    line, other = np.unravel_index(int(np.argmin(score)), score.shape)
    return Clearance(
        separation_hz=float(min(np.min(own_hz), np.min(other_hz))),
        score=float(score[line, other]),
        closest=(names[line], others[other]) if np.isfinite(score[line, other]) else None,
        meets=tuple((names[i], others[j]) for i, j in np.argwhere(score < 1.0)),
    )


def choose_speeds(
    low_rpm: float, top_rpm: float, n_holds: int, around: Surroundings
) -> tuple[float, ...]:
    """Return the best speed of each of ``n_holds`` equal stretches of the range, rising."""
    grid = np.linspace(low_rpm, top_rpm, GRID_SPEEDS)
    worst, mean = np.empty(grid.size), np.empty(grid.size)
    for start in range(0, grid.size, 32):  # bounded memory for cars with many bearings
        rpm = grid[start : start + 32]
        per_line = np.min(around.other_distance_hz(rpm), axis=2)
        per_line /= around.resolvable_hz(rpm)[:, np.newaxis]
        worst[start : start + 32] = np.min(per_line, axis=1)
        mean[start : start + 32] = np.mean(np.minimum(per_line, 1.0), axis=1)
    # First that every tone is kept apart; where that cannot be, that as many as possible are.
    merit = 4.0 * np.minimum(worst, 1.0) + mean + 0.1 * np.minimum(worst, ENOUGH_SCORE)
    edges = np.linspace(low_rpm, top_rpm, n_holds + 1)
    chosen: list[float] = []
    for number in range(n_holds):
        first, last = edges[number], edges[number + 1]
        inside = np.flatnonzero((grid >= first) & (grid <= last))
        # Prefer the upper part of each stretch: forces grow with the square of the speed.
        target = first + 0.8 * (last - first)
        nearness = 1.0 - np.abs(grid[inside] - target) / max(last - first, 1e-12)
        best = inside[np.argmax(merit[inside] + nearness)]
        if not chosen or grid[best] > chosen[-1]:
            chosen.append(float(grid[best]))
    return tuple(chosen)
