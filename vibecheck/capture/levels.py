"""Recording at the bench: how loud it is, whether it is cut off, whether the room is quiet enough.

All levels are dB re full scale: 0 dB is the largest number the recorder can give. Effective levels
are root mean square, so a sine that just fills the scale reads −3 dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.dsp.levels import block_levels, runs
from vibecheck.dsp.spectrum import short_time_power
from vibecheck.errors import CallError
from vibecheck.units import amplitude_to_db, power_to_db

FLOOR_DB = -120.0
"""Below this nothing is told apart: 20 bits."""
FULL_SCALE = 1.0 - 2.0**-15
"""The largest value that a 16-bit recorder can give."""
CLIP_RUN = 3
"""So many samples in a row at full scale are cut off; a crest touches it with one or two."""
HOLD_S, FALL_DB_PER_S = 1.5, 20.0
"""How long a meter's peak stays, and how fast it falls then. Common practice, no source."""

SILENT_DB = -85.0
"""As in the quality check: the rounding noise of 16 bits, and a little more."""
QUIET_DB, LOUD_DB = -50.0, -35.0
"""Idle noise that leaves a spin-up room, and that covers much of one. A spin-up at 30 cm reads
about −30 to −10 dB; value from memory, of phones and laptops in living rooms."""
UNSTEADY_DB, UNSTEADY_LEAST_DB = 10.0, -60.0
"""Blocks this far above the median, and not below what a spin-up covers anyway, are speech, steps
or knocks, not the noise of the room. Common practice, no source."""
UNSTEADY_SHARE = 0.05
HUM_LINE_DB = 15.0
"""A line at a multiple of the mains frequency this far above the noise beside it. More than in the
quality check (10 dB): fewer spectra are averaged here. Two such lines: 0 of 400 white noises."""
HUM_LINES = 8
HUM_LEAST_S = 1.0

RoomVerdict = Literal["silent", "quiet", "noticeable", "loud"]


@dataclass(frozen=True)
class Level:
    """What a meter shows of one block of sound.

    Attributes
    ----------
    level_db : float
        Effective level of the loudest channel, dB re full scale, `FLOOR_DB` at least.
    peak_db : float
        Largest magnitude in any channel, dB re full scale, `FLOOR_DB` at least.
    """

    level_db: float = FLOOR_DB
    peak_db: float = FLOOR_DB


@dataclass(frozen=True)
class Meter:
    """A meter's state after some blocks; `after` gives the next one.

    Attributes
    ----------
    now : Level
        Of the newest block.
    held_db : float
        Highest peak of late: it stays for `HOLD_S` seconds, then falls.
    highest_db : float
        Highest peak since the start.
    held_for_s : float
        Since when the held peak stands.
    clips : int
        Runs of `CLIP_RUN` or more samples at full scale since the start, over all channels.
    at_top : tuple of int
        Samples at full scale at the end of the newest block, one number a channel.
    """

    now: Level = Level()
    held_db: float = FLOOR_DB
    highest_db: float = FLOOR_DB
    held_for_s: float = 0.0
    clips: int = 0
    at_top: tuple[int, ...] = ()

    def after(self, block: NDArray[Any], sample_rate_hz: float) -> Meter:
        """Return the state after one more block.

        Parameters
        ----------
        block : ndarray, shape (n_samples, n_channels)
            In fractions of full scale. An empty one changes nothing.
        sample_rate_hz : float > 0
        """
        if block.shape[0] == 0:
            return self
        now = level_of(block)
        seconds = block.shape[0] / sample_rate_hz
        held_db, held_for_s = hold_peak(self.held_db, self.held_for_s, now.peak_db, seconds)
        clips, at_top = count_clips(block, self.at_top)
        return Meter(
            now,
            held_db,
            max(self.highest_db, now.peak_db),
            held_for_s,
            self.clips + clips,
            at_top,
        )


def level_of(block: NDArray[Any]) -> Level:
    """Return the level of a block, shape (n_samples, n_channels), of one sample at least."""
    values = np.nan_to_num(np.asarray(block, dtype=np.float64))
    mean_square = float(np.mean(values * values, axis=0).max())
    return Level(
        level_db=float(power_to_db(mean_square, FLOOR_DB)),
        peak_db=float(amplitude_to_db(float(np.abs(values).max()), FLOOR_DB)),
    )


def hold_peak(
    held_db: float, held_for_s: float, peak_db: float, seconds: float
) -> tuple[float, float]:
    """Return the peak that a meter holds, and since when, after a block of some seconds.

    A higher peak is taken over at once; the held one stays for `HOLD_S`, then falls by
    `FALL_DB_PER_S`, never below the newest.
    """
    if peak_db >= held_db:
        return peak_db, 0.0
    held_for_s += seconds
    falling_s = min(seconds, max(0.0, held_for_s - HOLD_S))
    return max(peak_db, held_db - FALL_DB_PER_S * falling_s), held_for_s


def count_clips(block: NDArray[Any], at_top: tuple[int, ...] = ()) -> tuple[int, tuple[int, ...]]:
    """Count runs of samples at full scale, also across the borders of blocks.

    Parameters
    ----------
    block : ndarray, shape (n_samples, n_channels)
    at_top : tuple of int
        What the call for the block before returned as its second value; empty for the first.

    Returns
    -------
    clips : int
        Runs that reached `CLIP_RUN` samples in this block; one that goes on is counted once.
    at_top : tuple of int
        Samples at full scale at the end of this block, one number a channel.
    """
    n_samples, n_channels = block.shape
    before = at_top if len(at_top) == n_channels else (0,) * n_channels
    clips, after = 0, []
    for channel in range(n_channels):
        mask = np.abs(block[:, channel]) >= FULL_SCALE
        carried = before[channel]
        if not mask.any():
            after.append(0)
            continue
        first, length = runs(mask)
        for start, n in zip(first.tolist(), length.tolist(), strict=True):
            had = carried if start == 0 else 0
            clips += had < CLIP_RUN <= had + n
        at_end = int(first[-1] + length[-1]) == n_samples
        whole = at_end and int(first[-1]) == 0
        after.append((int(length[-1]) + (carried if whole else 0)) if at_end else 0)
    return clips, tuple(after)


