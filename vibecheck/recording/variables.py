"""Recordings: named arrays (npz, MATLAB) become takes: which is the signal, which the rate."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError, InputError, did_you_mean
from vibecheck.findings import Finding
from vibecheck.recording.assemble import finish_take, on_even_clock, scaled
from vibecheck.recording.clean import fill_nan
from vibecheck.recording.column_roles import AXES, meaning_of
from vibecheck.recording.request import ReadRequest
from vibecheck.recording.source import SourceFile
from vibecheck.recording.take import Sensor, Take, Unit

FEWEST_SAMPLES = 16
MOST_CHANNELS = 8
"""More rows than this are records to choose from, not channels of one recording."""

# "rate" alone is not here: rigs store the shaft's rate under that name.
_RATE_NAMES = frozenset(
    ["fs", "sr", "samplerate", "sampleratehz", "samplingrate", "samplingratehz", "fsample", "fsamp"]
)
_RATE_NAMES_LONG = frozenset(["samplingfrequency", "samplefrequency", "samplefreq", "fshz", "odr"])
_INTERVAL_NAMES = frozenset(["dt", "ts", "deltat", "sampleinterval", "samplingperiod", "tinc"])
_SOUND_NAMES = frozenset(["audio", "sound", "mic", "microphone", "wave", "waveform", "wav", "pcm"])
_GENERIC_NAMES = frozenset(["signal", "amplitude", "samples", "value", "data", "channel", "ch"])


def take_from_variables(
    arrays: Mapping[str, NDArray[Any]], source: SourceFile, request: ReadRequest
) -> Take:
    """Make a take of named arrays.

    The signal is the array that is asked for, else the one recognised by its name, else the only
    one long enough. Its longest axis is time; up to 8 rows are channels, more are records to
    choose from. The rate is asked for, recognised by its name, read from a time array, or given.

    Raises
    ------
    InputError
        Signal, record, rate, sensor or unit cannot be told.
    CallError
        A variable or record asked for is not there.
    """
    where = source.where
    chosen = _choose_signal(arrays, source, request)
    parts = [_as_channels(arrays[name], name, source) for name in chosen.values()]
    lengths = {part.shape[1] for part in parts}
    if len(lengths) > 1 or (len(parts) > 1 and any(len(part) > 1 for part in parts)):
        listed = ", ".join(f"{name} {arrays[name].shape}" for name in chosen.values())
        raise InputError(
            f"The chosen variables differ in length: {listed}.",
            where=where,
            advice="Choose variables of one recording.",
        )
    stored = np.concatenate(parts)
    sensor, findings = _sensor(chosen, stored, request, where)
    counts: tuple[float, Unit] | None = None
    if stored.dtype.kind in "iu" and request.unit is None and _named_unit(chosen) is None:
        counts = 1.0 / float(np.iinfo(stored.dtype).max + 1), "full_scale"
        if sensor == "accelerometer":
            findings.append(_counts_finding(stored.dtype))
    values: NDArray[Any] = stored.astype(np.float64 if stored.dtype.itemsize > 4 else np.float32)
    rate = _rate(arrays, source, request)
    jitter, start = None, None
    if rate is None:
        name = _time_of(arrays, values.shape[1], request, where)
        if name is None:
            raise InputError(
                f"The file does not say its sample rate (it holds {_listed(arrays)}).",
                where=where,
                advice='Give sample_rate_hz, or name it with columns={"rate": ...}.',
            )
        clocked = on_even_clock(
            np.asarray(arrays[name], dtype=np.float64).reshape(-1),
            values,
            request,
            where,
            unit=meaning_of(_last(name)).unit,
            row_name=lambda row: f"sample {row}",
        )
        values, rate = clocked.values, clocked.sample_rate_hz
        jitter, start = clocked.jitter, clocked.start
        findings += clocked.findings
    else:
        values, filled = fill_nan(values, rate, where)
        findings += filled
    if counts is not None:
        values, unit = values * np.asarray(counts[0], values.dtype), counts[1]
    else:
        named = [_named_unit(chosen)] * values.shape[0]
        values, unit, guessed = scaled(values, named, request, sensor, where)
        findings += guessed
    return finish_take(
        values,
        rate,
        source,
        request,
        sensor=sensor,
        unit=unit,
        channel_names=_channel_names(chosen, values.shape[0], sensor),
        start=start,
        clock_jitter=jitter,
        findings=findings,
    )


def read_record_number(source: SourceFile, n_records: int) -> int:
    """The record asked for as ``file#12``, checked against what is there.

    Raises
    ------
    CallError
        It is no number, or there is no such record.
    """
    text = source.record or ""
    if not text.isdigit() or int(text) >= n_records:
        raise CallError(
            f"The record after # must be a number from 0 to {n_records - 1}. Got {text!r} instead.",
            where=source.where,
            advice=f'Example: "{source.path.name}#0".',
        )
    return int(text)


def _choose_signal(
    arrays: Mapping[str, NDArray[Any]], source: SourceFile, request: ReadRequest
) -> dict[str, str]:
    """Role to variable name: the axes x, y, z, or one signal."""
    asked = {r: str(n) for r, n in request.columns.items() if r in (*AXES, "signal")}
    if asked:
        return {role: _find(arrays, name, source.where) for role, name in asked.items()}
    long = [
        name
        for name, values in arrays.items()
        if values.size
        and max(values.shape, default=0) >= FEWEST_SAMPLES
        and values.ndim <= 2
        and values.dtype.kind in "iuf"
    ]
    meanings = {name: meaning_of(_last(name)) for name in long}
    long = [name for name in long if meanings[name].role != "time"]
    axes: dict[str, str] = {}
    for axis in AXES:
        named = [name for name in long if meanings[name].role == axis]
        if len(named) == 1:
            axes[axis] = named[0]
    if len(axes) >= 2 and len({arrays[name].size for name in axes.values()}) == 1:
        return axes
    if len(long) > 1:
        known = [
            name
            for name in long
            if meanings[name].role == "signal" or _plain(_last(name)) in _SOUND_NAMES
        ]
        long = known if len(known) == 1 else long
    if len(long) == 1:
        return {"signal": long[0]}
    if not long:
        raise InputError(
            f"There is no array of samples in this file (it holds {_listed(arrays)}).",
            where=source.where,
            advice="Store the samples as an array of numbers.",
        )
    raise InputError(
        f"Several arrays could be the signal: {_listed({name: arrays[name] for name in long})}.",
        where=source.where,
        advice=f'Choose one, for example columns={{"signal": "{long[0]}"}}.',
    )


def _as_channels(values: NDArray[Any], name: str, source: SourceFile) -> NDArray[Any]:
    """Samples along the last axis; one record where there are several."""
    if values.dtype.kind not in "biuf" or values.ndim > 2 or values.size < 2:
        raise InputError(
            f'"{name}" is not a recording (shape {values.shape}).',
            where=source.where,
            advice="Choose an array of at least two samples.",
        )
    rows = np.atleast_2d(values)
    rows = rows if rows.shape[1] >= rows.shape[0] else rows.T
    if source.record is not None:
        number = read_record_number(source, rows.shape[0])
        return np.ascontiguousarray(rows[number : number + 1])
    if rows.shape[0] > MOST_CHANNELS:
        file = source.path.name
        raise InputError(
            f'"{name}" holds {rows.shape[0]} records of {rows.shape[1]} samples.',
            where=source.where,
            advice=f'Choose one: "{file}#0" to "{file}#{rows.shape[0] - 1}".',
        )
    return np.ascontiguousarray(rows)


def _rate(
    arrays: Mapping[str, NDArray[Any]], source: SourceFile, request: ReadRequest
) -> float | None:
    """Samples per second: asked for by name, given, or recognised by its name."""
    if "rate" in request.columns:
        name = _find(arrays, str(request.columns["rate"]), source.where)
        found = {name: _scalar(arrays[name])}
    elif request.sample_rate_hz is not None:
        return request.sample_rate_hz
    else:
        found = {}
        for name, values in arrays.items():
            plain = _plain(_last(name))
            value = _scalar(values)
            if value is None:
                continue
            if plain in _RATE_NAMES | _RATE_NAMES_LONG:
                found[name] = value
            elif plain in _INTERVAL_NAMES and value > 0:
                found.setdefault(name, 1.0 / value)
    stated = [value for value in found.values() if value is not None]
    if len(stated) > 1 and max(stated) > (1.0 + 1e-6) * min(stated):
        listed = ", ".join(f"{name} = {value:g}" for name, value in found.items())
        raise InputError(
            f"The file states several sample rates: {listed}.",
            where=source.where,
            advice='Choose one with columns={"rate": ...}.',
        )
    if not found:
        return None
    name, rate = next(iter(found.items()))
    if rate is None or not np.isfinite(rate) or rate <= 0:
        raise InputError(
            f'The sample rate "{name}" must be one positive number.',
            where=source.where,
            advice="Give sample_rate_hz instead.",
        )
    return rate


def _time_of(
    arrays: Mapping[str, NDArray[Any]], n: int, request: ReadRequest, where: str
) -> str | None:
    """The variable that holds the time stamps of ``n`` samples."""
    if "time" in request.columns:
        return _find(arrays, str(request.columns["time"]), where)
    found = [
        name
        for name, values in arrays.items()
        if values.size == n and meaning_of(_last(name)).role == "time"
    ]
    return found[0] if len(found) == 1 else None


def _sensor(
    chosen: Mapping[str, str], stored: NDArray[Any], request: ReadRequest, where: str
) -> tuple[Sensor, list[Finding]]:
    """Tell the sensor by the request, the names, or the digits of a sound card."""
    if request.sensor is not None:
        return request.sensor, []
    names = [_last(name) for name in chosen.values()]
    plain = {_plain(name) for name in names}
    if plain & _SOUND_NAMES:
        return "microphone", []
    meanings = [meaning_of(name) for name in names]
    if any(meaning.unit for meaning in meanings) or "gs" in plain or len(chosen) > 1:
        return "accelerometer", []
    words = set(re.findall(r"[a-z]+", " ".join(names).lower()))
    if all(meaning.role == "signal" for meaning in meanings) and not words <= _GENERIC_NAMES:
        return "accelerometer", []
    if request.unit not in (None, "full_scale"):
        return "accelerometer", []
    if stored.dtype.kind == "f" and np.isfinite(stored).all() and np.abs(stored).max() <= 1.0:
        counts = stored * 2.0**15
        if np.array_equal(counts, np.rint(counts)):
            finding = Finding(
                code="sensor_guessed",
                message="The samples are 16-bit fractions of full scale, so a microphone was "
                "assumed.",
                advice='Say it with sensor="microphone" (or the right one).',
                weight="note",
            )
            return "microphone", [finding]
    listed = ", ".join(f'"{name}"' for name in chosen.values())
    raise InputError(
        f"The file does not say whether {listed} is sound or acceleration.",
        where=where,
        advice='Give sensor="microphone" or "accelerometer".',
    )


def _named_unit(chosen: Mapping[str, str]) -> str | None:
    units = {
        "g" if _plain(_last(name)) == "gs" else meaning_of(_last(name)).unit
        for name in chosen.values()
    }
    return units.pop() if len(units) == 1 else None


def _counts_finding(dtype: np.dtype[Any]) -> Finding:
    return Finding(
        code="raw_counts",
        message=f"The values are whole numbers ({dtype}) without a unit; they were taken as "
        "fractions of full scale.",
        advice='Nothing to do, or convert them and give unit="g".',
        weight="note",
    )


def _channel_names(chosen: Mapping[str, str], n: int, sensor: Sensor) -> tuple[str, ...]:
    if len(chosen) > 1:
        return tuple(chosen)
    if n == 1:
        return ("mono",) if sensor == "microphone" else ("signal",)
    if sensor == "accelerometer" and n == 3:
        return AXES
    if sensor == "microphone" and n == 2:
        return ("left", "right")
    return tuple(f"channel {i + 1}" for i in range(n))


def _find(arrays: Mapping[str, NDArray[Any]], wanted: str, where: str) -> str:
    """A variable by its full name (``bearing.gs``) or by its last part where that is unique."""
    if wanted in arrays:
        return wanted
    ends = [name for name in arrays if _last(name) == wanted]
    if len(ends) == 1:
        return ends[0]
    raise CallError(
        f'There is no variable "{wanted}" in the file, which holds {_listed(arrays)}.',
        where=where,
        advice=did_you_mean(wanted, arrays).strip() or "Choose one of these.",
    )


def _listed(arrays: Mapping[str, NDArray[Any]]) -> str:
    parts = [f"{name} {tuple(values.shape)}" for name, values in list(arrays.items())[:12]]
    more = f" and {len(arrays) - 12} more" if len(arrays) > 12 else ""
    return (", ".join(parts) + more) or "no numbers"


def _last(name: str) -> str:
    return name.rpartition(".")[2]


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _scalar(values: NDArray[Any]) -> float | None:
    return float(values.reshape(-1)[0]) if values.size == 1 else None
