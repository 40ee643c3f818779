"""Recordings: what the columns of a table mean, read from their names."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from vibecheck.errors import CallError, InputError, did_you_mean
from vibecheck.units import STANDARD_GRAVITY_M_S2

Role = Literal["time", "x", "y", "z", "signal", "counter", "rate", "other"]
AXES = ("x", "y", "z")

_TIME_UNIT = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "sekunden": "s",
    "ms": "ms", "msec": "ms", "milli": "ms", "millis": "ms", "millisecond": "ms",
    "milliseconds": "ms", "us": "us", "usec": "us", "micro": "us", "micros": "us",
    "microsecond": "us", "microseconds": "us", "ns": "ns", "nano": "ns", "nanos": "ns",
    "nanosecond": "ns", "nanoseconds": "ns",
}  # fmt: skip
_SIGNAL_UNIT = {
    "g": "g", "gs": "g", "gn": "g", "g0": "g", "gforce": "g", "mg": "mg",
    "m/s^2": "m/s^2", "m/s2": "m/s^2", "m/s/s": "m/s^2", "m/s**2": "m/s^2", "ms-2": "m/s^2",
    "ms^-2": "m/s^2", "m.s-2": "m/s^2", "m.s^-2": "m/s^2", "m*s^-2": "m/s^2", "m*s-2": "m/s^2",
    "mps2": "m/s^2", "ms2": "m/s^2", "mss": "m/s^2", "m/sec^2": "m/s^2", "mm/s^2": "mm/s^2",
    "mm/s2": "mm/s^2",
}  # fmt: skip
TO_M_S2 = {
    "g": STANDARD_GRAVITY_M_S2,
    "mg": STANDARD_GRAVITY_M_S2 * 1e-3,
    "m/s^2": 1.0,
    "mm/s^2": 1e-3,
}
_TIME_WORDS = frozenset({
    "time", "times", "timestamp", "timestamps", "ts", "datetime", "date", "epoch", "elapsed",
    "unixtime", "zeit", "temps", "tiempo", "tempo", "uptime", "clock", "t",
})  # fmt: skip
_TIME_FILLERS = frozenset({
    "stamp", "in", "relative", "sensor", "unix", "system", "logging", "since", "start", "boot",
    "utc", "local", "of", "day", "txt", "recorded", "at", "from", "device", "phone", "run", "the",
})  # fmt: skip
_ACCELERATION_WORDS = frozenset({
    "acc", "accel", "acceleration", "accelerations", "accelerometer", "linear", "lin", "user",
    "raw", "a", "g", "gf", "f", "force", "gforce", "axis", "channel", "ch", "vib", "vibration",
    "sensor", "imu", "value", "data", "calibrated", "uncalibrated", "with", "without",
    "including", "incl", "gravity", "beschleunigung", "aceleracion", "accelerazione",
})  # fmt: skip
_SIGNAL_WORDS = _ACCELERATION_WORDS | {"signal", "amplitude", "gs", "sound", "audio", "samples"}
_COUNTER_WORDS = frozenset(["index", "idx", "sample", "row", "counter", "count", "nr", "no", "n"])
_SUMS = frozenset(["abs", "absolute", "total", "magnitude", "norm", "resultant", "gesamt"])
_GLUED = re.compile(r"(acc|accel|acceleration|a|gf)([xyz])$")
_TOKEN = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
_UNIT_IN_BRACKETS = re.compile(r"^(.*?)\s*[(\[]\s*([^()\[\]]*?)\s*[)\]]\s*$")


@dataclass(frozen=True)
class ColumnMeaning:
    """What a column's name says: its role, and its unit where named."""

    role: Role
    unit: str | None = None


@dataclass(frozen=True)
class Columns:
    """The columns chosen: indexes, the channels' names, and units where the names say."""

    time: int | None
    time_unit: str | None
    channels: tuple[int, ...]
    channel_names: tuple[str, ...]
    units: tuple[str | None, ...]


def is_unit(text: str) -> bool:
    """True for a unit of time or acceleration (or of another quantity commonly logged)."""
    plain = _plain_unit(text)
    others = ("rad/s", "deg/s", "°/s", "ut", "µt", "-", "hz", "v", "mv", "°c", "c", "counts", "lsb")
    return plain in _TIME_UNIT or plain in _SIGNAL_UNIT or plain in others


def meaning_of(name: str) -> ColumnMeaning:
    """Read the role and the unit of a column from its name.

    Examples: ``Time (s)``, ``timestamp_ns``, ``ax``, ``acc_x_g``, ``gFx``, ``X-Axis [g]``,
    ``Linear Acceleration y (m/s^2)``.
    """
    base, bracket = name.strip().strip("\"'"), ""
    match = _UNIT_IN_BRACKETS.match(base)
    if match and match[1]:
        base, bracket = match[1], match[2]
    plain = _plain_unit(bracket)
    tokens = [token.lower() for token in _TOKEN.findall(_ascii(base))]
    for head, rest in (("".join(tokens), []), ("".join(tokens[:1]), tokens[1:])):
        pair = _GLUED.match(head)  # "gFx", "ax", "ax_mg"
        if pair:
            tokens = [*pair.groups(), *rest]
            break
    time = _as_time(tokens, plain)
    if time is not None:
        return time
    if plain and plain not in _SIGNAL_UNIT and is_unit(bracket):
        return ColumnMeaning("other")
    unit = _SIGNAL_UNIT.get(plain)
    axes = [index for index, token in enumerate(tokens) if token in AXES]
    if len(axes) == 1 and not _SUMS & set(tokens):
        at = axes[0]
        before, after = tokens[:at], "".join(token for token in tokens[at + 1 :] if token != "axis")
        named = _SIGNAL_UNIT.get(after)
        words = [token for token in before if not token.isdigit()]
        if set(words) <= _ACCELERATION_WORDS and (not after or named or after.isdigit()):
            implied = (
                "g" if before[:1] in (["gf"], ["gforce"]) or before[:2] == ["g", "f"] else None
            )
            role: Role = "x" if tokens[at] == "x" else "y" if tokens[at] == "y" else "z"
            return ColumnMeaning(role, unit or named or implied)
    if tokens and set(tokens) <= _COUNTER_WORDS | {"number"}:
        return ColumnMeaning("counter")
    if not _SUMS & set(tokens):
        words = [token for token in tokens if not token.isdigit()]
        trailing = _SIGNAL_UNIT.get(tokens[-1]) if len(tokens) > 1 else None
        if trailing:
            words = [word for word in words if word != tokens[-1]]
        if tokens and set(words) <= _SIGNAL_WORDS and words:
            return ColumnMeaning("signal", unit or trailing)
    return ColumnMeaning("other", unit)


