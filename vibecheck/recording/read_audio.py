"""Recordings: sound files of every kind become takes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.errors import CallError, InputError
from vibecheck.findings import Finding
from vibecheck.recording.clean import (
    cut_finding,
    drop_dead_channels,
    fill_nan,
    truncated_finding,
)
from vibecheck.recording.limits import refuse_many_channels
from vibecheck.recording.request import SIGNAL_UNITS, ReadRequest
from vibecheck.recording.source import SourceFile
from vibecheck.recording.stream import read_bounded
from vibecheck.recording.take import Take

SHORTEST_TRUNCATED_S = 3.0
"""A file that breaks off is used only if at least this much of it can be read."""

_MISSING_END_S = 0.25


class Sound(Protocol):
    """What both decoders offer."""

    sample_rate_hz: float
    n_channels: int
    n_declared: int | None
    codec: str
    lossless_float: bool
    bit_rate_bps: float | None
    start: datetime | None
    unfinished: bool
    damage: list[str]
    skipped_s: float
    stopped: str
    streams: int

    def blocks(self, first: int = 0) -> Iterator[NDArray[np.float32]]:
        """Yield blocks of shape (n_channels, n) from a sample on."""


def read_audio(source: SourceFile, request: ReadRequest) -> Take:
    """Read a sound file: samples as float32 in fractions of full scale, bit-exact up to 24 bits.

    Long files are cut to their most spin-up-like stretch (see ``recording.stream``).

    Raises
    ------
    InputError
        The file holds no sound that can be decoded, breaks off within the first 3 s, or holds
        more hours or channels than are searched.
    CallError
        The request does not fit a sound file (columns, time unit, another sample rate).
    """
    sound = _open(source)
    _check_request(sound, source, request)
    rate = sound.sample_rate_hz
    refuse_many_channels(sound.n_channels, source.where)
    samples, first, n_total, span = read_bounded(sound.blocks, rate, where=source.where)
    findings = _findings_while_reading(sound, source, n_total)
    if samples.shape[1] < 2:
        count = "no sound" if samples.shape[1] == 0 else "only one sample"
        raise InputError(
            f"The file has a header but holds {count}.",
            where=source.where,
            advice="Copy or export the recording again.",
        )
    if span is not None:
        findings.append(cut_finding(span.start_s, span.end_s, n_total / rate, span.stood_out))
    samples, filled = fill_nan(samples, rate, source.where)
    samples, names, dead = drop_dead_channels(samples, _channel_names(samples.shape[0]))
    sensor = request.sensor or "microphone"
    factor, unit = SIGNAL_UNITS[request.unit or "full_scale"]
    if factor != 1.0:
        samples = samples * np.float32(factor)
    offset_s = first / rate
    return Take(
        samples=frozen_array(samples, copy=False),
        sample_rate_hz=rate,
        sensor=sensor,
        unit=unit,
        spot=request.spot,
        channel_names=names,
        start=None if sound.start is None else sound.start + timedelta(seconds=offset_s),
        file=source.name,
        sha256=source.sha256(),
        codec=sound.codec,
        bit_rate_bps=sound.bit_rate_bps,
        offset_s=offset_s,
        source_duration_s=n_total / rate,
        findings=tuple(findings + filled + dead),
    )


def _open(source: SourceFile) -> Sound:
    """Open with the library that the content calls for, the other one as the second try."""
    from vibecheck.recording.sound_container import ContainerSource
    from vibecheck.recording.sound_file import SoundFileSource

    if source.kind == "container":
        return ContainerSource(source.path, source.where)
    try:
        return SoundFileSource(source.path, source.where)
    except InputError as refused:
        try:
            return ContainerSource(source.path, source.where)
        except InputError:
            raise refused from None


def _check_request(sound: Sound, source: SourceFile, request: ReadRequest) -> None:
    if request.columns or request.time_unit:
        option = "columns" if request.columns else "time_unit"
        raise CallError(
            f"{option} is for tables, and this file holds sound.",
            where=source.where,
            advice=f"Leave {option} out.",
        )
    given = request.sample_rate_hz
    if given is not None and abs(given / sound.sample_rate_hz - 1.0) > 1e-3:
        raise CallError(
            f"sample_rate_hz must agree with the file, which says {sound.sample_rate_hz:g}. "
            f"Got {given:g} instead.",
            where=source.where,
            advice="Leave sample_rate_hz out.",
        )
    if request.unit not in (None, "full_scale") and not sound.lossless_float:
        raise CallError(
            f"unit must be full_scale for sound stored in fractions of full scale. "
            f"Got {request.unit!r} instead.",
            where=source.where,
            advice="Leave unit out; the scale of the sensor is not needed.",
        )


def _findings_while_reading(sound: Sound, source: SourceFile, n_read: int) -> list[Finding]:
    rate = sound.sample_rate_hz
    findings: list[Finding] = []
    declared = sound.n_declared
    if declared is not None and n_read < declared - _MISSING_END_S * rate:
        used_s = n_read / rate
        if used_s < SHORTEST_TRUNCATED_S:
            raise InputError(
                f"The file breaks off: only {used_s:.2f} s of it can be read.",
                where=source.where,
                advice="Copy it again from the phone or recorder.",
            )
        findings.append(truncated_finding(used_s, declared / rate))
    elif sound.damage:
        findings.append(
            Finding(
                code="damaged_sound_skipped",
                message="Damaged pieces of the file could not be decoded "
                f"({len(sound.damage)} of them).",
                advice="Copy it again from the phone or recorder.",
                value=float(len(sound.damage)),
                limit=0.0,
            )
        )
    if sound.stopped:
        findings.append(
            Finding(
                code="rest_left_out",
                message=f"After {n_read / rate:.1f} s {sound.stopped}; the rest was left out.",
                advice="If the spin-up is in the rest, export that part to a file of its own.",
                value=n_read / rate,
            )
        )
    if sound.unfinished:
        findings.append(
            Finding(
                code="unfinished_file_used",
                message=f"The recorder did not finish the file; {n_read / rate:.1f} s were found "
                "in it and used.",
                advice="Check that the spin-up is complete, and stop the recorder before closing "
                "it next time.",
                value=n_read / rate,
                weight="note",
            )
        )
    if sound.skipped_s > 0.0:
        findings.append(
            Finding(
                code="sound_gaps",
                message=f"{sound.skipped_s:.2f} s of sound are missing inside the recording; "
                "silence stands in for them.",
                advice="Close other apps on the phone while recording.",
                value=sound.skipped_s,
                limit=0.0,
            )
        )
    if sound.streams > 1:
        findings.append(
            Finding(
                code="several_audio_streams",
                message=f"The file holds {sound.streams} sound tracks; the first was used.",
                advice="If another one is meant, export it to a file of its own.",
                value=float(sound.streams),
                limit=1.0,
                weight="note",
            )
        )
    return findings


def _channel_names(n_channels: int) -> tuple[str, ...]:
    if n_channels == 1:
        return ("mono",)
    if n_channels == 2:
        return ("left", "right")
    return tuple(f"channel {i + 1}" for i in range(n_channels))
