"""A fault list for simulated takes: what is loose, set wrongly or odd in each bench check.

From options of the command line or from a file, TOML or CSV, one entry a bench check.
"""

from __future__ import annotations

import csv
import io
import math
import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vibecheck.dataset.columns import HARD_NEGATIVES
from vibecheck.errors import CallError, InputError, VibecheckError, did_you_mean
from vibecheck.simulator import WHEELS, ZONES, FastenerState

MESH = ("tight", "loose")
MOST_TAKES = 1000
MOST_UNBALANCE = 20.0
KEYS = ("name", "loose", "mesh", "odd", "unbalance", "takes")
"""What an entry of a fault list may hold."""


@dataclass(frozen=True)
class Fault:
    """What one bench check is to hold; all absent is a snug car.

    Attributes
    ----------
    name : str
        For the names of the files; may be empty.
    loose : mapping of zone to FastenerState
    mesh : {"", "tight", "loose"}
        How the gear mesh was set.
    odd : tuple of str
        Hard negatives: what sounds odd with nothing loose.
    unbalance : mapping of wheel to float
        Factor on the wheel's unbalance.
    takes : int
        How many spin-ups, each with its own scatter.
    """

    name: str = ""
    loose: Mapping[str, FastenerState] = field(default_factory=dict)
    mesh: str = ""
    odd: tuple[str, ...] = ()
    unbalance: Mapping[str, float] = field(default_factory=dict)
    takes: int = 1

    @property
    def kind(self) -> str:
        """The manifest's word for it: what is loose comes first, then the mesh, then the odd."""
        if any(state.turns > 0.0 or state.preload < 1.0 for state in self.loose.values()):
            return "loose"
        if self.mesh:
            return f"mesh_{self.mesh}"
        if self.odd:
            return self.odd[0]
        return "out_of_balance" if any(f != 1.0 for f in self.unbalance.values()) else "baseline"


def make_fault(
    *,
    name: str = "",
    loose: Sequence[str] = (),
    mesh: str = "",
    odd: Sequence[str] = (),
    unbalance: Sequence[str] = (),
    takes: int = 1,
) -> Fault:
    """Make an entry from texts, as options and CSV cells hold them.

    Parameters
    ----------
    loose : sequence of str
        ``ZONE=TURNS``, ``ZONE=preload:SHARE``; for one of several screws, ``…@SHARE`` behind it.
    unbalance : sequence of str
        ``WHEEL=FACTOR``.

    Raises
    ------
    CallError
        If a text cannot be read, or names what the simulator does not know.
    """
    states: dict[str, FastenerState] = {}
    for text in loose:
        zone, state = parse_loose(text)
        if zone in states:
            raise CallError(f"The zone {zone} is given twice.", advice="Give each zone one state.")
        states[zone] = state
    factors: dict[str, float] = {}
    for text in unbalance:
        wheel, sign, factor = (part.strip() for part in text.partition("="))
        _check_word("wheel", wheel, WHEELS)
        factors[wheel] = _unbalance(_number(factor if sign else "", f'unbalance "{text}"'))
    return _whole(Fault(name, states, mesh, tuple(odd), factors, takes))


def parse_loose(text: str) -> tuple[str, FastenerState]:
    """Read ``ZONE=TURNS`` or ``ZONE=preload:SHARE``, with ``@SHARE`` of the screws behind it.

    Raises
    ------
    CallError
        If it cannot be read, or the simulator has no such zone.
    """
    zone, _, state = (part.strip() for part in text.partition("="))
    _check_word("zone", zone, ZONES)
    state, at, share = (part.strip() for part in state.partition("@"))
    shown = f'loose "{text}"'
    part = _number(share, shown) if at else 1.0
    word, colon, value = (part.strip() for part in state.partition(":"))
    if colon:
        if word != "preload":
            raise CallError(
                f'{shown} is not understood: "{word}".{did_you_mean(word, ["preload"])}',
                advice="Write turns backed off as ZONE=0.5, lost preload as ZONE=preload:0.3.",
            )
        return zone, FastenerState(preload=_number(value, shown), share=part)
    turns = _number(state, shown)
    return zone, FastenerState(preload=1.0 if turns == 0.0 else 0.0, turns=turns, share=part)


def read_faults(path: str | os.PathLike[str]) -> tuple[Fault, ...]:
    """Read a fault list: TOML with ``[[checks]]``, or CSV with a header; one entry a bench check.

    Raises
    ------
    InputError
        Naming the file and the entry: it cannot be read, holds no entry, or an entry names what
        is not known.
    """
    where = str(path)
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is no text in UTF-8"
        raise InputError(
            f"The fault list cannot be read: {reason}.",
            where=where,
            advice="Name a .toml or .csv file.",
        ) from error
    suffix = Path(path).suffix.lower()
    if suffix not in (".toml", ".csv"):
        raise InputError(
            "A fault list is a .toml or .csv file.", where=where, advice="Give it such a name."
        )
    entries = _toml_entries(text, where) if suffix == ".toml" else _csv_entries(text, where)
    if not entries:
        raise InputError(
            "The fault list holds no entry.",
            where=where,
            advice="Write one entry for each bench check; an empty one is a snug car.",
        )
    faults = []
    for place, entry in entries:
        try:
            faults.append(_from_csv(entry) if suffix == ".csv" else _from_toml(entry))
        except VibecheckError as error:
            raise InputError(
                error.what, where=f"{where}, {place}", advice=error.advice or "Correct the entry."
            ) from error
    return tuple(faults)


