"""Stage 4, sign 6: colour by third-octaves at one speed of the motor.

Every structure between a shaft and the sensor lends the sound its own resonances. A joint that
lost its stiffness moves them, which shows as more in one third-octave and less in another, each
car in its own: only the car's own baseline tells what is usual.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.features.spec import ALL_ZONES, FeatureSpec
from vibecheck.features.workings import TINY, FloatArray, Workings

WINDOW_S = 0.09
CENTRES_HZ = (
    *(125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600),
    *(2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500),
)
REFERENCE_HZ = (400, 8000)
"""Third-octaves whose mean level is the reference: rooms and codecs reach the others first."""
REFERENCE_SPEED = 0.75
"""Of the bench limit (or of 0.95 of the top speed where the car names none)."""
SLOW = 0.3
MIN_FRAMES = 6
FRAMES_AT_ONCE = 32
"""So many are transformed at a time, inside the processor's cache."""
FLICKER_HZ = CENTRES_HZ[::2]
GROUND_QUANTILE = 0.3
_AT = "straight line against log2 of speed, at three quarters of the bench limit"
_SOURCE = "third-octave bands of IEC 61260-1, exact base-two; common practice"


def _words(centre_hz: int) -> str:
    return f"{centre_hz} Hz" if centre_hz < 1000 else f"{centre_hz / 1000:g} kHz"


FEATURES: tuple[FeatureSpec, ...] = (
    *(
        FeatureSpec(
            name=f"tone_{centre}_driven",
            unit="dB",
            formula=f"level of the third-octave at {_words(centre)} over the mean of those from "
            f"400 Hz to 8 kHz, {_AT}",
            shaft="none",
            phase="driven",
            raised_by="A resonance that moved here, or a rattle that rings here.",
            reading_high=f"More sound near {_words(centre)} under power ({{value:+.1f}} dB).",
            reading_low=f"Less sound near {_words(centre)} under power ({{value:+.1f}} dB).",
            zones=ALL_ZONES,
            neutral=0.0,
            sign="colour",
            source=_SOURCE,
        )
        for centre in CENTRES_HZ
    ),
    *(
        FeatureSpec(
            name=f"ground_{centre}_coast_down",
            unit="dB",
            formula=f"ground (30th percentile over frequency, so that lines do not count) of the "
            f"third-octave at {_words(centre)} over the mean of those from 400 Hz to 8 kHz, {_AT}",
            shaft="none",
            phase="coast_down",
            raised_by="A resonance that moved into this third-octave, heard without the drive.",
            reading_high=f"More noise near {_words(centre)} while it coasts ({{value:+.1f}} dB).",
            reading_low=f"Less noise near {_words(centre)} while it coasts ({{value:+.1f}} dB).",
            zones=ALL_ZONES,
            neutral=0.0,
            sign="colour",
            source=_SOURCE,
        )
        for centre in CENTRES_HZ
    ),
    *(
        FeatureSpec(
            name=f"flicker_{centre}_driven",
            unit="dB",
            formula=f"median step of the level of the third-octave at {_words(centre)}, over that "
            "of those from 400 Hz to 8 kHz, from one 45 ms frame to the next",
            shaft="none",
            phase="driven",
            raised_by="Sound that does not repeat: a part that shifts and rattles.",
            reading_high=f"The sound near {_words(centre)} flickers by {{value:.1f}} dB.",
            reading_low=f"The sound near {_words(centre)} is steady (steps of {{value:.1f}} dB).",
            zones=ALL_ZONES,
            neutral=2.0,
            sign="impact",
            source="common practice, no source",
            locates=True,
            direction=1,
        )
        for centre in FLICKER_HZ
    ),
)


@dataclass(frozen=True, eq=False)
class ThirdOctaves:
    """Short-time third-octave levels.

    Attributes
    ----------
    time_s : ndarray, shape (n_frames,)
    level_db, ground_db : ndarray, shape (n_bands, n_frames)
        Mean over the band's bins, and their low quantile.
    centres : tuple of int
        Bands that the take can hold.
    """

    time_s: FloatArray
    level_db: FloatArray
    ground_db: FloatArray
    centres: tuple[int, ...]

    def relative(self, level_db: FloatArray) -> FloatArray:
        """Levels over the mean of the bands of reference (of all where too few are heard)."""
        low, high = REFERENCE_HZ
        inner = [k for k, centre in enumerate(self.centres) if low <= centre <= high]
        chosen = inner if len(inner) >= 3 else list(range(len(self.centres)))
        return np.asarray(level_db - level_db[chosen].mean(axis=0))


