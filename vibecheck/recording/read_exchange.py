"""Recordings: exchange files (parquet, npz, npy, MATLAB, universal file format) become takes."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError, MissingExtraError
from vibecheck.recording.assemble import finish_take, on_even_clock, scaled
from vibecheck.recording.clean import fill_nan
from vibecheck.recording.dialect import CellKind
from vibecheck.recording.limits import refuse_much, unpacked_zip_bytes
from vibecheck.recording.mat_tags import check_mat_5, is_mat_5, unpacked_mat_bytes
from vibecheck.recording.read_table import Table, take_from_table
from vibecheck.recording.request import ReadRequest
from vibecheck.recording.source import SourceFile
from vibecheck.recording.take import Sensor, Take
from vibecheck.recording.text_table import TableData
from vibecheck.recording.variables import read_record_number, take_from_variables

# Universal file format, data set 58, "specific data type" of the ordinate (values from memory).
_UFF_ACCELERATION, _UFF_PRESSURE, _UFF_UNNAMED, _UFF_TIME = 12, 15, (0, 1), 17
_UFF_DIRECTIONS = {1: "x", 2: "y", 3: "z"}


def read_parquet(source: SourceFile, request: ReadRequest) -> Take:
    """Read a Parquet table; same columns, roles and units as text tables.

    Raises
    ------
    MissingExtraError
        pyarrow is not installed.
    InputError
        The file is damaged, or its columns cannot be used.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise MissingExtraError("A Parquet file", "formats", where=source.where) from None
    with _damage_told("Parquet", source):
        handle = pyarrow.parquet.ParquetFile(source.path)
        schema = handle.schema_arrow
        rows = handle.metadata.num_rows
    kinds = tuple(_parquet_kind(field.type) for field in schema)

    def load(columns: Sequence[int]) -> TableData:
        names = [schema.names[index] for index in columns]
        refuse_much("Parquet", 0, rows * len(names), source.where)
        with _damage_told("Parquet", source):
            table = handle.read(columns=names)
        arrays, utc = [], False
        for place, (index, name) in enumerate(zip(columns, names, strict=True)):
            values = table.column(name).to_numpy()
            if kinds[index] == "stamp":
                utc = utc or schema.field(index).type.tz is not None
                arrays.append(values.astype("datetime64[ns]"))
            else:
                arrays.append(values.astype(np.float64 if place == 0 else np.float32))
        return TableData(arrays, utc, lambda row: f"row {row + 1}")

    rate: float | None = None
    for key, value in (schema.metadata or {}).items():
        if key.decode(errors="replace").lower() in ("sample_rate_hz", "sample_rate", "fs"):
            try:
                rate = float(value)
            except ValueError:
                continue
    return take_from_table(Table(tuple(schema.names), kinds, load, rate), source, request)


def read_npz(source: SourceFile, request: ReadRequest) -> Take:
    """Read arrays from a NumPy .npz or .npy file. Pickled objects are never loaded.

    Raises
    ------
    InputError
        The file is damaged, or signal or rate cannot be told.
    """
    arrays: dict[str, NDArray[Any]] = {}
    if source.kind == "npz":
        with _damage_told("NumPy", source):
            unpacked = unpacked_zip_bytes(source.path)
        refuse_much("NumPy", unpacked, 0, source.where)
    with _damage_told("NumPy", source):
        loaded = np.load(source.path, allow_pickle=False)
        if isinstance(loaded, np.ndarray):
            arrays["signal"] = loaded
        else:
            with loaded:
                for name in loaded.files:
                    try:
                        arrays[name] = loaded[name]
                    except ValueError:
                        continue  # objects inside: not a recording, and not to be unpickled
    refuse_much("NumPy", 0, max((one.size for one in arrays.values()), default=0), source.where)
    return take_from_variables(arrays, source, request)