def _toml_entries(text: str, where: str) -> list[tuple[str, Mapping[str, Any]]]:
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"This is not TOML: {error}.", where=where, advice="Correct the file."
        ) from error
    for key in table:
        if key != "checks":
            raise InputError(
                f'Unknown key "{key}".{did_you_mean(key, ["checks"])}',
                where=where,
                advice="Each bench check begins with [[checks]].",
            )
    checks = table.get("checks", [])
    if not (isinstance(checks, list) and all(isinstance(entry, dict) for entry in checks)):
        raise InputError(
            "checks must be a list of tables.",
            where=where,
            advice="Each bench check begins with [[checks]].",
        )
    return [(f"entry {number}", entry) for number, entry in enumerate(checks, start=1)]


def _csv_entries(text: str, where: str) -> list[tuple[str, Mapping[str, Any]]]:
    try:
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        lines = [(reader.line_num, cells) for cells in reader if any(c.strip() for c in cells)]
    except csv.Error as error:
        raise InputError(f"This is not CSV: {error}.", where=where, advice="Correct it.") from error
    if not lines:
        return []
    header = [name.strip() for name in lines[0][1]]
    entries: list[tuple[str, Mapping[str, Any]]] = []
    for number, cells in lines[1:]:
        if len(cells) != len(header):
            raise InputError(
                f"This line has {len(cells)} cells where the header has {len(header)}.",
                where=f"{where}, line {number}",
                advice="Correct the line; an empty cell still needs its comma.",
            )
        entries.append((f"line {number}", dict(zip(header, map(str.strip, cells), strict=True))))
    return entries


def _from_csv(entry: Mapping[str, str]) -> Fault:
    _check_keys(entry)
    takes = _number(entry.get("takes") or "1", "takes")
    return make_fault(
        name=entry.get("name", ""),
        loose=entry.get("loose", "").split(),
        mesh=entry.get("mesh", ""),
        odd=entry.get("odd", "").split(),
        unbalance=entry.get("unbalance", "").split(),
        takes=_count(takes),
    )


def _from_toml(entry: Mapping[str, Any]) -> Fault:
    _check_keys(entry)
    states = {}
    for zone, value in _table(entry, "loose").items():
        _check_word("zone", zone, ZONES)
        states[zone] = _toml_state(zone, value)
    factors = {}
    for wheel, value in _table(entry, "unbalance").items():
        _check_word("wheel", wheel, WHEELS)
        factors[wheel] = _unbalance(_number(value, f"unbalance of {wheel}"))
    odd = entry.get("odd", [])
    words = [odd] if isinstance(odd, str) else odd
    if not (isinstance(words, list) and all(isinstance(word, str) for word in words)):
        raise CallError(f"odd must be a word or a list of words. Got {odd!r} instead.")
    name, mesh = entry.get("name", ""), entry.get("mesh", "")
    if not (isinstance(name, str) and isinstance(mesh, str)):
        raise CallError("name and mesh must be text.")
    takes = _count(_number(entry.get("takes", 1), "takes"))
    return _whole(Fault(name, states, mesh, tuple(words), factors, takes))


def _toml_state(zone: str, value: Any) -> FastenerState:
    if not isinstance(value, dict):
        turns = _number(value, f"loose {zone}")
        return FastenerState(preload=1.0 if turns == 0.0 else 0.0, turns=turns)
    for key in value:
        _check_word("key", key, ("preload", "turns", "share"))
    numbers = {key: _number(number, f"{zone} {key}") for key, number in value.items()}
    if "turns" in numbers and numbers["turns"] > 0.0:
        numbers.setdefault("preload", 0.0)
    return FastenerState(**numbers)


def _table(entry: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = entry.get(key, {})
    if not isinstance(value, dict):
        raise CallError(
            f"{key} must be a table. Got {value!r} instead.",
            advice=f"For example: {key} = {{ wheel_rear_left = 0.5 }}",
        )
    return value


def _check_keys(entry: Mapping[str, Any]) -> None:
    for key in entry:
        if key not in KEYS:
            raise CallError(
                f'Unknown key "{key}".{did_you_mean(key, KEYS)}',
                advice=f"An entry may hold: {', '.join(KEYS)}.",
            )


def _whole(fault: Fault) -> Fault:
    """Check the words and the count of an entry."""
    if fault.mesh:
        _check_word("mesh setting", fault.mesh, MESH)
    for kind in fault.odd:
        _check_word("oddity", kind, HARD_NEGATIVES)
    if len(set(fault.odd)) != len(fault.odd):
        raise CallError("The same oddity is given twice.", advice="Give each once.")
    _count(fault.takes)
    return fault


def _check_word(noun: str, word: str, known: Sequence[str]) -> None:
    if word not in known:
        raise CallError(
            f'The simulator has no {noun} "{word}".{did_you_mean(word, known)}',
            advice=f"Known: {', '.join(known)}.",
        )


def _number(value: Any, shown: str) -> float:
    try:
        number = float(value) if not isinstance(value, bool) else math.nan
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise CallError(
            f"{shown} must hold a number. Got {value!r} instead.",
            advice="Write turns backed off as ZONE=0.5, lost preload as ZONE=preload:0.3.",
        )
    return number


def _unbalance(factor: float) -> float:
    if not 0.0 <= factor <= MOST_UNBALANCE:
        raise CallError(
            f"A factor on the unbalance must be between 0 and {MOST_UNBALANCE:g}. "
            f"Got {factor:g} instead."
        )
    return factor


def _count(takes: float) -> int:
    if takes != int(takes) or not 1 <= takes <= MOST_TAKES:
        raise CallError(
            f"takes must be a whole number from 1 to {MOST_TAKES}. Got {takes:g} instead."
        )
    return int(takes)
