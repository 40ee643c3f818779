"""Long recordings: bounded memory, the right stretch, and the same samples as a whole read."""

from __future__ import annotations

import datetime
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from recording_files import codes, write_av

import vibecheck as vc
from vibecheck.recording.sound_container import ContainerSource
from vibecheck.recording.stream import LevelEnvelope, choose_span, read_bounded

RATE = 8000


def workshop(seconds: float, spin_up_at_s: float | None, seed: int = 3) -> NDArray[np.float32]:
    """Noise, a talking stretch, a fan for a quarter of the time, and (maybe) a 20 s spin-up."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE)) / RATE
    noise = rng.standard_normal(t.size)
    gain = np.full(t.size, 1e-3)
    gain += 0.02 * ((t > 0.1 * seconds) & (t < 0.35 * seconds))  # the fan
    talking = (t > 0.4 * seconds) & (t < 0.5 * seconds)
    gain += 0.1 * (talking & (np.sin(2 * np.pi * 4 * t) > 0) & (np.sin(2 * np.pi * 0.4 * t) > -0.5))
    sound = gain * noise
    if spin_up_at_s is not None:
        level = np.interp(t - spin_up_at_s, [0, 5, 12, 20], [0, 1, 1, 0], left=0, right=0)
        phase = 2 * np.pi * np.cumsum(300.0 * level) / RATE
        sound += level * (0.2 * np.sin(phase) + 0.1 * np.sin(7 * phase) + 0.02 * noise)
    return sound.astype(np.float32)


def in_blocks(sound: NDArray[np.float32], size: int = 10_007):
    def blocks(first: int) -> Iterator[NDArray[np.float32]]:
        for start in range(first, sound.shape[1], size):
            yield sound[:, start : start + size]

    return blocks


@settings(max_examples=30, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 700), min_size=1, max_size=12),
    hop=st.integers(1, 300),
    n_channels=st.integers(1, 3),
)
def test_the_envelope_does_not_depend_on_the_blocks(
    sizes: list[int], hop: int, n_channels: int
) -> None:
    sound = np.random.default_rng(0).standard_normal((n_channels, sum(sizes))).astype(np.float32)
    envelope = LevelEnvelope(hop)
    at = 0
    for size in sizes:
        envelope.add(sound[:, at : at + size])
        at += size
    n_hops = at // hop
    whole = sound[:, : n_hops * hop].astype(np.float64)
    want = (whole**2).reshape(n_channels, n_hops, hop).mean(axis=(0, 2))
    steps = np.diff(whole, axis=1, prepend=whole[:, :1])
    want_steps = (steps**2).reshape(n_channels, n_hops, hop).mean(axis=(0, 2))
    assert envelope.n_samples == at
    np.testing.assert_allclose(envelope.power, want, rtol=1e-5, atol=1e-12)
    np.testing.assert_allclose(envelope.difference_power, want_steps, rtol=1e-5, atol=1e-12)


@pytest.mark.parametrize("at_s", [30.0, 300.0, 570.0])
def test_the_spin_up_is_found_among_talk_and_a_fan(at_s: float) -> None:
    sound = workshop(600.0, at_s)[np.newaxis]
    samples, first, n_total, span = read_bounded(in_blocks(sound), RATE, limit_s=60.0)
    assert span is not None
    assert span.stood_out
    assert n_total == sound.shape[1]
    assert np.array_equal(samples, sound[:, first : first + samples.shape[1]])
    # The whole spin-up with idle on both sides; its faint ends may be missed by a second.
    assert at_s - 7.0 < span.start_s < at_s - 2.0
    assert at_s + 21.0 < span.end_s < at_s + 27.0


def test_a_short_source_is_read_whole() -> None:
    sound = workshop(50.0, 20.0)[np.newaxis]
    samples, first, n_total, span = read_bounded(in_blocks(sound), RATE, limit_s=60.0)
    assert (first, n_total, span) == (0, sound.shape[1], None)
    assert np.array_equal(samples, sound)


def test_an_empty_source_gives_no_samples() -> None:
    samples, first, n_total, span = read_bounded(lambda first: iter(()), RATE)
    assert (samples.shape, first, n_total, span) == ((1, 0), 0, 0, None)


def test_where_nothing_stands_out_the_loudest_part_is_used() -> None:
    power = np.ones(1000)
    power[600:650] = 2.0  # 3 dB: no spin-up
    span = choose_span(power, 0.1, limit_s=10.0)
    assert not span.stood_out
    assert span.end_s - span.start_s == pytest.approx(10.0)
    assert 55.0 <= span.start_s <= 60.0
    silent = choose_span(np.zeros(1000), 0.1, limit_s=10.0)
    assert (silent.start_s, silent.end_s, silent.stood_out) == (0.0, 10.0, False)


def test_a_stretch_longer_than_the_limit_is_cut_at_its_end() -> None:
    power = np.full(3000, 1e-6)
    power[500:2500] = np.geomspace(1e-3, 1.0, 2000)
    span = choose_span(power, 0.1, limit_s=60.0)
    assert span.stood_out
    assert span.start_s == pytest.approx(45.0, abs=1.0)
    assert span.end_s - span.start_s == pytest.approx(60.0)


def test_a_long_wav_becomes_its_spin_up_sample_for_sample(tmp_path: Path) -> None:
    sound = workshop(400.0, 250.0)
    whole = np.rint(sound * 32767).astype(np.int16)
    with soundfile.SoundFile(tmp_path / "a.flac", "w", RATE, 1) as handle:
        handle.date = "2026-05-01T10:00:00Z"
        handle.write(whole)
    take = vc.read_take(tmp_path / "a.flac")
    assert codes(take) == ["long_recording_cut"]
    assert 243.0 < take.offset_s < 248.0
    assert take.duration_s < 40.0
    assert take.source_duration_s == pytest.approx(400.0)
    first = round(take.offset_s * RATE)
    want = whole[first : first + take.n_samples].astype(np.float32)
    assert np.array_equal(take.samples[0] * 32768.0, want)
    began = datetime.datetime(2026, 5, 1, 10, tzinfo=datetime.UTC)
    assert take.start == began + datetime.timedelta(seconds=take.offset_s)
    message = take.findings[0].message
    assert "lasts 6:40" in message
    assert "4:05 to 4:35" in message or "4:05 to 4:34" in message


@pytest.mark.parametrize(
    ("suffix", "codec"),
    [("m4a", "aac"), ("webm", "libopus"), ("aac", "aac"), ("mp3", None), ("ogg", None)],
)
def test_a_long_coded_file_is_cut_to_what_a_whole_read_gives(
    tmp_path: Path, suffix: str, codec: str | None
) -> None:
    sound = workshop(200.0, 120.0)
    path = tmp_path / f"a.{suffix}"
    if codec is None:
        with soundfile.SoundFile(path, "w", RATE, 1) as handle:
            handle.write(sound)
        whole, rate = soundfile.read(path, dtype="float32")
    else:
        # Opus knows 8 kHz, but always decodes at 48 kHz.
        container = "adts" if suffix == "aac" else None
        write_av(path, sound, RATE, codec, bit_rate=32_000, container=container)
        source = ContainerSource(path, str(path))
        whole, rate = np.concatenate(list(source.blocks()), axis=1)[0], source.sample_rate_hz
    take = vc.read_take(path)
    assert codes(take) == ["long_recording_cut"]
    first = round(take.offset_s * rate)
    assert 110.0 < take.offset_s < 120.0
    np.testing.assert_allclose(take.samples[0], whole[first : first + take.n_samples], atol=2e-6)


def test_memory_is_bounded_by_the_limit_not_by_the_file(tmp_path: Path) -> None:
    minutes, rate = 15, 16_000
    rng = np.random.default_rng(0)
    with soundfile.SoundFile(tmp_path / "a.wav", "w", rate, 1, subtype="PCM_16") as handle:
        for _ in range(minutes):
            handle.write((0.01 * rng.standard_normal(60 * rate)).astype(np.float32))
    vc.read_take(tmp_path / "a.wav")  # imports aside
    tracemalloc.start()
    take = vc.read_take(tmp_path / "a.wav")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    whole = 4 * minutes * 60 * rate
    limit = 4 * 180 * rate
    assert take.n_samples == 180 * rate
    assert limit < peak < 1.3 * limit < whole