def third_octaves(
    work: Workings, phases: tuple[str, ...] = (), *, ground: bool = True
) -> ThirdOctaves | None:
    """Short-time third-octave levels of a take; ``None`` where it is too short or too slow.

    Parameters
    ----------
    work : Workings
    phases : tuple of str
        Where given, only the fast frames of these phases are worked out and returned.
    ground : bool
        False leaves the ground out (NaN), which takes as long as all the rest.
    """
    rate = work.take.sample_rate_hz
    channels = work.channels
    n_window = scipy.fft.next_fast_len(max(16, round(WINDOW_S * rate)), real=True)
    hop = n_window // 2
    n_frames = (channels.shape[1] - n_window) // hop + 1
    if n_frames < MIN_FRAMES:
        return None
    window = np.hanning(n_window).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(channels, n_window, axis=1)[:, ::hop]
    time_s = (np.arange(n_frames) * hop + 0.5 * n_window) / rate
    if phases:
        masks = [work.phase_mask(time_s, phase) for phase in phases]
        kept = np.logical_or.reduce(masks) & _is_fast(work, time_s)
        frames, time_s = frames[:, kept], time_s[kept]
    power = np.zeros((time_s.size, n_window // 2 + 1), np.float32)
    for first in range(0, time_s.size, FRAMES_AT_ONCE):
        part = slice(first, first + FRAMES_AT_ONCE)
        spectrum = scipy.fft.rfft(frames[:, part] * window, axis=-1)
        for row in spectrum:
            power[part] += row.real**2
            power[part] += row.imag**2
    bin_hz = rate / n_window
    levels, grounds, centres = [], [], []
    for place, centre in enumerate(CENTRES_HZ):
        exact = 1000.0 * 2.0 ** ((place - CENTRES_HZ.index(1000)) / 3.0)
        first = int(np.ceil(exact * 2.0 ** (-1 / 6) / bin_hz))
        last = int(exact * 2.0 ** (1 / 6) / bin_hz) + 1
        if last * bin_hz > work.bandwidth_hz or last - first < 2:
            continue
        bins = power[:, first:last]
        rank = int(GROUND_QUANTILE * (bins.shape[1] - 1))
        levels.append(10.0 * np.log10(bins.mean(axis=1, dtype=np.float64) + TINY))
        low = np.partition(bins, rank, axis=1)[:, rank] if ground else bins[:, 0] * np.nan
        grounds.append(10.0 * np.log10(low + TINY))
        centres.append(centre)
    if len(centres) < 3:
        return None
    return ThirdOctaves(
        time_s, np.stack(levels), np.stack(grounds).astype(np.float64), tuple(centres)
    )


def _is_fast(work: Workings, time_s: FloatArray) -> NDArray[np.bool_]:
    """True at the times at which the motor turns fast enough for its colour to be read."""
    return np.asarray(work.shaft_hz(time_s, 1.0) > SLOW * work.top_hz)


def reference_hz(work: Workings) -> float:
    """Motor turns per second at which the colour is read."""
    train, wheel = work.car.drivetrain, work.order_ratio("wheel")
    if train is not None and wheel and train.bench_max_wheel_rpm:
        limit = train.bench_max_wheel_rpm / 60.0 / wheel
        # A run that never comes near the limit is read at its own speeds.
        return float(np.clip(REFERENCE_SPEED * limit, 0.5 * work.top_hz, work.top_hz))
    return 0.95 * REFERENCE_SPEED * work.top_hz


def measure(work: Workings) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    if not work.runs or work.top_hz <= 0.0:
        return found
    for name, phase in (("tone", "driven"), ("ground", "coast_down")):
        bands = third_octaves(work, (phase,), ground=name == "ground")
        if bands is None or bands.time_s.size < MIN_FRAMES:
            continue
        relative = bands.relative(bands.ground_db if name == "ground" else bands.level_db)
        hz = work.shaft_hz(bands.time_s, 1.0)
        values = _at_speed(relative, np.log2(hz / reference_hz(work)))
        for centre, value in zip(bands.centres, values, strict=True):
            found[f"{name}_{centre}_{phase}"] = float(value)
        if phase == "driven":
            steps = np.median(np.abs(np.diff(relative, axis=1)), axis=1)
            for centre, step in zip(bands.centres, steps, strict=True):
                if centre in FLICKER_HZ:
                    found[f"flicker_{centre}_driven"] = float(step)
    return found


def _at_speed(level_db: FloatArray, octaves: FloatArray) -> FloatArray:
    """Straight line of each band's level against speed, read at zero octaves."""
    if np.ptp(octaves) < 0.2:
        return np.asarray(level_db.mean(axis=1))
    columns = np.stack([np.ones(octaves.size), octaves], axis=1)
    return np.asarray(np.linalg.lstsq(columns, level_db.T, rcond=None)[0][0])
