"""Command line: what `vibecheck record` shows while it listens, at a terminal and without one."""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from vibecheck.cli import terminal
from vibecheck.cli.record_big import big_words

if TYPE_CHECKING:
    from vibecheck.capture.script import Now

LOWEST_DB = -60.0
"""Left end of the bar; the right end is full scale."""
FRAME_S = 0.1
BAR = 30
REST_LINES = 11
"""What stands below the block letters, on a narrow terminal."""


@dataclass(frozen=True)
class Reading:
    """How loud it is, for a bar and in words.

    Attributes
    ----------
    level_db, held_db : float
        Now, and the peak that is held; 0 is the right end of the bar.
    words : str
        With its unit.
    clips : int or None
        Places at which it was cut off so far; ``None`` where that cannot be told.
    """

    level_db: float
    held_db: float
    words: str
    clips: int | None = None


@dataclass(frozen=True)
class Moment:
    """All that is shown at a moment of a recording."""

    now: Now | None
    elapsed_s: float
    total_s: float | None
    reading: Reading
    gaps: int
    dropped: int
    garbage: int | None = None


class Screen(Protocol):
    """Shows a recording."""

    def room(self, left_s: float, reading: Reading) -> None:
        """While the noise of the room is measured."""

    def countdown(self, seconds: int) -> None:
        """So many seconds before the recording begins."""

    def recording(self, moment: Moment) -> None:
        """While it records."""

    def clear(self) -> None:
        """Give the terminal back for plain lines."""


def make_screen() -> Screen:
    """Return a live screen at a terminal that can be redrawn, plain lines elsewhere."""
    console = terminal.console(stderr=True)
    return LiveScreen() if console.is_terminal and not console.is_dumb_terminal else PlainScreen()


def ring() -> None:
    """Ring the terminal's bell, at a terminal. Never while it records: it would be heard."""
    if sys.stderr.isatty():
        sys.stderr.write("\a")
        sys.stderr.flush()


def pause(seconds: float) -> None:
    """Wait."""
    time.sleep(seconds)


class LiveScreen:
    """Redraws one part of the terminal, ten times a second at most."""

    def __init__(self) -> None:
        self.console = terminal.console(stderr=True)
        self._live: Any = None
        self._drawn = 0.0
        plain = "█".encode(self.console.encoding or "ascii", "ignore") == b""
        self._ink = "#" if plain else "█"

    def room(self, left_s: float, reading: Reading) -> None:
        """While the noise of the room is measured."""
        if self._due():
            self._draw(
                ["QUIET, PLEASE. Motor off, hands off.", ""],
                [*self._bar(reading), f"Listening to the room: {math.ceil(left_s)} s"],
            )

    def countdown(self, seconds: int) -> None:
        """So many seconds before the recording begins."""
        self._draw(
            ["Recording begins in", "", *big_words(str(seconds), self.console.width, self._ink)],
            ["", "Motor off. Stand to the side of the wheels. Ctrl-C stops."],
        )

    def recording(self, moment: Moment) -> None:
        """While it records."""
        if not self._due():
            return
        head: list[str] = []
        if moment.now is not None:
            now = moment.now
            left = max(0, math.ceil(now.seconds_left))
            head = big_words(
                f"{now.step.big} {left}",
                self.console.width,
                self._ink,
                most_lines=self.console.height - REST_LINES,
            )
            following = f"Then {now.following.big}." if now.following else "Then it is done."
            head += ["", now.step.words, f"{left} s more. {following}"]
        self._draw(head, ["", *self._bar(moment.reading), *self._counts(moment)])

    def clear(self) -> None:
        """Give the terminal back for plain lines."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def _due(self) -> bool:
        now = time.monotonic()
        if now - self._drawn < FRAME_S:
            return False
        self._drawn = now
        return True

    def _bar(self, reading: Reading) -> list[str]:
        cells = max(10, min(BAR, self.console.width - 12))
        filled = round(cells * _share(reading.level_db))
        bar = ["#"] * filled + ["-"] * (cells - filled)
        at = min(cells - 1, round(cells * _share(reading.held_db)))
        if reading.held_db > LOWEST_DB:
            bar[at] = "|"
        return [f"Level [{''.join(bar)}]", f"      {reading.words}"]

    def _counts(self, moment: Moment) -> list[str]:
        return [count_words(moment), time_words(moment)]

    def _draw(self, head: list[str], rest: list[str]) -> None:
        from rich.live import Live
        from rich.text import Text

        if self._live is None:  # a new one each time: it remembers where it drew
            self._live = Live(
                console=self.console,
                auto_refresh=False,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,  # the bell must get through
            )
            self._live.start()
        width = self.console.width
        text = Text()
        for n, line in enumerate([*head, *rest]):
            style = "bold" if n < len(head) else ""
            # Block letters keep their blanks; sentences are wrapped.
            rows = [line] if len(line) <= width else terminal.hang(line, "", width)
            for row in rows:
                text.append(row + "\n", style=style)
        self._live.update(text, refresh=True)


class PlainScreen:
    """One line for each step, for pipes, files and terminals that cannot be redrawn."""

    def __init__(self) -> None:
        self._said: Any = None

    def room(self, left_s: float, reading: Reading) -> None:
        """While the noise of the room is measured."""
        self._once("room", "Quiet, please. Motor off, hands off: listening to the room.")

    def countdown(self, seconds: int) -> None:
        """So many seconds before the recording begins."""
        self._once(("countdown", seconds), f"Recording begins in {seconds} s.")

    def recording(self, moment: Moment) -> None:
        """While it records."""
        if moment.now is None:
            self._once("recording", "Recording.")
            return
        now = moment.now
        self._once(
            ("step", now.index),
            f"{now.step.big}, {now.step.seconds:.0f} s. {now.step.words}",
        )

    def clear(self) -> None:
        """Nothing to give back; the next recording says its steps again."""
        self._said = None

    def _once(self, key: Any, words: str) -> None:
        if key != self._said:
            self._said = key
            terminal.say(words)


def count_words(moment: Moment) -> str:
    """Return what was cut off, lost or unreadable so far."""
    parts = []
    if moment.reading.clips is not None:
        parts.append(f"Cut off: {moment.reading.clips}")
    parts.append(lost_words(moment.gaps, moment.dropped))
    if moment.garbage is not None:
        parts.append(f"Lines not read: {moment.garbage}")
    return "   ".join(parts)


def lost_words(gaps: int, dropped: int) -> str:
    """Return how much was lost."""
    if not gaps:
        return "Lost: 0"
    places = "1 place" if gaps == 1 else f"{gaps} places"
    return f"Lost: {dropped if dropped else 'some'} samples in {places}"


def time_words(moment: Moment) -> str:
    """Return how far it is."""
    if moment.total_s is None:
        return f"{moment.elapsed_s:.0f} s. Ctrl-C ends it."
    return f"{moment.elapsed_s:.0f} of {moment.total_s:.0f} s. Ctrl-C ends it early."


def _share(level_db: float) -> float:
    return min(1.0, max(0.0, 1.0 - level_db / LOWEST_DB))
