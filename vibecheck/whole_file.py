"""Write a file or a folder whole or not at all: a temporary name beside it first, then a rename.

What is not whole yet is remembered (`remove_unfinished`), so that a program that is stopped at any
moment, in the middle of tidying up too, leaves nothing of it behind. And the hash by which a file
that is whole is known.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

LONGEST_NAME_BYTES = 40
"""So much of a name is kept in the temporary one: a name may be as long as the system allows."""
_LONGEST_SUFFIX_BYTES = 24
_unfinished: set[Path] = set()
_numbers = itertools.count(1)


@contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """Give a temporary name to fill; it takes the place of `target` when the block ends well.

    Parameters
    ----------
    target : Path
        Its folder must be there. What stood there before stays where anything fails.

    Yields
    ------
    Path
        Of the same suffix as `target`, since some writers go by that.

    Raises
    ------
    OSError
        If it cannot be written or renamed.
    """
    with unfinished(temporary_name(target)) as temporary:
        yield temporary
        os.replace(temporary, target)


@contextmanager
def scratch_folder(target: Path) -> Iterator[Path]:
    """Make a hidden folder beside `target`, on the same disk, and take it away afterwards.

    Raises
    ------
    OSError
        If it cannot be made.
    """
    with unfinished(temporary_name(target)) as folder:
        folder.mkdir(mode=0o700)
        yield folder


@contextmanager
def unfinished(path: Path) -> Iterator[Path]:
    """Take a file or folder away when the block ends, or when the program does.

    Parameters
    ----------
    path : Path
        What is to be made in the block. By its end it may be renamed.
    """
    path = Path(os.path.abspath(path))  # the program may go to another folder meanwhile
    _unfinished.add(path)  # before there is anything: no moment at which it is not known
    try:
        yield path
    finally:
        _remove(path)
        _unfinished.discard(path)


def remove_unfinished() -> None:
    """Take away what is not whole: for the end of a program that was interrupted."""
    for path in tuple(_unfinished):
        _remove(path)
        _unfinished.discard(path)


def temporary_name(target: Path) -> Path:
    """Return a hidden name beside `target`, of the same suffix, that nobody else uses.

    It is short enough where `target` has the longest name that the system allows.
    """
    suffix = target.suffix
    if len(os.fsencode(suffix)) > _LONGEST_SUFFIX_BYTES:
        suffix = ""
    stem = cut_name(target.stem).lstrip(".")
    return target.with_name(f".{stem}.{os.getpid()}-{next(_numbers)}.part{suffix}")


def cut_name(stem: str, most_bytes: int = LONGEST_NAME_BYTES) -> str:
    """Return so much of a name as `most_bytes` hold, ended between two letters."""
    return os.fsencode(stem)[:most_bytes].decode(errors="ignore")


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink()


def file_hash(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes, as hexadecimal digits.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
