"""Findings on other sounds in the room: voices, a second motor."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.dsp.levels import runs
from vibecheck.dsp.spectrum import short_time_power
from vibecheck.findings import Finding
from vibecheck.quality.view import View, decibel

Where = Literal["idle", "hold"]

# Voices: most of their power lies in the telephone band.
VOICE_BAND_HZ = (300.0, 3400.0)
_ABOVE_VOICE_HZ = (5000.0, 12000.0)
# A bin of steady noise exceeds seven times its median in 0.8 % of the frames (exponential law); in
# a syllable a quarter of the band does.
_EXCESS = 7.0
_BURST_SHARE = 0.2
# Syllables: 3 to 8 a second, each 60 to 500 ms, several in a row.
_SYLLABLE_S = (0.06, 0.6)
SYLLABLES = 3
_PHRASE_S = 2.0
# Knocks and rattle reach beyond the voice band as well; voices far less.
VOICE_OVER_TREBLE_DB = 6.0
# Voiced sound repeats with a pitch of 70 to 400 Hz that moves; a shaft at steady speed does not.
_PITCH_HZ = (70.0, 400.0)
VOICED_STRENGTH = 0.35
VOICED_SHARE = 0.4
VOICED_BINS = 12
PITCH_MOVES = 0.02
_VOICE_FRAME_S = 0.043

# A line this far over its own typical level, frame after frame. The highest of some 200 bins of
# steady noise stays under 12 dB over the median in 99.7 % of the frames.
LINE_DB = 12.0
# It moves steadily: at most this many bins from frame to frame, at least this many in all …
_LINE_STEP_BINS = 4
_LINE_TRAVEL_BINS = 6
# … and lasts: a syllable is over sooner.
_LINE_FRAMES = 14
SECOND_MOTOR_S = 0.5
_LINE_BAND_HZ = (600.0, 10_000.0)
# A family: this many of twelve harmonics stand out by this much in the averaged idle spectrum. With
# three or more frames no noise bin does; unrelated lines rarely fall into step by chance.
FAMILY_LINES, FAMILY_LINE_DB = 5, 12.0
_FAMILY_FRAME_S, _FAMILY_PITCH_HZ, _FAMILY_TOP_HZ = 0.34, (30.0, 700.0), 6000.0
# Lines 30 dB under the car's sound still match its weak orders.
FAMILY_BELOW_CAR_DB = 30.0
_ALONE = "Record while no other car, fan, drill or pump runs near by."
# A line that moves as the car's own speed does (within this share of its travel) is the car's own.
_OWN_SHARE = 0.5


def speech_present(view: View) -> Iterator[Finding]:
    """Voices in the room, while the motor is off or at steady speed."""
    for where, syllables in spoken_syllables(view):
        when = "while the motor is off" if where == "idle" else "while it runs"
        yield Finding(
            "speech_present",
            f"Someone speaks {when} ({len(syllables)} syllables or more).",
            "Keep quiet while it records. Before you share the recording: it holds voices.",
            float(len(syllables)),
            float(SYLLABLES),
            "limits",
        )
        return


def spoken_syllables(view: View) -> Iterator[tuple[Where, list[tuple[float, float]]]]:
    """Yield where voices were heard, with the syllables there (start and end in seconds)."""
    if not view.is_sound:
        return
    wheres: tuple[Where, ...] = ("idle", "hold")
    for where in wheres:
        frames: NDArray[np.bool_] = getattr(view, where)
        syllables = _syllables(view, where, frames)
        if len(syllables) < SYLLABLES:
            continue
        middle = np.array([0.5 * (a + b) for a, b in syllables])
        # At least that many within one phrase.
        in_phrase = np.searchsorted(middle, middle + _PHRASE_S) - np.arange(middle.size)
        if in_phrase.max() >= SYLLABLES and _is_voice(view, frames, syllables):
            yield where, syllables


def _syllables(view: View, where: Where, frames: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Bursts (start and end in seconds) that fill the voice band but not the treble."""
    index = np.flatnonzero(frames)
    if index.size < 24:
        return []
    voice = view.bins(VOICE_BAND_HZ[0], min(VOICE_BAND_HZ[1], 0.9 * view.nyquist_hz))
    if voice.stop - voice.start < 16:
        return []
    power = view.spectra.power[index][:, voice]
    middle = np.maximum(view.median_of(where)[voice], 1e-30)
    share = np.mean(power > _EXCESS * middle, axis=1)
    over = np.zeros(frames.size, dtype=bool)
    over[index] = share > _BURST_SHARE
    first, length = runs(over)
    seconds = length * view.frame_step_s
    kept = (seconds >= _SYLLABLE_S[0]) & (seconds <= _SYLLABLE_S[1])
    if not kept.any():
        return []
    treble = view.bins(_ABOVE_VOICE_HZ[0], min(_ABOVE_VOICE_HZ[1], 0.9 * view.nyquist_hz))
    has_treble = treble.stop - treble.start >= 8
    quiet_voice = max(float(np.median(power.sum(axis=1))), 1e-30)
    quiet_treble = 1e-30
    if has_treble:
        quiet_treble += float(np.median(view.spectra.power[index][:, treble].sum(axis=1)))
    found = []
    for start, n in zip(first[kept], length[kept], strict=True):
        rows = slice(int(start), int(start + n))
        if has_treble:
            low = decibel(view.spectra.power[rows, voice].sum(axis=1).mean() / quiet_voice)
            high = decibel(view.spectra.power[rows, treble].sum(axis=1).mean() / quiet_treble)
            if low - high < VOICE_OVER_TREBLE_DB:
                continue
        half = 0.5 * view.frame_step_s
        times = view.spectra.time_s[rows]
        found.append((float(times[0]) - half, float(times[-1]) + half))
    return found


