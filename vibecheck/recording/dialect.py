"""Recordings: how a text table is written: encoding, delimiter, decimal sign, header, first row."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from vibecheck.errors import InputError

CellKind = Literal["number", "stamp", "word", "empty"]

SAMPLE_BYTES = 1 << 18
_ROWS_LOOKED_AT = 40
_DELIMITERS: tuple[str | None, ...] = ("\t", ";", ",", "|", None)
_COMMENT_SIGNS = ("#", "%", "//", "!")

_NUMBER = {
    ".": re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"),
    ",": re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?$"),
}
_MISSING = frozenset(["nan", "na", "n/a", "null", "none", "inf", "+inf", "-inf", "infinity", "-"])
_STAMP = re.compile(
    r"(\d{4}[-/]\d{1,2}[-/]\d{1,2}[T _]+)?\d{1,2}:\d{2}:\d{2}([.,]\d+)?\s*(Z|[+-]\d{2}:?\d{2})?$"
)
_RATE = re.compile(
    r"(?:sampl(?:e|ing)[\s_-]*(?:rate|freq\w*)|output[\s_-]*data[\s_-]*rate|\bodr\b|\bfs\b)"
    r"[^0-9\n]{0,20}?([0-9]+(?:\.[0-9]+)?)\s*(k?)(?:hz)?",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Dialect:
    """How one table is written.

    Attributes
    ----------
    encoding : str
    delimiter : str or None
        None: any run of white space.
    decimal : {".", ","}
    names : tuple of str
        The header, units row included; empty where there is none.
    kinds : tuple of {"number", "stamp", "word", "empty"}
        What each column holds.
    first_line : int
        Lines before the first row of numbers.
    comment : str or None
        Sign that opens a comment line among the rows.
    sample_rate_hz : float or None
        Where a line above the table states it.
    """

    encoding: str
    delimiter: str | None
    decimal: str
    names: tuple[str, ...]
    kinds: tuple[CellKind, ...]
    first_line: int
    comment: str | None
    sample_rate_hz: float | None


def sniff(path: Path, where: str) -> Dialect:
    """Find out how a text table is written, from its first lines.

    Raises
    ------
    InputError
        No rows of numbers are found.
    """
    with open(path, "rb") as stream:
        head = stream.read(SAMPLE_BYTES)
        complete = len(head) < SAMPLE_BYTES
    encoding = _encoding(head)
    lines = head.decode(encoding, errors="replace").splitlines()
    if not complete and len(lines) > 1:
        lines.pop()  # the sample ends inside it
    best: tuple[tuple[int, int, int], Dialect] | None = None
    declared = next((line[4:5] for line in lines[:3] if line.lower().startswith("sep=")), None)
    for rank, delimiter in enumerate(_DELIMITERS):
        if declared and delimiter != declared:
            continue
        for decimal in ".,":
            found = _try(lines, delimiter, decimal, encoding)
            if found is None:
                continue
            n_cells, dialect = found
            # More cells first; then a header that fits; then the usual delimiter and sign.
            score = (n_cells, int(bool(dialect.names)), -rank if decimal == "." else -rank - 10)
            if best is None or score > best[0]:
                best = (score, dialect)
    if best is None:
        raise InputError(
            "There are no rows of numbers in this table.",
            where=where,
            advice="Export the samples as CSV: one row a sample, a column each for time, x, y, z.",
        )
    return best[1]


def split(line: str, delimiter: str | None) -> list[str]:
    """Split a line into cells, quotes removed."""
    if delimiter is None:
        return line.split()
    if '"' in line:
        import csv

        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
        except csv.Error:  # a cell beyond all bounds
            return []
    return [cell.strip() for cell in line.split(delimiter)]


def cell_kind(cell: str, decimal: str) -> CellKind:
    """Tell what a cell holds."""
    if not cell:
        return "empty"
    if _NUMBER[decimal].match(cell) or cell.lower() in _MISSING:
        return "number"
    return "stamp" if _STAMP.match(cell) else "word"


def _encoding(head: bytes) -> str:
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    try:
        # The sample may end inside a character.
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def _try(
    lines: list[str], delimiter: str | None, decimal: str, encoding: str
) -> tuple[int, Dialect] | None:
    """Read the first lines in one dialect: (cells that fit, dialect), or None if nothing fits."""
    rows: list[tuple[int, list[str], list[CellKind]]] = []
    before: list[tuple[int, str]] = []
    comment: str | None = None
    for number, line in enumerate(lines):
        text = line.strip()
        sign = next((sign for sign in _COMMENT_SIGNS if text.startswith(sign)), None)
        if sign is not None or not text:
            if rows and sign is not None:
                comment = sign
            elif text:
                before.append((number, text))
            continue
        cells = split(line.strip("\r\n") if delimiter else text, delimiter)
        kinds = [cell_kind(cell, decimal) for cell in cells]
        fits = "number" in kinds and (
            not rows or (len(kinds) == len(rows[0][2]) and _agree(rows[0][2], kinds))
        )
        if fits:
            rows.append((number, cells, kinds))
            if len(rows) >= _ROWS_LOOKED_AT:
                break
        elif len(rows) >= 3:
            break  # damaged rows further down are the reader's to report
        else:
            before += [(at, lines[at].strip()) for at, _, _ in rows]
            rows = [(number, cells, kinds)] if "number" in kinds else []
            if not rows:
                before.append((number, text))
    if not rows:
        return None
    kinds_of = tuple(_common(column) for column in zip(*(row[2] for row in rows), strict=True))
    names = _header(before, delimiter, len(kinds_of), decimal)
    rate = _stated_rate([text for _, text in before])
    n_cells = sum(kind in ("number", "stamp") for row in rows for kind in row[2])
    return n_cells, Dialect(
        encoding, delimiter, decimal, names, kinds_of, rows[0][0], comment, rate
    )


def _agree(first: list[CellKind], other: list[CellKind]) -> bool:
    return all(a == b or "empty" in (a, b) for a, b in zip(first, other, strict=True))


def _common(column: tuple[CellKind, ...]) -> CellKind:
    return next((kind for kind in column if kind != "empty"), "empty")


def _header(
    before: list[tuple[int, str]], delimiter: str | None, n_columns: int, decimal: str
) -> tuple[str, ...]:
    """The names above the first row, joined with the row of units that may stand between."""
    found: list[list[str]] = []
    for _, text in reversed(before[-3:]):
        sign = next((sign for sign in _COMMENT_SIGNS if text.startswith(sign)), "")
        cells = split(text.removeprefix(sign).strip(" \r\n"), delimiter)
        fits = len(cells) == n_columns and any(cell_kind(cell, decimal) == "word" for cell in cells)
        # Any remark may have as many words as there are columns.
        remark = sign and not (_looks_like_units(cells) or _names_something(cells))
        if not fits or remark or len(found) == 2:
            break
        found.append(cells)
    if not found:
        return ()
    if len(found) == 1 or not _looks_like_units(found[0]):
        return tuple(found[0])
    return tuple(
        name if not unit else f"{name} ({unit.strip('()[]')})"
        for name, unit in zip(found[1], found[0], strict=True)
    )


def _looks_like_units(cells: list[str]) -> bool:
    from vibecheck.recording.column_roles import is_unit

    named = [cell for cell in cells if cell.strip("()[] ")]
    return bool(named) and all(is_unit(cell.strip("()[] ")) for cell in named)


def _names_something(cells: list[str]) -> bool:
    from vibecheck.recording.column_roles import meaning_of

    roles = [meaning_of(cell).role for cell in cells]
    return any(role in ("time", "x", "y", "z") for role in roles) or roles == ["signal"]


def _stated_rate(texts: list[str]) -> float | None:
    for text in texts:
        match = _RATE.search(text)
        if match:
            return float(match[1]) * (1000.0 if match[2] else 1.0)
    return None
