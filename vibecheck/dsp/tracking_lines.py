"""Speed tracking, lines: the complex amplitude of each order, frame by frame, along a track."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vibecheck.dsp.tracking_evidence import Line
from vibecheck.dsp.tracking_front import SHORT_FROM_HZ, Front
from vibecheck.dsp.tracking_phases import stretches
from vibecheck.dsp.tracking_whiten import Whitened

APART_BINS = 1.7  # bins between a line and its neighbours (or zero) that a Hann window parts
_TABLE = 64


@dataclass(frozen=True, eq=False)
class Amplitudes:
    """Complex amplitude of each line (and channel) in each frame along a track.

    ``value``, ``noise`` (its noise variance), ``valid`` have shape (n_lines, n_frames);
    ``hop_share`` is the hop over the length of the window that it was read with; ``order`` and
    ``slip`` (its relative uncertainty) have shape (n_lines,).
    """

    value: NDArray[np.complex64]
    noise: NDArray[np.float32]
    valid: NDArray[np.bool_]
    hop_share: NDArray[np.float32]
    order: NDArray[np.float64]
    slip: NDArray[np.float64]


def _hann_kernel(offset: NDArray[np.float64]) -> NDArray[np.float64]:
    """Spectrum of the Hann window ``offset`` bins off a tone, 1 on it."""
    out: NDArray[np.float64] = np.sinc(offset) + 0.5 * (np.sinc(offset - 1) + np.sinc(offset + 1))
    return out


def _power_kernel(offset: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation of the noise in two bins ``offset`` apart (spectrum of the squared Hann)."""
    out = np.sinc(offset)
    out = out + (2.0 / 3.0) * (np.sinc(offset - 1) + np.sinc(offset + 1))
    return out + (1.0 / 6.0) * (np.sinc(offset - 2) + np.sinc(offset + 2))


def two_bin_weights() -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Weights of the lower and upper bin that read a tone between them, and the noise gain.

    The two weights are the least-squares fit of the window moved to the tone's frequency; they are
    scaled so that the tone reads its own amplitude.
    """
    d = np.linspace(0.0, 1.0, _TABLE + 1)
    near = _power_kernel(d)
    far = _power_kernel(1.0 - d)
    r = 2.0 / 3.0
    lower = (near - r * far) / (1.0 - r * r)
    upper = (far - r * near) / (1.0 - r * r)
    gain = lower * _hann_kernel(d) + upper * _hann_kernel(1.0 - d)
    lower, upper = lower / gain, upper / gain
    noise = lower**2 + upper**2 + 2.0 * r * lower * upper
    return lower.astype(np.float32), upper.astype(np.float32), noise.astype(np.float32)


@lru_cache(maxsize=1)
def _chirp_table() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Phase of a Hann-windowed chirp at its centre, over its rate times the window squared."""
    rate = np.linspace(0.0, 20.0, 401)
    t = (np.arange(2048) - 1023.5) / 2048
    window = 0.5 + 0.5 * np.cos(2.0 * np.pi * t)
    phase = np.angle(np.exp(1j * np.pi * rate[:, np.newaxis] * t**2) @ window)
    return rate, np.unwrap(phase)


def chirp_turn(rate: NDArray[np.float64]) -> NDArray[np.complex64]:
    """Factor that undoes the phase a sweep adds; ``rate`` in Hz/s times the window squared."""
    grid, phase = _chirp_table()
    angle = -np.sign(rate) * np.interp(np.abs(rate), grid, phase)
    out: NDArray[np.complex64] = np.exp(1j * angle).astype(np.complex64)
    return out


def _slew(speed_hz: NDArray[np.float64], hop_s: float) -> NDArray[np.float64]:
    """Slope of the speed over about a quarter second, within each running stretch."""
    out = np.zeros(speed_hz.size)
    for first, end in stretches(speed_hz > 0.0):
        if end - first > 2:
            slope = np.gradient(speed_hz[first:end], hop_s)
            out[first:end] = ndimage.uniform_filter1d(slope, 23, mode="nearest")
    return out


