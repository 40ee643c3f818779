"""Recordings: the last steps of every reader without sound: clock, unit, length, dead channels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.errors import InputError
from vibecheck.findings import Finding
from vibecheck.recording.clean import cut_finding, drop_dead_channels, fill_nan
from vibecheck.recording.clock import check_order, guess_time_unit, to_uniform
from vibecheck.recording.column_roles import TO_M_S2
from vibecheck.recording.request import SIGNAL_UNITS, TIME_UNITS, ReadRequest
from vibecheck.recording.source import SourceFile
from vibecheck.recording.stream import HOP_S, LIMIT_S, LevelEnvelope, choose_span
from vibecheck.recording.take import Sensor, Take, Unit

_MOST_BAD_STAMPS = 0.01


@dataclass(frozen=True, eq=False)
class Clocked:
    """Samples on an even clock, and when the first one was taken, where the stamps say so."""

    values: NDArray[Any]
    sample_rate_hz: float
    jitter: float
    start: datetime | None
    findings: list[Finding]


def on_even_clock(
    stamps: NDArray[Any],
    values: NDArray[Any],
    request: ReadRequest,
    where: str,
    *,
    unit: str | None,
    utc: bool = False,
    row_name: Callable[[int], str] = "row {}".format,
) -> Clocked:
    """Put stamped samples on an even clock; see ``recording.clock``.

    Parameters
    ----------
    stamps : ndarray, shape (n_samples,)
        datetime64, or numbers in ``unit`` (None: told by which unit is believable).
    values : ndarray, shape (n_channels, n_samples)

    Raises
    ------
    InputError
        Time runs backwards or stands still, its unit cannot be told, or too much is missing.
    """
    findings: list[Finding] = []
    stamps, values = _usable_rows(stamps, values, where, findings)
    time_s, start = _seconds(stamps, unit, utc, request, where, findings, row_name)
    check_order(time_s, where, row_name)
    estimate = (time_s.size - 1) / float(time_s[-1])
    values, filled = fill_nan(values, estimate, where)
    uniform = to_uniform(time_s, values, where)
    return Clocked(
        uniform.values,
        uniform.sample_rate_hz,
        uniform.jitter,
        start,
        findings + filled + uniform.findings,
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
    if start is not None:
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
    row_name: Callable[[int], str],
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
        check_order(stamps.astype(np.float64), where, row_name)
        unit = guess_time_unit(stamps.astype(np.float64), where)
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
