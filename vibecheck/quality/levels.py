"""Findings on level: too quiet, too loud, dead, hum, dropouts, knocks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.dsp.levels import (
    block_levels,
    flat_top_share,
    repeated_runs,
    runs,
    smooth,
    stuck_runs,
)
from vibecheck.dsp.spectrum import hann, short_time_power
from vibecheck.findings import Finding
from vibecheck.quality.view import View, decibel, hertz

# The quietest 16-bit recording that is more than its own rounding noise (−98 dB re full scale, RMS)
# by a little: anything below holds no sound.
SILENCE_FULL_SCALE_DB = -85.0
# 0.2 mg: under the noise of the MEMS sensors in phones (about 0.1–0.4 mg/√Hz over tens of hertz).
SILENCE_M_S2 = 0.002
# A channel 60 dB under the loudest one carries crosstalk at best.
DEAD_CHANNEL_DB = -60.0

# Share of samples in flat tops. 0.01 % is one millisecond in ten seconds: enough to cut the tallest
# impacts, which is what a loose part gives away. Over 10 % the peaks are gone altogether.
CLIPPED_NOTE, CLIPPED_LIMITS, CLIPPED_REFUSES = 1e-5, 1e-4, 0.1
# A codec rounds flat tops off, and they come back on both sides of full scale. Below it nothing but
# the coding error of a few blocks does (measured: 1 block in 3000 with Opus at 32 kbit/s, none with
# AAC and MP3; from 5 % of the blocks on where the sound was cut at full scale before coding).
OVER_FULL_SCALE_SHARE = 0.005

# 1 % of full scale. More points at the sound input, and eats headroom on one side.
DC_OFFSET_FULL_SCALE = 0.01

# At 6 dB over the noise a quarter of the power is noise, and levels and impact measures are diluted
# by about as much; at 3 dB half of it is.
LOW_LEVEL_DB = 6.0
BURIED_DB = 3.0
LEVEL_BANDS_HZ = ((100.0, 400.0), (400.0, 1600.0), (1600.0, 5000.0), (5000.0, 16000.0))

# A line this far above the noise around it is no accident: with four or more averaged frames the
# highest of three noise bins stays under it in all but a few of 10 000 cases.
HUM_LINE_DB = 10.0
# One line alone must be far clearer: it might be a fan.
HUM_SINGLE_DB = 20.0
HUM_LINES = 8
# Two harmonics of 60 Hz and some room beside them.
_HUM_LOWEST_RATE_HZ = 300.0
_HUM_UP_TO_HZ = 600.0
# Hum within 10 dB of the running machine bends levels by more than 0.4 dB.
HUM_BELOW_RUNNING_DB = 10.0

# Shortest hole that matters, and the longest that is a hole rather than a pause.
DROPOUT_S = (0.002, 0.3)
# A machine's sound does not fall by 25 dB and come back within a third of a second.
DROPOUT_DB = 25.0
DROPOUT_LIMITS_S = 0.05
# Below this level single steps of 16 bits repeat by chance.
DROPOUT_AUDIBLE_DB = -70.0
# Buffer lengths of audio systems, in samples: powers of two, and about 5, 10, 20 and 40 ms.
BUFFERS = (128, 240, 256, 432, 448, 480, 512, 880, 960, 1024, 1920, 2048, 4096)

# Peaks of noise blocks spread by some 30 %; five times their median is a knock.
KNOCK_OVER_MEDIAN = 5.0
KNOCK_LONGEST_S = 0.12
KNOCKS = 2


def silence(view: View) -> Iterator[Finding]:
    """Nothing was recorded at all."""
    loudest = float(np.sqrt(smooth(view.blocks.mean_square, 20).max()))
    if view.take.unit == "full_scale":
        value, limit = float(decibel(loudest**2)), SILENCE_FULL_SCALE_DB
        unit = "dB re full scale"
    else:
        value, limit = loudest, SILENCE_M_S2
        unit = "m/s²"
    if value < limit:
        yield Finding(
            "silence",
            f"The recording is silent: nothing in it rises above {limit:g} {unit}.",
            "Check that the right input was recorded and not muted, then record again.",
            round(max(value, -200.0), 4),
            limit,
            "refuses",
        )


def dead_channel(view: View) -> Iterator[Finding]:
    """One channel of several carries nothing."""
    rms = view.channel_rms
    if rms.size < 2 or not rms.max() > 0.0:
        return
    relative = decibel((rms / rms.max()) ** 2)
    dead = np.flatnonzero(relative < DEAD_CHANNEL_DB)
    if dead.size:
        names = ", ".join(view.take.channel_names[i] for i in dead)
        yield Finding(
            "dead_channel",
            f"Nothing came through on: {names}. The other channels are used.",
            "Check the plug or the setting of that channel if you need it.",
            float(np.round(max(relative.min(), -200.0), 1)),
            DEAD_CHANNEL_DB,
            "note",
        )


def clipped(view: View) -> Iterator[Finding]:
    """Samples cut off at the top of the scale, or at the take's own ceiling."""
    share, level = flat_top_share(view.x, view.blocks, offset=view.mean)
    for channel in range(view.take.n_channels):
        if channel == view.channel or view.is_sound:
            continue
        axis = np.asarray(view.take.samples[channel], dtype=np.float32)
        levels = block_levels(axis, view.take.sample_rate_hz, view.blocks.n_block)
        share = max(share, flat_top_share(axis, levels)[0])
    if share >= CLIPPED_NOTE:
        weight = (
            "refuses"
            if share >= CLIPPED_REFUSES
            else "limits"
            if share >= CLIPPED_LIMITS
            else "note"
        )
        where = f" at {level:.2f} of full scale" if view.is_sound and level < 0.9 else ""
        yield Finding(
            "clipped",
            f"The recording is overloaded: {100 * share:.2g} % of it is cut off{where}.",
            _clip_advice(view),
            share,
            CLIPPED_LIMITS,
            weight,  # type: ignore[arg-type]
        )
    elif view.take.codec != "pcm" and view.is_sound:
        over = float(np.mean(view.blocks.peak > 1.0))
        if over >= OVER_FULL_SCALE_SHARE:
            yield Finding(
                "clipped",
                "The recording was overloaded before it was compressed: it goes beyond full scale "
                f"in {100 * over:.2g} % of the time.",
                _clip_advice(view),
                round(over, 5),
                OVER_FULL_SCALE_SHARE,
                "limits",
            )


