"""Files of a data set, written whole or not at all; a failure is said in the user's words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from vibecheck.errors import InputError
from vibecheck.plain_text import plain_text
from vibecheck.whole_file import whole_file


def write_file(path: Path, write: Callable[[Path], object]) -> None:
    """Let `write` fill a temporary file beside the wanted one, then rename it.

    Raises
    ------
    InputError
        If it cannot be written (disk full, for one); what was there before stays as it was.
    """
    try:
        with whole_file(path) as temporary:
            write(temporary)
    except OSError as error:
        raise InputError(
            f"The file could not be written: {error.strerror or error}.",
            where=str(path),
            advice="Free some space or choose another folder; nothing was left half-written.",
        ) from error


def write_text(path: Path, text: str) -> None:
    """Write text (UTF-8, line feeds) whole or not at all.

    Raises
    ------
    InputError
        If it cannot be written.
    """

    def write(temporary: Path) -> None:
        temporary.write_text(plain_text(text), encoding="utf-8", newline="\n")

    write_file(path, write)
