"""Uploads: what a browser wishes to send, checked. `UploadWish`."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from vibecheck.errors import CallError
from vibecheck.recording.request import SENSORS, ReadRequest
from vibecheck.recording.source import CONTAINER_SUFFIXES, READABLE, SOUND_SUFFIXES

Form = Literal["file", "pcm_f32le"]
FORMS = ("file", "pcm_f32le")
TABLE_SUFFIXES = frozenset(
    [".csv", ".tsv", ".txt", ".parquet", ".npz", ".npy", ".mat", ".uff", ".unv"]
)
SUFFIXES = SOUND_SUFFIXES | CONTAINER_SUFFIXES | TABLE_SUFFIXES
LARGEST_FILE_BYTES = 200 * 2**20
"""An hour of sound in one channel, 16 bits and 44 100 samples a second, is 318 MB."""
LARGEST_PCM_BYTES = 80 * 2**20
"""More than three minutes of two channels at 48 000 samples a second: the recorder ends there."""
LONGEST_NAME = 100
LONGEST_STEM_BYTES = 120
MOST_CLAIMS = 32
LONGEST_CLAIM = 300
_KEY = re.compile(r"[0-9A-Za-z_-]{16,80}")


@dataclass(frozen=True)
class UploadWish:
    """What a browser wishes to send.

    Attributes
    ----------
    key : str
        Made by the browser; the same key is the same upload.
    sitting : int
        Number of the bench check.
    spot : str
    sensor : {"microphone", "accelerometer"}
    file_name : str
        Without a folder, of harmless characters, with its suffix.
    form : {"file", "pcm_f32le"}
        A whole file, or bare little-endian float32 samples.
    size : int or None
        Bytes, where known before.
    sample_rate_hz, channels : float, int or None
        For bare samples.
    capture : mapping
        What the recorder claims about the sound: texts, numbers, booleans.
    reading : mapping
        Arguments of `read_take` that a table needs.
    """

    key: str
    sitting: int
    spot: str
    sensor: str
    file_name: str
    form: Form = "file"
    size: int | None = None
    sample_rate_hz: float | None = None
    channels: int | None = None
    capture: Mapping[str, Any] = field(default_factory=dict)
    reading: Mapping[str, Any] = field(default_factory=dict)

    @property
    def largest_bytes(self) -> int:
        """Most bytes that are taken for it."""
        if self.size is not None:
            return self.size
        return LARGEST_FILE_BYTES if self.form == "file" else LARGEST_PCM_BYTES

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def wish_from(values: object) -> UploadWish:
    """Check what a browser sent.

    Raises
    ------
    CallError
        If a value is missing, of the wrong kind, out of range, or the file is of a kind that
        cannot be read.
    """
    if not isinstance(values, dict):
        raise _wrong("The request", "a JSON object", values)
    key = values.get("key")
    if not isinstance(key, str) or not _KEY.fullmatch(key):
        raise _wrong("key", "16 to 80 letters, digits or dashes", key)
    form = values.get("form", "file")
    if form not in FORMS:
        raise _wrong("form", "file or pcm_f32le", form)
    sensor = values.get("sensor", "microphone")
    if sensor not in SENSORS:
        raise _wrong("sensor", "microphone or accelerometer", sensor)
    spot = values.get("spot")
    if not isinstance(spot, str) or not 0 < len(spot) <= LONGEST_NAME:
        raise _wrong("spot", "a zone of the car, or centre", spot)
    pcm = form == "pcm_f32le"
    largest = LARGEST_PCM_BYTES if pcm else LARGEST_FILE_BYTES
    size = values.get("size")
    if size is None and not pcm:
        raise _wrong("size", "the bytes of the file", size)
    if size is not None:
        size = _whole("size", size, 1, 2**53)
        if size > largest:
            raise CallError(
                f"The file is too big: {size / 2**20:.0f} MB, where {largest / 2**20:.0f} MB can "
                "be taken.",
                advice="Cut it to the spin-up, or save it as FLAC or M4A.",
            )
    return UploadWish(
        key=key,
        sitting=_whole("sitting", values.get("sitting"), 1, 10**9 - 1),
        spot=spot,
        sensor=str(sensor),
        file_name=_recorded_name(values) if pcm else _known_kind(values.get("file_name")),
        form="pcm_f32le" if pcm else "file",
        size=size,
        sample_rate_hz=_rate(values.get("sample_rate_hz")) if pcm else None,
        channels=_whole("channels", values.get("channels"), 1, 2) if pcm else None,
        capture=claims_from(values.get("capture")),
        reading={} if pcm else _reading(values.get("reading")),
    )


def safe_name(name: object) -> str:
    """Return the name of a file without folders and of harmless characters only.

    Letters and digits of any script, space and ``._-()`` stay; at most `LONGEST_STEM_BYTES` bytes
    and the suffix. Empty where nothing is left.
    """
    if not isinstance(name, str):
        return ""
    last = re.split(r"[/\\]", name)[-1]
    composed = unicodedata.normalize("NFC", last.encode("utf-8", "replace").decode("utf-8"))
    kept = "".join(sign if sign.isalnum() or sign in " ._-()" else "_" for sign in composed)
    stem, dot, suffix = kept.strip(" .").rpartition(".")
    if not dot:
        return _within(suffix)
    return f"{_within(stem.strip(' .')) or '_'}.{suffix[:12]}"


def _within(text: str) -> str:
    return text.encode("utf-8")[:LONGEST_STEM_BYTES].decode("utf-8", "ignore")


def _known_kind(name: object) -> str:
    safe = safe_name(name)
    suffix = f".{safe.rpartition('.')[2].lower()}" if "." in safe else ""
    if suffix not in SUFFIXES:
        raise CallError(
            f"A file named {suffix or 'without an ending'} cannot be taken.",
            where=safe or None,
            advice=f"Use {READABLE}.",
        )
    return safe


def _recorded_name(values: dict[Any, Any]) -> str:
    stem = safe_name(values.get("file_name")).rpartition(".")[0]
    return f"{stem or 'recorded'}.wav"


def _whole(name: str, value: object, least: int, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise _wrong(name, f"a whole number from {least} to {most}", value)
    return value


def _rate(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong("sample_rate_hz", "a number", value)
    if not (math.isfinite(value) and 8_000 <= value <= 384_000):
        raise _wrong("sample_rate_hz", "from 8000 to 384000", value)
    return float(value)


def claims_from(values: object) -> dict[str, Any]:
    """Check what a recorder claims: at most `MOST_CLAIMS` plain values.

    Raises
    ------
    CallError
        If it is anything else.
    """
    if values is None:
        return {}
    if not isinstance(values, dict) or len(values) > MOST_CLAIMS:
        raise _wrong("capture", f"a JSON object of at most {MOST_CLAIMS} values", values)
    kept: dict[str, Any] = {}
    for name, value in values.items():
        plain = value is None or isinstance(value, str | bool | int | float)
        if not plain or (isinstance(value, float) and not math.isfinite(value)):
            raise _wrong("capture", "plain values only", value)
        if isinstance(value, int) and abs(value) > 2**53:
            raise _wrong("capture", "numbers that JSON can carry", value)
        kept[name[:LONGEST_CLAIM]] = value[:LONGEST_CLAIM] if isinstance(value, str) else value
    return kept


def _reading(values: object) -> dict[str, Any]:
    """How a table is read; the same words as the options of the terminal."""
    if values is None:
        return {}
    known = ("unit", "time_unit", "sample_rate_hz", "columns")
    if not isinstance(values, dict) or not set(values) <= set(known):
        raise _wrong("reading", f"a JSON object of {', '.join(known)}", values)
    given = {name: value for name, value in values.items() if value not in (None, "", {})}
    columns = given.get("columns", {})
    if not isinstance(columns, dict) or not all(
        isinstance(name, str | int)
        and not isinstance(name, bool)
        and len(str(name)) <= LONGEST_NAME
        for name in columns.values()
    ):
        raise _wrong("columns", "names or numbers of columns by their roles", columns)
    ReadRequest.checked(
        sensor=None,
        spot="centre",
        unit=given.get("unit"),
        time_unit=given.get("time_unit"),
        columns=columns,
        sample_rate_hz=given.get("sample_rate_hz"),
    )
    return given


def _wrong(name: str, wanted: str, value: object) -> CallError:
    shown = repr(value)
    return CallError(
        f"{name} must be {wanted}. Got {shown[:80]}{'…' if len(shown) > 80 else ''} instead."
    )