def choose_columns(
    names: Sequence[str], usable: Sequence[bool], asked: Mapping[str, str | int], where: str
) -> Columns:
    """Pick the time column and the channels of a table with a header.

    Parameters
    ----------
    names : sequence of str
    usable : sequence of bool
        False for columns without numbers.
    asked : mapping of role to name or number
        What the caller chose; the rest is read from the names.

    Raises
    ------
    InputError
        Nothing is recognised, or two columns could play one part.
    CallError
        A column asked for is not there.
    """
    meanings = [meaning_of(name) for name in names]
    chosen = {role: column_index(names, wanted, where) for role, wanted in asked.items()}
    taken = set(chosen.values())
    has_axes = any(role in AXES or role == "signal" for role in chosen)

    def named(role: str) -> int | None:
        if role in chosen:
            return chosen[role]
        found = [
            index
            for index, meaning in enumerate(meanings)
            if meaning.role == role and usable[index] and index not in taken
        ]
        if len(found) > 1 and role != "signal":
            listed = " and ".join(f'"{names[index]}"' for index in found[:3])
            raise InputError(
                f"Several columns could be {role}: {listed}.",
                where=where,
                advice=f'Choose one, for example columns={{"{role}": "{names[found[0]]}"}}.',
            )
        return found[0] if found else None

    time = named("time")
    roles = [role for role in AXES if not has_axes or role in chosen]
    channels = {role: index for role in roles if (index := named(role)) is not None}
    if "signal" in chosen:
        channels["signal"] = chosen["signal"]
    if not channels:
        for want in ("signal", "other"):
            found = [
                index
                for index, meaning in enumerate(meanings)
                if meaning.role == want and usable[index] and index not in taken and index != time
            ]
            if len(found) == 1:
                channels["signal"] = found[0]
            elif want == "signal" and 1 < len(found) <= 3:
                channels.update({names[index]: index for index in found})
            if channels:
                break
    if not channels:
        listed = ", ".join(f'"{name}"' for name in names[:12])
        raise InputError(
            f"None of the columns is recognised as acceleration: {listed}.",
            where=where,
            advice='Name them, for example columns={"time": "t", "x": "a", "y": "b", "z": "c"}.',
        )
    return Columns(
        time=time,
        time_unit=meanings[time].unit if time is not None else None,
        channels=tuple(channels.values()),
        channel_names=tuple(channels),
        units=tuple(meanings[index].unit for index in channels.values()),
    )


def column_index(names: Sequence[str], wanted: str | int, where: str) -> int:
    """Index of a column that was asked for by name, or by number counted from 1."""
    if isinstance(wanted, str):
        folded = [name.strip().strip('"').casefold() for name in names]
        if wanted.strip().casefold() in folded:
            return folded.index(wanted.strip().casefold())
        if not wanted.strip().isdigit():
            hint = did_you_mean(wanted, [name for name in names if name]).strip()
            listed = ", ".join(f'"{name}"' for name in names[:12] if name)
            raise CallError(
                f'There is no column "{wanted}".',
                where=where,
                advice=hint or (f"The columns are {listed}." if listed else "Give its number."),
            )
        wanted = int(wanted)
    if not 1 <= wanted <= len(names):
        raise CallError(
            f"A column's number must be between 1 and {len(names)}. Got {wanted} instead.",
            where=where,
            advice="Columns are counted from 1.",
        )
    return wanted - 1


def _as_time(tokens: list[str], bracket_unit: str) -> ColumnMeaning | None:
    """Meaning as time, or None. ``seconds_elapsed``, ``t``, ``Time (ms)``, ``timestamp_ns``…"""
    if not tokens:
        return None
    words = set(tokens)
    units = [_TIME_UNIT[token] for token in tokens if token in _TIME_UNIT]
    is_time = words <= _TIME_WORDS | _TIME_FILLERS | set(_TIME_UNIT) and (
        bool(words & _TIME_WORDS) or (len(units) == len(tokens))
    )
    if not is_time:
        return None
    return ColumnMeaning("time", _TIME_UNIT.get(bracket_unit) or (units[0] if units else None))


def _ascii(text: str) -> str:
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()


def _plain_unit(text: str) -> str:
    plain = text.strip().lower().replace("²", "^2").replace("⁻", "-").replace("·", ".")
    plain = plain.replace("µ", "u").replace("μ", "u").replace(" ", "").replace("-force", "")
    return plain.replace("s-^2", "s-2")
