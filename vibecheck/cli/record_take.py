"""Command line: one take of `vibecheck record`, from the quiet room to its quality."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from vibecheck.capture.growing import growing_name
from vibecheck.capture.levels import FLOOR_DB, Level, Meter, hold_peak, idle_noise
from vibecheck.capture.note import CaptureNote
from vibecheck.cli.record_screen import Moment, Reading, Screen, pause, ring
from vibecheck.errors import InputError, VibecheckError
from vibecheck.units import amplitude_to_db

if TYPE_CHECKING:
    from vibecheck.capture.script import Script
    from vibecheck.capture.source import Block, Growing, Source
    from vibecheck.car.profile import Car
    from vibecheck.findings import QualityReport
    from vibecheck.recording.take import Take
    from vibecheck.track import SpeedTrack

ROOM_S = 3.0
WAIT_S = 0.05
"""So long is waited for samples before the screen is looked at again."""
SHAKE_FULL_M_S2 = 16 * 9.80665
"""Right end of an accelerometer's bar: 16 g, the largest range of most boards."""
STILL_M_S2 = 0.5
"""A car at rest shakes less. Common practice, no source."""


class Gauge:
    """Follows how loud it is, for sound and for acceleration."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._sound = source.sensor == "microphone"
        self.meter = Meter()
        self._shake = 0.0

    def take(self, block: Block) -> None:
        """Take a block in."""
        rate_hz = self._source.sample_rate_hz
        if self._sound:
            self.meter = self.meter.after(block.values, rate_hz)
            return
        moved = block.values - block.values.mean(axis=0)
        self._shake = float(np.sqrt(np.mean(moved * moved, axis=0).sum()))
        peak_db = float(amplitude_to_db(np.abs(moved).max() / SHAKE_FULL_M_S2, FLOOR_DB))
        level_db = float(amplitude_to_db(self._shake / SHAKE_FULL_M_S2, FLOOR_DB))
        held = hold_peak(
            self.meter.held_db, self.meter.held_for_s, peak_db, len(block.values) / rate_hz
        )
        self.meter = Meter(
            Level(level_db, peak_db), held[0], max(self.meter.highest_db, peak_db), held[1]
        )

    def reading(self) -> Reading:
        """Return what is shown now."""
        meter = self.meter
        if not self._sound:
            return Reading(meter.now.level_db, meter.held_db, f"{self._shake:.2f} m/s²")
        words = f"{meter.now.level_db:.0f} dB, highest {meter.highest_db:.0f} dB"
        if meter.clips:
            words += "   CUT OFF: too loud"
        return Reading(meter.now.level_db, meter.held_db, words, meter.clips)


@dataclass(frozen=True)
class Room:
    """What the room, or a car at rest, was like."""

    words: tuple[str, ...]
    is_quiet: bool
    is_silent: bool


def listen_to_room(source: Source, screen: Screen) -> Room:
    """Measure the noise with the motor off.

    Raises
    ------
    InputError
        If nothing comes any more.
    """
    source.begin()
    gauge = Gauge(source)
    parts: list[Any] = []
    n, wanted = 0, round(ROOM_S * source.sample_rate_hz)
    while n < wanted:
        block = source.read(WAIT_S)
        if block is None:
            if source.ended is not None:
                raise InputError(source.ended, advice="Look at the plug, then begin again.")
            continue
        gauge.take(block)
        parts.append(block.values)
        n += len(block.values)
        screen.room((wanted - n) / source.sample_rate_hz, gauge.reading())
    samples = np.concatenate(parts)
    if source.sensor == "microphone":
        noise = idle_noise(samples, source.sample_rate_hz)
        return Room(noise.words, noise.is_quiet, noise.verdict == "silent")
    moved = samples - samples.mean(axis=0)
    shake = float(np.sqrt(np.mean(moved * moved, axis=0).sum()))
    if not np.ptp(samples, axis=0).any():
        return Room(
            ("The numbers of the board do not change at all. Does its sensor work?",), False, True
        )
    if shake > STILL_M_S2:
        return Room(
            (f"Something moves ({shake:.2f} m/s²). Motor off, hands off, nobody at the bench.",),
            False,
            False,
        )
    return Room((f"The car is at rest ({shake:.2f} m/s²).",), True, False)


def count_down(source: Source, screen: Screen, seconds: int) -> None:
    """Count down on the screen and by the bell. The last second passes without one."""
    for left in range(seconds, 0, -1):
        screen.countdown(left)
        ring()
        pause(1.0)


Ending = Literal["done", "stopped", "broke_off"]


@dataclass(frozen=True)
class Recorded:
    """A recording that lies in its growing file.

    Attributes
    ----------
    path : Path
    n_samples : int
    started : datetime
    ending : {"done", "stopped", "broke_off"}
        As the script says, by the owner, or by what went wrong.
    problem : str
        What went wrong.
    unwritten : InputError or None
        Where it was the disk.
    gaps, dropped : int
    garbage : int or None
        Lines that could not be read, with a board.
    last_garbage : str
    reading : Reading
        At the end.
    """

    path: Path
    n_samples: int
    started: datetime
    ending: Ending
    problem: str
    unwritten: InputError | None
    gaps: int
    dropped: int
    garbage: int | None
    last_garbage: str
    reading: Reading


def record(
    source: Source,
    script: Script | None,
    out_path: Path,
    screen: Screen,
    *,
    now: Callable[[], datetime] = lambda: datetime.now(UTC).astimezone(),
) -> Recorded:
    """Record one take into a file that grows beside the wanted one.

    Ctrl-C ends it early. Whatever ends it, what came in so far is in the file.

    Parameters
    ----------
    source : Source
        Running.
    script : Script or None
        ``None``: until the source has nothing more.
    out_path : Path
    screen : Screen
    now : callable

    Raises
    ------
    InputError
        If the file cannot be begun.
    """
    suffix = ".wav" if source.sensor == "microphone" else ".csv"
    grown = source.grow(growing_name(out_path, suffix))
    gauge = Gauge(source)
    ending: Ending = "done"
    problem = ""
    unwritten = None
    source.begin()
    started = now()
    total_s = None if script is None else script.seconds
    try:
        problem = _follow(source, script, grown, gauge, screen, total_s)
        if problem:
            ending = "broke_off"
    except KeyboardInterrupt:
        ending = "stopped"
    except InputError as error:  # the disk is full
        ending, problem, unwritten = "broke_off", str(error), error
    finally:
        screen.clear()
        grown.close()
    garbage, last_garbage = _garbage(source)
    return Recorded(
        grown.path,
        grown.n_samples,
        started,
        ending,
        problem,
        unwritten,
        source.gaps,
        source.dropped_frames,
        garbage,
        last_garbage,
        gauge.reading(),
    )


def _follow(
    source: Source,
    script: Script | None,
    grown: Growing,
    gauge: Gauge,
    screen: Screen,
    total_s: float | None,
) -> str:
    """Write block by block until the script is over; return what went wrong, or an empty text."""
    rate_hz = source.sample_rate_hz
    while True:
        block = source.read(WAIT_S)
        if block is not None:
            grown.write(block)
            gauge.take(block)
        elif source.ended is not None:
            return source.ended
        elif getattr(source, "at_end", False):
            return ""
        elapsed_s = grown.n_samples / rate_hz
        if total_s is not None and elapsed_s >= total_s:
            return ""
        # What a file lost is counted once, at its end: it is read far faster than it was made.
        live = script is not None
        screen.recording(
            Moment(
                script.step_at(elapsed_s) if script is not None else None,
                elapsed_s,
                total_s,
                gauge.reading(),
                source.gaps if live else 0,
                source.dropped_frames if live else 0,
                _garbage(source)[0],
            )
        )


def _garbage(source: Source) -> tuple[int | None, str]:
    decoder = getattr(source, "decoder", None)
    return (None, "") if decoder is None else (decoder.garbage, decoder.last_garbage)


def note_of(recorded: Recorded, source: Source, car: str, spot: str) -> CaptureNote:
    """Return what the file will say of itself."""
    return CaptureNote(
        car=car,
        spot=spot,
        sensor=source.sensor,
        device=source.label,
        started=recorded.started,
        gaps=recorded.gaps,
        dropped_frames=recorded.dropped,
    )


@dataclass(frozen=True)
class Looked:
    """The quality of a recording, or why it could not be told."""

    take: Take | None
    speed: SpeedTrack | None
    quality: QualityReport | None
    refused: str


def look(recorded: Recorded, source: Source, spot: str, car: Car | None, name: str) -> Looked:
    """Judge the quality of a recording at once."""
    from vibecheck.quality import assess_quality
    from vibecheck.recording.read import read_take
    from vibecheck.speed import track_speed

    try:
        take = replace(read_take(recorded.path, sensor=source.sensor, spot=spot), file=name)
        speed = track_speed(take, car)
        return Looked(take, speed, assess_quality(take, speed, car), "")
    except VibecheckError as error:
        what = f"{error.what} {error.advice}" if error.advice else error.what
        return Looked(None, None, None, what)


def seconds_words(recorded: Recorded, rate_hz: float) -> str:
    """Return how much was recorded."""
    seconds = recorded.n_samples / rate_hz if rate_hz > 0 else 0.0
    return f"{math.floor(10 * seconds) / 10:.1f} s"
