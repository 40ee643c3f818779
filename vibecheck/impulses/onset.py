"""Stage 3b: the speed at which bursts begin in the run-up and end in the coast-down.

A part with play rests on one side of its gap until the turning load lifts it: a wheel of
eccentricity ``e`` lifts when ``e·ω²`` passes ``g``. Above that speed it knocks, below it is quiet.
The track of burstiness against speed then holds one step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.dsp.kurtogram import block_kurtosis
from vibecheck.dsp.spectrum import short_time_power
from vibecheck.errors import CallError, InputError
from vibecheck.orders.grid import channel_samples, phase_track, strongest_channel
from vibecheck.recording.take import Take
from vibecheck.track import PhaseName, SpeedTrack

BLOCK_S = 0.125
FRAME_S = 0.004
LOWEST_BAND_HZ = 1000.0
LEAST_BLOCKS = 8
LEAST_EACH_SIDE = 3
STEP_LIMIT = 5.0
"""A step counts from this many standard errors on (Welch's t)."""
THROUGHOUT = 0.15
"""Mean spectral kurtosis from which a phase without a step counts as bursting throughout; a step
must rise by as much. Gaussian noise stays below in every one of 40 simulated phases (test)."""
CHI2_95 = 3.841458820694124

StepState = Literal["found", "throughout", "none", "not_observed"]


@dataclass(frozen=True)
class SpeedStep:
    """The speed at which bursts set in (rising) or stop (falling).

    Attributes
    ----------
    state : {"found", "throughout", "none", "not_observed"}
        ``found``: quiet below ``rpm``, bursts above. ``throughout``: bursts at every speed of the
        phase, so that the onset lies below. ``none``: no step stands out. ``not_observed``: the
        phase is missing or too short.
    rpm : float
        Of the reference shaft; NaN unless found.
    low_rpm, high_rpm : float
        95 % interval by profile likelihood, with the width of the blocks; NaN unless found.
    strength : float
        Mean spectral kurtosis above the step less that below it; NaN where not observed. Without
        a step: the mean over the phase.
    n_blocks : int
    """

    state: StepState
    rpm: float = float("nan")
    low_rpm: float = float("nan")
    high_rpm: float = float("nan")
    strength: float = float("nan")
    n_blocks: int = 0


@dataclass(frozen=True, eq=False)
class BurstOnset:
    """Burstiness along the take, and the speeds at which it sets in and stops.

    Attributes
    ----------
    time_s, rpm : ndarray, shape (n_blocks,)
        Middle of each block.
    burstiness : ndarray, shape (n_blocks,)
        Spectral kurtosis within the block, averaged over the band: 0 for steady noise.
    low_hz, high_hz : float
        The band.
    run_up, coast_down : SpeedStep
    """

    time_s: NDArray[np.float64]
    rpm: NDArray[np.float64]
    burstiness: NDArray[np.float64]
    low_hz: float
    high_hz: float
    run_up: SpeedStep
    coast_down: SpeedStep


def burst_onset(
    take: Take,
    speed: SpeedTrack,
    *,
    low_hz: float = LOWEST_BAND_HZ,
    high_hz: float | None = None,
    block_s: float = BLOCK_S,
) -> BurstOnset:
    """Return the speeds at which broadband bursts set in (run-up) and stop (coast-down).

    Parameters
    ----------
    take : Take
        Of several channels the strongest is used. Take the `vibecheck.orders.residual` where
        steady tones fill much of the band.
    speed : SpeedTrack
        With its phases.
    low_hz, high_hz : float
        Band looked at; by default from 1 kHz (or a quarter of the take's band, where that is
        lower) to the take's end.
    block_s : float
        Length of the blocks; one turn of the knocking shaft should fit into it.

    Raises
    ------
    InputError
        If the shaft does not turn or the take is shorter than two blocks.
    CallError
        If the band or the block is out of range.
    """
    track = phase_track(speed)
    rate = take.sample_rate_hz
    top = min(0.45 * rate, take.bandwidth_hz or np.inf)
    high_hz = top if high_hz is None else min(high_hz, top)
    low_hz = min(low_hz, 0.25 * top)
    if not 0.0 <= low_hz < high_hz:
        raise CallError(f"low_hz must be below high_hz. Got {low_hz:g} and {high_hz:g} instead.")
    n_window = max(8, 2 * round(0.5 * FRAME_S * rate))
    hop = n_window // 2
    n_block = round(block_s * rate / hop)
    if n_block < 4:
        raise CallError(
            f"block_s must be at least {4 * hop / rate:g} s at this sample rate. "
            f"Got {block_s!r} instead."
        )
    x = channel_samples(take, strongest_channel(take))
    if x.size < (2 * n_block + 1) * hop:
        raise InputError(
            f"The take is too short to follow bursts: {take.duration_s:.2f} s.",
            where=take.file or None,
            advice="Record a whole spin-up.",
        )
    short = short_time_power(x, rate, n_window, hop)
    bins = np.flatnonzero((short.frequency_hz >= low_hz) & (short.frequency_hz <= high_hz))
    first, last = max(1, int(bins[0])), min(int(bins[-1]) + 1, n_window // 2)
    n_blocks = short.power.shape[0] // n_block
    power = short.power[: n_blocks * n_block, first:last]
    kurtosis = block_kurtosis(power.reshape(n_blocks, n_block, -1))
    # A bin without any signal says nothing; a block without any is quiet.
    heard = np.isfinite(kurtosis)
    burstiness = np.where(heard, kurtosis, 0.0).sum(axis=1) / np.maximum(heard.sum(axis=1), 1)
    time = short.time_s[: n_blocks * n_block].reshape(n_blocks, n_block).mean(axis=1)
    rpm = 60.0 * track.rate_at(time)
    half = 0.5 * block_s
    # Gaussian noise: 2/√M per bin, and neighbouring Hann bins are worth half as many.
    noise_sd = 2.0 / np.sqrt(n_block) / np.sqrt(max(1.0, 0.5 * (last - first)))
    steps = {
        name: _speed_step(burstiness, rpm, _in_longest(speed, name, time, half), noise_sd)
        for name in ("run_up", "coast_down")
    }
    return BurstOnset(
        time_s=frozen_array(time, copy=False),
        rpm=frozen_array(rpm, copy=False),
        burstiness=frozen_array(burstiness, copy=False),
        low_hz=float(low_hz),
        high_hz=float(high_hz),
        run_up=steps["run_up"],
        coast_down=steps["coast_down"],
    )


def _in_longest(
    speed: SpeedTrack, name: PhaseName, time_s: NDArray[np.float64], half_s: float
) -> NDArray[np.intp]:
    """Return the blocks that lie wholly inside the longest stretch of a phase."""
    parts = speed.phases_named(name)
    if not parts:
        return np.empty(0, np.intp)
    part = max(parts, key=lambda p: p.duration_s)
    return np.flatnonzero((time_s - half_s >= part.start_s) & (time_s + half_s <= part.end_s))


def _speed_step(
    burstiness: NDArray[np.float64],
    rpm: NDArray[np.float64],
    blocks: NDArray[np.intp],
    noise_sd: float,
) -> SpeedStep:
    """Find one step up with rising speed, by likelihood over all places for it.

    ``log(SK + 2)`` is taken as Gaussian with a mean and a variance of its own on either side:
    knocks scatter more than noise does. ``noise_sd`` is the scatter of ``SK`` for noise, which no
    side's scatter is taken to be below.
    """
    blocks = blocks[rpm[blocks] > 0.0]
    n = blocks.size
    if n < LEAST_BLOCKS:
        return SpeedStep("not_observed", n_blocks=int(n))
    blocks = blocks[np.argsort(rpm[blocks], kind="stable")]
    value, at = burstiness[blocks], rpm[blocks]
    mean = float(value.mean())
    plain = SpeedStep("throughout" if mean > THROUGHOUT else "none", strength=mean, n_blocks=int(n))
    y = np.log(np.maximum(value + 2.0, 0.1))
    least = (0.5 * noise_sd) ** 2
    k = np.arange(LEAST_EACH_SIDE, n - LEAST_EACH_SIDE + 1)
    sums, squares = np.cumsum(y), np.cumsum(y * y)
    left, right = sums[k - 1] / k, (sums[-1] - sums[k - 1]) / (n - k)
    left_var = np.maximum(squares[k - 1] / k - left**2, least)
    right_var = np.maximum((squares[-1] - squares[k - 1]) / (n - k) - right**2, least)
    # −2 log likelihood of a step at k, up to a constant.
    cost = np.where(right > left, k * np.log(left_var) + (n - k) * np.log(right_var), np.inf)
    best = int(np.argmin(cost))
    split = int(k[best])
    if not np.isfinite(cost[best]):
        return plain
    error = np.sqrt(left_var[best] / split + right_var[best] / (n - split))
    rise = float(value[split:].mean() - value[:split].mean())
    if right[best] - left[best] < STEP_LIMIT * error or rise < THROUGHOUT:
        return plain
    # Profile likelihood of the place: within the 95 % point of χ² with one degree of freedom,
    # and as wide as the blocks themselves.
    likely = k[cost - cost[best] <= CHI2_95]
    half = 0.5 * float(np.median(np.diff(at)))
    return SpeedStep(
        state="found",
        rpm=float(0.5 * (at[split - 1] + at[split])),
        low_rpm=float(at[likely[0] - 1]) - half,
        high_rpm=float(at[likely[-1]]) + half,
        strength=rise,
        n_blocks=int(n),
    )
