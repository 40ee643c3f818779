"""Command line: how help texts are put together, for wide and for narrow terminals."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from typing import Literal

Example = tuple[str, str]
NARROW_COLUMNS = 80


def markup_mode() -> Literal["rich"] | None:
    """Return "rich" (panels) for terminals wide enough for them, else None (two plain columns)."""
    return "rich" if shutil.get_terminal_size().columns >= NARROW_COLUMNS else None


def help_text(*paragraphs: str, examples: Sequence[Example], closing: str = "") -> str:
    """Return a help text: paragraphs, examples kept as they are typed, a closing paragraph.

    Parameters
    ----------
    *paragraphs : str
        One string each, without line breaks: the terminal wraps them.
    examples : sequence of (what it does, command)
        The command may hold line breaks (with a backslash before them).
    """
    blocks = []
    for purpose, command in examples:
        lines = [f"  {line}" for line in command.split("\n")]
        blocks.append("\n".join([purpose, *lines] if purpose else lines))
    explained = any(purpose for purpose, _ in examples)
    if not explained:
        blocks = ["\n".join(blocks)]
    if markup_mode() is None:  # the mark that keeps a paragraph's line breaks
        blocks = [f"\b\n{block}" for block in blocks]
    return "\n\n".join([*paragraphs, "Examples:", *blocks, *([closing] if closing else [])])
