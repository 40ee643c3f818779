"""Stage 3: what repeats with the shaft, and the take without it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.car.profile import Order
from vibecheck.dsp.angular import to_time
from vibecheck.dsp.order_lines import LongSpectrum
from vibecheck.dsp.statistics import running_median
from vibecheck.errors import CallError, InputError
from vibecheck.orders.cuts import BAND_GROWTH, BAND_HALF_WIDTH, order_ratios
from vibecheck.orders.grid import angular_take, channel_samples, in_phase
from vibecheck.orders.spectrum import OrderSpectrum, order_spectrum
from vibecheck.recording.take import Take
from vibecheck.track import PhaseName, SpeedTrack

MOST_LINES = 32
LEAST_PROMINENCE_DB = 12.0


@dataclass(frozen=True, eq=False)
class SynchronousAverage:
    """One turn of one shaft: what repeats with it.

    Attributes
    ----------
    turn : ndarray, shape (n_points,)
        Shaft angle in turns, 0–1. Its zero is arbitrary but the same for all turns.
    waveform : ndarray, shape (n_points,)
    unit : str
    shaft_ratio : float
    n_turns : int
        Turns averaged in all.
    share : float
        Mean square of the waveform over that of the signal, 0–1.
    """

    turn: NDArray[np.float64]
    waveform: NDArray[np.float64]
    unit: str
    shaft_ratio: float
    n_turns: int
    share: float


@dataclass(frozen=True, eq=False)
class Residual:
    """A take without its steady orders.

    Attributes
    ----------
    take : Take
        Same rate and length; outside the shaft's run it is untouched.
    orders : ndarray, shape (n,)
        What was removed.
    removed : ndarray, shape (n,)
        Share of the mean square (while running) that each order's band held.
    removed_share : float
        Share of the mean square (while running) that is gone in all.
    """

    take: Take
    orders: NDArray[np.float64]
    removed: NDArray[np.float64]
    removed_share: float


def synchronous_average(
    take: Take,
    speed: SpeedTrack,
    shaft_ratio: float = 1.0,
    *,
    n_turns: int = 64,
    max_order: float | None = None,
    phase: PhaseName | None = None,
    align: bool = True,
) -> SynchronousAverage:
    """Return one mean turn of a shaft.

    The track follows the speed, not the shaft's mark: over thousands of turns its phase drifts.
    So the average is taken over blocks of ``n_turns``, and each block is turned to fit the mean of
    those before it.

    Parameters
    ----------
    take, speed
    shaft_ratio : float > 0
        Turns of the shaft per turn of the reference shaft.
    n_turns : int >= 1
        Turns per block.
    max_order : float, optional
        Highest order of the shaft that the waveform keeps.
    phase : str, optional
    align : bool
        False to trust the track's phase throughout (a tachometer, or a simulation).

    Raises
    ------
    CallError
        If ``n_turns`` is not positive.
    InputError
        If the shaft does not make ``n_turns`` turns in one go.
    """
    if n_turns < 1:
        raise CallError(f"n_turns must be at least 1. Got {n_turns!r} instead.")
    grid = angular_take(take, speed, max_order=max_order, shaft_ratio=shaft_ratio)
    per_turn = grid.samples_per_turn
    blocks: list[NDArray[np.float64]] = []
    total = 0.0
    for stretch in grid.stretches:
        skip = -stretch.first_index % per_turn
        n_blocks = (stretch.samples.size - skip) // (n_turns * per_turn)
        if n_blocks < 1:
            continue
        used = stretch.samples[skip : skip + n_blocks * n_turns * per_turn]
        turns = used.reshape(n_blocks, n_turns, per_turn).astype(np.float64)
        first = (stretch.first_index + skip) // per_turn
        centre = grid.track.time_at(first + n_turns * (np.arange(n_blocks) + 0.5))
        turns = turns[in_phase(speed, centre, phase)]
        blocks.extend(turns.mean(axis=1))
        total += float(np.sum(turns**2))
    if not blocks:
        raise InputError(
            f"The shaft makes fewer than {n_turns} turns in one go.",
            advice="Average over fewer turns, or record a longer run.",
        )
    running = np.zeros(per_turn)
    for block in blocks:
        if align and running.any():
            match = scipy.fft.irfft(
                scipy.fft.rfft(running) * np.conj(scipy.fft.rfft(block)), per_turn
            )
            block = np.roll(block, int(np.argmax(match)))
        running += block
    waveform = running / len(blocks)
    n_points = len(blocks) * n_turns * per_turn
    share = float(np.mean(waveform**2)) / max(total / n_points, 1e-300)
    return SynchronousAverage(
        turn=frozen_array(np.arange(per_turn) / per_turn, copy=False),
        waveform=frozen_array(waveform, copy=False),
        unit=take.unit,
        shaft_ratio=shaft_ratio,
        n_turns=len(blocks) * n_turns,
        share=min(share, 1.0),
    )


def prominent_orders(
    spectrum: OrderSpectrum,
    *,
    least_db: float = LEAST_PROMINENCE_DB,
    most: int = MOST_LINES,
) -> NDArray[np.float64]:
    """Return the orders of the narrow lines that stand out of their surroundings.

    Parameters
    ----------
    spectrum : OrderSpectrum
    least_db : float
        How far over the median within about one order of it.
    most : int
        At most so many, the strongest.
    """
    power = np.where(np.isfinite(spectrum.amplitude), spectrum.amplitude, 0.0) ** 2
    around = running_median(power, 2 * max(2, round(1.0 / spectrum.resolution)) + 1)
    top = np.zeros(power.size, dtype=bool)
    top[1:-1] = (power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:])
    # Two bins from zero at least: below that the window's own foot counts.
    top &= (np.arange(power.size) > 2) & (power > around * 10.0 ** (least_db / 10.0)) & (power > 0)
    found = np.flatnonzero(top)
    found = np.sort(found[np.argsort(power[found])[::-1][:most]])
    left, mid, right = (np.log(np.maximum(power[found + k], 1e-300)) for k in (-1, 0, 1))
    # Parabola through three log powers: the line between the bins.
    bend = left - 2.0 * mid + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    lines: NDArray[np.float64] = (found + np.clip(shift, -0.5, 0.5)) * spectrum.resolution
    return lines


def residual(
    take: Take,
    speed: SpeedTrack,
    orders: Sequence[Order | float] | None = None,
    *,
    half_width: float = BAND_HALF_WIDTH,
) -> Residual:
    """Return the take without its steady orders.

    Each order is followed by a narrow zero-phase band in shaft angle, taken back to time and
    subtracted; all else passes untouched. Impacts are spread over the whole band, so that they
    lose only the small share that falls into the removed bands.

    Parameters
    ----------
    take, speed
    orders : sequence of Order or float, optional
        Per turn of the reference shaft. By default the lines that stand out of the take's own
        order spectrum (`prominent_orders`).
    half_width : float > 0
        Half width of each band in orders, plus one thousandth of the order.
    """
    if orders is None:
        ratios = prominent_orders(order_spectrum(take, speed))
    else:
        ratios, _ = order_ratios(orders)
    if not ratios.size:
        nothing = frozen_array(np.empty(0), copy=False)
        return Residual(take, nothing, nothing, 0.0)
    widths = half_width + BAND_GROWTH * ratios
    out = np.array(take.samples, dtype=np.float32 if take.n_channels == 1 else None)
    removed = np.zeros(ratios.size)
    before = after = 0.0
    for channel in range(take.n_channels):
        grid = angular_take(take, speed, max_order=float((ratios + widths).max()), channel=channel)
        for stretch in grid.stretches:
            spectrum = LongSpectrum(stretch, half_width)
            steady = spectrum.synchronous(ratios, widths)
            first, values = to_time(stretch, steady, grid.track, take.sample_rate_hz)
            run = slice(first, first + values.size)
            plain = channel_samples(take, channel)[run]
            before += float(np.vdot(plain, plain))
            plain = plain - values
            after += float(np.vdot(plain, plain))
            out[channel, run] -= values
            removed += values.size * spectrum.mean_squares(ratios, widths)
    scale = 1.0 / max(before, 1e-300)
    return Residual(
        take=replace(take, samples=frozen_array(out, copy=False)),
        orders=frozen_array(ratios, copy=False),
        removed=frozen_array(np.minimum(removed * scale, 1.0), copy=False),
        removed_share=float(min(max(1.0 - after * scale, 0.0), 1.0)),
    )
