"""Where the garage is."""

from __future__ import annotations

import os
from pathlib import Path

from vibecheck.errors import CallError

ENVIRONMENT = "VIBECHECK_DATA"
FILE_NAME = "garage.sqlite"
RECORDINGS = "recordings"


def garage_folder(folder: str | os.PathLike[str] | None = None) -> Path:
    """Return the folder of the garage.

    Parameters
    ----------
    folder : path-like, optional
        Where absent: the environment's ``VIBECHECK_DATA``, else the user's data folder.

    Raises
    ------
    CallError
        If it hangs on a home folder that is not known.
    """
    named = folder if folder is not None else os.environ.get(ENVIRONMENT)
    try:
        if named:
            return Path(named).expanduser()
        from platformdirs import user_data_path

        return user_data_path("vibecheck", appauthor=False)
    except RuntimeError as error:  # neither the environment nor the system knows it
        raise CallError(
            "There is no garage in its usual place: your home folder is not known."
            if not named
            else "The home folder that is meant is not known.",
            where=str(named) if named else None,
            advice="Name the folder of the garage with --data, or by its whole path.",
        ) from error


def garage_exists(folder: str | os.PathLike[str] | None = None) -> bool:
    """Whether a garage was ever made there."""
    return (garage_folder(folder) / FILE_NAME).is_file()
