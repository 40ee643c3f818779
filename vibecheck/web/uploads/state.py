"""Uploads: one of them and its state on the disk, and what is answered where that is in the way.

Each upload has a folder of its own: ``state.json`` (written whole or not at all), ``data.part``
while bytes arrive, then the finished file under its own name. What was received is the length of
``data.part``: nothing else has to be kept in step with it.
"""

from __future__ import annotations

import errno
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from vibecheck.errors import CallError
from vibecheck.web.uploads.wish import UploadWish, wish_from
from vibecheck.whole_file import whole_file

STATE, DATA = "state.json", "data.part"

Phase = Literal["receiving", "whole", "kept"]


class UploadError(Exception):
    """An answer other than success, with the status that HTTP has for it.

    Parameters
    ----------
    status : int
    message, advice : str
    offset : int, optional
        From where the browser should go on.
    """

    def __init__(
        self, status: int, message: str, advice: str = "", *, offset: int | None = None
    ) -> None:
        self.status, self.message, self.advice, self.offset = status, message, advice, offset
        super().__init__(message)


@dataclass
class Upload:
    """One upload; whoever changes it holds its lock."""

    id: str
    folder: Path
    wish: UploadWish
    phase: Phase
    offset: int
    sha256: str
    where: str
    lock: threading.Lock
    hasher: Any = None
    """Of the first `offset` bytes; ``None`` after a restart: then they are read once more."""


@dataclass(frozen=True)
class UploadState:
    """What is known of an upload.

    Attributes
    ----------
    id : str
    wish : UploadWish
    phase : {"receiving", "whole", "kept"}
    offset : int
        Bytes that are here.
    path : Path
        Of the finished file.
    where : str
        Page of the result, once kept.
    """

    id: str
    wish: UploadWish
    phase: Phase
    offset: int
    path: Path
    where: str


def differs(old: UploadWish, new: UploadWish) -> bool:
    """Whether two wishes of one key cannot be the same upload."""
    names = ("sitting", "spot", "sensor", "form", "size", "sample_rate_hz", "channels")
    return any(getattr(old, name) != getattr(new, name) for name in names)


def state_of(upload: Upload) -> UploadState:
    """Return what others may know of an upload."""
    return UploadState(
        upload.id,
        upload.wish,
        upload.phase,
        upload.offset,
        upload.folder / upload.wish.file_name,
        upload.where,
    )


def write_state(upload: Upload) -> None:
    """Write the state of an upload into its folder.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    values = {
        "wish": upload.wish.to_dict(),
        "phase": upload.phase,
        "size": upload.offset,
        "sha256": upload.sha256,
        "where": upload.where,
    }
    with whole_file(upload.folder / STATE) as temporary:
        temporary.write_text(json.dumps(values), encoding="utf-8")


def read_state(folder: Path) -> Upload | None:
    """Read an upload back; ``None`` where there is none, or a part of it is gone."""
    try:
        values = json.loads((folder / STATE).read_text(encoding="utf-8"))
        wish = wish_from(values["wish"])
        phase, sha256, where = values["phase"], str(values["sha256"]), str(values["where"])
        if phase not in ("receiving", "whole", "kept"):
            return None
        offset = int(values["size"])
        if phase == "receiving":
            offset = (folder / DATA).stat().st_size
        elif phase == "whole" and not (folder / wish.file_name).is_file():
            return None
    except (OSError, ValueError, KeyError, TypeError, CallError):
        return None
    return Upload(folder.name, folder, wish, phase, offset, sha256, where, threading.Lock())


def touched(path: Path) -> float:
    """Return when a file or folder was last changed, in seconds; 0 where it is gone."""
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


@contextmanager
def disk() -> Iterator[None]:
    """Say what the disk refuses."""
    try:
        yield
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
        reason = "the disk is full" if full else (error.strerror or "it cannot be written")
        raise UploadError(
            507 if full else 500,
            f"The computer that keeps the garage cannot store this: {reason}.",
            "Make room there, then try again. What was recorded stays in this browser.",
        ) from error
