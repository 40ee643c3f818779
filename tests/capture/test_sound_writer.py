"""Sound files: every bit as recorded, the note inside, whole or not at all."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from vibecheck.capture.note import CaptureNote
from vibecheck.capture.sound_writer import (
    BLOCK_FRAMES,
    Bits,
    read_capture_note,
    wrap_pcm_f32le,
    write_sound,
)
from vibecheck.errors import CallError, InputError
from vibecheck.recording.read import read_take

NOTE = CaptureNote(
    "Saltflat 8", "centre", "microphone", "Bench", datetime(2026, 5, 3, 12, tzinfo=UTC), gaps=1
)
RATE_HZ = 48_000


def noise(n: int, channels: int = 1) -> np.ndarray[Any, np.dtype[np.float32]]:
    return np.random.default_rng(4).normal(0.0, 0.1, (n, channels)).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 2])
def test_wrapping_keeps_every_bit(tmp_path: Path, channels: int) -> None:
    samples = noise(BLOCK_FRAMES + 1234, channels)
    samples[5] = 1.75  # above full scale, as a browser may give it
    (tmp_path / "raw").write_bytes(samples.astype("<f4").tobytes())

    n = wrap_pcm_f32le(tmp_path / "raw", tmp_path / "spin.wav", RATE_HZ, channels, NOTE)

    assert n == len(samples)
    back, rate_hz = soundfile.read(tmp_path / "spin.wav", dtype="float32", always_2d=True)
    assert rate_hz == RATE_HZ
    np.testing.assert_array_equal(back, samples)
    assert read_capture_note(tmp_path / "spin.wav") == NOTE
    assert sorted(path.name for path in tmp_path.iterdir()) == ["raw", "spin.wav"]


@pytest.mark.parametrize(("name", "bits"), [("a.wav", "float"), ("a.wav", "24"), ("a.flac", "24")])
def test_the_reader_knows_when_it_began_and_what_it_is(
    tmp_path: Path, name: str, bits: Bits
) -> None:
    samples = noise(3 * RATE_HZ)
    write_sound(tmp_path / name, [samples[:1000], samples[1000:]], RATE_HZ, 1, NOTE, bits=bits)

    take = read_take(tmp_path / name)

    assert (take.start, take.codec, take.sample_rate_hz) == (NOTE.started, "pcm", RATE_HZ)
    # One step of 24 bits is 2**-23 of full scale.
    np.testing.assert_allclose(take.samples[0], samples[:, 0], atol=2.0**-23)
    assert read_capture_note(tmp_path / name) == NOTE


def test_24_bits_from_a_24_bit_card_are_exact(tmp_path: Path) -> None:
    codes = np.array([-(2**23), -1, 0, 1, 2**23 - 1] * 100)
    samples = (codes / 2**23).astype(np.float32)[:, np.newaxis]
    write_sound(tmp_path / "a.flac", [samples], RATE_HZ, 1, NOTE, bits="24")
    back, _ = soundfile.read(tmp_path / "a.flac", dtype="int32")
    np.testing.assert_array_equal(back >> 8, codes)


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    with (tmp_path / "raw").open("wb") as stream:
        for _ in range(40):  # 20 MB
            stream.write(np.zeros(131_072, dtype="<f4").tobytes())
    tracemalloc.start()
    try:
        wrap_pcm_f32le(tmp_path / "raw", tmp_path / "long.wav", RATE_HZ, 1, NOTE)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 4_000_000  # a few blocks of 262 kB


def test_a_file_past_4_gib_gets_a_header_that_can_say_so(tmp_path: Path) -> None:
    write_sound(tmp_path / "a.wav", [noise(4000)], RATE_HZ, 1, NOTE, expected_frames=2**30)
    assert (tmp_path / "a.wav").read_bytes()[:4] == b"RF64"
    assert read_take(tmp_path / "a.wav").n_samples == 4000
    assert read_capture_note(tmp_path / "a.wav") == NOTE


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    (tmp_path / "spin.wav").write_bytes(b"before")

    def blocks() -> Iterator[np.ndarray[Any, Any]]:
        yield noise(100)
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="No space left"):
        write_sound(tmp_path / "spin.wav", blocks(), RATE_HZ, 1, NOTE)
    assert (tmp_path / "spin.wav").read_bytes() == b"before"
    assert len(list(tmp_path.iterdir())) == 1


def test_bytes_that_make_no_whole_sample_are_refused(tmp_path: Path) -> None:
    (tmp_path / "raw").write_bytes(bytes(4 * 100 + 3))
    with pytest.raises(InputError, match="403 bytes"):
        wrap_pcm_f32le(tmp_path / "raw", tmp_path / "a.wav", RATE_HZ, 1, NOTE)
    (tmp_path / "raw").write_bytes(b"")
    with pytest.raises(InputError, match="Nothing was recorded"):
        wrap_pcm_f32le(tmp_path / "raw", tmp_path / "a.wav", RATE_HZ, 1, NOTE)
    with pytest.raises(InputError, match="No such file"):
        wrap_pcm_f32le(tmp_path / "none", tmp_path / "a.wav", RATE_HZ, 1, NOTE)
    assert [path.name for path in tmp_path.iterdir()] == ["raw"]


@pytest.mark.parametrize(
    ("name", "rate_hz", "channels", "bits", "said"),
    [
        ("a.mp3", 48_000, 1, "float", "wav or .flac"),
        ("a.flac", 48_000, 1, "float", "whole numbers only"),
        ("a.wav", 48_000, 1, "16", "float or 24"),
        ("a.wav", 0, 1, "float", "sample_rate_hz"),
        ("a.wav", float("nan"), 1, "float", "sample_rate_hz"),
        ("a.wav", 48_000, 0, "float", "channels"),
        ("a.wav", 48_000, 9, "float", "channels"),
    ],
)
def test_what_cannot_be_written_is_refused(
    tmp_path: Path, name: str, rate_hz: float, channels: int, bits: Any, said: str
) -> None:
    with pytest.raises(CallError, match=said):
        write_sound(tmp_path / name, [noise(10)], rate_hz, channels, NOTE, bits=bits)
    assert not list(tmp_path.iterdir())


def test_other_files_have_no_note(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "plain.wav", noise(100), RATE_HZ)
    (tmp_path / "text.wav").write_text("no sound")
    (tmp_path / "broken.wav").write_bytes(b"RIFF")
    for name in ("plain.wav", "text.wav", "broken.wav", "none.wav"):
        assert read_capture_note(tmp_path / name) is None
