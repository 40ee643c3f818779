"""Write a file whole or not at all: a temporary name beside it first, then a rename.

And the hash by which a file that is whole is known.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


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
    temporary = target.with_name(f"{target.stem}.{os.getpid()}.part{target.suffix}")
    try:
        yield temporary
        os.replace(temporary, target)
    finally:
        temporary.unlink(missing_ok=True)


def file_hash(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes, as hexadecimal digits.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
