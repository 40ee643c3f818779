"""Stands in for the package sounddevice: devices, and streams that play a given sound."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48_000.0


class PortAudioError(Exception):
    """As sounddevice's own."""


class FakeSoundDevice:
    """A module sounddevice with one or more inputs.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,) or (n_samples, n_channels)
        What the microphone hears, again and again where ``loop``; silence-like noise after it.
    names : tuple of str
        Of the inputs.
    speed : float
        So many times faster than real time.
    overflow_at, lost : int
        At this block the system reports a loss of so many samples.
    unplugged_at : int or None
        At this block the stream ends by itself.
    """

    PortAudioError = PortAudioError

    def __init__(
        self,
        sound: NDArray[Any] | None = None,
        *,
        names: tuple[str, ...] = ("Bench microphone",),
        speed: float = 40.0,
        overflow_at: int | None = None,
        lost: int = 0,
        unplugged_at: int | None = None,
        with_clock: bool = True,
    ) -> None:
        self.sound = np.zeros((0, 1), dtype=np.float32) if sound is None else _columns(sound)
        self.names = names
        self.speed, self.with_clock = speed, with_clock
        self.overflow_at, self.lost, self.unplugged_at = overflow_at, lost, unplugged_at
        self.default = SimpleNamespace(device=[0 if names else -1, -1])
        self.streams: list[FakeStream] = []
        self.refuses: PortAudioError | None = None
        self.refuses_to_open: PortAudioError | None = None

    def query_devices(self) -> list[dict[str, Any]]:
        inputs = [
            {
                "name": name,
                "hostapi": 0,
                "max_input_channels": 2,
                "max_output_channels": 0,
                "default_samplerate": RATE_HZ,
            }
            for name in self.names
        ]
        speaker = {"name": "Speaker", "hostapi": 0, "max_input_channels": 0}
        return [*inputs, {**speaker, "default_samplerate": RATE_HZ}]

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": "Test host"}]

    def check_input_settings(self, **_settings: Any) -> None:
        if self.refuses is not None:
            raise self.refuses

    def InputStream(self, **settings: Any) -> FakeStream:
        if self.refuses_to_open is not None:
            raise self.refuses_to_open
        stream = FakeStream(self, settings)
        self.streams.append(stream)
        return stream


class FakeStream:
    """Calls back on a thread of its own, as PortAudio does."""

    def __init__(self, library: FakeSoundDevice, settings: dict[str, Any]) -> None:
        self.library, self.settings = library, settings
        self.samplerate = settings["samplerate"]
        self.closed = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._play, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        if threading.current_thread() is not self._thread and self._thread.ident is not None:
            self._thread.join(timeout=5.0)

    def close(self) -> None:
        self.stop()
        self.closed = True

    def deliver(self, number: int, at_s: float) -> None:
        """Hand over one block, as the system would."""
        n, channels = self.settings["blocksize"], self.settings["channels"]
        block = self.library.sound[number * n : (number + 1) * n]
        if len(block) < n:
            rest = np.random.default_rng(number).normal(0.0, 1e-4, (n - len(block), 1))
            block = np.vstack([block, rest.astype(np.float32)]) if len(block) else rest
        block = np.broadcast_to(block, (n, channels)).astype(np.float32)
        status = SimpleNamespace(input_overflow=number == self.library.overflow_at)
        moment = SimpleNamespace(inputBufferAdcTime=at_s if self.library.with_clock else 0.0)
        self.settings["callback"](block, n, moment, status if status.input_overflow else None)

    def _waiting(self) -> int:
        taker = getattr(self.settings["callback"], "__self__", None)
        return 0 if taker is None else int(taker._waiting.qsize())

    def _play(self) -> None:
        n = self.settings["blocksize"]
        begun = time.monotonic()
        late_s, number = 0.0, 0
        while not self._stop.is_set():
            if number == self.library.unplugged_at:
                break
            if number == self.library.overflow_at:
                late_s = self.library.lost / self.samplerate
            # On a busy computer time stands still: nothing is lost that is not told to be.
            while self._waiting() > 100 and not self._stop.is_set():
                self._stop.wait(0.002)
            self.deliver(number, 100.0 + number * n / self.samplerate + late_s)
            number += 1
            ahead_s = number * n / self.samplerate / self.library.speed
            self._stop.wait(max(0.0, begun + ahead_s - time.monotonic()))
        self.settings["finished_callback"]()


def _columns(sound: NDArray[Any]) -> NDArray[np.float32]:
    columns = np.asarray(sound, dtype=np.float32)
    return columns[:, np.newaxis] if columns.ndim == 1 else columns