def _clip_advice(view: View) -> str:
    if view.is_sound:
        return "Move the phone further away or lower its recording level, then record again."
    return "Choose a larger range for the sensor, then record again."


def dc_offset(view: View) -> Iterator[Finding]:
    """The sound does not swing about zero."""
    if view.take.unit == "full_scale" and abs(view.mean) > DC_OFFSET_FULL_SCALE:
        yield Finding(
            "dc_offset",
            f"The sound is off centre by {100 * abs(view.mean):.1f} % of full scale.",
            "Nothing to do for this check; another microphone or adapter cures it.",
            round(abs(view.mean), 5),
            DC_OFFSET_FULL_SCALE,
            "note",
        )


def low_level_over_noise(view: View) -> Iterator[Finding]:
    """The machine barely rises above the idle noise, band by band."""
    idle, fast = view.idle_power, view.fast_power
    if idle is None or not view.fast.any():
        return
    rises = {}
    for low, high in LEVEL_BANDS_HZ:
        top = min(high, 0.9 * view.nyquist_hz, view.take.bandwidth_hz or np.inf)
        part = view.bins(low, top)
        if top > 1.3 * low and part.stop - part.start >= 2:
            rise = decibel(fast[part].sum()) - decibel(idle[part].sum())
            rises[f"{hertz(low)} to {hertz(top)}"] = float(rise)
    if not rises:
        return
    middle = float(np.median(list(rises.values())))
    when = "At top speed" if view.is_phased else "In the loud parts"
    poor = [name for name, rise in rises.items() if rise < BURIED_DB]
    if middle < LOW_LEVEL_DB:
        yield Finding(
            "low_level_over_noise",
            f"{when} the car is only {max(middle, 0.0):.0f} dB louder than the room.",
            "Put the phone closer to the car (about a hand's width, clear of the wheels) or find "
            "a quieter room, then record again.",
            round(middle, 1),
            LOW_LEVEL_DB,
            "limits",
        )
    elif poor:
        yield Finding(
            "low_level_over_noise",
            f"The room's noise covers the car in part of the range ({', '.join(poor)}).",
            "Put the phone closer to the car, clear of the wheels, or find a quieter room.",
            round(min(rises.values()), 1),
            BURIED_DB,
            "note",
        )


