"""Recording at the bench: from a board's rows of numbers to acceleration by its own time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.capture.board_clock import TIME_UNITS, BoardClock, lost_lines, unit_by_arrival
from vibecheck.capture.line_format import LineReader
from vibecheck.capture.source import Block
from vibecheck.errors import CallError, InputError
from vibecheck.recording.clock import guess_time_unit
from vibecheck.recording.column_roles import TO_M_S2
from vibecheck.units import STANDARD_GRAVITY_M_S2

Row = tuple[float, ...]

LEAST_ROWS = 8
GRAVITY_WITHIN = 0.15
"""A sensor at rest shows gravity this exactly, as the reader of tables takes it."""
BEGAN_ANEW = "The board began anew in the middle of it (a loose plug, or its power)."


@dataclass(frozen=True)
class LineOptions:
    """What the owner says about a board, where its lines do not.

    Attributes
    ----------
    time_unit : {"s", "ms", "us", "ns"} or None
    sample_rate_hz : float or None
        Lines a second. Takes the place of a time column.
    unit : {"g", "mg", "m/s^2"} or None
    counts_per_g : float or None
        For boards that print raw counts: so many make 1 g.

    Raises
    ------
    CallError
        If a value cannot be.
    """

    time_unit: str | None = None
    sample_rate_hz: float | None = None
    unit: str | None = None
    counts_per_g: float | None = None

    def __post_init__(self) -> None:
        if self.time_unit is not None and self.time_unit not in TIME_UNITS:
            raise CallError(f"--time-unit must be s, ms, us or ns. Got {self.time_unit!r} instead.")
        if self.unit is not None and self.unit not in TO_M_S2:
            raise CallError(
                f"--unit must be g, mg or m/s^2. Got {self.unit!r} instead.",
                advice="For raw counts say with --counts-per-g how many make 1 g.",
            )
        for name, value in (
            ("--sample-rate", self.sample_rate_hz),
            ("--counts-per-g", self.counts_per_g),
        ):
            if value is not None and not (np.isfinite(value) and value > 0.0):
                raise CallError(f"{name} must be a positive number. Got {value!r} instead.")
        if self.unit is not None and self.counts_per_g is not None:
            raise CallError(
                "--unit and --counts-per-g say the same thing twice.",
                advice="Leave one of them out.",
            )


class LineDecoder:
    """Turns a board's bytes into blocks of acceleration.

    `feed` bytes, `settle` once what the columns mean, then `decode` rows.

    Parameters
    ----------
    options : LineOptions
    from_the_middle : bool
        As for `LineReader`.

    Attributes
    ----------
    axes : tuple of str
    sample_rate_hz : float
        Lines a second; 0.0 before `settle`.
    restarted : bool
        True once the board began anew since `begin`; nothing is decoded after that.
    """

    def __init__(self, options: LineOptions, *, from_the_middle: bool) -> None:
        self._options = options
        self._reader = LineReader(from_the_middle=from_the_middle)
        self._factor = 1.0
        self._tick_s = 0.0
        self._clock: BoardClock | None = None
        self._headers = self._garbage_before = 0
        self._odd = 0
        self._times: list[NDArray[np.float64]] = []
        self._lost = (0, 0)
        self._n_judged = 0
        self.axes: tuple[str, ...] = ()
        self.sample_rate_hz = 0.0
        self.restarted = False

    @property
    def garbage(self) -> int:
        """Lines since `begin` that could not be used."""
        return self._reader.garbage - self._garbage_before + self._odd

    @property
    def last_garbage(self) -> str:
        """The last of them, cut and printable."""
        return self._reader.last_garbage

    @property
    def lost(self) -> tuple[int, int]:
        """At how many places lines are missing since `begin`, and how many, by the board's time."""
        n = sum(part.size for part in self._times)
        if n != self._n_judged:
            self._times = [np.concatenate(self._times)]
            self._lost = lost_lines(self._times[0], self._tick_s)
            self._n_judged = n
        return self._lost

    def feed(self, data: bytes) -> list[Row]:
        """Take bytes in, and return the rows that they complete."""
        return self._reader.feed(data)

    def end(self) -> list[Row]:
        """Return the row of a last line that has no end."""
        return self._reader.end()

    def settle(self, rows: Sequence[Row], seconds: float | None) -> None:
        """Find out what the numbers mean, from the first of them, with the car at rest.

        Parameters
        ----------
        rows : sequence of tuple
        seconds : float or None
            In how much time they came; ``None`` for a file.

        Raises
        ------
        InputError
            If there are too few, or neither the lines nor the owner say what is needed.
        """
        layout = self._reader.layout
        if layout is None or len(rows) < LEAST_ROWS:
            raise self._unreadable(len(rows))
        rows = [row for row in rows if len(row) == layout.n_cells]
        table = np.asarray(rows, dtype=np.float64)
        self.axes = layout.axes
        self._factor = self._factor_of(table[:, list(layout.cells)], layout.unit)
        if self._options.sample_rate_hz is not None:
            self.sample_rate_hz = self._options.sample_rate_hz
        elif layout.time is None:
            raise InputError(
                "The lines carry no time.",
                advice="Say how many lines come in a second, with --sample-rate; or let the board "
                "print its time in front.",
            )
        else:
            self._set_clock(table[:, layout.time], layout.time_unit, seconds)
        self.begin()

    def begin(self, *, from_the_first_line: bool = False) -> None:
        """Count from here: what is decoded from now on is the take.

        Parameters
        ----------
        from_the_first_line : bool
            True for a file: lines that could not be read count from its beginning.
        """
        if self._tick_s:
            self._clock = BoardClock(self._tick_s)
        self._headers = self._reader.headers
        self._garbage_before = 0 if from_the_first_line else self._reader.garbage
        self._odd = 0
        self._times, self._lost, self._n_judged = [], (0, 0), 0
        self.restarted = False

    def decode(self, rows: Sequence[Row]) -> Block | None:
        """Return acceleration in m/s² of rows; ``None`` where nothing of them can be used."""
        layout = self._reader.layout
        if self._reader.headers != self._headers:
            self.restarted = True
        if self.restarted or layout is None:
            return None
        kept, times = [], []
        for row in rows:
            if self._clock is None or layout.time is None:
                kept.append(row)
                continue
            seen = self._clock.see(row[layout.time])
            if seen == "restart":
                self.restarted = True
                break
            if seen == "odd":
                self._odd += 1
                continue
            kept.append(row)
            times.append(self._clock.time_s)
        if not kept:
            return None
        values = np.asarray(kept, dtype=np.float64)[:, list(layout.cells)] * self._factor
        if self._clock is None:
            return Block(values)
        stamps = np.asarray(times)
        self._times.append(stamps)
        return Block(values, stamps)

    def _set_clock(
        self, stamps: NDArray[np.float64], named: str | None, seconds: float | None
    ) -> None:
        unit = self._options.time_unit or named
        if unit is None and seconds is None:
            try:
                unit = guess_time_unit(stamps, "")
            except InputError as error:
                raise InputError(
                    error.what, advice="Say it with --time-unit s, ms, us or ns."
                ) from None
        elif unit is None:
            clock = BoardClock(1e-12)  # any tick: only wrapped counters matter here
            for stamp in stamps:
                clock.see(float(stamp))
            unit = unit_by_arrival(clock.time_s * 1e12, max(seconds or 0.0, 1e-9))
        self._tick_s = TIME_UNITS[unit]
        clock = BoardClock(self._tick_s)
        good = [clock.time_s for stamp in stamps if clock.see(float(stamp)) == "good"]
        if len(good) < LEAST_ROWS or not clock.time_s > 0.0:
            raise InputError(
                f"The board's time does not run: it goes from {stamps[0]:g} to {stamps[-1]:g} in "
                f"{unit}.",
                advice="Is another column the time? Name the columns in a header line, or say the "
                "rate with --sample-rate.",
            )
        self.sample_rate_hz = (len(good) - 1) / clock.time_s

    def _factor_of(self, values: NDArray[np.float64], named: str | None) -> float:
        if self._options.counts_per_g is not None:
            return STANDARD_GRAVITY_M_S2 / self._options.counts_per_g
        unit = self._options.unit or named
        if unit is not None:
            return TO_M_S2[unit]
        gravity = float(np.linalg.norm(np.median(values, axis=0)))
        for unit, level in (("g", 1.0), ("m/s^2", STANDARD_GRAVITY_M_S2), ("mg", 1000.0)):
            if abs(gravity / level - 1.0) <= GRAVITY_WITHIN:
                return TO_M_S2[unit]
        raise InputError(
            f"The unit of the acceleration is not named. At rest the sensor shows {gravity:.3g}, "
            "which is 1 g in none of g, mg and m/s^2.",
            advice="Say it with --unit; or, for raw counts, how many make 1 g with --counts-per-g.",
        )

    def _unreadable(self, n_rows: int) -> InputError:
        if n_rows:
            return InputError(
                f"Only {n_rows} line{'s' * (n_rows != 1)} of numbers came.",
                advice="Let the board print all the time, many times a second.",
            )
        shown = f' The last line: "{self.last_garbage}".' if self.last_garbage else ""
        return InputError(
            f"Nothing that came is a line of numbers as vibecheck reads them.{shown}",
            advice="Is --baud right? docs/capture.md shows what a line may look like.",
        )
