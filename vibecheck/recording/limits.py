"""Recordings: how much one file may unpack to. A small file can hold hours of nothing.

Checked against what the file says before it is unpacked, and against what comes out as it does.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

from vibecheck.errors import InputError

MOST_VALUES = 35_000_000
"""Samples times channels of sound that become a take: 180 s of stereo at 96 kHz, 140 MB."""
MOST_SEARCHED_VALUES = 1_000_000_000
"""Samples times channels that are searched for a spin-up: 2.9 h of stereo at 48 kHz."""
MOST_SEARCHED_S = 24 * 3600.0
MOST_CHANNELS = 64
MOST_TABLE_VALUES = 64_000_000
"""Rows times columns of a table or an array: 14 min of three axes at 25.6 kHz."""
MOST_UNPACKED_BYTES = 512 * 2**20
"""Of a packed file of arrays or a table."""


def too_long(where: str, seconds: float) -> InputError:
    """Return the error for sound that goes on and on."""
    return InputError(
        f"The recording goes on after {seconds / 3600:.1f} h of sound. So long a file is not "
        "searched.",
        where=where,
        advice="Cut out the part with the spin-up, and use that.",
    )


def refuse_many_channels(n_channels: int, where: str) -> None:
    """Refuse sound with more channels than anybody records.

    Raises
    ------
    InputError
    """
    if n_channels > MOST_CHANNELS:
        raise InputError(
            f"The file holds {n_channels} channels. At most {MOST_CHANNELS} can be read.",
            where=where,
            advice="Export the channels of the microphone or the sensor alone.",
        )


def refuse_much(what: str, unpacked_bytes: int, n_values: int, where: str) -> None:
    """Refuse a packed file by what it unpacks to.

    Parameters
    ----------
    what : str
        The file's kind.
    unpacked_bytes, n_values : int
        0 where it is not known.

    Raises
    ------
    InputError
        If it is more than a spin-up can be.
    """
    if unpacked_bytes > MOST_UNPACKED_BYTES or n_values > MOST_TABLE_VALUES:
        much = (
            f"{n_values / 1e6:.0f} million values"
            if n_values > MOST_TABLE_VALUES
            else f"more than {MOST_UNPACKED_BYTES / 2**20:.0f} MB"
        )
        raise InputError(
            f"The {what} file unpacks to {much}. That is more than a spin-up holds.",
            where=where,
            advice="Export the minute with the spin-up, and use that.",
        )


def unpacked_zip_bytes(path: Path) -> int:
    """Return what the members of a zip archive unpack to; more never comes out of `zipfile`."""
    with zipfile.ZipFile(path) as archive:
        return sum(member.file_size for member in archive.infolist())
