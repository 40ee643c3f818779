"""Speed tracking, refinement: from a coarse track to (nearly) the Cramér–Rao bound.

Each order's complex amplitude is followed from frame to frame along the current track. What is
left in its phase is ``2 pi h (df t + dk t^2 / 2)`` for an error ``df`` of the speed and ``dk`` of
its slope; a joint least-squares fit over all orders, each weighted by its local signal-to-noise
ratio, gives both. This is one Gauss–Newton step of the maximum-likelihood estimate (D. C. Rife and
R. R. Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591–598; S. M. Kay, Estimation Theory, 1993).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vibecheck.arrays import frozen_array
from vibecheck.dsp.tracking_lines import Amplitudes

SPANS = (5, 9, 17, 33)  # frames per fit, from short to long
FRAME_LIMIT = 4.0  # standard deviations that two spans may differ in one frame
PATH_SHARE = 4.0  # peak phase slope through a resonance over rms amplitude slope, squared
MEAN_LIMIT = 1.2  # and on average over twice the shorter span
LEAST_PRIOR_HZ = 1e-6  # nothing is known better than this beforehand


@dataclass(frozen=True, eq=False)
class Refined:
    """Speed, its standard deviation and the frames fitted, per frame."""

    speed_hz: NDArray[np.float64]
    sd_hz: NDArray[np.float64]
    span: NDArray[np.intp]


@lru_cache(maxsize=64)
def overlap_variance(hop_share: float, span: int) -> tuple[float, float]:
    """How much overlapping Hann frames of white noise raise the variance of two sums over them.

    Returns the factors for the mean and for the slope of ``span`` frames, each ``x' R x / x' x``
    with the frames' noise correlation ``R``; 1 for frames that do not overlap.
    """
    n = np.arange(1024) / 1024
    window = 0.5 - 0.5 * np.cos(2 * np.pi * n)
    correlation = np.zeros(span)
    for lag in range(span):
        shift = round(lag * hop_share * 1024)
        if shift < 1024:
            correlation[lag] = window[shift:] @ window[: 1024 - shift] / (window @ window)
    index = np.abs(np.subtract.outer(np.arange(span), np.arange(span)))
    matrix = correlation[index]
    slope = np.arange(span) - (span - 1) / 2
    flat = np.ones(span)
    return float(flat @ matrix @ flat) / span, float(slope @ matrix @ slope / (slope @ slope))


def turns(speed_hz: NDArray[np.float64], hop_s: float) -> NDArray[np.float64]:
    """Trapezoid integral of the speed, from 0 at the first frame."""
    steps = 0.5 * hop_s * (speed_hz[1:] + speed_hz[:-1])
    return np.concatenate([[0.0], np.cumsum(steps)])


def _demodulated(
    amplitudes: Amplitudes, speed_hz: NDArray[np.float64], hop_s: float
) -> NDArray[np.complex64]:
    angle = amplitudes.order[:, np.newaxis] * turns(speed_hz, hop_s)
    angle -= np.rint(angle)
    phase = (-2.0 * np.pi * angle).astype(np.float32)
    rotation = np.empty(phase.shape, np.complex64)
    rotation.real = np.cos(phase)
    rotation.imag = np.sin(phase)
    return amplitudes.value * rotation * amplitudes.valid


def pulse_pair_step(
    amplitudes: Amplitudes, speed_hz: NDArray[np.float64], hop_s: float, span: int = 5
) -> NDArray[np.float64]:
    """First correction, from the phase gained between neighbouring frames.

    Catches errors up to half a turn per hop on the highest order used.
    """
    y = _demodulated(amplitudes, speed_hz, hop_s)
    pair = np.zeros_like(y)
    pair[:, 1:] = y[:, 1:] * np.conj(y[:, :-1]) / amplitudes.noise[:, 1:]
    ones = np.ones(span)
    total = _correlate(pair.real, ones) + 1j * _correlate(pair.imag, ones)
    size = np.abs(total)
    drift = np.angle(total) / (2.0 * np.pi * hop_s)
    order = amplitudes.order[:, np.newaxis]
    weight = np.maximum(size - 2.0 * np.sqrt(span), 0.0) * order
    norm = (weight * order).sum(axis=0) + 1e-9
    # A pair's phase belongs to the middle between its frames.
    step = (weight * drift).sum(axis=0) / norm * (norm > 1.0)
    out: NDArray[np.float64] = 0.5 * (step + np.append(step[1:], step[-1]))
    return out


def _correlate(values: NDArray[np.float32], kernel: NDArray[np.float64]) -> NDArray[np.float32]:
    out: NDArray[np.float32] = ndimage.correlate1d(
        values, kernel, axis=-1, mode="constant", output=np.float32
    )
    return out


def projected(speed_hz: NDArray[np.float64], hop_s: float, span: int) -> NDArray[np.float64]:
    """Slope, at each frame, of the parabola fitted to the turns of the ``span`` frames around it.

    This is what an error-free `fit_step` would find along that track: corrections add to it.
    """
    half = span // 2
    phase = turns(speed_hz - speed_hz.mean(), hop_s)
    s = _moments(phase.size, half)
    t = [_correlate64(phase, power) for power in _powers(half)[:3]]
    g11 = s[2] - s[1] ** 2 / s[0]
    g12 = s[3] - s[1] * s[2] / s[0]
    g22 = s[4] - s[2] ** 2 / s[0]
    y1 = t[1] - s[1] / s[0] * t[0]
    y2 = t[2] - s[2] / s[0] * t[0]
    slope = (g22 * y1 - g12 * y2) / (g11 * g22 - g12**2)
    out: NDArray[np.float64] = slope / (half * hop_s) + speed_hz.mean()
    return out


def smoothed(speed_hz: NDArray[np.float64], span: int) -> NDArray[np.float64]:
    """Value, at each frame, of the parabola fitted to the speed of ``span`` frames around it."""
    half = span // 2
    level = speed_hz.mean()
    y = speed_hz - level
    s = _moments(y.size, half)
    t = [_correlate64(y, power) for power in _powers(half)[:3]]
    # Cramer's rule on the 3 x 3 normal equations, for the constant term.
    c00 = s[2] * s[4] - s[3] ** 2
    c01 = s[2] * s[3] - s[1] * s[4]
    c02 = s[1] * s[3] - s[2] ** 2
    det = s[0] * c00 + s[1] * c01 + s[2] * c02
    out: NDArray[np.float64] = (c00 * t[0] + c01 * t[1] + c02 * t[2]) / det + level
    return out


@lru_cache(maxsize=32)
def _powers(half: int) -> tuple[NDArray[np.float64], ...]:
    """Places -1 … 1 of ``2 half + 1`` frames to the powers 0 to 4."""
    x = np.arange(-half, half + 1) / half
    return tuple(frozen_array(np.power(x, p, dtype=np.float64), copy=False) for p in range(5))


@lru_cache(maxsize=32)
def _moments(n_frames: int, half: int) -> tuple[NDArray[np.float64], ...]:
    """Sums of those powers over the frames that there are around each of ``n_frames``."""
    mask = np.ones(n_frames)
    return tuple(frozen_array(_correlate64(mask, p), copy=False) for p in _powers(half))


def _correlate64(values: NDArray[np.float64], kernel: NDArray[np.float64]) -> NDArray[np.float64]:
    out: NDArray[np.float64] = ndimage.correlate1d(values, kernel, mode="constant")
    return out


def fit_step(
    amplitudes: Amplitudes,
    speed_hz: NDArray[np.float64],
    hop_s: float,
    span: int,
    prior_sd_hz: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """One joint fit over ``span`` frames around each frame.

    Returns
    -------
    correction_hz, sd_hz : ndarray, shape (n_frames,)
    """
    y = _demodulated(amplitudes, speed_hz, hop_s)
    half = span // 2
    unit = half * hop_s
    powers = _powers(half)
    square = y * y
    # Rows that share a kernel share a call.
    rows = np.stack(
        [amplitudes.valid, y.real, y.imag, square.real, square.imag, np.abs(square)],
        dtype=np.float32,
    )
    sums = [_correlate(rows[: 6 if p == 0 else 3], powers[p]).astype(np.float64) for p in range(3)]
    s = [each[0] for each in sums]
    s += [_correlate(rows[0], power).astype(np.float64) for power in powers[3:]]
    t0, t1, t2 = (each[1] + 1j * each[2] for each in sums)
    count = np.maximum(s[0], 1.0)
    mean = t0 / count
    power = np.abs(mean) ** 2
    y1 = (np.conj(mean) * (t1 - s[1] / count * t0)).imag
    y2 = (np.conj(mean) * (t2 - s[2] / count * t0)).imag
    g11 = s[2] - s[1] ** 2 / count
    g12 = s[3] - s[1] * s[2] / count
    g22 = s[4] - s[2] ** 2 / count
    # Scatter of the phase about the fit: the part of y at right angles to its mean.
    second, energy = sums[0][3] + 1j * sums[0][4], sums[0][5]
    along = (second * np.conj(mean) ** 2).real / np.maximum(power, 1e-30)
    across = 0.5 * (energy - along) / count
    floor = amplitudes.noise
    looks = np.ones(floor.shape, np.float32)
    trend = np.ones(floor.shape, np.float32)
    rest = amplitudes.hop_share.ravel()
    while rest.size:  # a handful of values
        where = amplitudes.hop_share == rest[0]
        looks[where], trend[where] = overlap_variance(float(rest[0]), span)
        rest = rest[rest != rest[0]]
    freedom = np.maximum(1.0 - 3.0 * looks / count, 0.3)
    # Believed only beyond its own uncertainty: a max() of a noisy ratio would lie upward.
    margin = 1.0 + np.sqrt(2.0 * looks / count)
    scatter = np.maximum(1.0, 2.0 * across / (floor * freedom) / margin)
    unexplained = floor * scatter
    order = amplitudes.order[:, np.newaxis]
    weight = 2.0 / (unexplained * trend)
    signal = np.maximum(power - floor * looks / count, 0.0)
    share = signal / np.maximum(power, 1e-30)  # noise alone must not steer
    # A path whose gain changes also turns the phase: through a resonance, by half a turn. The
    # slope of the log amplitude is the twin of the phase slope (real and imaginary part of
    # d ln H / dt), so its square, where clearly above that of noise, is the variance to add.
    slope = (np.conj(mean) * (t1 - s[1] / count * t0)).real
    slope /= np.maximum(power * g11, 1e-30)
    known = weight * signal * g11  # information on the phase slope, per squared radian
    excess = slope**2 - 3.0 / np.maximum(known, 1e-12)
    excess = ndimage.uniform_filter1d(np.where(known > 4.0, excess, 0.0), 2 * span - 1, axis=1)
    doubt = PATH_SHARE * np.maximum(excess, 0.0)
    # An order that is itself uncertain can place the speed no better than that.
    doubt = doubt + (2.0 * np.pi * unit * amplitudes.slip[:, np.newaxis] * order * speed_hz) ** 2
    weight = weight / (1.0 + doubt * known)
    a1 = (weight * share * order * y1).sum(axis=0)
    a2 = (weight * share * order * y2).sum(axis=0)
    info = weight * signal * order**2
    m11 = (info * g11).sum(axis=0)
    m12 = (info * g12).sum(axis=0)
    m22 = (info * g22).sum(axis=0)
    # Unknowns: 2 pi df unit, and pi dk unit^2.
    p11 = 1.0 / (2.0 * np.pi * unit * np.maximum(prior_sd_hz, LEAST_PRIOR_HZ)) ** 2
    p22 = 1.0 / (np.pi * unit**2 * 300.0) ** 2
    m11, m22 = m11 + p11, m22 + p22
    det = m11 * m22 - m12**2
    u1 = (m22 * a1 - m12 * a2) / det
    sd = np.sqrt(m22 / det) / (2.0 * np.pi * unit)
    return u1 / (2.0 * np.pi * unit), sd


def refine(
    amplitudes: Amplitudes,
    speed_hz: NDArray[np.float64],
    hop_s: float,
    prior_sd_hz: NDArray[np.float64],
) -> Refined:
    """Refine one unbroken stretch of running with fits of growing span.

    A span is accepted while its answer agrees with that of the next shorter one, in each frame
    and on average over a few (intersection of confidence intervals: A. Goldenshluger and
    A. Nemirovski, Math. Methods Statist. 6 (1997) 135–170). The answer reported is that of the
    span *below* the longest accepted one: a bend too slight to be noticed there is sixteen times
    slighter here, so the standard deviation stays true.
    """
    speed = speed_hz + np.clip(
        pulse_pair_step(amplitudes, speed_hz, hop_s), -3 * prior_sd_hz, 3 * prior_sd_hz
    )
    answers: list[NDArray[np.float64]] = []
    spreads: list[NDArray[np.float64]] = []
    accepted = np.zeros(speed.size, np.intp)
    agreed = np.ones(speed.size, bool)
    for level, span in enumerate(SPANS):
        if level and span > speed.size:
            break
        for _ in range(3 if level == 0 else 1):
            step, sd = fit_step(amplitudes, speed, hop_s, span, prior_sd_hz)
            step = np.clip(step, -3 * prior_sd_hz, 3 * prior_sd_hz)
            # A parabola of turns cannot bend its slope: give back the bend of the track itself,
            # seen over twice the span, where it costs a fraction of a decibel (5.25 / 2**7).
            bent = smoothed(speed, 2 * span - 1)
            bend = bent - projected(bent, hop_s, span)
            speed = projected(speed, hop_s, span) + bend + step
        answers.append(speed)
        spreads.append(sd)
        if level:
            agreed &= _agree(answers[-2], spreads[-2], speed, sd, SPANS[level - 1])
            accepted[agreed] = level
            speed = np.where(agreed, speed, answers[level - 1])
            answers[-1] = speed
    chosen = np.maximum(accepted - 1, 0)
    frames = np.arange(speed.size)
    best = np.array(answers)[chosen, frames]
    best_sd = np.array(spreads)[chosen, frames]
    return Refined(best, best_sd, np.array(SPANS)[chosen])


def _agree(
    short: NDArray[np.float64],
    short_sd: NDArray[np.float64],
    long: NDArray[np.float64],
    long_sd: NDArray[np.float64],
    span: int,
) -> NDArray[np.bool_]:
    """Tell where a longer fit agrees with a shorter one, frame by frame and on average."""
    # The longer fit contains the shorter one: the difference has the difference of variances.
    spread = np.sqrt(np.maximum(short_sd**2 - long_sd**2, 0.25 * short_sd**2))
    score = (long - short) / spread
    mean = ndimage.uniform_filter1d(score, 2 * span + 1, mode="nearest")
    out: NDArray[np.bool_] = (np.abs(score) < FRAME_LIMIT) & (np.abs(mean) < MEAN_LIMIT)
    return out
