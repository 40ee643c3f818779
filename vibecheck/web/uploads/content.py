"""Uploads: what a file holds, found out before anything else is done with it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vibecheck.capture.note import MOST_COUNTED, CaptureNote
from vibecheck.capture.sound_writer import wrap_pcm_f32le
from vibecheck.errors import InputError
from vibecheck.recording.source import READABLE, open_source
from vibecheck.web.uploads.wish import UploadWish

PROBE_S = 45.0
"""Reading takes well under a second; what takes this long is no recording of a spin-up."""
REFUSED = ("unknown", "hdf5")


def wrap_samples(raw: Path, target: Path, wish: UploadWish) -> None:
    """Make a WAV file of the samples that a browser recorded, with its claims as metadata.

    Raises
    ------
    InputError
        If they are no whole number of samples, or none.
    """
    assert wish.sample_rate_hz is not None
    assert wish.channels is not None
    wrap_pcm_f32le(raw, target, wish.sample_rate_hz, wish.channels, note_of(wish))


def note_of(wish: UploadWish) -> CaptureNote:
    """Return what the browser claims, in the form that the sound file keeps."""
    claims = wish.capture

    def on(name: str) -> bool | None:
        value = claims.get(name)
        return value if isinstance(value, bool) else None

    def count(name: str) -> int:
        value = claims.get(name)
        good = isinstance(value, int) and not isinstance(value, bool)
        return min(max(int(value), 0), MOST_COUNTED - 1) if good and value is not None else 0

    return CaptureNote(
        car=str(claims.get("car") or ""),
        spot=wish.spot,
        sensor="microphone" if wish.sensor == "microphone" else "accelerometer",
        device=str(claims.get("device") or "browser"),
        started=_moment(claims.get("started")),
        automatic_gain=on("auto_gain_control"),
        noise_suppression=on("noise_suppression"),
        echo_cancellation=on("echo_cancellation"),
        gaps=count("gaps"),
        dropped_frames=count("dropped_frames"),
    )


def _moment(text: Any) -> datetime:
    try:
        moment = datetime.fromisoformat(str(text))
    except ValueError:
        return datetime.fromtimestamp(0, UTC)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def refuse_content(path: Path, wish: UploadWish) -> None:
    """Refuse what cannot be read as a recording.

    The decoders run in a process of its own with bounded memory and time first: a file made to
    burst, hang or break a decoder ends that process and nothing else.

    Raises
    ------
    InputError
        With the decoder's own words where it has some.
    """
    if open_source(path).kind in REFUSED:
        raise InputError("This is not a kind of file that can be read.", advice=f"Use {READABLE}.")
    request = json.dumps({"path": str(path), "sensor": wish.sensor, "reading": dict(wish.reading)})
    try:
        done = subprocess.run(
            [sys.executable, "-m", "vibecheck.web.uploads.probe"],
            input=request,
            capture_output=True,
            text=True,
            timeout=PROBE_S,
            env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            check=False,
        )
        said = json.loads(done.stdout) if done.returncode == 0 else None
    except (subprocess.TimeoutExpired, ValueError):
        said = None
    if not isinstance(said, dict):
        raise InputError(
            "The file cannot be decoded within sensible time and memory.",
            advice="Record it again, or save it as WAV, FLAC or M4A.",
        )
    if said.get("what"):
        raise InputError(str(said["what"]), advice=str(said.get("advice") or "") or None)