def _is_voice(view: View, frames: NDArray[np.bool_], syllables: list[tuple[float, float]]) -> bool:
    """True where enough of the bursts repeat with a pitch that moves."""
    rate = view.take.sample_rate_hz
    n = 1 << round(np.log2(_VOICE_FRAME_S * rate))
    middles = [0.5 * (a + b) for a, b in syllables]
    chosen = np.unique(np.round(np.linspace(0, len(middles) - 1, 24)).astype(int))
    starts = [round(middles[i] * rate) - n // 2 for i in chosen]
    starts = [start for start in starts if 0 <= start <= view.x.size - n]
    if not starts:
        return False
    # What is there all the time (the machine's own lines) is divided out.
    steady_times = view.spectra.time_s[frames]
    picks = np.unique(np.round(np.linspace(0, steady_times.size - 1, 48)).astype(int))
    begin = np.clip(np.round(steady_times[picks] * rate).astype(int) - n // 2, 0, view.x.size - n)
    pieces = np.stack([view.x[b : b + n] for b in (*starts, *begin)])
    power = short_time_power(pieces, rate, n, n).power[:, 0].astype(np.float64)
    burst, steady = power[: len(starts)], np.maximum(np.median(power[len(starts) :], axis=0), 1e-30)
    step = rate / n
    clear = np.where(burst > _EXCESS * steady, burst, 0.0)
    clear[:, : int(80.0 / step)] = 0.0
    clear[:, int(VOICE_BAND_HZ[1] / step) :] = 0.0
    # Autocorrelation of the compressed spectrum: all harmonics count, not the strongest alone.
    around = scipy.fft.irfft(np.sqrt(clear), axis=1)
    strength = around / np.maximum(around[:, :1], 1e-30)
    low, high = int(rate / _PITCH_HZ[1]), int(rate / _PITCH_HZ[0])
    lag = low + np.argmax(strength[:, low : high + 1], axis=1)
    best = strength[np.arange(lag.size), lag]
    # A handful of chance lines repeats with any lag.
    voiced = (best >= VOICED_STRENGTH) & (np.count_nonzero(clear, axis=1) >= VOICED_BINS)
    if np.count_nonzero(voiced) < max(2, VOICED_SHARE * lag.size):
        return False
    pitch = rate / lag[voiced]
    return bool(np.std(pitch) >= PITCH_MOVES * np.mean(pitch))


def second_motor(view: View, *, has_voices: bool = False) -> Iterator[Finding]:
    """Another machine: a line that moves on its own, or a family of lines while the car is off."""
    if not view.is_sound:
        return
    seconds = _moving_line_s(view, "idle", view.far_idle) + _moving_line_s(view, "hold", view.hold)
    if seconds >= SECOND_MOTOR_S:
        yield Finding(
            "second_motor",
            f"Another motor speeds up or down nearby ({seconds:.1f} s of it were heard).",
            _ALONE,
            round(seconds, 2),
            SECOND_MOTOR_S,
            "limits",
        )
        return
    if has_voices:
        # Voices are families of lines, too.
        return
    pitch_hz, n_lines, power = _line_family(view)
    if n_lines >= FAMILY_LINES:
        running = view.level_of(view.running_blocks)
        below = float(decibel(running**2) - decibel(power)) if running else 0.0
        yield Finding(
            "second_motor",
            f"Another motor or fan runs nearby ({n_lines} lines of {pitch_hz:.0f} Hz while the "
            "car is off).",
            _ALONE,
            float(n_lines),
            float(FAMILY_LINES),
            "limits" if below < FAMILY_BELOW_CAR_DB else "note",
        )


def _line_family(view: View) -> tuple[float, int, float]:
    """Pitch, number of lines and power of the largest family of harmonics in the idle sound."""
    rate = view.take.sample_rate_hz
    if rate < 2.0 * _FAMILY_TOP_HZ / 3.0:
        return 0.0, 0, 0.0
    n = 1 << round(np.log2(_FAMILY_FRAME_S * rate))
    starts: list[int] = []
    for first, length in zip(*runs(view.far_idle), strict=True):
        begin = round((view.spectra.time_s[first] - 0.5 * view.frame_step_s) * rate)
        end = min(view.x.size, begin + round(view.seconds(float(length)) * rate))
        starts += list(range(max(0, begin), end - n + 1, n // 2))
    if len(starts) < 3 or not view.is_phased:
        return 0.0, 0, 0.0
    chosen = np.unique(np.round(np.linspace(0, len(starts) - 1, 8)).astype(int))
    short = short_time_power(
        np.stack([view.x[starts[i] : starts[i] + n] for i in chosen]), rate, n, n
    )
    step = short.step_hz
    top = min(short.frequency_hz.size, int(_FAMILY_TOP_HZ / step))
    power = short.power[:, 0, :top].astype(np.float64).mean(axis=0)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(power, 24, mode="edge"), 49)[::4]
    floor = np.repeat(np.quantile(windows, 0.3, axis=1), 4)[:top]
    excess = decibel(power) - decibel(floor)
    inner = excess[1:-1]
    is_line = (inner >= FAMILY_LINE_DB) & (inner >= excess[:-2]) & (inner > excess[2:])
    at = np.flatnonzero(is_line) + 1
    hertz = at * step
    near_hum = np.zeros(at.size, dtype=bool)
    for mains in (50.0, 60.0):
        near_hum |= np.abs(hertz - mains * np.round(hertz / mains)) < 1.5 * step
    at = at[~near_hum & (hertz > _FAMILY_PITCH_HZ[0])]
    at = at[np.argsort(excess[at])[::-1][:40]]
    if at.size < FAMILY_LINES:
        return 0.0, 0, 0.0
    pitches = (np.sort(at)[:, np.newaxis] * step / np.array([1.0, 2.0, 3.0])).ravel()
    pitches = pitches[(pitches >= _FAMILY_PITCH_HZ[0]) & (pitches <= _FAMILY_PITCH_HZ[1])]
    best = (0.0, 0, 0.0)
    harmonics = np.arange(1, 13)
    for pitch in pitches:
        distance = np.abs(at[:, np.newaxis] - harmonics * pitch / step)
        hit = distance <= np.maximum(1.5, 0.005 * harmonics * pitch / step)
        n_lines = int(np.count_nonzero(hit.any(axis=0)))
        if n_lines > best[1]:
            best = (float(pitch), n_lines, float(power[at[hit.any(axis=1)]].sum()))
    return best


def _moving_line_s(view: View, where: Where, frames: NDArray[np.bool_]) -> float:
    """Seconds with a strong line that moves on its own, inside some frames."""
    band = view.bins(_LINE_BAND_HZ[0], min(_LINE_BAND_HZ[1], 0.9 * view.nyquist_hz))
    index = np.flatnonzero(frames)
    if index.size < 3 * _LINE_FRAMES or band.stop - band.start < 32:
        return 0.0
    power = view.spectra.power[index][:, band]
    over_time = power / np.maximum(view.median_of(where)[band], 1e-30)
    at = np.argmax(over_time, axis=1)
    # A line, not a burst: it stands out from the other bins of the same frame as well.
    over_both = over_time[np.arange(at.size), at] / np.maximum(
        np.median(over_time[:, ::4], axis=1), 1.0
    )
    strong = decibel(over_both) >= LINE_DB
    follows = np.zeros(at.size, dtype=bool)
    follows[1:] = (
        strong[1:] & strong[:-1] & (np.abs(np.diff(at)) <= _LINE_STEP_BINS) & (np.diff(index) == 1)
    )
    seconds = 0.0
    for start, length in zip(*runs(follows), strict=True):
        if length + 1 < _LINE_FRAMES:
            continue
        rows = slice(int(start) - 1, int(start + length))
        path = at[rows].astype(np.float64) + band.start
        if np.ptp(path) < _LINE_TRAVEL_BINS:
            continue
        own = view.rpm[index[rows]]
        if own.min() > 0.0:
            # Expected path of a line of the car itself.
            expected = path.mean() * own / own.mean()
            if np.ptp(path - expected) < _OWN_SHARE * np.ptp(path):
                continue
        seconds += view.seconds(path.size)
    return seconds
