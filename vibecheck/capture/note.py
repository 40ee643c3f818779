"""Recording at the bench: what a recording says of itself, kept inside its own file."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any, Literal, get_args

from vibecheck import __version__
from vibecheck.errors import InputError

Sensor = Literal["microphone", "accelerometer"]

FORMAT = "vibecheck.capture/1"
"""Named in the JSON of a note; another number is another form."""
LONGEST_TEXT = 200
LONGEST_NOTE = 8_192
MOST_COUNTED = 2**53  # what JSON can carry exactly everywhere


@dataclass(frozen=True)
class CaptureNote:
    """What is known about a recording when it is made.

    Attributes
    ----------
    car : str
        Name of the car, or ``""``.
    spot : str
        Where the sensor sat: a zone of the car, or ``"centre"``.
    sensor : {"microphone", "accelerometer"}
    device : str
        Name of the microphone or board, as the system gives it.
    started : datetime
        When the recording began, with its time zone.
    automatic_gain, noise_suppression, echo_cancellation : bool or None
        Whether the recorder says that it did this to the sound; ``None``: it does not say. A claim
        only: the quality check judges from the sound itself.
    gaps : int >= 0
        Places at which samples are known to be missing.
    dropped_frames : int >= 0
        Samples of each channel that are known to be missing.
    program_version : str
        Of vibecheck.

    Raises
    ------
    InputError
        If a value is of the wrong kind or out of range.
    """

    car: str
    spot: str
    sensor: Sensor
    device: str
    started: datetime
    automatic_gain: bool | None = None
    noise_suppression: bool | None = None
    echo_cancellation: bool | None = None
    gaps: int = 0
    dropped_frames: int = 0
    program_version: str = __version__

    def __post_init__(self) -> None:
        for name in ("car", "spot", "device", "program_version"):
            object.__setattr__(self, name, _line(name, getattr(self, name)))
        if self.sensor not in get_args(Sensor):
            raise _wrong("sensor", "microphone or accelerometer", self.sensor)
        if not isinstance(self.started, datetime) or self.started.tzinfo is None:
            raise _wrong("started", "a date and time with its time zone", self.started)
        for name in ("automatic_gain", "noise_suppression", "echo_cancellation"):
            claim = getattr(self, name)
            if claim is not None and not isinstance(claim, bool):
                raise _wrong(name, "true, false or null", claim)
        for name in ("gaps", "dropped_frames"):
            value = getattr(self, name)
            if (
                not isinstance(value, int)
                or isinstance(value, bool)
                or not 0 <= value < MOST_COUNTED
            ):
                raise _wrong(name, "a whole number, 0 or more", value)

    @property
    def title(self) -> str:
        """One line for players and file managers."""
        return ", ".join(part for part in (self.car, self.spot.replace("_", " ")) if part)

    def to_json(self) -> str:
        """Return the note as compact JSON, in ASCII, for the comment of a sound file."""
        values = asdict(self) | {"started": self.started.isoformat()}
        return json.dumps({"format": FORMAT, **values}, separators=(",", ":"))


def note_from_json(text: str) -> CaptureNote | None:
    """Read a note back; ``None`` where the text is no note, or one of another form.

    Keys that this version does not know are passed over.
    """
    if len(text) > LONGEST_NOTE or not text.lstrip().startswith("{"):
        return None
    try:
        values = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(values, dict) or values.get("format") != FORMAT:
        return None
    known = {field.name for field in fields(CaptureNote)}
    found: dict[str, Any] = {key: value for key, value in values.items() if key in known}
    try:
        found["started"] = datetime.fromisoformat(found["started"])
        return CaptureNote(**found)
    except (KeyError, TypeError, ValueError, InputError):
        return None


def _line(name: str, value: object) -> str:
    """One line of text without control characters, cut at `LONGEST_TEXT` characters."""
    if not isinstance(value, str):
        raise _wrong(name, "text", value)
    # A lone surrogate could not be written into any file.
    plain = value.encode("utf-8", "replace").decode("utf-8")
    shown = "".join(sign if sign.isprintable() else " " for sign in plain)
    return " ".join(shown.split())[:LONGEST_TEXT]


def _wrong(name: str, wanted: str, value: object) -> InputError:
    return InputError(
        f"{name} of a recording's note must be {wanted}. Got {value!r} instead.",
        advice="Leave it out if it is not known.",
    )
