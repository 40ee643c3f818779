"""Signal core: spectra and lines of signals on a uniform grid of shaft angle.

Two views of one stretch: segments of a fixed number of turns (power against order, for spectra
and maps), and one long transform from which single orders are cut out with a narrow,
zero-phase band (for order cuts and for the synchronous part).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.dsp.angular import (
    CELL,
    PAD_TURNS,
    SAMPLES_PER_ORDER,
    AngularStretch,
    long_transform,
)
from vibecheck.dsp.spectrum import short_time_power
from vibecheck.errors import CallError

WIDTHS_TOGETHER = 0.3
"""Bands whose half widths differ by less (natural logarithm) are taken out together."""


@dataclass(frozen=True, eq=False)
class OrderSegments:
    """Power of successive segments of a fixed number of turns.

    Attributes
    ----------
    order : ndarray, shape (n_orders,)
    power : ndarray, shape (n_segments, n_orders), float32
        A sine of amplitude ``a`` in the middle of a bin reads ``a²/2``.
    noise_bandwidth : float
        Equivalent noise bandwidth of a bin, in orders.
    low_rate_hz, top_rate_hz : ndarray, shape (n_segments,)
        Lowest and highest speed in the segment, turns per second.
    start_turn : ndarray, shape (n_segments,)
        Turns since time 0 at each segment's start.
    n_turns : float
        Length of a segment.
    """

    order: NDArray[np.float64]
    power: NDArray[np.float32]
    noise_bandwidth: float
    low_rate_hz: NDArray[np.float64]
    top_rate_hz: NDArray[np.float64]
    start_turn: NDArray[np.float64]
    n_turns: float


def order_segments(
    stretches: Sequence[AngularStretch],
    n_turns: int,
    max_order: float,
    *,
    window: str = "hann",
    overlap: float = 0.5,
) -> OrderSegments:
    """Return the power of every whole segment of all stretches, one row each.

    Parameters
    ----------
    stretches : sequence of AngularStretch
        All on the same grid; at least one.
    n_turns : int >= 1
        Turns per segment: the order resolution is ``1 / n_turns``.
    max_order : float
        At most ``samples_per_turn / SAMPLES_PER_ORDER``.
    window : str
    overlap : float, 0 <= overlap < 1
    """
    per_turn = stretches[0].samples_per_turn
    if max_order > per_turn / SAMPLES_PER_ORDER + 1e-9:
        raise CallError(
            f"max_order must be at most {per_turn / SAMPLES_PER_ORDER:g} on this grid. "
            f"Got {max_order!r} instead."
        )
    length = n_turns * per_turn
    hop = max(1, round(length * (1.0 - overlap)))
    n_orders = int(np.floor(max_order * n_turns + 1e-9)) + 1
    noise_bandwidth = 0.0
    power, low_rate, top_rate, start = [], [], [], []
    for stretch in stretches:
        if stretch.samples.size < length:
            continue
        short = short_time_power(stretch.samples, per_turn, length, hop, window=window)
        noise_bandwidth = short.noise_bandwidth_hz
        power.append(short.power[:, :n_orders])
        first = hop * np.arange(short.power.shape[0])
        rates = stretch.rate_hz[
            np.minimum(
                (first[:, np.newaxis] + np.linspace(0, length - 1, 9).astype(int)) // CELL,
                stretch.rate_hz.size - 1,
            )
        ]
        low_rate.append(rates.min(axis=1))
        top_rate.append(rates.max(axis=1))
        start.append((stretch.first_index + first) / per_turn)
    empty = np.empty(0)
    return OrderSegments(
        order=frozen_array(np.arange(n_orders) / n_turns, copy=False),
        power=np.concatenate(power) if power else np.empty((0, n_orders), np.float32),
        noise_bandwidth=noise_bandwidth,
        low_rate_hz=np.concatenate(low_rate) if power else empty,
        top_rate_hz=np.concatenate(top_rate) if power else empty,
        start_turn=np.concatenate(start) if power else empty,
        n_turns=float(n_turns),
    )


class LongSpectrum:
    """One transform over a whole stretch, from which narrow bands of order are cut.

    The stretch is followed by zeros, so that its end does not run into its start. What a band
    filter then loses at both ends is made good by dividing by the filtered box (normalised
    convolution).

    Parameters
    ----------
    stretch : AngularStretch
    half_width : float > 0
        Half width of the narrowest band in orders; a band passes its inner half whole and falls
        off as a raised cosine to its edge.
    """

    def __init__(self, stretch: AngularStretch, half_width: float) -> None:
        if not half_width > 0.0:
            raise CallError(f"half_width must be above zero. Got {half_width!r} instead.")
        self.stretch = stretch
        self.half_width = half_width
        self.per_turn = stretch.samples_per_turn
        self.n = stretch.samples.size
        # What a band filter still spills beyond two of its lengths is lost in the noise.
        if half_width >= 2.0 / PAD_TURNS:
            self.n_fft, self.lines = stretch.transform
        else:
            self.n_fft, self.lines = long_transform(stretch, 2.0 / half_width)
        self.bins_per_order = self.n_fft / self.per_turn

    def band(self, order: float, half_width: float) -> tuple[slice, NDArray[np.float32]]:
        """Return the bins around an order, and their weights (empty beyond the grid's band)."""
        centre = order * self.bins_per_order
        reach = max(1.0, half_width * self.bins_per_order)
        last_bin = int(self.per_turn / SAMPLES_PER_ORDER * self.bins_per_order)
        low = max(1, int(np.ceil(centre - reach)))
        high = min(last_bin, int(np.floor(centre + reach)))
        if high < low:
            return slice(0, 0), np.empty(0, np.float32)
        distance = np.abs(np.arange(low, high + 1) - centre) / reach
        weights = np.cos(np.pi * np.clip(distance - 0.5, 0.0, 0.5)) ** 2
        return slice(low, high + 1), weights.astype(np.float32)

    def end_loss(self, points: NDArray[Any], half_width: float) -> NDArray[np.float64]:
        """Return what the band filter keeps of a steady line, at places counted in grid points.

        Depends on the distance to the ends alone: the step response of the band's low-pass shape.
        """
        # Impulse response of the half-flat raised-cosine band, in turns, integrated.
        span = 4.0 / half_width
        turns = np.linspace(-span, span, 2049)
        x = half_width * turns
        # Fourier transform of the band: sinc of the half-power width times the taper's transform.
        denominator = 1.0 - x**2
        with np.errstate(divide="ignore", invalid="ignore"):
            taper = np.where(
                np.abs(denominator) < 1e-6, np.pi / 4, np.cos(0.5 * np.pi * x) / denominator
            )
        kernel = np.sinc(1.5 * x) * taper
        step = np.cumsum(kernel)
        step /= step[-1]
        places = np.asarray(points, dtype=np.float64) / self.per_turn
        length = self.n / self.per_turn
        kept = np.interp(places, turns, step) - np.interp(places - length, turns, step)
        return np.maximum(kept, 0.35)

    def synchronous(
        self, orders: NDArray[np.float64], half_widths: NDArray[np.float64]
    ) -> NDArray[np.float32]:
        """Return the part of the stretch inside bands around the given orders."""
        taken = np.zeros(self.lines.size, np.float32)
        whole = np.zeros(self.n, np.float32)
        places = np.arange(self.n)
        # A wider band loses less at the ends: bands of like width are made good together.
        kinds = np.floor(np.log(half_widths / half_widths.min()) / WIDTHS_TOGETHER)
        for kind in np.unique(kinds):
            own = np.zeros(self.lines.size, np.float32)
            chosen = kinds == kind
            for order, half_width in zip(orders[chosen], half_widths[chosen], strict=True):
                part, band = self.band(order, half_width)
                more = np.maximum(band - taken[part], 0.0)
                own[part] += more
                taken[part] += more
            kept: NDArray[np.float32] = scipy.fft.irfft(self.lines * own, self.n_fft)[: self.n]
            # Only the ends lose anything.
            width = float(half_widths[chosen].mean())
            reach = int(4.0 / width * self.per_turn)
            ends = np.concatenate([places[:reach], places[max(reach, self.n - reach) :]])
            kept[ends] /= self.end_loss(ends.astype(np.float64), width).astype(np.float32)
            whole += kept
        return whole

    def mean_squares(
        self, orders: NDArray[np.float64], half_widths: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the mean square, over the stretch, of what each band holds (Parseval)."""
        out = np.zeros(len(orders))
        for i, (order, half_width) in enumerate(zip(orders, half_widths, strict=True)):
            part, band = self.band(order, half_width)
            lines = self.lines[part] * band
            out[i] = 2.0 * float(np.vdot(lines, lines).real) / (float(self.n_fft) * self.n)
        return out

    def demodulate(self, order: float, half_width: float, n_points: int) -> NDArray[np.complex128]:
        """Return the complex amplitude ``a·exp(jφ)`` of one order along the stretch.

        The signal's part at that order is ``a cos(2π·order·turns + φ)``, turns since time 0.

        Returns
        -------
        ndarray, shape (n_points,)
            At grid points ``i · n_fft / n_points`` (those beyond the stretch are of no use).
        """
        part, weights = self.band(order, half_width)
        centre = round(order * self.bins_per_order)
        baseband = np.zeros(n_points, np.complex128)
        if weights.size:
            shift = np.arange(part.start, part.stop) - centre
            if 2 * np.max(np.abs(shift)) >= n_points:
                raise CallError("The order cut needs more points for so wide a band.")
            baseband[shift % n_points] = self.lines[part] * weights
        place = np.arange(n_points) * (self.n_fft / n_points)
        turns = place / self.per_turn
        # x̂(θ) = 2/N Σ X e^{j2πkθ/N}; what is left of the order's own frequency is taken off.
        amplitude = scipy.fft.ifft(baseband) * (2.0 * n_points / self.n_fft)
        rest = centre / self.bins_per_order - order
        first_turn = self.stretch.first_index / self.per_turn
        amplitude *= np.exp(2j * np.pi * (rest * turns - order * first_turn))
        result: NDArray[Any] = amplitude / self.end_loss(place, half_width)
        return result
