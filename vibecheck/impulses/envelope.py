"""Stage 3b: the band in which bursts stand out, and the shaft that they keep time with."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.dsp.angular import SAMPLES_PER_ORDER, AngularStretch, to_angle
from vibecheck.dsp.envelope import line_significance, squared_envelope
from vibecheck.dsp.kurtogram import Kurtogram, fast_kurtogram
from vibecheck.dsp.order_lines import order_segments
from vibecheck.errors import CallError, InputError
from vibecheck.orders.grid import (
    LEAST_RATE_HZ,
    LEAST_SHARE_OF_TOP,
    channel_samples,
    in_phase,
    phase_track,
    strongest_channel,
)
from vibecheck.recording.take import Take
from vibecheck.track import PhaseName, SpeedTrack

DEFAULT_MAX_ORDER = 16.0
DEFAULT_TURNS = 32
FALSE_ALARM = 0.01
LOWEST_BAND_HZ = 300.0
MOST_SAMPLES = 1 << 19
"""A kurtogram looks at this many samples at most, from the middle of the run."""
LEAST_BINS = 8
FIRST_BINS = 2
"""Bins next to zero that belong to the mean level and its drift."""


@dataclass(frozen=True)
class EnvelopeLine:
    """What the envelope shows at one order.

    Attributes
    ----------
    order : float
        Of the highest bin near the order asked for.
    amplitude : float
        Of the envelope's swing, relative to its mean.
    over_background : float
        Power over what noise alone would show there.
    p_value : float
        Chance that noise alone shows so high a bin anywhere in the range looked at.
    """

    order: float
    amplitude: float
    over_background: float
    p_value: float


@dataclass(frozen=True, eq=False)
class EnvelopeOrderSpectrum:
    """Order spectrum of the squared envelope of a band.

    Attributes
    ----------
    order : ndarray, shape (n_orders,)
        Bursts per turn of the shaft.
    amplitude : ndarray, shape (n_orders,)
        Swing of the squared envelope relative to its local mean; a small sine modulation of depth
        ``m`` reads ``2m``, less the share ``f/(high_hz − low_hz)`` that its frequency ``f`` loses
        at the band's edges. NaN next to zero, where the level's drift sits.
    background : ndarray, shape (n_orders,)
        Amplitude that noise alone would show.
    limit : ndarray, shape (n_orders,)
        Amplitude that noise alone exceeds anywhere in the spectrum with ``false_alarm``.
    p_value : ndarray, shape (n_orders,)
        Chance of each single bin; 1 next to zero.
    false_alarm : float
    low_hz, high_hz : float
        The band.
    resolution : float
    n_segments : int
    shaft_ratio : float
    phase : str or None
    kurtogram : Kurtogram or None
        Where the band came from; None where it was given.
    """

    order: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    background: NDArray[np.float64]
    limit: NDArray[np.float64]
    p_value: NDArray[np.float64]
    false_alarm: float
    low_hz: float
    high_hz: float
    resolution: float
    n_segments: int
    shaft_ratio: float = 1.0
    phase: PhaseName | None = None
    kurtogram: Kurtogram | None = None

    def at(self, order: float, half_width: float | None = None) -> EnvelopeLine | None:
        """Return the highest bin near an order; None where the spectrum does not reach.

        Parameters
        ----------
        order : float
        half_width : float, optional
            How far from ``order`` to look; 1.5 bins by default. Every bin looked at counts as one
            more chance for noise.
        """
        reach = 1.5 * self.resolution if half_width is None else half_width
        distance = np.abs(self.order - order)
        near = np.flatnonzero(
            (distance <= max(reach, 0.5 * self.resolution)) & np.isfinite(self.amplitude)
        )
        return self._line(near) if near.size else None

    def strongest(self, low: float = 0.0, high: float = np.inf) -> EnvelopeLine:
        """Return the most significant bin between two orders."""
        inside = (self.order >= low) & (self.order <= high) & np.isfinite(self.amplitude)
        if not inside.any():
            raise CallError(
                f"The envelope spectrum has nothing between orders {low:g} and {high:g}."
            )
        return self._line(np.flatnonzero(inside))

    def _line(self, bins: NDArray[np.intp]) -> EnvelopeLine:
        ratio = (self.amplitude[bins] / self.background[bins]) ** 2
        best = int(np.argmax(ratio))
        # Šidák: the chance that none of the bins is so high, neighbours counted as independent.
        chance = -np.expm1(bins.size * np.log1p(-min(self.p_value[bins].min(), 1.0 - 1e-12)))
        return EnvelopeLine(
            order=self._between_bins(int(bins[best])),
            amplitude=float(self.amplitude[bins[best]]),
            over_background=float(ratio[best]),
            p_value=float(chance),
        )

    def _between_bins(self, i: int) -> float:
        """Return the line's order by a parabola through three log amplitudes."""
        if 0 < i < self.order.size - 1:
            left, mid, right = np.log(np.maximum(self.amplitude[i - 1 : i + 2], 1e-300))
            bend = left - 2.0 * mid + right
            if np.isfinite(bend) and bend < 0.0:
                shift = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
                return float(self.order[i] + shift * self.resolution)
        return float(self.order[i])


