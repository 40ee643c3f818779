"""The microphone at the border to PortAudio: what comes in, what was lost, what goes wrong."""

from __future__ import annotations

import builtins
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from fake_sounddevice import RATE_HZ, FakeSoundDevice, FakeStream, PortAudioError

from vibecheck.capture import microphone as module
from vibecheck.capture.growing import GrowingWav, growing_name
from vibecheck.capture.microphone import (
    InputDevice,
    Microphone,
    choose_device,
    input_devices,
    load_sounddevice,
    open_microphone,
)
from vibecheck.capture.source import Block
from vibecheck.errors import CallError, InputError
from vibecheck.recording.read import read_take

SOUND = np.random.default_rng(2).normal(0.0, 0.1, 48_000).astype(np.float32)


def opened(library: FakeSoundDevice, **options: Any) -> Microphone:
    return Microphone(input_devices(library)[0], sounddevice=library, **options)


def held(library: FakeSoundDevice, **options: Any) -> tuple[Microphone, FakeStream]:
    """A microphone whose blocks the test hands over itself."""
    library.speed = 1e-9
    made = opened(library, **options)
    made.start()
    while made.read(0.1) is None:
        pass
    return made, library.streams[0]


def test_what_the_microphone_gives_is_what_is_read() -> None:
    made = opened(FakeSoundDevice(SOUND))
    made.start()
    parts: list[Any] = []
    while sum(map(len, parts)) < len(SOUND):
        block = made.read(1.0)
        assert block is not None
        assert block.time_s is None
        parts.append(block.values)
    made.stop()
    made.close()
    made.close()
    np.testing.assert_array_equal(np.concatenate(parts)[: len(SOUND), 0], SOUND)
    assert (made.gaps, made.dropped_frames, made.ended) == (0, 0, None)


def test_what_came_before_the_take_is_forgotten() -> None:
    made, stream = held(FakeSoundDevice(SOUND))
    stream.deliver(1, 0.0)
    made.begin()
    stream.deliver(2, 0.0)
    block = made.read(0.1)
    assert block is not None
    np.testing.assert_array_equal(block.values[:, 0], SOUND[1920:2880])
    assert made.read(0.01) is None
    made.close()


def test_a_loss_that_the_system_reports_is_counted() -> None:
    made, stream = held(FakeSoundDevice(SOUND, overflow_at=3))
    stream.deliver(1, 10.0)
    stream.deliver(2, 10.02)
    stream.deliver(3, 10.04 + 480 / RATE_HZ)
    assert (made.gaps, made.dropped_frames) == (1, 480)
    stream.deliver(4, 10.06 + 480 / RATE_HZ)
    assert (made.gaps, made.dropped_frames) == (1, 480)
    made.begin()
    assert (made.gaps, made.dropped_frames) == (0, 0)
    made.close()


def test_a_loss_without_a_clock_is_still_a_gap() -> None:
    made, stream = held(FakeSoundDevice(SOUND, overflow_at=3, with_clock=False))
    stream.deliver(2, 10.0)
    stream.deliver(3, 99.0)
    assert (made.gaps, made.dropped_frames) == (1, 0)
    made.close()


def test_what_waits_too_long_is_dropped_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "WAITING_S", 0.2)  # ten blocks
    made, stream = held(FakeSoundDevice(SOUND))
    for number in range(14):
        stream.deliver(number, 0.0)
    assert (made.gaps, made.dropped_frames) == (1, 4 * 960)
    block = made.read(0.1)
    assert block is not None
    assert len(block.values) == 10 * 960
    for number in range(11):
        stream.deliver(number, 0.0)
    assert made.gaps == 2
    made.close()


def test_a_microphone_that_is_unplugged_says_so_when_all_is_read() -> None:
    library = FakeSoundDevice(SOUND, unplugged_at=5)
    made = opened(library)
    made.start()
    library.streams[0]._thread.join(timeout=5.0)
    assert made.ended is None  # there is still something to read
    block = made.read(0.5)
    assert block is not None
    assert len(block.values) == 5 * 960
    assert made.ended is not None
    assert "unplugged" in made.ended
    made.stop()
    assert made.ended is None  # stopped on purpose
    made.close()


def test_a_microphone_that_stalls_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    made, _ = held(FakeSoundDevice(SOUND))
    assert made.ended is None
    now = time.monotonic()
    monkeypatch.setattr(module.time, "monotonic", lambda: now + 60.0)
    assert made.ended is not None
    monkeypatch.undo()
    made.close()


