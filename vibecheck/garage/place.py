"""Where the garage is."""

from __future__ import annotations

import os
from pathlib import Path

ENVIRONMENT = "VIBECHECK_DATA"
FILE_NAME = "garage.sqlite"
RECORDINGS = "recordings"


def garage_folder(folder: str | os.PathLike[str] | None = None) -> Path:
    """Return the folder of the garage.

    Parameters
    ----------
    folder : path-like, optional
        Where absent: the environment's ``VIBECHECK_DATA``, else the user's data folder.
    """
    if folder is not None:
        return Path(folder).expanduser()
    named = os.environ.get(ENVIRONMENT)
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("vibecheck", appauthor=False)


def garage_exists(folder: str | os.PathLike[str] | None = None) -> bool:
    """Whether a garage was ever made there."""
    return (garage_folder(folder) / FILE_NAME).is_file()