@dataclass(frozen=True)
class IdleNoise:
    """What the room sounds like while the motor is off.

    Attributes
    ----------
    verdict : {"silent", "quiet", "noticeable", "loud"}
        ``silent``: nothing at all comes in, as from a muted microphone.
    level_db : float
        Median effective level of blocks of 50 ms, dB re full scale.
    unsteady : bool
        True where speech, steps or knocks rise out of it.
    hum_hz : int or None
        50 or 60 where mains hum stands out.
    """

    verdict: RoomVerdict
    level_db: float
    unsteady: bool
    hum_hz: int | None

    @property
    def is_quiet(self) -> bool:
        """Whether nothing about the room needs to be changed before recording."""
        return self.verdict == "quiet" and not self.unsteady and self.hum_hz is None

    @property
    def words(self) -> tuple[str, ...]:
        """What was noticed and what to do, in the owner's words."""
        if self.verdict == "silent":
            return (
                "Nothing at all comes in. Is the microphone muted, unplugged or the wrong one? "
                "Has the system allowed this program to use it?",
            )
        said = {
            "quiet": f"The room is quiet ({self.level_db:.0f} dB).",
            "noticeable": f"The room can be heard ({self.level_db:.0f} dB). Switch off fans and "
            "radio, shut the door, or move the microphone closer to the car.",
            "loud": f"It is loud here ({self.level_db:.0f} dB). Much of the car would not be "
            "heard. Find a quieter place, or turn the microphone's level down.",
        }
        words = [said[self.verdict]]
        if self.unsteady:
            words.append("Something knocks, steps or speaks. Wait until it is still.")
        if self.hum_hz is not None:
            words.append(
                f"Mains hum ({self.hum_hz} Hz) is in it. Unplug chargers and power supplies near "
                "the microphone and its cable."
            )
        return tuple(words)


def idle_noise(samples: NDArray[Any], sample_rate_hz: float) -> IdleNoise:
    """Judge the noise of the room, with the motor off.

    Parameters
    ----------
    samples : ndarray, shape (n_samples, n_channels)
        A quarter of a second at least, in fractions of full scale.
    sample_rate_hz : float > 0

    Raises
    ------
    CallError
        If there are fewer samples.

    Notes
    -----
    Without the microphone's sensitivity this is no sound pressure; it is where the noise stands on
    the recorder's own scale. The quality check later holds the car itself against it.
    """
    if samples.shape[0] < 0.25 * sample_rate_hz:
        raise CallError("A quarter of a second at least is needed to judge the room.")
    values = np.nan_to_num(np.asarray(samples, dtype=np.float64))
    x = values[:, int(np.argmax(values.std(axis=0)))]
    x = x - x.mean()
    blocks = block_levels(x, sample_rate_hz, max(1, round(0.05 * sample_rate_hz)))
    level_db = power_to_db(blocks.variance, FLOOR_DB)
    median_db = float(np.median(level_db))
    if float(level_db.max()) < SILENT_DB:
        return IdleNoise("silent", median_db, False, None)
    risen = float(np.mean(level_db > max(median_db + UNSTEADY_DB, UNSTEADY_LEAST_DB)))
    verdict: RoomVerdict = (
        "quiet" if median_db < QUIET_DB else "noticeable" if median_db < LOUD_DB else "loud"
    )
    return IdleNoise(verdict, median_db, risen >= UNSTEADY_SHARE, mains_hum_hz(x, sample_rate_hz))


def mains_hum_hz(x: NDArray[np.float64], sample_rate_hz: float) -> int | None:
    """Return 50 or 60 where two or more lines of mains hum stand out, else ``None``.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
        Without its mean.
    sample_rate_hz : float > 0

    Notes
    -----
    Each multiple up to the eighth is held against the median of the noise beside it, in spectra
    of half a second or more. Mains frequency wanders by up to 0.4 %.
    """
    if x.size < HUM_LEAST_S * sample_rate_hz or sample_rate_hz < 300.0:
        return None
    n = 1 << int(math.log2(0.75 * sample_rate_hz))
    short = short_time_power(x, sample_rate_hz, n, n // 2, dtype=np.float64)
    power, step_hz = short.power.mean(axis=0), short.step_hz
    best: tuple[float, int] | None = None
    for mains_hz in (50, 60):
        heights = []
        for k in range(1, HUM_LINES + 1):
            centre = round(k * mains_hz / step_hz)
            reach = max(1, round(0.004 * k * mains_hz / step_hz))
            away, far = reach + 3, reach + 10
            if centre - far < 1 or centre + far >= power.size:
                continue
            line = float(power[centre - reach : centre + reach + 1].max())
            around = np.concatenate(
                [power[centre - far : centre - away], power[centre + away + 1 : centre + far + 1]]
            )
            floor = float(np.median(around))
            heights.append(float(power_to_db(line / floor)) if floor > 0.0 else 0.0)
        high = [height for height in heights if height >= HUM_LINE_DB]
        if len(high) >= 2 and (best is None or sum(high) > best[0]):
            best = (sum(high), mains_hz)
    return None if best is None else best[1]
