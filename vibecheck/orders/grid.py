"""Stage 3, its ground: a take on the shaft's angle grid, made once and shared by every view."""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.dsp.angular import (
    SAMPLES_PER_ORDER,
    AngularStretch,
    PhaseTrack,
    pass_limit_hz,
    to_angle,
)
from vibecheck.errors import CallError, InputError
from vibecheck.recording.take import Take
from vibecheck.track import PhaseName, SpeedTrack

DEFAULT_MAX_ORDER = 64.0
LEAST_RATE_HZ = 1.0
LEAST_SHARE_OF_TOP = 0.02
"""Slower than this share of the top speed nothing is analysed: the turns take too long."""


@dataclass(frozen=True, eq=False)
class AngularTake:
    """One channel of a take on the angle grid of one shaft.

    Attributes
    ----------
    stretches : tuple of AngularStretch
        One per unbroken run; never empty.
    track : PhaseTrack
        Of that shaft.
    max_order : float
        Highest order wanted, per turn of that shaft.
    limit_hz : float
        Highest frequency that the take shows true.
    rms : float
        Of the channel, without its mean.
    channel : int
    """

    stretches: tuple[AngularStretch, ...]
    track: PhaseTrack
    max_order: float
    limit_hz: float
    channel: int
    shaft_ratio: float

    @property
    def samples_per_turn(self) -> int:
        """Grid points per turn."""
        return self.stretches[0].samples_per_turn

    def observable(
        self, order: NDArray[np.float64], rate_hz: NDArray[np.float64]
    ) -> NDArray[np.bool_]:
        """Tell at which speeds each order lies inside the take's band.

        Returns
        -------
        ndarray of bool, shape (n_rates, n_orders)
        """
        inside: NDArray[np.bool_] = rate_hz[:, np.newaxis] * order <= self.limit_hz
        return inside


def strongest_channel(take: Take) -> int:
    """Return the channel with the highest level (its mean, such as gravity, left out)."""
    if take.n_channels == 1:
        return 0
    return int(np.argmax(np.nan_to_num(np.var(take.samples, axis=1))))


def channel_samples(take: Take, channel: int) -> NDArray[np.float32]:
    """Return one channel in single precision, without its mean; gaps read as zero."""
    samples: NDArray[np.float32] = take.samples[channel].astype(np.float32)
    with np.errstate(invalid="ignore"):  # infinite both ways: then there is no mean
        mean = float(np.mean(take.samples[channel], dtype=np.float64))
    if not np.isfinite(mean):
        samples = np.nan_to_num(samples, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        mean = float(np.mean(samples, dtype=np.float64))
    samples -= np.float32(mean)
    return samples


def phase_track(speed: SpeedTrack, shaft_ratio: float = 1.0) -> PhaseTrack:
    """Return the turns of a shaft, from the speed of the reference shaft.

    Raises
    ------
    CallError
        If ``shaft_ratio`` is not a positive number.
    InputError
        If the speed track has no running frames.
    """
    if not (np.isfinite(shaft_ratio) and shaft_ratio > 0.0):
        raise CallError(f"shaft_ratio must be a positive number. Got {shaft_ratio!r} instead.")
    if speed.time_s.size < 2 or not speed.running.any():
        raise InputError(
            "The shaft does not turn in this take, so that nothing can be counted per turn.",
            advice="Record a spin-up with the motor running, or give the car's own profile.",
        )
    return PhaseTrack(speed.time_s, speed.rpm * (shaft_ratio / 60.0))


def highest_order(take: Take, track: PhaseTrack) -> float:
    """Return the order that the take still shows when the shaft is slow (tenth percentile)."""
    rate = track.rate_hz[track.rate_hz > 0.0]
    return frequency_limit_hz(take) / max(float(np.percentile(rate, 10)), LEAST_RATE_HZ)


def frequency_limit_hz(take: Take) -> float:
    """Return the highest frequency that the angle grid shows true for a take."""
    limit = pass_limit_hz(take.n_samples, take.sample_rate_hz)
    return min(limit, take.bandwidth_hz) if take.bandwidth_hz else limit


# The last grids of a take, kept as long as the take lives: the spectrum, the map and the
# residual of one take share one resampling.
_kept: weakref.WeakKeyDictionary[Take, list[tuple[weakref.ref[SpeedTrack], AngularTake]]] = (
    weakref.WeakKeyDictionary()
)
_KEEP = 2


def angular_take(
    take: Take,
    speed: SpeedTrack,
    *,
    max_order: float | None = None,
    shaft_ratio: float = 1.0,
    channel: int | None = None,
) -> AngularTake:
    """Return a channel of a take on the angle grid of a shaft (kept for the next call).

    Parameters
    ----------
    take : Take
    speed : SpeedTrack
    max_order : float, optional
        Per turn of the shaft; by default 64, or less where the take cannot show it.
    shaft_ratio : float > 0
    channel : int, optional
        By default the strongest.

    Raises
    ------
    CallError
        If ``max_order`` or ``shaft_ratio`` is not a positive number.
    InputError
        If the shaft does not turn.
    """
    track = phase_track(speed, shaft_ratio)
    if max_order is None:
        max_order = min(DEFAULT_MAX_ORDER, max(highest_order(take, track), 1.0))
    if not (np.isfinite(max_order) and max_order > 0.0):
        raise CallError(f"max_order must be a positive number. Got {max_order!r} instead.")
    channel = strongest_channel(take) if channel is None else channel
    kept = _kept.setdefault(take, [])
    for owner, grid in kept:
        if (
            owner() is speed
            and grid.channel == channel
            and grid.shaft_ratio == shaft_ratio
            and max_order <= grid.samples_per_turn / SAMPLES_PER_ORDER + 1e-9
        ):
            return AngularTake(
                grid.stretches, grid.track, max_order, grid.limit_hz, channel, shaft_ratio
            )
    needed = max(2 * SAMPLES_PER_ORDER, int(np.ceil(SAMPLES_PER_ORDER * max_order - 1e-9)))
    per_turn = scipy.fft.next_fast_len(needed, real=True)
    least = max(LEAST_RATE_HZ * min(shaft_ratio, 1.0), LEAST_SHARE_OF_TOP * track.rate_hz.max())
    stretches = to_angle(
        channel_samples(take, channel),
        take.sample_rate_hz,
        track,
        per_turn,
        least_rate_hz=float(least),
    )
    if not stretches:
        raise InputError(
            "The shaft makes less than one turn in this take.",
            where=take.file or None,
            advice="Record a longer spin-up.",
        )
    grid = AngularTake(
        tuple(stretches), track, max_order, frequency_limit_hz(take), channel, shaft_ratio
    )
    kept.insert(0, (weakref.ref(speed), grid))
    del kept[_KEEP:]
    return grid


def in_phase(
    speed: SpeedTrack, time_s: NDArray[np.float64], phase: PhaseName | None
) -> NDArray[np.bool_]:
    """Tell which times lie in a phase (all of them for None).

    Raises
    ------
    InputError
        If the track has no phase of that name.
    """
    inside = np.zeros(time_s.shape, dtype=bool)
    if phase is None:
        return ~inside
    parts = speed.phases_named(phase)
    if not parts:
        names = ", ".join(dict.fromkeys(part.name for part in speed.phases)) or "none"
        raise InputError(
            f'This take has no phase "{phase}".', advice=f"Phases that were found: {names}."
        )
    for part in parts:
        inside |= (time_s >= part.start_s) & (time_s <= part.end_s)
    return inside