def read_mat(source: SourceFile, request: ReadRequest) -> Take:
    """Read a MATLAB file of version 4 to 7, structs included.

    Raises
    ------
    InputError
        The file is damaged, or signal or rate cannot be told.
    """
    from scipy.io import loadmat

    with _damage_told("MATLAB", source):
        in_parts = is_mat_5(source.path)
        unpacked = unpacked_mat_bytes(source.path) if in_parts else source.size
    refuse_much("MATLAB", unpacked, 0, source.where)
    with _damage_told("MATLAB", source):
        if in_parts:
            check_mat_5(source.path)
        content = loadmat(source.path, squeeze_me=True)
    arrays: dict[str, NDArray[Any]] = {}
    for name, value in content.items():
        if not name.startswith("__"):
            _collect(name, value, arrays)
    refuse_much("MATLAB", 0, max((one.size for one in arrays.values()), default=0), source.where)
    return take_from_variables(arrays, source, request)


def refuse_hdf5(source: SourceFile) -> InputError:
    """The error for HDF5 files, which is what MATLAB 7.3 writes."""
    return InputError(
        "This is an HDF5 file (what MATLAB calls version 7.3), which cannot be read.",
        where=source.where,
        advice="In MATLAB save it again with save(..., '-v7'), or export it as CSV or NPZ.",
    )


def read_uff(source: SourceFile, request: ReadRequest) -> Take:
    """Read time records (data set 58) from a universal file.

    Records of one point in up to three directions become the channels of one take; of several
    points one is chosen as ``file.uff#2`` (counted from 0).

    Raises
    ------
    MissingExtraError
        pyuff is not installed.
    InputError
        The file holds no time records of acceleration, or several points.
    """
    try:
        import pyuff
    except ImportError:
        raise MissingExtraError("A universal file", "formats", where=source.where) from None
    with _damage_told("universal", source):
        handle = pyuff.UFF(str(source.path))
        types = [int(kind) for kind in handle.get_set_types()]
        sets = [handle.read_sets(i) for i, kind in enumerate(types) if kind == 58]
        set_164 = [handle.read_sets(i) for i, kind in enumerate(types) if kind == 164]
    units: dict[str, Any] = set_164[0] if set_164 else {}
    records = [item for item in sets if _is_time_record(item)]
    if not records:
        what = "spectra but no time records" if sets else "no functions (data set 58)"
        raise InputError(
            f"The universal file holds {what}.",
            where=source.where,
            advice="Export the time signal of the accelerometer.",
        )
    records = _one_point(records, source)
    values = np.stack([np.asarray(item["data"], dtype=np.float64) for item in records])
    kind = int(records[0].get("ordinate_spec_data_type", 0))
    if kind not in (_UFF_ACCELERATION, _UFF_PRESSURE, *_UFF_UNNAMED) and request.unit is None:
        raise InputError(
            "The universal file holds neither acceleration nor sound.",
            where=source.where,
            advice='Export acceleration, or say unit="m/s^2" if the file is labelled wrongly.',
        )
    sensor: Sensor = request.sensor or ("microphone" if kind == _UFF_PRESSURE else "accelerometer")
    start = _uff_start(records[0])
    jitter: float | None = None
    findings = []
    spacing = float(records[0].get("abscissa_inc") or 0.0)
    if int(records[0].get("abscissa_spacing", 1)) == 1 and spacing > 0:
        rate = 1.0 / spacing
        rate = float(round(rate)) if abs(rate - round(rate)) < 1e-4 * rate else rate
        values, filled = fill_nan(values, rate, source.where)
        findings += filled
    else:
        clocked = on_even_clock(
            np.asarray(records[0]["x"], dtype=np.float64), values, request, source.where, unit="s"
        )
        values, rate, jitter = clocked.values, clocked.sample_rate_hz, clocked.jitter
        findings += clocked.findings
    named = [_uff_unit(item, units) for item in records]
    values, unit, guessed = scaled(values, named, request, sensor, source.where)
    return finish_take(
        values,
        rate,
        source,
        request,
        sensor=sensor,
        unit=unit,
        channel_names=_uff_names(records),
        start=start,
        clock_jitter=jitter,
        findings=findings + guessed,
    )


