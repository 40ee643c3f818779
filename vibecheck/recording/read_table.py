"""Recordings: tables of samples (csv, tsv, parquet) become takes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.errors import InputError
from vibecheck.findings import Finding
from vibecheck.recording.clean import cut_finding, drop_dead_channels, fill_nan
from vibecheck.recording.clock import check_order, guess_time_unit, to_uniform
from vibecheck.recording.column_roles import TO_M_S2, Columns, choose_columns, column_index
from vibecheck.recording.dialect import CellKind, sniff
from vibecheck.recording.request import SIGNAL_UNITS, TIME_UNITS, ReadRequest
from vibecheck.recording.source import SourceFile
from vibecheck.recording.stream import HOP_S, LIMIT_S, LevelEnvelope, choose_span
from vibecheck.recording.take import Sensor, Take, Unit
from vibecheck.recording.text_table import TableData, load_text

MOST_CHANNELS = 8
_MOST_BAD_STAMPS = 0.01


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
    values = np.stack([np.asarray(column) for column in data.columns[-len(chosen.channels) :]])
    if values.dtype.kind not in "fiu":
        raise InputError(
            "A column of time stamps cannot be a signal.",
            where=where,
            advice="Choose the columns of the acceleration.",
        )
    if values.shape[1] < 2:
        raise InputError(
            "The table holds only one sample.", where=where, advice="Record a few seconds."
        )
    start: datetime | None = None
    jitter: float | None = None
    rate = request.sample_rate_hz or table.sample_rate_hz
    if len(wanted) > len(chosen.channels):
        stamps, values = _usable_rows(data.columns[0], values, where, findings)
        time_s, start = _seconds(stamps, chosen.time_unit, data.utc, request, where, findings)
        check_order(time_s, where, data.row_name)
        estimate = (time_s.size - 1) / float(time_s[-1])
        values, filled = fill_nan(values, estimate, where)
        uniform = to_uniform(time_s, values, where)
        values, rate, jitter = uniform.values, uniform.sample_rate_hz, uniform.jitter
        findings += filled + uniform.findings
    elif rate is None:
        listed = ", ".join(f'"{name}"' for name in table.names) or "no header"
        raise InputError(
            f"There is no time column ({listed}).",
            where=where,
            advice='Give sample_rate_hz, or name it with columns={"time": ...}.',
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


def scaled(
    values: NDArray[Any],
    units: Sequence[str | None],
    request: ReadRequest,
    sensor: Sensor,
    where: str,
) -> tuple[NDArray[Any], Unit, list[Finding]]:
    """Bring acceleration to m/s² by the unit given, named, or told from gravity.

    Raises
    ------
    InputError
        The unit is neither given nor named, and gravity does not tell it.
    """
    if request.unit is not None:
        factor, unit = SIGNAL_UNITS[request.unit]
        return values * values.dtype.type(factor), unit, []
    if sensor == "microphone":
        return values, "full_scale", []
    if all(unit in TO_M_S2 for unit in units):
        factors = np.array([TO_M_S2[str(unit)] for unit in units], dtype=values.dtype)
        return values * factors[:, np.newaxis], "m/s^2", []
    # A resting accelerometer shows gravity: 1 g or 9.8 m/s² over the axes together.
    gravity = float(np.sqrt(np.sum(np.mean(values, axis=1, dtype=np.float64) ** 2)))
    for name, level in (("g", 1.0), ("m/s^2", TO_M_S2["g"]), ("mg", 1000.0)):
        if abs(gravity / level - 1.0) <= 0.15:
            finding = Finding(
                code="units_guessed",
                message=f"The unit of the acceleration is not named. Gravity shows as {gravity:.3g}"
                f", so {name} was assumed.",
                advice=f'Say it with unit="{name}" (or the right one).',
                value=gravity,
                limit=level,
                weight="note",
            )
            return values * values.dtype.type(TO_M_S2[name]), "m/s^2", [finding]
    raise InputError(
        f"The unit of the acceleration is not named, and its mean ({gravity:.3g}) is neither "
        "1 g nor 9.8 m/s².",
        where=where,
        advice='Give unit="g", "m/s^2" or "mg"; or "full_scale" for raw counts.',
    )


def finish_take(
    values: NDArray[Any],
    sample_rate_hz: float,
    source: SourceFile,
    request: ReadRequest,
    *,
    sensor: Sensor,
    unit: Unit,
    channel_names: tuple[str, ...],
    start: datetime | None = None,
    clock_jitter: float | None = None,
    findings: Sequence[Finding] = (),
) -> Take:
    """Cut long recordings to their spin-up, leave out dead channels, make the take."""
    found = list(findings)
    total_s = values.shape[1] / sample_rate_hz
    offset_s = 0.0
    if total_s > LIMIT_S:
        envelope = LevelEnvelope(max(1, round(HOP_S * sample_rate_hz)))
        envelope.add(np.asarray(values, dtype=np.float32))
        span = choose_span(envelope.difference_power, envelope.hop / sample_rate_hz)
        first, last = round(span.start_s * sample_rate_hz), round(span.end_s * sample_rate_hz)
        values, offset_s = values[:, first:last], first / sample_rate_hz
        found.append(cut_finding(span.start_s, span.end_s, total_s, span.stood_out))
    values, channel_names, dead = drop_dead_channels(values, channel_names)
    if start is not None and offset_s:
        from datetime import timedelta

        start += timedelta(seconds=offset_s)
    return Take(
        samples=frozen_array(np.ascontiguousarray(values, dtype=np.float32), copy=False),
        sample_rate_hz=sample_rate_hz,
        sensor=sensor,
        unit=unit,
        spot=request.spot,
        channel_names=channel_names,
        start=start,
        file=source.name,
        sha256=source.sha256(),
        offset_s=offset_s,
        source_duration_s=total_s,
        clock_jitter=clock_jitter,
        findings=tuple(found + dead),
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
    steps = np.diff(values)
    return bool(steps.size and (steps >= 0).all() and np.count_nonzero(steps) > steps.size // 20)


def _usable_rows(
    stamps: NDArray[Any], values: NDArray[Any], where: str, findings: list[Finding]
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Leave out the few rows without a time."""
    bad = np.isnat(stamps) if stamps.dtype.kind == "M" else ~np.isfinite(stamps)
    n_bad = int(np.count_nonzero(bad))
    if not n_bad:
        return stamps, values
    if n_bad > _MOST_BAD_STAMPS * stamps.size or stamps.size - n_bad < 2:
        raise InputError(
            f"{n_bad} of {stamps.size} rows have no time.",
            where=where,
            advice="Export the table again, or give sample_rate_hz instead.",
        )
    findings.append(
        Finding(
            code="short_rows_skipped",
            message=f"{n_bad} rows without a time were left out.",
            advice="If it happens every time, look at the logger or its export.",
            value=float(n_bad),
            limit=0.0,
            weight="note",
        )
    )
    return stamps[~bad], values[:, ~bad]


