"""A table of a TOML file that refuses what it does not know, naming file and key."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from vibecheck.car.fields import (
    CHOICES,
    KEYS,
    MAX_NAME_LENGTH,
    NumberField,
    closest_choice,
    show,
)
from vibecheck.errors import InputError, did_you_mean

_SNAKE = re.compile(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*")


class StrictTable:
    """One table of a car file, with checked access to its keys.

    Parameters
    ----------
    table : Mapping
        The parsed table.
    file : str
        The file, for messages.
    kind : str
        Which table it is: a key of ``KEYS``.
    path : str
        Key path of this table, such as ``zones[2].fasteners[1]``; ``""`` for the top.
    label : str
        Added to the path in messages, such as the zone's name.

    Raises
    ------
    InputError
        If the table holds a key that a car file does not know.
    """

    def __init__(self, table: Mapping[str, Any], *, file: str, kind: str, path: str) -> None:
        self.table = table
        self.file = file
        self.kind = kind
        self.path = path
        for key in table:
            if key not in KEYS[kind]:
                raise InputError(
                    f'There is no key "{key}" {_place(kind)}.',
                    where=self.where(key),
                    advice=_advise_unknown(key, kind),
                )

    def where(self, key: str = "") -> str:
        """Return the file and the key path."""
        path = f"{self.path}.{key}" if self.path and key else (self.path or key)
        return f"{self.file}, {path}" if path else self.file

    def has(self, key: str) -> bool:
        """Tell whether the key is there."""
        return key in self.table

    def number(self, field: NumberField) -> float | int | None:
        """Return a checked number, its default, or ``None`` where it may be left away."""
        if field.key not in self.table:
            if field.required:
                raise self._missing(field.key, f"It is {field.meaning}.")
            return field.default
        return field.check(self.table[field.key], where=self.where(field.key))

    def text(self, key: str, *, max_length: int = MAX_NAME_LENGTH) -> str:
        """Return a line of text that is not empty."""
        if key not in self.table:
            raise self._missing(key, f'Add a line such as {key} = "Something".')
        return check_text(key, self.table[key], where=self.where(key), max_length=max_length)

    def snake_name(self, key: str = "name") -> str:
        """Return a name in ``snake_case``."""
        name = self.text(key)
        if not _SNAKE.fullmatch(name):
            guess = "_".join(re.findall(r"[a-z0-9]+", name.lower()))
            good = bool(_SNAKE.fullmatch(guess))
            raise InputError(
                f"{key} must be lower-case letters, digits and single underscores, starting with "
                f"a letter. Got {show(name)} instead.",
                where=self.where(key),
                advice=f'Write "{guess}".' if good else "Choose a name such as fan_blades.",
            )
        return name

    def choice(self, key: str, default: str | None = None) -> str:
        """Return one of the words that the key allows."""
        if key not in self.table and default is not None:
            return default
        if key not in self.table:
            raise self._missing(key, f"Choose one of: {', '.join(CHOICES[key])}.")
        return check_choice(key, self.table[key], where=self.where(key))

    def switch(self, key: str, default: bool) -> bool:
        """Return ``true`` or ``false``."""
        value = self.table.get(key, default)
        if not isinstance(value, bool):
            raise InputError(
                f"{key} must be true or false. Got {show(value)} instead.",
                where=self.where(key),
                advice="Write it without quotes.",
            )
        return value

    def section(self, key: str) -> StrictTable | None:
        """Return the table ``[key]``, or ``None``."""
        if key not in self.table:
            return None
        value = self.table[key]
        if not isinstance(value, Mapping):
            raise InputError(
                f"{key} must be a table. Got {show(value)} instead.",
                where=self.where(key),
                advice=f"Write one [{key}] line in single brackets, with its keys beneath.",
            )
        return StrictTable(value, file=self.file, kind=key, path=key)

    def sections(self, key: str, kind: str | None = None) -> Iterator[StrictTable]:
        """Iterate over the tables ``[[key]]``."""
        kind = kind or key
        value = self.table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
            raise InputError(
                f"{key} must be a list of tables. Got {show(value)} instead.",
                where=self.where(key),
                advice=f"Write [[{kind}]] in double brackets before each one.",
            )
        for number, item in enumerate(value, start=1):
            name = item.get("name")
            label = name[:30] if isinstance(name, str) and name.isprintable() else ""
            label = label or str(number)
            path = f"{self.path}.{key}[{label}]" if self.path else f"{key}[{label}]"
            yield StrictTable(item, file=self.file, kind=kind, path=path)

    def _missing(self, key: str, advice: str) -> InputError:
        return InputError(f"{key} is missing.", where=self.where(key), advice=advice)


def check_text(
    key: str, value: object, *, where: str | None = None, max_length: int = MAX_NAME_LENGTH
) -> str:
    """Return one line of printable text, or say which rule it breaks."""
    if not isinstance(value, str):
        raise InputError(
            f"{key} must be text. Got {show(value)} instead.",
            where=where,
            advice='Put it in "quotes".',
        )
    good = bool(value.strip()) and value.isprintable() and len(value) <= max_length
    if not good:
        got = show(value) if value.isprintable() else "text with characters that cannot be printed"
        raise InputError(
            f"{key} must be one line of 1 to {max_length} printable characters. Got {got} instead.",
            where=where,
            advice="Write it anew.",
        )
    return value


def check_choice(key: str, value: object, *, where: str | None = None) -> str:
    """Return one of the words that the key allows, or suggest the closest."""
    choices = CHOICES[key]
    if not isinstance(value, str) or value not in choices:
        raise InputError(
            f"{key} must be one of {', '.join(choices)}. Got {show(value)} instead.",
            where=where,
            advice=closest_choice(value, choices) if isinstance(value, str) else None,
        )
    return value


def _place(kind: str) -> str:
    if not kind:
        return "at the top of a car file"
    return f"in [{kind}]" if kind == "drivetrain" else f"in [[{kind}]]"


def _advise_unknown(key: str, kind: str) -> str:
    # A key below the wrong [header] is the most common slip in TOML: say where it belongs.
    homes = [other for other, keys in KEYS.items() if other != kind and key in keys]
    near = did_you_mean(key, KEYS[kind])
    if homes and "" in homes:
        return f'"{key}" belongs at the top of the file, before the first line in [brackets].'
    if homes:
        return f'"{key}" belongs {_place(homes[0])}.'
    if near:
        return near.strip()
    return f"Known keys: {', '.join(KEYS[kind])}."
