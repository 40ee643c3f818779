"""Recordings: the rows of a text table, read fast where clean and patiently where not."""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.findings import Finding
from vibecheck.recording.dialect import Dialect, cell_kind, split

CHUNK_ROWS = 500_000
_STAMP_DTYPE = "U40"
_MOST_SHORT_ROWS = 0.01


@dataclass(frozen=True, eq=False)
class TableData:
    """Chosen columns of a table.

    Attributes
    ----------
    columns : list of ndarray, each shape (n_rows,)
        float64 for the first where it is a time, float32 for the rest; datetime64[ns] for stamps.
    utc : bool
        True where the stamps name their time zone (they are in UTC then).
    row_name : callable
        Names a row for a message, by its number from 0.
    findings : list of Finding
    """

    columns: list[NDArray[Any]]
    utc: bool
    row_name: Callable[[int], str]
    findings: list[Finding] = field(default_factory=list)


def load_text(path: Path, dialect: Dialect, columns: Sequence[int], where: str) -> TableData:
    """Read some columns of a text table.

    Raises
    ------
    InputError
        A cell is no number, or rows are too short.
    """
    findings: list[Finding] = []
    if dialect.decimal == ",":
        findings.append(
            Finding(
                code="decimal_commas",
                message="The table writes numbers with decimal commas; they were read as such.",
                advice="Nothing to do if the values look right.",
                weight="note",
            )
        )
    try:
        raw = _load_fast(path, dialect, columns)
    except (ValueError, UnicodeError):
        raw = _load_patiently(path, dialect, columns, where, findings)
    utc = False
    found: list[NDArray[Any]] = []
    for index, values in zip(columns, raw, strict=True):
        if dialect.kinds[index] == "stamp":
            values, utc = parse_stamps(values, where)
        found.append(values)
    first_row = dialect.first_line + 1
    return TableData(found, utc, lambda row: f"line {first_row + row}", findings)


def parse_stamps(texts: NDArray[Any], where: str) -> tuple[NDArray[Any], bool]:
    """ISO 8601 stamps (or times of day) to datetime64[ns]; a zone is turned into UTC.

    Raises
    ------
    InputError
        A stamp cannot be read, or the zone changes.
    """
    if not texts.size:
        return np.zeros(0, dtype="datetime64[ns]"), False
    plain = np.char.strip(texts.astype(str))
    plain = np.char.replace(np.char.replace(plain, ",", "."), "/", "-")
    zoned = np.char.endswith(plain, "Z")
    shift_minutes, utc = 0, False
    if zoned.all():
        plain, utc = np.char.rstrip(plain, "Z"), True
    else:
        first = str(plain[0])
        zone = first[-6:] if len(first) > 8 and first[-6] in "+-" and first[-3] == ":" else ""
        if zone:
            if not np.char.endswith(plain, zone).all():
                raise InputError(
                    "The time stamps change their time zone.",
                    where=where,
                    advice="Export them in one zone, or choose another time column.",
                )
            minutes = int(zone[1:3]) * 60 + int(zone[4:6])
            shift_minutes, utc = (minutes if zone[0] == "+" else -minutes), True
            width = np.char.str_len(plain) - len(zone)
            plain = np.array([text[:n] for text, n in zip(plain, width, strict=True)])
    plain = np.char.strip(plain)
    if "-" not in str(plain[0]):
        # Times of day: any date will do, only differences count.
        padded = np.where(np.char.find(plain, ":") == 1, np.char.add("0", plain), plain)
        plain = np.char.add("1970-01-01T", padded)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # numpy warns of a zone left inside, and ignores it
            return plain.astype("datetime64[ns]") - np.timedelta64(shift_minutes, "m"), utc
    except (ValueError, UserWarning, DeprecationWarning) as error:
        raise InputError(
            f"A time stamp cannot be read ({error}).",
            where=where,
            advice="Write them like 2026-05-01T14:03:07.125, or choose another time column.",
        ) from None