def kurtogram_of(
    take: Take,
    speed: SpeedTrack | None = None,
    phase: PhaseName | None = None,
    *,
    n_finest: int = 96,
    low_hz: float = LOWEST_BAND_HZ,
) -> Kurtogram:
    """Return the kurtogram of a take, or of the part of it in which the shaft turns.

    Parameters
    ----------
    take : Take
        Of several channels the strongest is used.
    speed : SpeedTrack, optional
        Without it the whole take is used.
    phase : str, optional
        One phase instead of the whole run: its longest stretch.
    n_finest : int
        Bands of the finest level; fewer where the run is short.
    low_hz : float
        The best band is searched above this (in sound, hum and handling sit below).

    Raises
    ------
    InputError
        If the shaft does not turn, the phase is missing, or the run is too short.
    """
    x = channel_samples(take, strongest_channel(take))
    rate = take.sample_rate_hz
    if speed is not None:
        start, stop = _longest_run(take, speed, phase)
        x = x[int(start * rate) : max(int(stop * rate), 1)]
    if x.size > MOST_SAMPLES:
        skip = (x.size - MOST_SAMPLES) // 2
        x = x[skip : skip + MOST_SAMPLES]
    while 32 * n_finest > x.size and n_finest > 3:
        n_finest //= 2
    if 32 * n_finest > x.size:
        raise InputError(
            f"The run is too short for a kurtogram: {x.size} samples.",
            where=take.file or None,
            advice="Record a longer spin-up.",
        )
    top = min(0.5 * rate, take.bandwidth_hz or np.inf)
    lowest = low_hz if low_hz < 0.25 * top else 0.0
    # At least one band of the finest level must fit.
    top = max(top, lowest + 2.0 * 0.5 * rate / n_finest)
    return fast_kurtogram(x, rate, n_finest=n_finest, low_hz=lowest, high_hz=top)


