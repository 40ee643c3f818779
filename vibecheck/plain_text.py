"""Text that may come from a call or a file name, made fit to be written down."""

from __future__ import annotations

import os


def plain_text(text: str) -> str:
    """Return text without what no file can hold.

    Where a call or the name of a file is not in the encoding that the system says it uses, Python
    keeps its bytes as lone surrogates. Most often they are UTF-8, under a locale without letters:
    then the text is what it was meant to be.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        What UTF-8 can hold; U+FFFD stands for what nobody can tell.
    """
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        lone = text.encode("utf-8", "surrogateescape" if _are_bytes(text) else "replace")
        return lone.decode("utf-8", "replace")
    return text


def library_name(path: str | os.PathLike[str]) -> str | bytes:
    """Return a file's name for a library that would encode it by itself, and strictly."""
    return os.fsencode(path) if os.name == "posix" else os.fspath(path)


def _are_bytes(text: str) -> bool:
    """Whether all lone surrogates stand for bytes."""
    return all(not "\ud800" <= one <= "\udfff" or "\udc80" <= one <= "\udcff" for one in text)
