"""Command line: the streams. Results go to standard output, all else to standard error.

Streams are where a program meets places it did not choose: closed by whoever started it, a pipe
whose reader has gone, a full disk, an encoding without half of the letters.
"""

from __future__ import annotations

import codecs
import contextlib
import io
import os
import sys
from typing import Any

from vibecheck.errors import InputError

PLAIN = {
    "·": "-", "–": "-", "—": "-", "−": "-", "…": "...", "×": "x", "≥": ">=", "≤": "<=",
    "±": "+/-", "²": "^2", "³": "^3", "°": " deg", "µ": "u", "“": '"', "”": '"', "’": "'",
    "‘": "'", "→": "->", "½": "1/2", "\u00a0": " ", "\u202f": " ", "\u2009": " ",
}  # fmt: skip
"""What stands in for a letter that a terminal without Unicode cannot show."""


def plain_letters(error: UnicodeError) -> tuple[str, int]:
    """Replace what a stream's encoding cannot hold (an error handler for codecs)."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    wrong = error.object[error.start : error.end]
    return "".join(PLAIN.get(letter, "?") for letter in wrong), error.end


class _Heedless(io.FileIO):
    """Where messages go. That nobody can read them is no reason to stop the work."""

    def write(self, data: Any, /) -> int:
        try:
            return super().write(data) or 0
        except OSError:
            return len(data)


class _Output(io.FileIO):
    """Where results go. That they cannot be written is said, once, and in plain words."""

    def write(self, data: Any, /) -> int:
        if not len(data):  # a probe whether this is a stream of bytes
            return 0
        try:
            return super().write(data) or 0
        except BrokenPipeError:
            raise
        except OSError as error:
            silence_stdout()  # what is left would be refused as well
            raise InputError(
                f"The result could not be written: {error.strerror}.",
                where="standard output",
                advice="Free some space, or send it elsewhere.",
            ) from error


def prepare_streams() -> None:
    """Let the streams take any text and any fate, whatever is at their other end."""
    codecs.register_error("vibecheck.plain", plain_letters)
    _open_missing()
    sys.stdout = _over(sys.stdout, _Output)
    sys.stderr = _over(sys.stderr, _Heedless)
    for stream, errors in (
        (sys.stdin, "replace"),  # a typed letter of another encoding
        (sys.stdout, "vibecheck.plain"),
        (sys.stderr, "vibecheck.plain"),
    ):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            with contextlib.suppress(ValueError, OSError):  # closed, or read from already
                reconfigure(errors=errors)


def _open_missing() -> None:
    """Put nowhere in the place of streams that were closed when the program began.

    Else the next file that is opened takes their numbers, and messages end up in it.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            if os.open(os.devnull, os.O_RDWR) != number:  # pragma: no cover
                break
            os.set_inheritable(number, True)
    for name, number in (("stdin", 0), ("stdout", 1), ("stderr", 2)):
        if getattr(sys, name) is None:
            mode = "r" if number == 0 else "w"
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


def _over(stream: Any, kind: type[io.FileIO]) -> Any:
    """Return a text stream over the same file, whose bytes go through `kind`."""
    buffer = getattr(stream, "buffer", None)
    raw = getattr(buffer, "raw", buffer)  # with PYTHONUNBUFFERED there is nothing between
    if type(raw) is not io.FileIO or raw.fileno() not in (1, 2):
        return stream  # not the process's own: a test's, or a Windows console
    own: Any = kind(raw.fileno(), "w", closefd=False)
    return io.TextIOWrapper(
        own if raw is buffer else io.BufferedWriter(own),
        encoding=stream.encoding,
        errors=stream.errors,
        newline=None,
        line_buffering=stream.line_buffering,
        write_through=stream.write_through,
    )


def silence_stdout() -> None:
    """Send what is left to nowhere: the reader of the pipe has gone, and that is no fault."""
    with contextlib.suppress(OSError, ValueError):  # a stream without a file behind it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