def envelope_order_spectrum(
    take: Take,
    speed: SpeedTrack,
    *,
    band_hz: tuple[float, float] | None = None,
    shaft_ratio: float = 1.0,
    max_order: float = DEFAULT_MAX_ORDER,
    resolution: float | None = None,
    phase: PhaseName | None = None,
    false_alarm: float = FALSE_ALARM,
) -> EnvelopeOrderSpectrum:
    """Return how strongly the loudness of a band beats with the turns of a shaft.

    The squared envelope of the band is taken to shaft angle, divided by its mean over a segment
    (the level follows the speed), and its power averaged over segments. Each bin is held against
    the distribution that noise alone would give.

    Parameters
    ----------
    take : Take
        Of several channels the strongest is used. Take the `vibecheck.orders.residual` to keep
        beats between steady tones out.
    speed : SpeedTrack
    band_hz : (low, high), optional
        By default the best band of `kurtogram_of`.
    shaft_ratio : float > 0
        Turns of the wanted shaft per turn of the reference shaft.
    max_order : float
        Highest order; bursts faster than half the band's width are not resolved.
    resolution : float, optional
        By default 1/32, coarser where the run is short.
    phase : str, optional
    false_alarm : float
        For ``limit``.

    Raises
    ------
    InputError
        If the shaft does not turn, or not often enough.
    CallError
        If the band is not inside the take's band, or a number is out of range.
    """
    if not (np.isfinite(max_order) and max_order > 0.0):
        raise CallError(f"max_order must be a positive number. Got {max_order!r} instead.")
    if resolution is not None and not (np.isfinite(resolution) and 0.0 < resolution <= 1.0):
        raise CallError(f"resolution must be above 0 and at most 1. Got {resolution!r} instead.")
    track = phase_track(speed, shaft_ratio)
    kurtogram = None
    if band_hz is None:
        # The band must be wide enough to let a few bursts per turn through.
        needed_hz = 3.0 * float(np.median(track.rate_hz[track.rate_hz > 0.0]))
        n_finest = int(np.clip(0.5 * take.sample_rate_hz / needed_hz, 4, 96))
        kurtogram = kurtogram_of(take, speed, phase, n_finest=n_finest)
        band_hz = (kurtogram.low_hz, kurtogram.high_hz)
    low_hz, high_hz = band_hz
    x = channel_samples(take, strongest_channel(take))
    square, rate = squared_envelope(x, take.sample_rate_hz, low_hz, high_hz)
    square = np.asarray(square / max(float(np.mean(square)), 1e-30), np.float32)
    per_turn = scipy.fft.next_fast_len(
        max(2 * SAMPLES_PER_ORDER, int(np.ceil(SAMPLES_PER_ORDER * max_order))), real=True
    )
    least = max(LEAST_RATE_HZ * min(shaft_ratio, 1.0), LEAST_SHARE_OF_TOP * track.rate_hz.max())
    stretches = to_angle(square, rate, track, per_turn, least_rate_hz=float(least))
    n_turns = DEFAULT_TURNS if resolution is None else max(1, round(1.0 / resolution))
    enough = 4 if resolution is None else 1
    longest = max((stretch.n_turns for stretch in stretches), default=0.0)
    while True:
        keep = np.zeros(0, dtype=bool)
        if longest >= n_turns:
            levelled = [_level(stretch, n_turns) for stretch in stretches]
            segments = order_segments(levelled, n_turns, max_order)
            centre = track.time_at(segments.start_turn + 0.5 * n_turns)
            keep = in_phase(speed, centre, phase)
        if keep.sum() >= enough or (keep.any() and (resolution is not None or n_turns <= 4)):
            break
        if resolution is not None or n_turns <= 4:
            raise InputError(
                f"The shaft makes fewer than {n_turns} turns in one go.",
                where=take.file or None,
                advice="Ask for a coarser order resolution, or record a longer run.",
            )
        n_turns //= 2
    n_segments = int(keep.sum())
    power = segments.power[keep].mean(axis=0, dtype=np.float64)
    # Bursts as fast as the band is wide run into one another.
    fastest = segments.order * float(segments.top_rate_hz[keep].max())
    used = slice(FIRST_BINS, int(np.searchsorted(fastest, 0.8 * (high_hz - low_hz))))
    if used.stop - used.start < LEAST_BINS:
        raise CallError(
            f"The band from {low_hz:g} to {high_hz:g} Hz is too narrow for a shaft so fast.",
            advice="Give a wider band.",
        )
    result = line_significance(power[used], n_segments)

    def spread(values: NDArray[np.float64], blank: float = np.nan) -> NDArray[np.float64]:
        whole = np.full(power.size, blank)
        whole[used] = values
        return frozen_array(whole, copy=False)

    return EnvelopeOrderSpectrum(
        order=segments.order,
        amplitude=spread(np.sqrt(2.0 * result.power)),
        background=spread(np.sqrt(2.0 * result.background)),
        limit=spread(np.sqrt(2.0 * result.limit(false_alarm, result.power.size))),
        p_value=spread(result.p_value, 1.0),
        false_alarm=false_alarm,
        low_hz=float(low_hz),
        high_hz=float(high_hz),
        resolution=1.0 / n_turns,
        n_segments=n_segments,
        shaft_ratio=shaft_ratio,
        phase=phase,
        kurtogram=kurtogram,
    )


def _level(stretch: AngularStretch, n_turns: int) -> AngularStretch:
    """Divide by the mean over ``n_turns`` around each point, and take the mean off."""
    x = stretch.samples
    n, half = x.size, max(1, n_turns * stretch.samples_per_turn // 2)
    total = np.concatenate([[0.0], np.cumsum(x, dtype=np.float64)])
    place = np.arange(n)
    first, last = np.maximum(place - half, 0), np.minimum(place + half, n)
    mean = (total[last] - total[first]) / (last - first)
    level = x / np.maximum(mean, 1e-12 * max(float(total[-1]) / n, 1e-30)) - 1.0
    return replace(stretch, samples=frozen_array(level, np.float32, copy=False))


def _longest_run(take: Take, speed: SpeedTrack, phase: PhaseName | None) -> tuple[float, float]:
    """Return start and end of the longest run, or of the longest stretch of a phase."""
    track = phase_track(speed)
    if phase is None:
        least = max(LEAST_RATE_HZ, LEAST_SHARE_OF_TOP * float(track.rate_hz.max()))
        parts = track.stretches(take.duration_s, least)
    else:
        in_phase(speed, np.zeros(1), phase)  # names the phases that there are
        parts = [(part.start_s, part.end_s) for part in speed.phases_named(phase)]
    return max(parts, key=lambda part: part[1] - part[0], default=(0.0, 0.0))