def mains_hum(view: View) -> Iterator[Finding]:
    """A comb of 50 or 60 Hz lines stands above the noise floor."""
    power, step = _slow_spectrum(view)
    if power is None:
        return
    best: tuple[int, float, float, int] = (0, 0.0, 0.0, 0)
    for mains_hz in (50, 60):
        excess, strength = _comb(power, step, mains_hz)
        lines = int(np.count_nonzero(excess >= HUM_LINE_DB))
        single = excess[:2].max(initial=-np.inf) >= HUM_SINGLE_DB
        if (lines >= 2 or single) and excess.max() > best[1]:
            best = (lines, float(excess.max()), strength, mains_hz)
    if not best[3]:
        return
    running = view.level_of(view.running_blocks)
    below = float(decibel(running**2) - decibel(best[2])) if running else np.inf
    weighty = bool(view.idle.any()) and below < HUM_BELOW_RUNNING_DB
    yield Finding(
        "mains_hum",
        f"Mains hum ({best[3]} Hz and its multiples) stands {best[1]:.0f} dB above the noise.",
        "Unplug chargers and power supplies near the phone or the sensor cable.",
        round(best[1], 1),
        HUM_LINE_DB,
        "limits" if weighty else "note",
    )


def _slow_spectrum(view: View) -> tuple[NDArray[np.float64] | None, float]:
    """Fine spectrum of the idle parts, or what stays put over the whole take."""
    rate = view.take.sample_rate_hz
    if rate < _HUM_LOWEST_RATE_HZ:
        return None, 1.0
    n = 1 << int(np.log2(1.4 * rate))
    starts: list[int] = []
    idle_phases = (
        view.speed.phases_named("idle") if view.speed is not None and view.is_phased else ()
    )
    for phase in idle_phases:
        first, last = round(phase.start_s * rate), min(view.x.size, round(phase.end_s * rate))
        starts += list(range(first, last - n + 1, n // 2))
    quantile = 0.5
    if not starts:
        # Without an idle part only what stays put can be hum: the lowest quarter over time, so that
        # lines of a machine that runs at one speed for part of the take drop out. If it runs at
        # one speed throughout, nobody can tell.
        turning = view.rpm[view.running & (view.rpm > 0.0)]
        varies = turning.size > 0 and np.ptp(turning) > 0.2 * turning.max()
        steady = not varies if view.is_phased else not view.idle.any()
        if view.x.size < 4 * n or steady:
            return None, 1.0
        starts = list(range(0, view.x.size - n + 1, n))
        quantile = 0.25
    chosen = np.unique(np.round(np.linspace(0, len(starts) - 1, 8)).astype(int))
    pieces = np.stack([view.x[starts[i] : starts[i] + n] for i in chosen])
    step_hz = rate / n
    used = _lowest_lines(pieces, int(_HUM_UP_TO_HZ / step_hz) + 1)
    if quantile < 0.5:
        return np.quantile(used, quantile, axis=0), step_hz
    return used.mean(axis=0), step_hz


def _lowest_lines(pieces: NDArray[np.float32], n_lines: int) -> NDArray[np.float64]:
    """Power of the first lines of each piece, as `short_time_power` scales it.

    A long piece is taken as interleaved short ones: their transforms, each turned to its place,
    add up to the first lines of the whole, and the others are never worked out.
    """
    n = pieces.shape[1]
    window = hann(n)
    apart = max(1, n // (4 << int(np.log2(n_lines))))
    if apart < 2:
        return short_time_power(pieces, 1.0, n, n).power[:, 0, :n_lines].astype(np.float64)
    scaled = (window * (np.sqrt(2.0) / window.sum())).astype(np.float32)
    parts = scipy.fft.rfft((pieces * scaled).reshape(-1, n // apart, apart), axis=1)[:, :n_lines]
    angle = -2.0 * np.pi / n * np.outer(np.arange(n_lines), np.arange(apart))
    turn = np.exp(1j * angle).astype(np.complex64)
    lines = np.einsum("sla,la->sl", parts, turn)
    power: NDArray[np.float64] = lines.real.astype(np.float64) ** 2
    power += lines.imag.astype(np.float64) ** 2
    power[:, 0] *= 0.5
    return power


def _comb(
    power: NDArray[np.float64], step_hz: float, mains_hz: int
) -> tuple[NDArray[np.float64], float]:
    """Each harmonic's height over its surroundings (dB), and the lines' summed power."""
    heights, strength = [], 0.0
    for k in range(1, HUM_LINES + 1):
        centre = round(k * mains_hz / step_hz)
        # Mains frequency wanders by up to 0.4 %.
        reach = max(1, round(0.004 * k * mains_hz / step_hz))
        away, far = reach + 3, reach + 14
        if centre + far >= power.size or centre - far < 1:
            continue
        line = float(power[centre - reach : centre + reach + 1].max())
        around = np.concatenate(
            [power[centre - far : centre - away], power[centre + away + 1 : centre + far + 1]]
        )
        floor = float(np.median(around))
        heights.append(float(decibel(line) - decibel(floor)) if line > 0.0 else -np.inf)
        strength += max(line - floor, 0.0)
    return np.asarray(heights or [-np.inf]), strength


def dropouts(view: View) -> Iterator[Finding]:
    """Holes and repeated buffers inside the sound."""
    if not view.is_sound:
        return
    block_s = view.blocks.n_block / view.take.sample_rate_hz
    level = decibel(view.blocks.mean_square)
    n_local = max(3, round(2 * DROPOUT_S[1] / block_s) | 1)
    local = _local_median(level, n_local)
    rate, n_block = view.take.sample_rate_hz, view.blocks.n_block
    hole = (level < local - DROPOUT_DB) & view.running_blocks
    pieces: list[tuple[int, int]] = []
    if view.take.codec == "pcm":
        # Stuck and repeated samples, where there is sound around.
        pieces = stuck_runs(view.x, max(8, round(DROPOUT_S[0] * rate)))
        pieces += repeated_runs(view.x, BUFFERS)
    exact = [
        (start, n)
        for start, n in pieces
        if n <= DROPOUT_S[1] * rate
        and local[min(start // n_block, local.size - 1)] > DROPOUT_AUDIBLE_DB
    ]
    for start, n in exact:
        # Counted here, not as a hole as well.
        hole[max(0, start // n_block - 1) : (start + n) // n_block + 2] = False
    first, length = runs(hole)
    short = (length * block_s <= DROPOUT_S[1]) & (first > 0) & (first + length < level.size)
    n_holes = int(np.count_nonzero(short)) + len(exact)
    seconds = float(length[short].sum() * block_s) + sum(n for _, n in exact) / rate
    if n_holes:
        yield Finding(
            "dropouts",
            f"The sound drops out or stutters in {n_holes} "
            f"{'place' if n_holes == 1 else 'places'} ({1000 * seconds:.0f} ms in all).",
            "Close other programs on the phone and record again; such edges sound like impacts.",
            round(seconds, 4),
            DROPOUT_LIMITS_S,
            "limits" if seconds >= DROPOUT_LIMITS_S or n_holes >= 3 else "note",
        )


def _local_median(level: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Running median, thinned out for speed."""
    padded = np.pad(level, n // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, n)[::8, ::4]
    return np.repeat(np.median(windows, axis=1), 8)[: level.size]


def handling_knocks(view: View) -> Iterator[Finding]:
    """Knocks while the motor is off: the phone or the stand was touched."""
    rows = np.flatnonzero(view.far_idle[view.frame_of_block])
    if rows.size < 20:
        return
    peak = np.asarray(view.blocks.peak, dtype=np.float64)
    middle = float(np.median(peak[rows]))
    loud = np.zeros(peak.size, dtype=bool)
    loud[rows] = peak[rows] > KNOCK_OVER_MEDIAN * middle
    if middle <= 0.0:
        return
    block_s = view.blocks.n_block / view.take.sample_rate_hz
    # Blocks of one knock hang together.
    joined = smooth(loud, max(1, round(0.03 / block_s))) > 0.0
    _, length = runs(joined)
    n_knocks = int(np.count_nonzero(length * block_s <= KNOCK_LONGEST_S + 0.03))
    if n_knocks >= KNOCKS:
        yield Finding(
            "handling_knocks",
            f"There are {n_knocks} knocks while the motor is off.",
            "Do not touch the car, the stand or the phone while it records.",
            float(n_knocks),
            float(KNOCKS),
            "note",
        )
