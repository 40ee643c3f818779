"""Report: output files, refused early and written whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from vibecheck.errors import CallError, InputError
from vibecheck.plain_text import plain_text
from vibecheck.whole_file import whole_file


def check_output(path: str | os.PathLike[str], option: str) -> Path:
    """Refuse an output file that cannot be written, before any work is done.

    Parameters
    ----------
    path : path-like
        File to be written.
    option : str
        The option it came from, for the message.

    Raises
    ------
    CallError
        If the path is a folder, its folder is missing, or it may not be written.
    """
    target = Path(path)
    folder = target.parent
    if target.is_dir():
        raise CallError(
            f"{option} must name a file. This is a folder.",
            where=str(target),
            advice="Add a file name to it.",
        )
    if target.exists() and not target.is_file():  # a pipe or a device, as shells make them
        return target
    if not folder.is_dir():
        raise CallError(
            f"{option} must name a file in a folder that exists. There is no such folder.",
            where=str(folder),
            advice="Make the folder first, or choose another.",
        )
    if not os.access(folder, os.W_OK | os.X_OK) or (
        target.exists() and not os.access(target, os.W_OK)
    ):
        raise CallError(
            f"{option} must name a file that may be written. Writing is not allowed there.",
            where=str(target),
            advice="Choose another folder or file.",
        )
    return target


def check_folder(path: str | os.PathLike[str], option: str) -> Path:
    """Refuse an output folder that cannot be made or written into, before any work is done.

    Raises
    ------
    CallError
        If a file is in the way, or the folder (the nearest one above it that exists) may not be
        written into.
    """
    folder = Path(path)
    nearest = folder
    while not nearest.exists() and nearest.parent != nearest:
        nearest = nearest.parent
    if not nearest.is_dir():
        raise CallError(
            f"{option} must name a folder. There is a file in the way.",
            where=str(nearest),
            advice="Choose another name.",
        )
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise CallError(
            f"{option} must name a folder that may be written into.",
            where=str(nearest),
            advice="Choose another folder.",
        )
    return folder


def write_whole(path: str | os.PathLike[str], text: str) -> None:
    """Write a text file (UTF-8) whole or not at all: a temporary file, then a rename.

    The folder is made where it is missing.

    Raises
    ------
    InputError
        If it cannot be written (disk full, for one); what was there before stays as it was.
    """
    target = Path(path)
    _make_folder(target.parent)
    try:
        if target.exists() and not target.is_file():  # a pipe or a device: nothing to rename onto
            target.write_text(plain_text(text), encoding="utf-8", newline="\n")
            return
        # A link keeps pointing at its file: the file behind it is what gets replaced.
        target = Path(os.path.realpath(target))
        with whole_file(target) as temporary:
            with temporary.open("x", encoding="utf-8", newline="\n") as stream:
                stream.write(plain_text(text))
            if target.exists():
                temporary.chmod(target.stat().st_mode & 0o7777)
    except BrokenPipeError:
        raise  # whoever read the pipe has gone, and that is no fault
    except OSError as error:
        raise InputError(
            f"The file could not be written: {error.strerror}.",
            where=str(path),
            advice="Free some space or choose another folder; nothing was left half-written.",
        ) from None


@contextlib.contextmanager
def despite_full_disk() -> Iterator[Callable[[Path, str], bool]]:
    """Give a `write_whole` that fails at the end of the block: first, all else that is to be said.

    Yields
    ------
    callable
        ``write(path, text) -> written``.

    Raises
    ------
    InputError
        When the block ends: what `write_whole` raised first.
    """
    failed: list[InputError] = []

    def write(path: Path, text: str) -> bool:
        try:
            write_whole(path, text)
        except InputError as error:
            failed.append(error)
            return False
        return True

    yield write
    if failed:
        raise failed[0]


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"The folder could not be made: {error.strerror}.",
            where=str(folder),
            advice="Choose another folder.",
        ) from None
