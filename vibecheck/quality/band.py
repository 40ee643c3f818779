"""Findings on what the recording can hold: bandwidth, aliasing, bit rate, clock."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from vibecheck.dsp.statistics import middle
from vibecheck.findings import Finding
from vibecheck.quality.view import View, decibel, hertz

# Rattle speaks up to about here; above it even good codecs change the impact measures (measured:
# AAC at 128 kbit/s keeps band levels within 0.5 dB up to 8 kHz).
NEEDED_SOUND_HZ = 8000.0
# Common practice, no source: motor order 2 at 25 000 rpm is 833 Hz.
NEEDED_ACCELERATION_HZ = 1000.0
# The telephone band ends at 3.4 kHz (ITU-T G.712), its sampling rate is 8 kHz.
TELEPHONE_HZ = 4000.0
# A codec's or a resampler's edge: this much lower within 8 % in frequency. An eighth-order filter
# falls by 48 dB per octave, 5 dB in that span.
EDGE_DB = 15.0
_EDGE_STEP = 1.08
# Where the car raises what lies beyond the edge by more than this, and the room's noise falls by
# less than this across it, the edge is the car's own.
PASSES_DB = 6.0
# 16 bits with triangular dither: noise of a quarter of a step squared, (2⁻¹⁵)²/4, over 24 kHz, is
# 1e-14 of full scale squared per hertz; four times that.
ROUNDING_DENSITY = 4e-14
# With fewer bands than this, one strong line and the floor beside it look like an edge; so they do
# in the lowest eighth of the band.
_EDGE_BANDS, _FEWEST_BANDS = 96, 48

# An anti-alias filter leaves the top of the band well under the rest. Without one, what lies above
# half the sample rate folds down, and the top of the band rises with the speed as the rest does.
ALIAS_BELOW_MIDDLE_DB = 10.0
ALIAS_OVER_IDLE_DB = 10.0

# Measured on rattle coded and decoded again: above 8 kHz AAC at 128 kbit/s loses 14 % of the
# kurtosis and moves weak modulation lines by 3–6 dB; AAC at 64 kbit/s loses 36 %, Opus at 32 63 %.
# The borders lie above those two nominal rates, since files of one nominal rate vary.
LOW_BIT_RATE_BPS = 80_000.0
FAIR_BIT_RATE_BPS = 160_000.0

# Jitter j (in sample intervals) leaves a signal-to-noise ratio of −20 lg(2π f σ) at frequency f; at
# half the sample rate that is −20 lg(π j): 10 dB for 0.1, 24 dB for 0.02.
CLOCK_JITTER_LIMITS, CLOCK_JITTER_NOTE = 0.1, 0.02


def usable_bandwidth_hz(view: View) -> tuple[float, bool]:
    """Return the highest frequency the take can show, and whether a sharp edge was found.

    The edge is looked for in the long-term spectrum: the frequency above which everything lies
    at least 15 dB under the bands just below.
    """
    known = min(view.nyquist_hz, view.take.bandwidth_hz or np.inf)
    power = view.spectra.power
    n_bands = min(_EDGE_BANDS, (power.shape[1] - 1) // 2)
    if n_bands < _FEWEST_BANDS:
        return known, False
    mean = power.mean(axis=0, dtype=np.float64)[1:]
    edges = np.linspace(0, mean.size, n_bands + 1).round().astype(int)
    level = decibel(np.add.reduceat(mean, edges[:-1]) / np.diff(edges))
    best, found = EDGE_DB, 0
    # The highest level from each band up.
    above = np.maximum.accumulate(level[::-1])[::-1]
    for k in range(n_bands // 8, n_bands - 2):
        beyond = max(k + 2, int(np.ceil(_EDGE_STEP * k)))
        if beyond >= n_bands:
            break
        below = middle(level[max(1, int(0.8 * k)) : k + 1])
        drop = min(below, level[k] + 3.0) - above[beyond]
        if drop > best:
            best, found = drop, k + 1
    if not found:
        return known, False
    edge = found * view.nyquist_hz / n_bands
    if not edge < 0.97 * known or _passes_beyond(view, edge):
        return known, False
    return edge, True


def _passes_beyond(view: View, edge_hz: float) -> bool:
    """True where something passes beyond an edge: the car's spectrum falls, the band does not end.

    A band limit holds back the room's noise as the car's sound; and where the room's noise cannot
    tell, because it is down at the rounding noise of the format, it holds back all of the car.
    """
    idle, fast = view.idle_power, view.fast_power
    below = view.bins(0.8 * edge_hz, 0.97 * edge_hz)
    beyond = view.bins(1.1 * edge_hz, min(1.5 * edge_hz, view.nyquist_hz))
    if idle is None or beyond.stop - beyond.start < 2 or below.stop - below.start < 2:
        return False
    floor = ROUNDING_DENSITY * view.spectra.noise_bandwidth_hz
    quiet = float(np.median(idle[beyond]))
    at_floor = view.take.unit == "full_scale" and quiet < floor
    rise = float(decibel(np.median(fast[beyond])) - decibel(max(quiet, floor * at_floor)))
    idle_drop = float(decibel(np.median(idle[below])) - decibel(np.median(idle[beyond])))
    return idle_drop < PASSES_DB and (rise > PASSES_DB or not at_floor)


def top_speed_hz(view: View) -> float | None:
    """Turns per second of the reference shaft at top speed."""
    if view.speed is None or not view.speed.running.any():
        return None
    return float(np.percentile(view.speed.rpm[view.speed.running], 99.0)) / 60.0


def bandwidth(view: View, usable_hz: float) -> Iterator[Finding]:
    """The recording ends below what the car's orders, or rattle, need."""
    top_hz = top_speed_hz(view)
    hidden: list[str] = []
    if view.car is not None and top_hz:
        hidden = [o.name for o in view.car.orders if o.ratio * top_hz > usable_hz]
    needed = NEEDED_SOUND_HZ if view.is_sound else NEEDED_ACCELERATION_HZ
    shows = f"It ends at {hertz(usable_hz)}"
    if top_hz:
        shows += f", order {usable_hz / top_hz:.0f} of the {view.speed.shaft} shaft at top speed"  # type: ignore[union-attr]
    if hidden:
        more = f" and {len(hidden) - 4} more" if len(hidden) > 4 else ""
        shows += f"; it cannot show: {', '.join(hidden[:4])}{more}"
    if view.is_sound and usable_hz <= TELEPHONE_HZ:
        yield Finding(
            "telephone_sound",
            f"The recording has the narrow band of a telephone. {shows}.",
            "Use a voice-memo or recorder app at 44.1 or 48 kHz, not a call or a voice message.",
            round(usable_hz, 1),
            NEEDED_SOUND_HZ,
            "limits",
        )
    elif usable_hz < needed or hidden:
        yield Finding(
            "narrow_bandwidth",
            f"The recording does not reach far enough up. {shows}.",
            "Record uncompressed (WAV or FLAC) at 44.1 or 48 kHz."
            if view.is_sound
            else "Use a higher output data rate, or a microphone for the fast orders.",
            round(usable_hz, 1),
            round(max([needed, *_needed_by(view, hidden, top_hz)]), 1),
            # An accelerometer that shows the shafts but not the teeth does what it can.
            "limits" if view.is_sound or usable_hz < needed else "note",
        )


