"""Stage 0: a file becomes a take, whatever its kind."""

from __future__ import annotations

import os
from collections.abc import Mapping

from vibecheck.errors import CallError, InputError
from vibecheck.recording.request import ReadRequest
from vibecheck.recording.source import READABLE, SourceFile, open_source
from vibecheck.recording.take import Sensor, Take


def read_take(
    path: str | os.PathLike[str],
    *,
    sensor: Sensor | None = None,
    spot: str = "centre",
    unit: str | None = None,
    time_unit: str | None = None,
    columns: Mapping[str, str | int] | None = None,
    sample_rate_hz: float | None = None,
) -> Take:
    """Read one recording.

    The content decides how it is read; the file's name is asked second.

    Parameters
    ----------
    path : path
        Sound (wav, flac, ogg, opus, mp3, aiff, caf, m4a, aac, mp4, mov, webm, 3gp, amr), a table
        (csv, tsv, parquet) or an exchange file (npz, npy, mat, uff). ``file.npz#12`` asks for
        record 12, counted from 0, of a file that holds several.
    sensor : {"microphone", "accelerometer"}, optional
        Default: microphone for sound files, accelerometer for tables and uff; mat and npz files
        are read by the names in them.
    spot : str
        Where the phone or sensor sat: a zone's name, or ``"centre"``.
    unit : {"g", "m/s^2", "mg", "full_scale"}, optional
        Unit of the values, where the file does not say.
    time_unit : {"s", "ms", "us", "ns"}, optional
        Unit of the time column, where the file does not say.
    columns : mapping of role to column, optional
        Roles ``time``, ``x``, ``y``, ``z``, ``signal`` (and ``rate`` for mat and npz). A column is
        named, or numbered from 1.
    sample_rate_hz : float, optional
        Samples per second, > 0, for files that do not say. There is no default.

    Returns
    -------
    Take
        Samples of shape (n_channels, n_samples), with what was noticed in ``findings``.

    Raises
    ------
    InputError
        The file cannot be used: what was wrong, where, and what to do next.
    CallError
        An argument is wrong or does not fit the file.
    """
    request = ReadRequest.checked(
        sensor=sensor,
        spot=spot,
        unit=unit,
        time_unit=time_unit,
        columns=columns,
        sample_rate_hz=sample_rate_hz,
    )
    source = open_source(path)
    try:
        return _read(source, request)
    except MemoryError:
        raise InputError(
            "The recording needs more memory than this computer has free.",
            where=source.where,
            advice="Cut out the part with the spin-up, and use that.",
        ) from None


def _read(source: SourceFile, request: ReadRequest) -> Take:
    if source.record is not None and source.kind not in ("npz", "npy", "mat", "uff"):
        raise CallError(
            "Only npz, npy, mat and uff files hold several records.",
            where=source.where,
            advice=f'Leave "#{source.record}" out.',
        )
    if source.kind in ("sound", "container"):
        from vibecheck.recording.read_audio import read_audio

        return read_audio(source, request)
    if source.kind == "table":
        from vibecheck.recording.read_table import read_text_table

        return read_text_table(source, request)
    if source.kind != "unknown":
        from vibecheck.recording import read_exchange as exchange

        if source.kind == "parquet":
            return exchange.read_parquet(source, request)
        if source.kind in ("npz", "npy"):
            return exchange.read_npz(source, request)
        if source.kind == "mat":
            return exchange.read_mat(source, request)
        if source.kind == "uff":
            return exchange.read_uff(source, request)
        raise exchange.refuse_hdf5(source)
    raise InputError(
        "This is not a kind of file that can be read.",
        where=source.where,
        advice=f"Use {READABLE}.",
    )
