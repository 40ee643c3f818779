"""Stage 3: single orders along the take, with their phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.car.profile import Order
from vibecheck.dsp.order_lines import LongSpectrum
from vibecheck.errors import CallError
from vibecheck.orders.grid import angular_take
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack

BAND_HALF_WIDTH = 0.05
"""Half width of a followed order, in orders, plus `BAND_GROWTH` per order: an error of the speed
track moves a high order further than a low one."""
BAND_GROWTH = 0.001
CUT_STEP_TURNS = 2.0


@dataclass(frozen=True, eq=False)
class OrderCuts:
    """Amplitude and phase of single orders along the take.

    The take's part at order ``o`` is ``amplitude · cos(2π·o·turns + phase_rad)``, with the turns
    of the reference shaft since the take's first sample.

    Attributes
    ----------
    order : ndarray, shape (n_cuts,)
    names : tuple of str
    time_s, rpm : ndarray, shape (n_points,)
    amplitude, phase_rad : ndarray, shape (n_cuts, n_points)
        NaN where not observable.
    observable : ndarray of bool, shape (n_cuts, n_points)
    unit : str
    """

    order: NDArray[np.float64]
    names: tuple[str, ...]
    time_s: NDArray[np.float64]
    rpm: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    phase_rad: NDArray[np.float64]
    observable: NDArray[np.bool_]
    unit: str


def order_cuts(
    take: Take,
    speed: SpeedTrack,
    orders: Sequence[Order | float],
    *,
    half_width: float = BAND_HALF_WIDTH,
) -> OrderCuts:
    """Follow the amplitude and phase of single orders along the take.

    Parameters
    ----------
    take, speed
    orders : sequence of Order or float
        Per turn of the reference shaft, each > 0.
    half_width : float > 0
        Half width of the band, in orders: narrower means steadier and slower.
    """
    ratios, names = order_ratios(orders)
    widths = half_width + BAND_GROWTH * ratios
    # The grid must hold the whole band of the highest order, not end in its middle.
    grid = angular_take(take, speed, max_order=float((ratios + widths).max()))
    times, rpms, values, seen = [], [], [], []
    for stretch in grid.stretches:
        spectrum = LongSpectrum(stretch, half_width)
        step = min(CUT_STEP_TURNS, 0.4 / float(widths.max()))
        n_points = max(8, int(np.ceil(spectrum.n_fft / spectrum.per_turn / step)))
        place = np.arange(n_points) * (spectrum.n_fft / n_points)
        used = place <= spectrum.n - 1
        turns = (stretch.first_index + place[used]) / spectrum.per_turn
        time = grid.track.time_at(turns)
        rate = grid.track.rate_at(time)
        times.append(time)
        rpms.append(60.0 * rate)
        values.append(
            np.stack(
                [
                    spectrum.demodulate(ratio, width, n_points)[used]
                    for ratio, width in zip(ratios, widths, strict=True)
                ]
            )
        )
        seen.append(grid.observable(ratios + half_width, rate).T)
    observable = np.concatenate(seen, axis=1)
    value = np.where(observable, np.concatenate(values, axis=1), np.nan)
    return OrderCuts(
        order=frozen_array(ratios, copy=False),
        names=names,
        time_s=frozen_array(np.concatenate(times), copy=False),
        rpm=frozen_array(np.concatenate(rpms), copy=False),
        amplitude=frozen_array(np.abs(value), copy=False),
        phase_rad=frozen_array(np.where(observable, np.angle(value), np.nan), copy=False),
        observable=frozen_array(observable, copy=False),
        unit=take.unit,
    )


def order_ratios(
    orders: Sequence[Order | float],
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return the ratios and names of orders given as values or as bare numbers.

    Raises
    ------
    CallError
        If there is none, or one is not a positive number.
    """
    ratios = np.array([o.ratio if isinstance(o, Order) else float(o) for o in orders])
    if not (ratios.size and np.all(np.isfinite(ratios)) and np.all(ratios > 0.0)):
        raise CallError(f"orders must be one or more positive numbers. Got {orders!r} instead.")
    names = tuple(o.name if isinstance(o, Order) else f"{float(o):g}" for o in orders)
    return ratios, names
