"""Recordings of the garage: each under the hash of its content, whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import time
from pathlib import Path

from vibecheck.errors import InputError
from vibecheck.whole_file import file_hash, unfinished

BLOCK_BYTES = 1 << 20
STALE_S = 86_400.0
"""A temporary file older than this belongs to a process that was killed."""


def keep_recording(source: Path, shelf: Path) -> tuple[str, str]:
    """Copy a recording into the garage; durable when this returns.

    Parameters
    ----------
    source : Path
    shelf : Path
        Folder of the recordings.

    Returns
    -------
    sha256 : str
    stored : str
        Where it lies, from `shelf`, with forward slashes.

    Raises
    ------
    InputError
        If it cannot be read, or cannot be written; nothing is left half-written then.
    """
    _make_folder(shelf)
    try:
        with unfinished(shelf / f"{os.getpid()}-{time.monotonic_ns()}.part") as temporary:
            digest = _copy(source, temporary)
            place = shelf / digest[:2] / f"{digest}{source.suffix.lower()}"
            if not (place.is_file() and file_hash(place) == digest):
                _make_folder(place.parent)
                os.replace(temporary, place)
                _sync_folder(place.parent)
    except OSError as error:
        raise _cannot_write(error, shelf) from error
    return digest, place.relative_to(shelf).as_posix()


def _copy(source: Path, target: Path) -> str:
    digest = hashlib.sha256()
    try:
        stream = source.open("rb")
    except OSError as error:
        raise InputError(
            f"The recording cannot be read: {error.strerror}.",
            where=str(source),
            advice="Check the name and the rights of the file.",
        ) from error
    with stream, target.open("xb") as out:
        while block := stream.read(BLOCK_BYTES):
            digest.update(block)
            out.write(block)
        out.flush()
        os.fsync(out.fileno())
    return digest.hexdigest()


def _make_folder(folder: Path) -> None:
    if folder.is_dir():
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _sync_folder(folder.parent)
    except OSError as error:
        raise _cannot_write(error, folder) from error


def _sync_folder(folder: Path) -> None:
    """Make a rename in a folder durable, where the system can do so."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sweep(shelf: Path) -> None:
    """Drop unfinished copies that a killed process left."""
    for left in shelf.glob("*.part"):
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime > STALE_S:
                left.unlink()


def _cannot_write(error: OSError, where: Path) -> InputError:
    full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    return InputError(
        f"The recording could not be kept: {'the disk is full' if full else error.strerror}.",
        where=str(where),
        advice="Nothing was changed. Make room, then try again."
        if full
        else "Nothing was changed. Make the folder writable, or name another with --data.",
    )
