"""Command line: what is said to the person at the terminal, on standard error."""

from __future__ import annotations

import os
import sys
import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

MAX_WIDTH = 100


def console(*, stderr: bool = False) -> Console:
    """Return a console that prints text as it is: no markup, no guesses at what to colour."""
    from rich.console import Console

    plain = bool(os.environ.get("NO_COLOR"))  # then bold is left out too
    made = Console(
        stderr=stderr,
        highlight=False,
        markup=False,
        emoji=False,
        color_system=None if plain else "auto",
    )
    if made.width > MAX_WIDTH:
        made.width = MAX_WIDTH
    return made


def say(message: str) -> None:
    """Write a message for the person at the terminal (standard error)."""
    sys.stderr.write(message.rstrip("\n") + "\n")
    sys.stderr.flush()


def hang(text: str, lead: str, width: int) -> list[str]:
    """Wrap a paragraph so that its lines hang under the end of ``lead``."""
    room = max(16, width - len(lead))
    lines = textwrap.wrap(text, room, break_on_hyphens=False) or [""]
    return [(lead if n == 0 else " " * len(lead)) + line for n, line in enumerate(lines)]


def show_error(what: str, where: str | None, advice: str | None) -> None:
    """Write one block: what was wrong, where, and what to do next."""
    from rich.text import Text

    out = console(stderr=True)
    for label, words in (("Cannot go on:", what), ("Where:", where), ("What to do:", advice)):
        if not words:
            continue
        lead = f"{label:<14}"
        # A file or a pipe gets whole lines: a path stays in one piece.
        lines = hang(words, lead, out.width) if out.is_terminal else [lead + words]
        for n, line in enumerate(lines):
            text = Text(line)
            if n == 0:
                text.stylize("bold red" if label == "Cannot go on:" else "bold", 0, len(label))
            out.print(text, soft_wrap=True)
