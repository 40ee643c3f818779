"""Recording at the bench: microphones, through PortAudio (the package sounddevice)."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.capture.growing import GrowingWav, wav_blocks
from vibecheck.capture.note import CaptureNote, Sensor
from vibecheck.capture.sound_writer import Bits, write_sound
from vibecheck.capture.source import Block
from vibecheck.errors import CallError, InputError, VibecheckError, did_you_mean

WAITING_S = 10.0
"""So much sound may wait to be written before more is dropped, and counted."""
BLOCK_S = 0.02
STALLED_S = 3.0
"""A microphone that gives nothing for so long is gone."""
BY_PHONE = (
    "A file recorded by a phone works as well: record a voice memo, copy it here, then "
    "vibecheck check FILE."
)


@dataclass(frozen=True)
class InputDevice:
    """A microphone or other sound input.

    Attributes
    ----------
    number : int
        As the system counts it today; it may change when something is plugged in.
    name, host : str
        Its name, and the sound system it belongs to.
    channels : int
        The most that it gives.
    sample_rate_hz : float
        What it runs at by itself.
    is_default : bool
        True for the one that the system would choose.
    """

    number: int
    name: str
    host: str
    channels: int
    sample_rate_hz: float
    is_default: bool


def load_sounddevice() -> Any:
    """Return the module sounddevice.

    Raises
    ------
    CallError
        If it, or the PortAudio library that it needs, is not installed.
    InputError
        If the sound system does not answer.
    """
    try:
        import sounddevice
    except ImportError:
        raise CallError(
            "Recording with a microphone needs an optional part of vibecheck that is not "
            "installed.",
            advice=f'Install it with: pip install "vibecheck[record]". {BY_PHONE}',
        ) from None
    except OSError:  # the package is there, the library is not
        raise CallError(
            "Recording with a microphone needs the PortAudio library, which is not installed.",
            advice=f"On Debian or Ubuntu: sudo apt install libportaudio2. {BY_PHONE}",
        ) from None
    except Exception as error:  # PortAudio begins on import; its error cannot be imported either
        raise InputError(
            f"The sound system does not answer ({_reason(error)}).",
            advice=f"Is it running, and set up for this user? {BY_PHONE}",
        ) from None
    return sounddevice


def input_devices(sounddevice: Any | None = None) -> tuple[InputDevice, ...]:
    """List the sound inputs; an empty tuple where there is none.

    Raises
    ------
    CallError
        If sounddevice or PortAudio is missing.
    InputError
        If the sound system does not answer.
    """
    library = sounddevice or load_sounddevice()
    try:
        found = library.query_devices()
        hosts = library.query_hostapis()
        default = library.default.device[0]
    except (library.PortAudioError, OSError) as error:
        raise InputError(
            f"The sound system does not answer ({_reason(error)}).",
            advice=f"Is it running? {BY_PHONE}",
        ) from None
    devices = []
    for number, one in enumerate(found):
        if one["max_input_channels"] < 1:
            continue
        devices.append(
            InputDevice(
                number=number,
                name=_printable(str(one["name"])),
                host=str(hosts[one["hostapi"]]["name"]),
                channels=int(one["max_input_channels"]),
                sample_rate_hz=float(one["default_samplerate"]),
                is_default=number == default,
            )
        )
    return tuple(devices)


def choose_device(devices: Sequence[InputDevice], wanted: str | None = None) -> InputDevice:
    """Return the device that was asked for by number or by part of its name; else the default.

    Raises
    ------
    InputError
        If there is no sound input at all.
    CallError
        If none or several are called so.
    """
    if not devices:
        raise InputError(
            "This computer has no microphone, or the system does not show it to this program.",
            advice=f"Plug one in, or allow this program to use it. {BY_PHONE}",
        )
    if wanted is None:
        return next((one for one in devices if one.is_default), devices[0])
    exact = [one for one in devices if wanted.strip() == str(one.number)]
    exact = exact or [one for one in devices if one.name.casefold() == wanted.casefold()]
    part = exact or [one for one in devices if wanted.casefold() in one.name.casefold()]
    if len(part) == 1 or exact:
        return part[0]
    names = [one.name for one in devices]
    raise CallError(
        f'There is no microphone "{wanted}".{did_you_mean(wanted, names)}'
        if not part
        else f'Several microphones are called "{wanted}": '
        + ", ".join(f"{one.number} {one.name}" for one in part)
        + ".",
        where="--device",
        advice="List them with: vibecheck record --list-devices",
    )


class Microphone:
    """A sound input that is recorded block by block; see `vibecheck.capture.source.Source`.

    Parameters
    ----------
    device : InputDevice
    sample_rate_hz : float, optional
        By default what the device runs at by itself.
    n_channels : int
    sounddevice : module, optional
        The one that is installed where absent.

    Notes
    -----
    Blocks come on a thread of PortAudio's and wait in a queue of `WAITING_S`. What does not fit,
    and what the system reports as lost before, is counted.
    """

    sensor: Sensor = "microphone"

    def __init__(
        self,
        device: InputDevice,
        *,
        sample_rate_hz: float | None = None,
        n_channels: int = 1,
        sounddevice: Any | None = None,
    ) -> None:
        self._library = sounddevice or load_sounddevice()
        self.label = device.name
        self.n_channels = n_channels
        self.sample_rate_hz = float(sample_rate_hz or device.sample_rate_hz)
        self._device = device
        self._n_block = max(64, round(BLOCK_S * self.sample_rate_hz))
        self._waiting: queue.Queue[NDArray[np.float32]] = queue.Queue(
            maxsize=max(8, round(WAITING_S * self.sample_rate_hz / self._n_block))
        )
        self._lock = threading.Lock()
        self._gaps = self._dropped = 0
        self._in_gap = False
        self._next_s: float | None = None
        self._finished = threading.Event()
        self._stopping = False
        self._last_block = 0.0
        self._stream: Any = None

    @property
    def gaps(self) -> int:
        """Places at which samples were lost since `begin`."""
        with self._lock:
            return self._gaps

    @property
    def dropped_frames(self) -> int:
        """Samples that were lost since `begin`, as far as can be told."""
        with self._lock:
            return self._dropped

    @property
    def ended(self) -> str | None:
        """Why nothing more will come; ``None`` while it runs."""
        if self._stream is None or self._stopping or not self._waiting.empty():
            return None
        silent_s = time.monotonic() - self._last_block
        if self._finished.is_set() or silent_s > STALLED_S:
            return "The microphone gives nothing any more. Was it unplugged?"
        return None

    def start(self) -> None:
        """Open the device and begin to listen.

        Raises
        ------
        CallError
            If it cannot run at this rate or with so many channels.
        InputError
            If it cannot be opened.
        """
        library = self._library
        try:
            library.check_input_settings(
                device=self._device.number,
                channels=self.n_channels,
                dtype="float32",
                samplerate=self.sample_rate_hz,
            )
        except (library.PortAudioError, ValueError) as error:
            raise CallError(
                f"{self.label} cannot record {self.n_channels} channel"
                f"{'s' * (self.n_channels != 1)} at {self.sample_rate_hz:g} samples per second "
                f"({_reason(error)}).",
                advice=f"It gives up to {self._device.channels} channels, and runs at "
                f"{self._device.sample_rate_hz:g} by itself: leave --sample-rate out, or choose "
                "another with --device.",
            ) from None
        try:
            self._stream = library.InputStream(
                device=self._device.number,
                channels=self.n_channels,
                samplerate=self.sample_rate_hz,
                dtype="float32",
                blocksize=self._n_block,
                latency="high",  # nothing waits for it, and it forgives a busy computer
                callback=self._take_in,
                finished_callback=self._finished.set,
            )
            self._last_block = time.monotonic()
            self._stream.start()
            self.sample_rate_hz = float(self._stream.samplerate)
        except (library.PortAudioError, OSError) as error:
            self.close()
            raise InputError(
                f"{self.label} cannot be opened ({_reason(error)}).",
                advice="Close other programs that record with it, or choose another with --device. "
                f"{BY_PHONE}",
            ) from None

    def begin(self) -> None:
        """Forget what came in so far, and the losses."""
        while True:
            try:
                self._waiting.get_nowait()
            except queue.Empty:
                break
        with self._lock:
            self._gaps = self._dropped = 0
            self._in_gap = False

    def read(self, timeout_s: float) -> Block | None:
        """Return what came in, waiting for it at most so long; ``None`` for nothing."""
        try:
            parts = [self._waiting.get(timeout=timeout_s)]
        except queue.Empty:
            return None
        while len(parts) < 64:
            try:
                parts.append(self._waiting.get_nowait())
            except queue.Empty:
                break
        return Block(np.concatenate(parts))

    def stop(self) -> None:
        """Take nothing more in; what waits can still be read."""
        self._stopping = True
        if self._stream is not None:
            with contextlib.suppress(self._library.PortAudioError, OSError):  # it was unplugged
                self._stream.stop()

    def close(self) -> None:
        """Let go of the device."""
        self._stopping = True
        stream, self._stream = self._stream, None
        if stream is not None:
            with contextlib.suppress(self._library.PortAudioError, OSError):  # it was unplugged
                stream.close()

    def grow(self, path: Path) -> GrowingWav:
        """Begin the file that grows while it records."""
        return GrowingWav(path, self.sample_rate_hz, self.n_channels)

    def finish(self, grown: Path, out_path: Path, note: CaptureNote, bits: Bits) -> None:
        """Make the finished sound file of the grown one, whole or not at all."""
        write_sound(
            out_path, wav_blocks(grown), self.sample_rate_hz, self.n_channels, note, bits=bits
        )

    def _take_in(self, samples: NDArray[np.float32], n: int, moment: Any, status: Any) -> None:
        """Take a block over from PortAudio's thread: copy, never wait."""
        if self._stopping:
            return
        self._last_block = time.monotonic()
        # When its first sample was taken, by the device's clock; 0 where the system does not say.
        at_s = float(getattr(moment, "inputBufferAdcTime", 0.0) or 0.0)
        with self._lock:
            if status and getattr(status, "input_overflow", False):
                self._gaps += 1
                if at_s > 0.0 and self._next_s is not None:
                    late = round((at_s - self._next_s) * self.sample_rate_hz)
                    self._dropped += late if 0 < late < 60 * self.sample_rate_hz else 0
            self._next_s = at_s + n / self.sample_rate_hz if at_s > 0.0 else None
            try:
                self._waiting.put_nowait(samples.copy())
                self._in_gap = False
            except queue.Full:
                self._gaps += not self._in_gap
                self._in_gap = True
                self._dropped += n


def open_microphone(
    wanted: str | None,
    *,
    sample_rate_hz: float | None = None,
    n_channels: int = 1,
) -> Microphone:
    """Find a microphone and make it ready to be started.

    Raises
    ------
    VibecheckError
        As `load_sounddevice`, `input_devices` and `choose_device`.
    """
    library = load_sounddevice()
    device = choose_device(input_devices(library), wanted)
    return Microphone(
        device, sample_rate_hz=sample_rate_hz, n_channels=n_channels, sounddevice=library
    )


def _printable(name: str) -> str:
    """Return a name on one line, without what a terminal might obey."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in name).split())


def _reason(error: Exception) -> str:
    """Return PortAudio's reason without its number and its repetitions."""
    if isinstance(error, VibecheckError):
        return error.what
    text = str(error.args[0] if error.args else error)
    return text.split(" [PaErrorCode")[0].rpartition(": ")[2].strip().rstrip(".") or "no reason"
