"""Stage 3: amplitude against order, and against order and speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.dsp.order_lines import OrderSegments, order_segments
from vibecheck.errors import CallError, InputError
from vibecheck.orders.grid import AngularTake, angular_take, in_phase
from vibecheck.recording.take import Take
from vibecheck.track import PhaseName, SpeedTrack
from vibecheck.units import amplitude_to_db

DEFAULT_TURNS = 32
LEAST_TURNS = 4
LEAST_SEGMENTS = 4


@dataclass(frozen=True, eq=False)
class OrderSpectrum:
    """Amplitude against order, averaged over segments of equal turns.

    Attributes
    ----------
    order : ndarray, shape (n_orders,)
        Events per turn of the shaft.
    amplitude : ndarray, shape (n_orders,)
        Peak amplitude in ``unit``: a sine of amplitude ``a`` in the middle of a bin reads ``a``
        (root of the mean power over segments). NaN where no segment could show the order.
    unit : str
    resolution : float
        Distance between orders, ``1 / turns per segment``.
    noise_bandwidth : float
        Equivalent noise bandwidth of a bin, in orders.
    n_segments : int
        Averaged segments, half overlapping.
    coverage : ndarray, shape (n_orders,)
        Share of the segments, 0–1, in which each order lay inside the take's band.
    shaft_ratio : float
        Turns of the shaft per turn of the track's reference shaft.
    phase : str or None
        The phase averaged over; None for the whole run.
    """

    order: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    unit: str
    resolution: float
    noise_bandwidth: float
    n_segments: int
    coverage: NDArray[np.float64]
    shaft_ratio: float = 1.0
    phase: PhaseName | None = None

    def amplitude_db(self, reference: float = 1.0) -> NDArray[np.float64]:
        """Level in decibel over a reference amplitude; NaN where masked."""
        return amplitude_to_db(self.amplitude / reference)

    def at(self, order: float, half_width: float | None = None) -> float:
        """Return the amplitude of the line near an order, wherever it lies between bins.

        The power over the line's width, freed of the window's noise bandwidth: true to 0.02 dB
        for a line of its own. NaN where the order could not be observed.

        Parameters
        ----------
        order : float
        half_width : float, optional
            How far from ``order`` to add up; 2.5 bins by default.
        """
        reach = 2.5 * self.resolution if half_width is None else half_width
        near = np.abs(self.order - order) <= max(reach, 0.5 * self.resolution)
        if not near.any() or np.isnan(self.amplitude[near]).any():
            return float("nan")
        power = np.sum(self.amplitude[near] ** 2) * self.resolution / self.noise_bandwidth
        return float(np.sqrt(power))

    def prominence_db(self, order: float, half_width: float | None = None) -> float:
        """Return the highest bin near an order over the median within one order of it."""
        reach = 1.5 * self.resolution if half_width is None else half_width
        distance = np.abs(self.order - order)
        near = self.amplitude[distance <= max(reach, 0.5 * self.resolution)]
        around = self.amplitude[(distance <= 1.0) & (self.order > 0.0)]
        if not near.size or np.isnan(near).any() or np.isnan(around).all():
            return float("nan")
        return float(amplitude_to_db(np.max(near) / max(float(np.nanmedian(around)), 1e-30)))


@dataclass(frozen=True, eq=False)
class OrderSpeedMap:
    """Amplitude against speed and order.

    Attributes
    ----------
    order : ndarray, shape (n_orders,)
    rpm : ndarray, shape (n_speeds,)
        Centres of equal bins of the reference shaft's speed.
    amplitude : ndarray, shape (n_speeds, n_orders)
        Root of the mean power, as in `OrderSpectrum`. NaN where that order was beyond the
        take's band at that speed, or where the take never ran at that speed.
    unit : str
    n_segments : ndarray of int, shape (n_speeds,)
    """

    order: NDArray[np.float64]
    rpm: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    unit: str
    n_segments: NDArray[np.int64]

    def amplitude_db(self, reference: float = 1.0) -> NDArray[np.float64]:
        """Level in decibel over a reference amplitude; NaN where masked."""
        return amplitude_to_db(self.amplitude / reference)


def order_spectrum(
    take: Take,
    speed: SpeedTrack,
    *,
    max_order: float | None = None,
    resolution: float | None = None,
    phase: PhaseName | None = None,
    shaft_ratio: float = 1.0,
    window: str = "hann",
) -> OrderSpectrum:
    """Return the amplitude of every order, averaged over the run or one phase of it.

    Parameters
    ----------
    take : Take
        Of several channels the strongest is used.
    speed : SpeedTrack
    max_order : float, optional
        Highest order wanted; by default 64, or less where the take cannot show it.
    resolution : float, optional
        Distance between orders, down to one over the turns that the run has. By default 1/32,
        coarser where the run is short.
    phase : {"idle", "run_up", "hold", "coast_down"}, optional
    shaft_ratio : float > 0
        Turns of the wanted shaft per turn of the reference shaft; orders then count per turn of
        that shaft.
    window : str
        ``"hann"``, or ``"blackman_harris"`` to look for weak lines beside strong ones.

    Raises
    ------
    InputError
        If the shaft does not turn, or not often enough for the resolution.
    """
    grid = angular_take(take, speed, max_order=max_order, shaft_ratio=shaft_ratio)
    segments, keep = _segments(grid, speed, resolution, phase, window)
    power = segments.power[keep].astype(np.float64)
    seen = grid.observable(segments.order, segments.top_rate_hz[keep])
    coverage = seen.mean(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(seen, power, 0.0).sum(axis=0) / seen.sum(axis=0)
    return OrderSpectrum(
        order=segments.order,
        amplitude=frozen_array(np.sqrt(2.0 * mean), copy=False),
        unit=take.unit,
        resolution=1.0 / segments.n_turns,
        noise_bandwidth=segments.noise_bandwidth,
        n_segments=int(keep.sum()),
        coverage=frozen_array(coverage, copy=False),
        shaft_ratio=shaft_ratio,
        phase=phase,
    )


def order_speed_map(
    take: Take,
    speed: SpeedTrack,
    *,
    max_order: float | None = None,
    resolution: float = 1.0 / 16.0,
    n_speeds: int = 48,
    phase: PhaseName | None = None,
    shaft_ratio: float = 1.0,
) -> OrderSpeedMap:
    """Return the amplitude of every order at every speed.

    Parameters
    ----------
    take, speed, max_order, phase, shaft_ratio
        As for `order_spectrum`.
    resolution : float
        Distance between orders; finer means longer segments and less detail in speed.
    n_speeds : int >= 1
        Number of equal speed bins.
    """
    if n_speeds < 1:
        raise CallError(f"n_speeds must be at least 1. Got {n_speeds!r} instead.")
    grid = angular_take(take, speed, max_order=max_order, shaft_ratio=shaft_ratio)
    segments, keep = _segments(grid, speed, resolution, phase, "hann")
    low = segments.low_rate_hz[keep] * (60.0 / shaft_ratio)
    top = segments.top_rate_hz[keep] * (60.0 / shaft_ratio)
    edges = np.linspace(low.min(), max(top.max(), low.min() + 1e-6), n_speeds + 1)
    # A segment speaks for every speed that it ran through.
    member = (low < edges[1:, np.newaxis]) & (top >= edges[:-1, np.newaxis])
    seen = grid.observable(segments.order, segments.top_rate_hz[keep]).astype(np.float32)
    weights = member.astype(np.float32)
    total = weights @ (segments.power[keep] * seen)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / (weights @ seen)
    return OrderSpeedMap(
        order=segments.order,
        rpm=frozen_array(0.5 * (edges[1:] + edges[:-1]), copy=False),
        amplitude=frozen_array(np.sqrt(2.0 * mean), np.float64, copy=False),
        unit=take.unit,
        n_segments=frozen_array(member.sum(axis=1), copy=False),
    )


def _segments(
    grid: AngularTake,
    speed: SpeedTrack,
    resolution: float | None,
    phase: PhaseName | None,
    window: str,
) -> tuple[OrderSegments, NDArray[np.bool_]]:
    """Cut the run into segments and mark those that lie in the phase."""
    if resolution is not None and not (np.isfinite(resolution) and 0.0 < resolution <= 1.0):
        raise CallError(f"resolution must be above 0 and at most 1. Got {resolution!r} instead.")
    n_turns = DEFAULT_TURNS if resolution is None else max(1, round(1.0 / resolution))
    enough = LEAST_SEGMENTS if resolution is None else 1
    while True:
        segments = order_segments(grid.stretches, n_turns, grid.max_order, window=window)
        centre = grid.track.time_at(segments.start_turn + 0.5 * n_turns)
        keep = in_phase(speed, centre, phase)
        if keep.sum() >= enough:
            return segments, keep
        if resolution is None and n_turns > LEAST_TURNS:
            n_turns //= 2
        elif keep.any():
            return segments, keep
        else:
            break
    where = "in this take" if phase is None else f'in the phase "{phase}"'
    raise InputError(
        f"The shaft makes fewer than {n_turns} turns in one go {where}.",
        advice="Ask for a coarser order resolution, or record a longer run.",
    )
