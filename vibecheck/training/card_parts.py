"""Parts of the model card: what a section holds, and how figures are put into words.

The card is made once as a list of sections and then written as HTML and as Markdown, so that both
show the same figures.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from vibecheck.report.pictures import Picture

Tone = Literal["plain", "simulated", "due", "warn"]


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; ``tone`` sets it apart from the rest."""

    text: str
    tone: Tone = "plain"


@dataclass(frozen=True)
class Bullets:
    """A list without order."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Commands:
    """Lines to type."""

    lines: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """A table; the first column names the row.

    Attributes
    ----------
    caption : str
        What it shows; says where the data came from.
    columns : tuple of str
    rows : tuple of tuple of str
        Each as long as ``columns``.
    reading : str
        One sentence on how to read it, made from its numbers; may be empty.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    reading: str = ""


Block = Paragraph | Bullets | Commands | Table | Picture


@dataclass(frozen=True)
class Section:
    """One question of the card with what answers it."""

    key: str
    title: str
    blocks: tuple[Block, ...]


def at(value: Any, *path: str, default: Any = None) -> Any:
    """Return what lies under a path of keys, or ``default`` where a key is absent or empty."""
    for key in path:
        if not isinstance(value, Mapping) or key not in value:
            return default
        value = value[key]
    return default if value is None else value


def number(value: Any) -> float:
    """Return the number of a figure (with or without interval); NaN where there is none."""
    if isinstance(value, Mapping):
        value = value.get("value")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return math.nan
    return float(value)


def known(value: Any) -> bool:
    """Tell whether a figure holds a finite number."""
    return math.isfinite(number(value))


def ends(value: Any) -> tuple[float, float]:
    """Return the ends of a figure's interval; NaN where it has none."""
    if not isinstance(value, Mapping):
        return math.nan, math.nan
    return number(value.get("low")), number(value.get("high"))


def figure_words(value: Any, digits: int = 3) -> str:
    """Return a figure with its interval: "0.779 (0.754–0.810)"."""
    centre = number(value)
    if not math.isfinite(centre):
        return "not known"
    low, high = ends(value)
    words = f"{centre:.{digits}f}"
    if math.isfinite(low) and math.isfinite(high):
        words += f" ({low:.{digits}f}–{high:.{digits}f})"
    return words


def percent_words(value: Any) -> str:
    """Return a share in per cent with its interval: "5 % (0–13 %)"."""
    centre = number(value)
    if not math.isfinite(centre):
        return "not known"
    low, high = ends(value)
    words = f"{100 * centre:.0f} %"
    if math.isfinite(low) and math.isfinite(high):
        words += f" ({100 * low:.0f}–{100 * high:.0f} %)"
    return words


def count_words(value: Any) -> str:
    """Return a count with its thousands set apart."""
    count = number(value)
    return f"{count:,.0f}".replace(",", " ") if math.isfinite(count) else "not known"


def turns_words(turns: float) -> str:
    """Return turns backed off: "0.40 turns"."""
    return f"{turns:.2f} turns"


def plain_words(name: str) -> str:
    """Return a name of the data in plain words."""
    return name.replace("_", " ")


def table(
    caption: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    reading: str = "",
) -> list[Block]:
    """Return a table as a list of blocks; empty where it would have no rows."""
    kept = tuple(tuple(row) for row in rows)
    return [Table(caption, tuple(columns), kept, reading)] if kept else []