def line_amplitudes(
    front: Front,
    whitened: Sequence[Whitened],
    lines: Sequence[Line],
    speed_hz: NDArray[np.float64],
) -> Amplitudes:
    """Read each line's complex amplitude from the level that suits its frequency.

    ``speed_hz`` has one value per frame, 0 where the shaft is off.
    """
    lower, upper, noise_gain = two_bin_weights()
    slew = _slew(speed_hz, front.hop_s)
    n_channels = whitened[0].level.spectrum.shape[0]
    n_frames = speed_hz.size
    shape = (len(lines), n_channels, n_frames)
    value = np.zeros(shape, np.complex64)
    noise = np.ones(shape, np.float32)
    valid = np.zeros(shape, bool)
    hop_share = np.ones(shape, np.float32)
    by_name = {item.level.name: item for item in whitened}
    order = np.array([line.order for line in lines])
    frequency = order[:, np.newaxis] * speed_hz
    apart = speed_hz * _isolation(order)[:, np.newaxis]
    mid = by_name["mid"].level
    suits = {
        "long": (frequency < SHORT_FROM_HZ) & (apart < APART_BINS * mid.bin_hz),
        "mid": (frequency < SHORT_FROM_HZ) & (apart >= APART_BINS * mid.bin_hz),
        "short": frequency >= SHORT_FROM_HZ,
    }
    # What the long window cannot reach falls to the next shorter one.
    long = by_name["long"].level
    beyond = suits["long"] & (frequency >= long.top_hz - 2.0 * long.bin_hz)
    suits["mid"] |= beyond
    for item in whitened:
        level = item.level
        low, high = 1.5 * level.bin_hz, level.top_hz - 2.0 * level.bin_hz
        line, frame = np.nonzero(
            suits[level.name] & (frequency >= low) & (frequency < high) & level.inside
        )
        if line.size == 0:
            continue
        position = frequency[line, frame] / level.bin_hz
        bin_ = position.astype(np.intp)
        entry = ((position - bin_) * _TABLE + 0.5).astype(np.intp)
        # A sweep turns the phase read at the frame's centre, more so in longer windows.
        turn = chirp_turn(order[line] * slew[frame] * level.window_s**2)
        block = np.minimum(frame // item.block_frames, item.floor.shape[1] - 1)
        for channel in range(n_channels):
            spectrum = level.spectrum[channel]
            value[line, channel, frame] = turn * (
                lower[entry] * spectrum[frame, bin_] + upper[entry] * spectrum[frame, bin_ + 1]
            )
            noise[line, channel, frame] = noise_gain[entry] * item.floor[channel, block, bin_]
            valid[line, channel, frame] = True
            hop_share[line, channel, frame] = level.hop_share
    rows = len(lines) * n_channels
    return Amplitudes(
        value.reshape(rows, n_frames),
        noise.reshape(rows, n_frames),
        valid.reshape(rows, n_frames),
        hop_share.reshape(rows, n_frames),
        np.repeat(order, n_channels),
        np.repeat([line.slip for line in lines], n_channels),
    )


def _isolation(order: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance in orders from each line to its nearest neighbour, or to zero."""
    gap = np.abs(order[:, np.newaxis] - order)
    np.fill_diagonal(gap, np.inf)
    out: NDArray[np.float64] = np.minimum(gap.min(axis=1), order)
    return out


def strongest(amplitudes: Amplitudes, count: int) -> Amplitudes:
    """Keep the lines that say most about the speed: the largest sums of order² times SNR."""
    snr = np.abs(amplitudes.value) ** 2 / amplitudes.noise * amplitudes.valid
    says = amplitudes.order**2 * np.minimum(np.maximum(snr - 2.0, 0.0), 1e3).sum(axis=1)
    keep = np.sort(np.argsort(says)[::-1][:count])
    return Amplitudes(
        amplitudes.value[keep],
        amplitudes.noise[keep],
        amplitudes.valid[keep],
        amplitudes.hop_share[keep],
        amplitudes.order[keep],
        amplitudes.slip[keep],
    )