def _load_fast(path: Path, dialect: Dialect, columns: Sequence[int]) -> list[NDArray[Any]]:
    """Numpy's compiled parser, chunk by chunk; ValueError where the table is not clean."""
    stamps = [dialect.kinds[index] == "stamp" for index in columns]
    dtype: Any = np.float64
    if any(stamps):
        dtype = [(f"c{i}", _STAMP_DTYPE if s else "f8") for i, s in enumerate(stamps)]
    chunks: list[list[NDArray[Any]]] = []
    with open(path, encoding=dialect.encoding, newline=None) as stream:
        for _ in range(dialect.first_line):
            stream.readline()
        lines: Iterator[str] | IO[str] = stream
        if dialect.decimal == ",":
            if dialect.delimiter == ",":
                raise ValueError("quoted decimal commas")
            lines = (line.replace(",", ".") for line in stream)
        while True:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", UserWarning)  # "input contained no data"
                chunk = np.loadtxt(
                    lines,
                    dtype=dtype,
                    delimiter=dialect.delimiter,
                    comments=dialect.comment,
                    quotechar='"',
                    usecols=list(columns),
                    max_rows=CHUNK_ROWS,
                    ndmin=1 if any(stamps) else 2,
                )
            if not chunk.shape[0]:
                break
            parts = [chunk[f"c{i}"] for i in range(len(columns))] if any(stamps) else list(chunk.T)
            chunks.append([_kept(part, place) for place, part in enumerate(parts)])
            if chunk.shape[0] < CHUNK_ROWS:
                break
    if not chunks:
        raise ValueError("no rows")
    return [np.concatenate(parts) for parts in zip(*chunks, strict=True)]


def _kept(part: NDArray[Any], place: int) -> NDArray[Any]:
    """The first column may be a time and keeps its digits; the others need no more than float32."""
    if part.dtype.kind == "U" or place == 0:
        return np.array(part)
    with np.errstate(over="ignore"):  # absurd values become infinite, and are refused as such
        return part.astype(np.float32)


def _load_patiently(
    path: Path,
    dialect: Dialect,
    columns: Sequence[int],
    where: str,
    findings: list[Finding],
) -> list[NDArray[Any]]:
    """Cell by cell: empty cells become NaN, a broken last row is left out, words are refused."""
    n_columns = len(dialect.kinds)
    needed = max(columns) + 1
    kept: list[list[Any]] = [[] for _ in columns]
    short: list[int] = []
    last = dialect.first_line
    for number, cells in _rows(path, dialect):
        last = number
        if len(cells) < needed:
            short.append(number)
            continue
        values: list[Any] = []
        for index in columns:
            cell = cells[index]
            kind = cell_kind(cell, dialect.decimal)
            if dialect.kinds[index] == "stamp":
                values.append(cell)
            elif kind == "empty":
                values.append(np.nan)
            elif kind == "number":
                values.append(_number(cell, dialect.decimal))
            else:
                raise InputError(
                    f'"{cell[:40]}" in column {index + 1} is not a number.',
                    where=f"{where}, line {number + 1}",
                    advice="Remove the row, or export the table again.",
                )
        for column, value in zip(kept, values, strict=True):
            column.append(value)
    only_last = short == [last]
    if short and not only_last and len(short) > max(1.0, _MOST_SHORT_ROWS * len(kept[0])):
        raise InputError(
            f"{len(short)} rows have fewer than the {n_columns} columns of the first one.",
            where=f"{where}, line {short[0] + 1}",
            advice="Export the table again.",
        )
    if short:
        findings.append(
            Finding(
                code="truncated_file_used" if only_last else "short_rows_skipped",
                message="The last row breaks off and was left out."
                if only_last
                else f"{len(short)} incomplete rows were left out.",
                advice="If the spin-up is not complete, export the table again.",
                value=float(len(short)),
                limit=0.0,
                weight="note" if only_last else "limits",
            )
        )
    return [
        np.array(column, dtype=_STAMP_DTYPE if dialect.kinds[index] == "stamp" else np.float64)
        for index, column in zip(columns, kept, strict=True)
    ]


def _rows(path: Path, dialect: Dialect) -> Iterator[tuple[int, list[str]]]:
    """Yield (line number from 0, cells) of the rows, without empty and comment lines."""
    with open(path, encoding=dialect.encoding, errors="replace", newline=None) as stream:
        for number, line in itertools.islice(enumerate(stream), dialect.first_line, None):
            text = line.strip()
            if not text or (dialect.comment and text.startswith(dialect.comment)):
                continue
            yield number, split(line.rstrip("\r\n"), dialect.delimiter)


def _number(cell: str, decimal: str) -> float:
    try:
        return float(cell.replace(",", ".") if decimal == "," else cell)
    except ValueError:
        return float("nan")
