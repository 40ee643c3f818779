"""Recording at the bench: what a recorder asks of a microphone or a board."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from numpy.typing import NDArray

from vibecheck.capture.note import CaptureNote, Sensor
from vibecheck.capture.sound_writer import Bits


@dataclass(frozen=True, eq=False)
class Block:
    """Samples that came in since the block before.

    Attributes
    ----------
    values : ndarray, shape (n_samples, n_channels)
        Sound in fractions of full scale, acceleration in m/s².
    time_s : ndarray, shape (n_samples,), or None
        By the board's own clock, from its first sample; ``None`` where the samples follow each
        other evenly.
    """

    values: NDArray[Any]
    time_s: NDArray[Any] | None = None


class Growing(Protocol):
    """A file that can be read at any moment while it grows."""

    @property
    def path(self) -> Path:
        """Where it lies."""

    @property
    def n_samples(self) -> int:
        """Samples written to each channel."""

    def write(self, block: Block) -> None:
        """Add a block; it is in the file when this returns."""

    def close(self) -> None:
        """End the file."""


class Source(Protocol):
    """Something that can be recorded."""

    @property
    def label(self) -> str:
        """Its name, as the system gives it."""

    @property
    def sensor(self) -> Sensor:
        """What kind of thing it is."""

    @property
    def sample_rate_hz(self) -> float:
        """Samples per second in each channel; known once it was started."""

    @property
    def n_channels(self) -> int:
        """Channels, or axes; known once it was started."""

    @property
    def gaps(self) -> int:
        """Places at which samples were lost since `begin`."""

    @property
    def dropped_frames(self) -> int:
        """Samples of each channel that were lost since `begin`, as far as can be told."""

    @property
    def ended(self) -> str | None:
        """Why nothing more will come, in the owner's words; ``None`` while it runs."""

    def start(self) -> None:
        """Begin to listen."""

    def begin(self) -> None:
        """Forget what came in so far, and the losses: what is read from now on is the take."""

    def read(self, timeout_s: float) -> Block | None:
        """Return what came in, waiting for it at most so long; ``None`` for nothing."""

    def stop(self) -> None:
        """Take nothing more in; what is already in can still be read."""

    def close(self) -> None:
        """Let go of the device. May be called twice."""

    def grow(self, path: Path) -> Growing:
        """Begin the file that grows while it records."""

    def finish(self, grown: Path, out_path: Path, note: CaptureNote, bits: Bits) -> None:
        """Make the finished file of the grown one, whole or not at all."""