def _seconds(
    stamps: NDArray[Any],
    named_unit: str | None,
    utc: bool,
    request: ReadRequest,
    where: str,
    findings: list[Finding],
) -> tuple[NDArray[np.float64], datetime | None]:
    """Time in seconds from the first row, and when that was, where the stamps say so."""
    if stamps.dtype.kind == "M":
        nanoseconds = stamps.astype("datetime64[ns]").astype(np.int64)
        start = None
        if nanoseconds[0] > 86_400 * 10**9:  # else a time of day without a date
            start = datetime.fromtimestamp(nanoseconds[0] / 1e9, UTC)
            start = start if utc else start.replace(tzinfo=None)
        return (nanoseconds - nanoseconds[0]) * 1e-9, start
    unit = request.time_unit or named_unit
    if unit is None:
        check_order(np.asarray(stamps, dtype=np.float64), where, lambda row: f"row {row + 1}")
        unit = guess_time_unit(np.asarray(stamps, dtype=np.float64), where)
        findings.append(
            Finding(
                code="time_unit_guessed",
                message=f"The unit of the time column is not named; {unit} was assumed, because "
                "the others give no believable recording.",
                advice=f'Say it with time_unit="{unit}" (or the right one).',
                weight="note",
            )
        )
    seconds = TIME_UNITS[unit]
    first = float(stamps[0]) * seconds
    start = datetime.fromtimestamp(first, UTC) if 946_684_800.0 <= first < 4_102_444_800.0 else None
    relative = (stamps - stamps[0]).astype(np.float64) * seconds
    return relative, start