def _needed_by(view: View, hidden: list[str], top_hz: float | None) -> list[float]:
    if view.car is None or not top_hz:
        return []
    return [order.ratio * top_hz for order in view.car.orders if order.name in hidden]


def possible_aliasing(view: View, has_edge: bool) -> Iterator[Finding]:
    """An accelerometer without an anti-alias filter folds fast vibration onto slow orders."""
    if view.is_sound or has_edge or not view.running.any():
        return
    middle = view.bins(0.2 * view.nyquist_hz, 0.7 * view.nyquist_hz)
    top = view.bins(0.92 * view.nyquist_hz, view.nyquist_hz)
    if top.stop - top.start < 2:
        return
    fast = view.fast_power
    gap = float(decibel(np.median(fast[middle])) - decibel(np.median(fast[top])))
    if gap >= ALIAS_BELOW_MIDDLE_DB:
        return
    known_floor = view.idle_power is not None
    if view.idle_power is not None:
        rise = float(decibel(np.median(fast[top])) - decibel(np.median(view.idle_power[top])))
        if rise < ALIAS_OVER_IDLE_DB:
            return
    yield Finding(
        "possible_aliasing",
        f"Vibration reaches the very top of the sensor's band ({view.nyquist_hz:.0f} Hz): faster "
        "vibration may be folded down onto the slow orders.",
        "Use a higher output data rate, or a sensor with an anti-alias filter.",
        round(gap, 1),
        ALIAS_BELOW_MIDDLE_DB,
        # With no idle part it may as well be the sensor's own noise.
        "limits" if known_floor else "note",
    )


def low_bit_rate(view: View) -> Iterator[Finding]:
    """Lossy compression too strong for the weak signs of looseness."""
    rate = view.take.bit_rate_bps
    if view.take.codec == "pcm" or not rate:
        return
    per_channel = rate / view.take.n_channels
    if per_channel < FAIR_BIT_RATE_BPS:
        weak = per_channel <= LOW_BIT_RATE_BPS
        yield Finding(
            "low_bit_rate",
            f"The sound was compressed ({view.take.codec}, {per_channel / 1000:.0f} kbit/s): "
            + (
                "that smears rattle and weak signs."
                if weak
                else "weak signs may have moved by a few decibels."
            ),
            'Set the recorder to "lossless" or WAV, or to its highest quality.',
            per_channel,
            LOW_BIT_RATE_BPS if weak else FAIR_BIT_RATE_BPS,
            "limits" if weak else "note",
        )


def clock_jitter(view: View) -> Iterator[Finding]:
    """Time stamps that stray (measured by the reader of tables)."""
    jitter = view.take.clock_jitter
    if jitter is None or jitter < CLOCK_JITTER_NOTE:
        return
    yield Finding(
        "clock_jitter",
        f"The time stamps stray by {100 * jitter:.0f} % of the sampling interval.",
        "Use the sensor's own time stamps, or an app that records at a fixed rate.",
        round(jitter, 4),
        CLOCK_JITTER_LIMITS,
        "limits" if jitter >= CLOCK_JITTER_LIMITS else "note",
    )
