"""Recording at the bench: boards that print lines of numbers. The plain line format.

One line is one sample: an optional time, then one to three axes. An optional header line names the
columns. `docs/capture.md` describes it for the owner of a board.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from vibecheck.recording.column_roles import meaning_of

LONGEST_LINE = 400
"""Bytes. A longer one is no line of numbers."""
LONGEST_SHOWN = 48
AXES = ("x", "y", "z")
_SEPARATORS = (",", ";", "\t")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_LABELLED = re.compile(r"([A-Za-z_][\w ]{0,19})[:=]\s*(\S+)")
_HEADLESS: Mapping[int, tuple[bool, tuple[str, ...]]] = {
    1: (False, ("signal",)),
    2: (True, ("signal",)),
    3: (False, AXES),
    4: (True, AXES),
}
"""What so many numbers mean where no header says: is the first a time, and the axes."""


@dataclass(frozen=True)
class Layout:
    """What the cells of a line are.

    Attributes
    ----------
    n_cells : int
    time : int or None
        Which cell is the time.
    time_unit : str or None
        ``"s"``, ``"ms"``, ``"us"`` or ``"ns"``, where the header says.
    axes : tuple of str
        ``("x", "y", "z")``, some of them, or ``("signal",)``.
    cells : tuple of int
        Which cell each axis is.
    unit : str or None
        ``"g"``, ``"mg"``, ``"m/s^2"`` or ``"mm/s^2"``, where the header says so for all axes.
    """

    n_cells: int
    time: int | None
    time_unit: str | None
    axes: tuple[str, ...]
    cells: tuple[int, ...]
    unit: str | None


def split_cells(line: str) -> list[str]:
    """Split a line at its commas, semicolons, tabs or, where there are none, at its spaces."""
    text = line.strip()
    for separator in _SEPARATORS:
        if separator in text:
            cells = [cell.strip() for cell in text.split(separator)]
            if cells and not cells[-1]:
                cells.pop()  # many boards end each line with a separator
            return cells
    return text.split()


def layout_of_header(line: str) -> Layout | None:
    """Read a header line; ``None`` where the line is none.

    Parameters
    ----------
    line : str
        Such as ``t_us,x_g,y_g,z_g`` or ``# time (ms); acc x (mg); acc y (mg); acc z (mg)``.
    """
    cells = split_cells(line.strip().removeprefix("#"))
    if not cells or any(not cell or _NUMBER.fullmatch(cell) for cell in cells):
        return None
    meanings = [meaning_of(cell) for cell in cells]
    roles = [meaning.role for meaning in meanings]
    times = [index for index, role in enumerate(roles) if role == "time"]
    axes = [axis for axis in AXES if axis in roles]
    if axes and any(roles.count(axis) > 1 for axis in axes):
        return None
    if not axes and roles.count("signal") == 1:
        axes = ["signal"]
    # Any message may hold a word that could be a column's name; two such are no accident.
    named = len(times) + len(axes) + roles.count("counter")
    all_named = named == len(cells)
    if not axes or len(times) > 1 or named < 2 or (axes == ["signal"] and not all_named):
        return None
    at = tuple(next(i for i, role in enumerate(roles) if role == axis) for axis in axes)
    units = {meanings[index].unit for index in at}
    time = times[0] if times else None
    return Layout(
        n_cells=len(cells),
        time=time,
        time_unit=None if time is None else meanings[time].unit,
        axes=tuple(axes),
        cells=at,
        unit=units.pop() if len(units) == 1 else None,
    )


def layout_without_header(n_cells: int) -> Layout | None:
    """Return what so many numbers mean by themselves; ``None`` where that cannot be told.

    One number is one axis, two are time and one axis, three are x, y, z, four are time, x, y, z.
    """
    known = _HEADLESS.get(n_cells)
    if known is None:
        return None
    has_time, axes = known
    first = 1 if has_time else 0
    return Layout(
        n_cells, 0 if has_time else None, None, axes, tuple(range(first, n_cells)), unit=None
    )


def numbers_of(line: str) -> tuple[float, ...] | None:
    """Return the numbers of a line; ``None`` where any cell is none.

    Cells may be labelled, as plotters want it: ``x:0.12,y:-0.03,z:0.99``. Numbers have a decimal
    point, and are finite.
    """
    numbers = []
    for cell in split_cells(line):
        labelled = _LABELLED.fullmatch(cell)
        plain = labelled[2] if labelled else cell
        if not _NUMBER.fullmatch(plain):
            return None
        number = float(plain)
        if not math.isfinite(number):
            return None
        numbers.append(number)
    return tuple(numbers) or None


class LineReader:
    """Turns the bytes of a board into rows of numbers, whatever comes.

    Parameters
    ----------
    from_the_middle : bool
        True where the board may have been printing already: the first line may have lost its
        beginning and is passed over.
    layout : Layout, optional
        Where it is known before.

    Attributes
    ----------
    layout : Layout or None
        By a header, else by the first line of numbers.
    garbage : int
        Lines that are neither numbers of this layout, nor a header, nor a comment, nor empty.
    last_garbage : str
        The last one, cut and made printable.
    headers : int
        Header lines so far; a second one means that the board began anew.
    """

    def __init__(self, *, from_the_middle: bool, layout: Layout | None = None) -> None:
        self.layout = layout
        self.garbage = 0
        self.last_garbage = ""
        self.headers = 0
        self._rest = b""
        self._skip = from_the_middle

    def feed(self, data: bytes) -> list[tuple[float, ...]]:
        """Take bytes in, and return the rows that they complete."""
        parts = re.split(rb"\r\n|\n|\r", self._rest + data)
        # A carriage return at the very end may be half of a line's end; the empty line is nothing.
        self._rest = parts.pop()
        if len(self._rest) > LONGEST_LINE:
            self._count(self._rest)
            self._rest, self._skip = b"", True
        rows = []
        for part in parts:
            if self._skip:
                self._skip = False
                continue
            row = self._row(part)
            if row is not None:
                rows.append(row)
        return rows

    def end(self) -> list[tuple[float, ...]]:
        """Return the row of a last line that has no end, in a file."""
        return self.feed(b"\n") if self._rest else []

    def _row(self, part: bytes) -> tuple[float, ...] | None:
        if len(part) > LONGEST_LINE:
            self._count(part)
            return None
        try:
            text = part.decode("utf-8").strip(" \t\ufeff")
        except UnicodeDecodeError:
            self._count(part)
            return None
        if not text:
            return None
        numbers = numbers_of(text)
        if numbers is None:
            layout = layout_of_header(text)
            if layout is not None:
                self.headers += 1
                self.layout = layout
            elif not text.startswith("#"):
                self._count(part)
            return None
        if self.layout is None:
            self.layout = layout_without_header(len(numbers))
        if self.layout is None or len(numbers) != self.layout.n_cells:
            self._count(part)
            return None
        return numbers

    def _count(self, part: bytes) -> None:
        self.garbage += 1
        text = part[: 2 * LONGEST_SHOWN].decode("utf-8", "replace")
        self.last_garbage = "".join(sign if sign.isprintable() else "?" for sign in text)[
            :LONGEST_SHOWN
        ]