def test_devices_are_listed_without_the_outputs() -> None:
    devices = input_devices(FakeSoundDevice(names=("Desk \x1b\n mike", "Headset")))
    assert [(one.number, one.name, one.is_default) for one in devices] == [
        (0, "Desk mike", True),
        (1, "Headset", False),
    ]
    assert devices[0].host == "Test host"
    assert input_devices(FakeSoundDevice(names=())) == ()


DEVICES = tuple(
    InputDevice(number, name, "host", 2, RATE_HZ, number == 4)
    for number, name in ((2, "Desk microphone"), (4, "Headset"), (7, "Headset 2"))
)


@pytest.mark.parametrize(
    ("wanted", "number"),
    [(None, 4), ("2", 2), ("desk", 2), ("headset", 4), ("Headset 2", 7), ("7", 7)],
)
def test_a_device_is_found_by_number_or_name(wanted: str | None, number: int) -> None:
    assert choose_device(DEVICES, wanted).number == number


def test_a_device_that_is_not_there_is_a_wrong_call() -> None:
    with pytest.raises(CallError, match='Did you mean "Headset"'):
        choose_device(DEVICES, "Haedset")
    with pytest.raises(CallError, match=r"Several microphones .* 2 Desk microphone, 4 Headset"):
        choose_device(DEVICES, "s")
    with pytest.raises(InputError, match="no microphone") as caught:
        choose_device(())
    assert "recorded by a phone works as well" in str(caught.value)


def test_the_first_device_serves_where_the_system_has_no_favourite() -> None:
    assert choose_device(DEVICES[:1]).number == 2


def test_a_missing_package_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(CallError) as caught:
        load_sounddevice()
    assert "vibecheck[record]" in str(caught.value)
    assert "phone" in str(caught.value)


def test_a_missing_library_names_the_package_of_debian(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")  # the package's own words
        return real(name, *rest, **more)

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(CallError) as caught:
        load_sounddevice()
    assert "libportaudio2" in str(caught.value)
    assert "phone" in str(caught.value)


def test_a_rate_that_it_cannot_run_at_is_a_wrong_call() -> None:
    library = FakeSoundDevice()
    library.refuses = PortAudioError("Error: Invalid sample rate [PaErrorCode -9997]")
    with pytest.raises(CallError, match=r"at 96000 samples per second \(Invalid sample rate\)"):
        opened(library, sample_rate_hz=96_000.0).start()


def test_a_microphone_in_use_says_what_to_do() -> None:
    library = FakeSoundDevice()
    library.refuses_to_open = PortAudioError(
        "Error opening InputStream: Device unavailable [PaErrorCode -9985]"
    )
    made = opened(library)
    with pytest.raises(InputError, match=r"cannot be opened \(Device unavailable\)") as caught:
        made.start()
    assert "Close other programs" in str(caught.value)


def test_a_sound_system_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    library = FakeSoundDevice()

    def broken() -> Any:
        raise PortAudioError("Error querying device -1")

    monkeypatch.setattr(library, "query_devices", broken)
    with pytest.raises(InputError, match="does not answer"):
        input_devices(library)
    monkeypatch.setattr(module, "load_sounddevice", lambda: FakeSoundDevice(names=("Desk",)))
    assert open_microphone(None).label == "Desk"


def test_the_real_library_lists_what_there_is() -> None:
    try:
        library = load_sounddevice()
    except CallError:
        pytest.skip("sounddevice or PortAudio is not installed")
    assert all(device.channels >= 1 for device in input_devices(library))


def test_the_growing_file_is_whole_after_every_block(tmp_path: Path) -> None:
    path = growing_name(tmp_path / "spin.wav", ".wav")
    assert path.name == "spin.recording.wav"
    grown = GrowingWav(path, RATE_HZ, 1)
    for first in range(0, 48_000, 4_800):
        grown.write(Block(SOUND[first : first + 4_800, np.newaxis]))
        back, rate_hz = soundfile.read(path, dtype="float32")
        assert rate_hz == RATE_HZ
        np.testing.assert_array_equal(back, SOUND[: first + 4_800])
    assert grown.n_samples == 48_000
    take = read_take(path)  # as after a kill: the file was never closed
    assert (take.codec, take.n_samples) == ("pcm", 48_000)
    assert not take.findings
    grown.close()
    assert growing_name(tmp_path / "spin.wav", ".wav").name == "spin-2.recording.wav"


def test_a_growing_file_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        GrowingWav(tmp_path / "none" / "a.wav", RATE_HZ, 1)
    grown = GrowingWav(tmp_path / "a.wav", RATE_HZ, 1)
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    grown.close()
    with Path("/dev/full").open("wb", buffering=0) as full:
        grown._stream = full
        with pytest.raises(InputError, match="No space left"):
            grown.write(Block(SOUND[:100, np.newaxis]))