def _is_time_record(item: dict[str, Any]) -> bool:
    is_time = int(item.get("abscissa_spec_data_type", 0)) == _UFF_TIME
    is_time = is_time or int(item.get("func_type", 0)) == 1
    return is_time and not np.iscomplexobj(item["data"])


def _one_point(records: list[dict[str, Any]], source: SourceFile) -> list[dict[str, Any]]:
    """The records of one measuring point."""
    if source.record is not None:
        return [records[read_record_number(source, len(records))]]
    points = {(item.get("rsp_ent_name", ""), item.get("rsp_node", 0)) for item in records}
    shapes = {(len(item["data"]), float(item.get("abscissa_inc") or 0.0)) for item in records}
    directions = [abs(int(item.get("rsp_dir", 0))) for item in records]
    distinct = len(set(directions)) == len(directions)
    if len(records) == 1 or (len(points) == 1 and len(shapes) == 1 and distinct):
        return records
    raise InputError(
        f"The universal file holds {len(records)} time records of several points or runs.",
        where=source.where,
        advice=f'Choose one: "{source.path.name}#0" to "{source.path.name}#{len(records) - 1}".',
    )


def _uff_names(records: list[dict[str, Any]]) -> tuple[str, ...]:
    directions = [_UFF_DIRECTIONS.get(abs(int(item.get("rsp_dir", 0)))) for item in records]
    if all(directions):
        return tuple(str(name) for name in directions)
    return (
        ("signal",) if len(records) == 1 else tuple(f"channel {i + 1}" for i in range(len(records)))
    )


def _uff_unit(item: dict[str, Any], units: dict[str, Any]) -> str | None:
    """Unit by the axis label, else SI where the file's unit set (164) says SI."""
    from vibecheck.recording.column_roles import meaning_of

    label = str(item.get("ordinate_axis_units_lab", "")).strip()
    named = meaning_of(f"acceleration ({label})").unit if label else None
    if named is None and int(item.get("ordinate_spec_data_type", 0)) == _UFF_ACCELERATION:
        return "m/s^2" if int(units.get("units_code", 0)) == 1 else None
    return named


def _uff_start(item: dict[str, Any]) -> datetime | None:
    text = str(item.get("id3", "")).strip()
    for pattern in ("%d-%b-%y %H:%M:%S", "%d-%b-%Y %H:%M:%S", "%Y-%m-%dT%H:%M:%S"):
        try:
            return datetime.strptime(text, pattern)
        except ValueError:
            continue
    return None


def _parquet_kind(kind: Any) -> CellKind:
    import pyarrow.types as types

    if types.is_timestamp(kind):
        return "stamp"
    return "number" if types.is_integer(kind) or types.is_floating(kind) else "word"


def _collect(name: str, value: Any, arrays: dict[str, NDArray[Any]]) -> None:
    """Flatten MATLAB structs: ``bearing`` with a field ``gs`` becomes ``bearing.gs``."""
    array = np.asarray(value)
    if array.dtype.names:
        for index, item in enumerate(array.reshape(-1)):
            prefix = name if array.size == 1 else f"{name}({index + 1})"
            for field in array.dtype.names:
                _collect(f"{prefix}.{field}", item[field], arrays)
    elif array.dtype.kind in "biuf":
        arrays[name] = array


@contextlib.contextmanager
def _damage_told(kind: str, source: SourceFile) -> Iterator[None]:
    """Turn whatever a library raises over a damaged file (all kinds) into one clear error."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters of a file's oddities ends in findings
            yield
    except Exception as error:
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise InputError(
            f"The {kind} file cannot be read ({reason}).",
            where=source.where,
            advice="Copy or export it again.",
        ) from None
