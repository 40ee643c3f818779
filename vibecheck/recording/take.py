"""A take: one recording of one spin-up by one sensor at one spot, as an immutable value."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.errors import InputError
from vibecheck.findings import Finding

Sensor = Literal["microphone", "accelerometer"]
Unit = Literal["full_scale", "m/s^2"]


@dataclass(frozen=True, eq=False)
class Take:
    """One recording of one spin-up.

    Attributes
    ----------
    samples : ndarray, shape (n_channels, n_samples), float32 or float64, read-only
        Sound in fractions of full scale, acceleration in m/s².
    sample_rate_hz : float
        Samples per second, > 0.
    sensor : {"microphone", "accelerometer"}
    unit : {"full_scale", "m/s^2"}
    spot : str
        Where the sensor sat: a zone name, or ``"centre"``.
    channel_names : tuple of str
        One per channel, such as ``("mono",)`` or ``("x", "y", "z")``.
    start : datetime or None
        When the recording began, where the file says so.
    file : str
        Name of the source file (no folder), or ``""`` for arrays.
    sha256 : str
        Hash of the source file's bytes, or of the samples where there is no file.
    codec : str
        ``"pcm"`` for lossless sound and tables, else the codec's name (``"aac"``, ``"opus"`` …).
    bit_rate_bps : float or None
        Coded bits per second for lossy codecs.
    offset_s : float
        Where in the source file this take begins (long recordings are cut to the spin-up).
    source_duration_s : float or None
        Length of the whole source file.
    clock_jitter : float or None
        Robust spread of the time stamps' intervals over their median, tables only.
    bandwidth_hz : float or None
        Highest frequency the source can hold, where lower than half the sample rate.
    findings : tuple of Finding
        What the reader noticed and used anyway (truncation, decimal commas, NaN samples …).
    """

    samples: NDArray[Any]
    sample_rate_hz: float
    sensor: Sensor = "microphone"
    unit: Unit = "full_scale"
    spot: str = "centre"
    channel_names: tuple[str, ...] = ()
    start: datetime | None = None
    file: str = ""
    sha256: str = ""
    codec: str = "pcm"
    bit_rate_bps: float | None = None
    offset_s: float = 0.0
    source_duration_s: float | None = None
    clock_jitter: float | None = None
    bandwidth_hz: float | None = None
    findings: tuple[Finding, ...] = field(default=())

    def __post_init__(self) -> None:
        samples = np.asarray(self.samples)
        if samples.dtype not in (np.float32, np.float64):
            samples = samples.astype(np.float64)
        if samples.ndim == 1:
            samples = samples[np.newaxis, :]
        if samples.ndim != 2 or samples.shape[1] < 2:
            raise InputError(
                f"A take must be an array of (channels, samples) with at least 2 samples. "
                f"Got shape {samples.shape} instead.",
                where=self.file or None,
                advice="Record at least a few seconds.",
            )
        if not (np.isfinite(self.sample_rate_hz) and self.sample_rate_hz > 0):
            raise InputError(
                f"sample_rate_hz must be a positive number. Got {self.sample_rate_hz!r} instead.",
                where=self.file or None,
                advice="Give the sample rate of the recording.",
            )
        if samples.flags.writeable:
            samples = frozen_array(samples)
        object.__setattr__(self, "samples", samples)
        object.__setattr__(self, "sample_rate_hz", float(self.sample_rate_hz))
        if not self.channel_names:
            names = (
                ("mono",)
                if samples.shape[0] == 1
                else tuple(f"channel {i + 1}" for i in range(samples.shape[0]))
            )
            object.__setattr__(self, "channel_names", names)

    @property
    def n_channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[0])

    @property
    def n_samples(self) -> int:
        """Number of samples in each channel."""
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.n_samples / self.sample_rate_hz

    def mono(self) -> NDArray[np.float32]:
        """One waveform of all channels, shape (n_samples,); see ``recording.channels.mixdown``."""
        from vibecheck.recording.channels import mixdown

        return mixdown(self)

    def __iter__(self) -> Iterator[NDArray[Any]]:
        """Iterate over the channels, each of shape (n_samples,)."""
        return iter(self.samples)

    def cut(self, start_s: float, end_s: float) -> Take:
        """Return the part between two times, with all that is known about the take kept."""
        first = max(0, round(start_s * self.sample_rate_hz))
        last = min(self.n_samples, round(end_s * self.sample_rate_hz))
        return replace(
            self,
            samples=frozen_array(self.samples[:, first:last]),
            offset_s=self.offset_s + first / self.sample_rate_hz,
        )
