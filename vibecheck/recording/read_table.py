"""Recordings: tables of samples (csv, tsv, parquet) become takes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from vibecheck.errors import InputError
from vibecheck.findings import Finding
from vibecheck.recording.assemble import finish_take, on_even_clock, scaled
from vibecheck.recording.clean import fill_nan
from vibecheck.recording.column_roles import Columns, choose_columns, column_index
from vibecheck.recording.dialect import CellKind, sniff
from vibecheck.recording.request import ReadRequest
from vibecheck.recording.source import SourceFile
from vibecheck.recording.take import Sensor, Take
from vibecheck.recording.text_table import TableData, load_text


@dataclass(frozen=True, eq=False)
class Table:
    """A table before its columns are chosen.

    Attributes
    ----------
    names : tuple of str
        Empty where there is no header.
    kinds : tuple of {"number", "stamp", "word", "empty"}
    load : callable
        Reads the columns of the given indexes.
    sample_rate_hz : float or None
        Where the file states it beside the table.
    """

    names: tuple[str, ...]
    kinds: tuple[CellKind, ...]
    load: Callable[[Sequence[int]], TableData]
    sample_rate_hz: float | None = None


def read_text_table(source: SourceFile, request: ReadRequest) -> Take:
    """Read a csv, tsv or similar text table. See ``take_from_table``."""
    dialect = sniff(source.path, source.where)
    table = Table(
        names=dialect.names,
        kinds=dialect.kinds,
        load=lambda columns: load_text(source.path, dialect, columns, source.where),
        sample_rate_hz=dialect.sample_rate_hz,
    )
    return take_from_table(table, source, request)


def take_from_table(table: Table, source: SourceFile, request: ReadRequest) -> Take:
    """Make a take of a table: roles, units, a uniform clock, repairs.

    Raises
    ------
    InputError
        Columns, units or the clock cannot be told, or the samples cannot be used.
    """
    where = source.where
    usable = [kind in ("number", "stamp") for kind in table.kinds]
    asked = {role: name for role, name in request.columns.items() if role != "rate"}
    chosen: Columns | None = None
    if table.names:
        chosen = choose_columns(table.names, usable, asked, where)
        wanted = _wanted(chosen, request)
        data = table.load(wanted)
    else:
        chosen, data = _without_header(table, usable, asked, request, where)
        wanted = _wanted(chosen, request)
    findings = list(data.findings)
    signal = [np.asarray(column) for column in data.columns[-len(chosen.channels) :]]
    if any(column.dtype.kind not in "fiu" for column in signal):
        raise InputError(
            "A column of time stamps cannot be a signal.",
            where=where,
            advice="Choose the columns of the acceleration.",
        )
    values = np.stack(signal)
    if values.shape[1] < 2:
        raise InputError(
            "The table holds no sample."
            if values.shape[1] == 0
            else "The table holds only one sample.",
            where=where,
            advice="Record a few seconds.",
        )
    start: datetime | None = None
    jitter: float | None = None
    rate = request.sample_rate_hz or table.sample_rate_hz
    if len(wanted) > len(chosen.channels):
        clocked = on_even_clock(
            data.columns[0],
            values,
            request,
            where,
            unit=chosen.time_unit,
            utc=data.utc,
            row_name=data.row_name,
        )
        values, rate = clocked.values, clocked.sample_rate_hz
        jitter, start = clocked.jitter, clocked.start
        findings += clocked.findings
    elif rate is None:
        listed = ", ".join(f'"{name}"' for name in table.names) or "no header"
        raise InputError(
            f"There is no time column ({listed}).",
            where=where,
            advice='Give sample_rate_hz, or name it with columns={"time": ...}.',
        )
    elif not (np.isfinite(rate) and rate > 0):
        raise InputError(
            f"The file states a sample rate of {rate:g}, which cannot be.",
            where=where,
            advice="Give sample_rate_hz instead.",
        )
    else:
        values, filled = fill_nan(values, rate, where)
        findings += filled
        if chosen.time is not None:
            findings.append(
                Finding(
                    code="time_column_ignored",
                    message="The time column was not used, because a sample rate was given.",
                    advice="Leave the sample rate out to use the time stamps.",
                    weight="note",
                )
            )
    sensor: Sensor = request.sensor or "accelerometer"
    values, unit, guessed = scaled(values, chosen.units, request, sensor, where)
    return finish_take(
        values,
        rate,
        source,
        request,
        sensor=sensor,
        unit=unit,
        channel_names=chosen.channel_names,
        start=start,
        clock_jitter=jitter,
        findings=findings + guessed,
    )


def _wanted(chosen: Columns, request: ReadRequest) -> list[int]:
    """Columns to load: time first, unless a sample rate was given in its stead."""
    if chosen.time is None or request.sample_rate_hz is not None:
        return list(chosen.channels)
    return [chosen.time, *chosen.channels]


def _without_header(
    table: Table,
    usable: Sequence[bool],
    asked: dict[str, str | int],
    request: ReadRequest,
    where: str,
) -> tuple[Columns, TableData]:
    """Choose the columns of a table without names: by number, or by how they run."""
    blank = [""] * len(table.kinds)
    if asked:
        at = {role: column_index(blank, wanted, where) for role, wanted in asked.items()}
        time = at.pop("time", None)
    else:
        at = {}
        time = None
    numbers = [index for index, ok in enumerate(usable) if ok]
    stamps = [index for index in numbers if table.kinds[index] == "stamp"]
    if time is None and request.sample_rate_hz is None and table.sample_rate_hz is None:
        rising = stamps or [i for i in numbers if i not in at.values() and _rises(table, i)]
        if len(rising) > 1:
            listed = " and ".join(str(index + 1) for index in rising)
            raise InputError(
                f"The table has no header, and columns {listed} could all be time.",
                where=where,
                advice=f'Choose one, for example columns={{"time": {rising[0] + 1}}}.',
            )
        time = rising[0] if rising else None
    if not at:
        rest = [index for index in numbers if index != time and index not in stamps]
        if len(rest) > 3 or not rest:
            raise InputError(
                f"The table has no header and {len(rest)} columns of samples.",
                where=where,
                advice='Say which are which, for example columns={"time": 1, "x": 2, "y": 3}.',
            )
        names = ("signal",) if len(rest) == 1 else ("x", "y", "z")
        at = dict(zip(names, rest, strict=False))
    chosen = Columns(time, None, tuple(at.values()), tuple(at), (None,) * len(at))
    return chosen, table.load(_wanted(chosen, request))


def _rises(table: Table, index: int) -> bool:
    """True where a column never falls and does rise: it may be a time."""
    values = table.load([index]).columns[0]
    steps = np.diff(values[np.isfinite(values)] if values.dtype.kind == "f" else values)
    return bool(steps.size and (steps >= 0).all() and np.count_nonzero(steps) > steps.size // 20)
