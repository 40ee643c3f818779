"""Write a folder of results whole or not at all: a temporary folder first, then renames."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from vibecheck.errors import InputError
from vibecheck.whole_file import scratch_folder


def refuse_existing(folder: Path, *, force: bool) -> None:
    """Refuse a folder that holds something, unless it may be written over.

    Raises
    ------
    InputError
        If it holds anything and ``force`` is not given, or cannot be looked into.
    """
    try:
        is_taken = folder.is_dir() and any(folder.iterdir())
    except OSError as error:
        raise _cannot("looked into", folder, error) from error
    if is_taken and not force:
        raise InputError(
            "The folder holds files already.",
            where=str(folder),
            advice="Choose another with --out, or add --force to replace files of the same names.",
        )


def write_folder(folder: Path, write: Callable[[Path], None], *, force: bool = False) -> list[Path]:
    """Let `write` fill a temporary folder beside the wanted one, then move its files there.

    Parameters
    ----------
    folder : Path
        Made where it is missing. What else lies in it stays.
    write : callable
        Called with the temporary folder.
    force : bool
        Whether files of the same names may be replaced.

    Returns
    -------
    list of Path
        The files, in their final place.

    Raises
    ------
    InputError
        If the folder holds something and ``force`` is not given, or it cannot be written; then
        nothing has been replaced.
    """
    folder = Path(os.path.abspath(folder))
    refuse_existing(folder, force=force)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _cannot("made", folder, error) from error
    try:
        with scratch_folder(folder) as temporary:
            whole = temporary / "whole"
            whole.mkdir()
            write(whole)
            names = sorted(path.relative_to(whole) for path in whole.rglob("*") if path.is_file())
            if folder.is_dir():
                for name in names:
                    (folder / name).parent.mkdir(parents=True, exist_ok=True)
                    os.replace(whole / name, folder / name)
            else:
                os.replace(whole, folder)
    except OSError as error:
        raise _cannot("written", folder, error) from error
    return [folder / name for name in names]


def _cannot(verb: str, folder: Path, error: OSError) -> InputError:
    return InputError(
        f"The folder could not be {verb}: {error.strerror or error}.",
        where=str(folder),
        advice="Free some space or choose another folder; no file was left half-written.",
    )
