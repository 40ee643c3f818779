"""Sound files: exact where they are lossless, aligned and level-true where they are not."""

from __future__ import annotations

import datetime
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recording_files import codes, lag_and_gain_db, tone_mix, write_av, write_bext

import vibecheck as vc
from vibecheck.errors import CallError, InputError

RNG = np.random.default_rng(5)


# Lossless formats: the samples that went in come out. Checked against the written integers.
@pytest.mark.parametrize(
    ("suffix", "subtype", "bits"),
    [
        ("wav", "PCM_16", 16),
        ("wav", "PCM_24", 24),
        ("flac", "PCM_16", 16),
        ("flac", "PCM_24", 24),
        ("aiff", "PCM_16", 16),
        ("aiff", "PCM_24", 24),
        ("caf", "PCM_16", 16),
        ("caf", "ALAC_16", 16),
        ("w64", "PCM_24", 24),
    ],
)
@pytest.mark.parametrize("n_channels", [1, 2])
def test_whole_numbers_come_back_bit_exact(
    tmp_path: Path, suffix: str, subtype: str, bits: int, n_channels: int
) -> None:
    whole = RNG.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (70_001, n_channels))
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, (whole << (32 - bits)).astype(np.int32), 44_100, subtype=subtype)
    take = vc.read_take(path)
    assert take.samples.dtype == np.float32
    assert np.array_equal(take.samples.astype(np.float64) * 2 ** (bits - 1), whole.T)
    assert (take.sample_rate_hz, take.codec, take.bit_rate_bps) == (44_100.0, "pcm", None)
    assert (take.sensor, take.unit) == ("microphone", "full_scale")
    assert take.findings == ()


def test_float_wav_is_bit_exact_and_32_bit_wav_is_rounded_to_float32(tmp_path: Path) -> None:
    sound = RNG.standard_normal((5000, 2)).astype(np.float32)
    soundfile.write(tmp_path / "float.wav", sound, 96_000, subtype="FLOAT")
    assert np.array_equal(vc.read_take(tmp_path / "float.wav").samples, sound.T)
    whole = RNG.integers(-(2**31), 2**31, 5000).astype(np.int32)
    soundfile.write(tmp_path / "int.wav", whole, 48_000, subtype="PCM_32")
    got = vc.read_take(tmp_path / "int.wav").samples[0]
    assert np.abs(got - whole / 2.0**31).max() <= 2.0**-24


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    n=st.integers(2, 3000),
    n_channels=st.integers(1, 4),
    rate=st.sampled_from([8000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 96_000, 192_000]),
    kind=st.sampled_from(["wav", "flac", "aiff"]),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_16_bit_sound_round_trips(
    tmp_path: Path, n: int, n_channels: int, rate: int, kind: str, seed: int
) -> None:
    whole = np.random.default_rng(seed).integers(-32768, 32768, (n, n_channels)).astype(np.int16)
    path = tmp_path / f"take.{kind}"
    soundfile.write(path, whole, rate, subtype="PCM_16")
    take = vc.read_take(path)
    assert np.array_equal(take.samples * 32768.0, whole.T.astype(np.float32))
    assert take.sample_rate_hz == rate


# Lag 0 and gain within 0.1 dB of the PCM that went in. AMR is a speech coder at 8 kHz: its lag is
# allowed 5 ms (its look-ahead, 3GPP TS 26.090, value from memory), its level 1 dB.
CODED = [
    ("m4a", "aac", None, 48_000, 0, 0.1, "aac"),
    ("m4a", "aac", None, 44_100, 0, 0.1, "aac"),
    ("m4a", "alac", None, 48_000, 0, 0.001, "pcm"),
    ("mp4", "aac", None, 48_000, 0, 0.1, "aac"),
    ("mov", "aac", None, 48_000, 0, 0.1, "aac"),
    ("mov", "pcm_s16le", None, 48_000, 0, 0.001, "pcm"),
    ("aac", "aac", "adts", 48_000, 0, 0.1, "aac"),
    ("webm", "libopus", None, 48_000, 0, 0.1, "opus"),
    ("mka", "flac", "matroska", 48_000, 0, 0.001, "pcm"),
    ("3gp", "aac", None, 48_000, 0, 0.1, "aac"),
    ("3gp", "libopencore_amrnb", None, 8000, 40, 1.0, "amr_nb"),
    ("amr", "libopencore_amrnb", None, 8000, 40, 1.0, "amr_nb"),
]
# Some builds of libav read AMR but cannot write it.
CODED = [row for row in CODED if row[1] in av.codec.codecs_available]


@pytest.mark.parametrize(
    ("suffix", "codec", "container", "rate", "most_lag", "most_db", "name"),
    CODED,
    ids=[f"{c[0]}-{c[1]}-{c[3]}" for c in CODED],
)
def test_phone_containers_keep_time_and_level(
    tmp_path: Path,
    suffix: str,
    codec: str,
    container: str | None,
    rate: int,
    most_lag: int,
    most_db: float,
    name: str,
) -> None:
    sound = tone_mix(rate, 4.0)
    bit_rate = {"libopencore_amrnb": 12_200, "aac": 128_000, "libopus": 128_000}.get(codec)
    path = write_av(
        tmp_path / f"memo.{suffix}", sound, rate, codec, container=container, bit_rate=bit_rate
    )
    take = vc.read_take(path)
    lag, gain_db = lag_and_gain_db(take, sound)
    assert abs(lag) <= most_lag
    assert abs(gain_db) <= most_db
    assert take.sample_rate_hz == rate
    assert take.n_channels == 1
    assert take.codec == name
    if name == "pcm":
        assert take.bit_rate_bps is None
    else:
        assert take.bit_rate_bps == pytest.approx(bit_rate, rel=0.4)
    assert take.findings == ()


@pytest.mark.parametrize(
    ("suffix", "subtype", "name"),
    [("ogg", "VORBIS", "vorbis"), ("opus", "OPUS", "opus"), ("mp3", "MPEG_LAYER_III", "mp3")],
)
def test_libsndfile_codecs_keep_time_and_level(
    tmp_path: Path, suffix: str, subtype: str, name: str
) -> None:
    sound = tone_mix(48_000, 4.0)
    path = tmp_path / f"take.{suffix}"
    format = "OGG" if suffix in ("ogg", "opus") else "MP3"
    soundfile.write(path, np.stack([sound, sound], axis=1), 48_000, format=format, subtype=subtype)
    take = vc.read_take(path)
    for channel in (0, 1):
        lag, gain_db = lag_and_gain_db(take, sound, channel)
        assert lag == 0
        assert abs(gain_db) <= 0.1
    # Block by block or in one go: the same samples.
    whole, _ = soundfile.read(path, dtype="float32")
    assert np.array_equal(take.samples, whole.T)
    assert take.codec == name
    assert 30_000 < (take.bit_rate_bps or 0) < 300_000
    assert take.n_samples == sound.size


@pytest.mark.parametrize(
    ("suffix", "codec"), [("m4a", "aac"), ("webm", "libopus"), ("mov", "pcm_s16le")]
)
def test_equal_stereo_channels_keep_their_level_when_mixed_down(
    tmp_path: Path, suffix: str, codec: str
) -> None:
    # A down-mix by the decoding library would add 3.01 dB.
    sound = tone_mix(48_000, 3.0)
    path = write_av(tmp_path / f"memo.{suffix}", np.stack([sound, sound]), 48_000, codec)
    take = vc.read_take(path)
    assert take.channel_names == ("left", "right")
    for channel in (0, 1):
        assert abs(lag_and_gain_db(take, sound, channel)[1]) <= 0.1
    mixed = np.dot(take.mono()[4000:-4000], sound[4000:-4000]) / np.dot(*[sound[4000:-4000]] * 2)
    assert abs(20 * np.log10(mixed)) <= 0.1


def test_a_voice_memo_has_its_exact_length_and_start(tmp_path: Path) -> None:
    sound = tone_mix(44_100, 5.0)
    path = write_av(
        tmp_path / "New Recording 7.m4a",
        sound,
        44_100,
        "aac",
        bit_rate=64_000,
        metadata={"creation_time": "2026-05-01T12:30:05.000000Z"},
    )
    take = vc.read_take(path, spot="motor_mount")
    assert take.n_samples == sound.size
    assert take.start == datetime.datetime(2026, 5, 1, 12, 30, 5, tzinfo=datetime.UTC)
    assert take.file == "New Recording 7.m4a"
    assert take.spot == "motor_mount"
    assert take.source_duration_s == pytest.approx(5.0)
    assert len(take.sha256) == 64


def test_broadcast_wave_tells_when_it_began(tmp_path: Path) -> None:
    path = write_bext(
        tmp_path / "a.wav", np.arange(5000, dtype=np.int16), 48_000, "2026-05-01", "09:08:07"
    )
    assert vc.read_take(path).start == datetime.datetime(2026, 5, 1, 9, 8, 7)
    write_bext(path, np.arange(5000, dtype=np.int16), 48_000, "2026-99-99", "09:08:07")
    assert vc.read_take(path).start is None


def test_a_year_alone_is_no_start(tmp_path: Path) -> None:
    with soundfile.SoundFile(tmp_path / "a.flac", "w", 8000, 1) as handle:
        handle.date = "2026"
        handle.write(np.zeros(8000))
    assert vc.read_take(tmp_path / "a.flac").start is None
    with soundfile.SoundFile(tmp_path / "b.flac", "w", 8000, 1) as handle:
        handle.date = "2026-05-01T09:08:07+02:00"
        handle.write(np.zeros(8000))
    start = vc.read_take(tmp_path / "b.flac").start
    assert start is not None
    assert start.utcoffset() == datetime.timedelta(hours=2)


def test_the_content_decides_not_the_name(tmp_path: Path) -> None:
    sound = tone_mix(48_000, 1.0)
    write_av(tmp_path / "memo.m4a", sound, 48_000, "aac")
    (tmp_path / "memo.m4a").rename(tmp_path / "memo.wav")
    assert vc.read_take(tmp_path / "memo.wav").codec == "aac"
    soundfile.write(tmp_path / "take.flac", sound, 48_000)
    (tmp_path / "take.flac").rename(tmp_path / "take")
    assert vc.read_take(tmp_path / "take").n_samples == sound.size


def test_telephone_sound_is_read(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone_mix(8000, 4.0), 8000, subtype="ULAW")
    take = vc.read_take(tmp_path / "a.wav")
    assert (take.codec, take.sample_rate_hz) == ("ulaw", 8000.0)
    assert take.bit_rate_bps == pytest.approx(64_000, rel=0.01)


def test_lost_sound_becomes_silence_and_is_said(tmp_path: Path) -> None:
    sound = tone_mix(48_000, 3.0)
    path = tmp_path / "a.mka"
    write_av(path, sound, 48_000, "flac", container="matroska", gap=(48_000, 4800))
    take = vc.read_take(path)
    assert codes(take) == ["sound_gaps"]
    assert take.findings[0].value == pytest.approx(0.1, abs=0.03)
    assert take.n_samples == pytest.approx(sound.size + 4800, abs=1500)
    # What follows the gap is late by exactly the silence that was put in.
    tail = take.samples[0, -20_000:]
    assert np.abs(tail - sound[-20_000:]).max() < 1e-3


def test_the_first_of_several_sound_tracks_is_used(tmp_path: Path) -> None:
    sound = tone_mix(48_000, 2.0)
    path = write_av(tmp_path / "clip.mov", sound, 48_000, "pcm_s16le", more_streams=1)
    take = vc.read_take(path)
    assert codes(take) == ["several_audio_streams"]
    assert abs(lag_and_gain_db(take, sound)[1]) < 0.01


def test_a_dead_channel_is_left_out_and_said(tmp_path: Path) -> None:
    sound = tone_mix(48_000, 2.0)
    soundfile.write(tmp_path / "a.wav", np.stack([0 * sound, sound], axis=1), 48_000)
    take = vc.read_take(tmp_path / "a.wav")
    assert take.channel_names == ("right",)
    assert codes(take) == ["dead_channel"]
    assert "left" in take.findings[0].message
    soundfile.write(tmp_path / "b.wav", np.stack([0 * sound, 0 * sound], axis=1), 48_000)
    silent = vc.read_take(tmp_path / "b.wav")
    assert (silent.n_channels, silent.findings) == (2, ())


def test_a_few_nan_samples_are_bridged(tmp_path: Path) -> None:
    sound = tone_mix(48_000, 2.0)
    broken = sound.copy()
    broken[[500, 501, 70_000]] = [np.nan, np.inf, -np.inf]
    soundfile.write(tmp_path / "a.wav", broken, 48_000, subtype="FLOAT")
    take = vc.read_take(tmp_path / "a.wav")
    assert codes(take) == ["nan_samples_filled"]
    assert np.isfinite(take.samples).all()
    assert take.samples[0, 500] == pytest.approx((2 * sound[499] + sound[502]) / 3)
    untouched = np.isfinite(broken)
    assert np.array_equal(take.samples[0, untouched], sound[untouched])


@pytest.mark.parametrize(("share", "message"), [(1.0, "All samples"), (0.02, "2 % of the samples")])
def test_many_nan_samples_are_refused(tmp_path: Path, share: float, message: str) -> None:
    sound = tone_mix(48_000, 1.0)
    sound[:: round(1 / share)] = np.nan
    soundfile.write(tmp_path / "a.wav", sound, 48_000, subtype="FLOAT")
    with pytest.raises(InputError, match=message):
        vc.read_take(tmp_path / "a.wav")


def test_a_long_run_of_nan_is_refused(tmp_path: Path) -> None:
    sound = tone_mix(48_000, 10.0)
    sound[1000:2500] = np.nan
    soundfile.write(tmp_path / "a.wav", sound, 48_000, subtype="FLOAT")
    with pytest.raises(InputError, match="1500 in a row"):
        vc.read_take(tmp_path / "a.wav")


def test_arguments_that_do_not_fit_sound_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, tone_mix(48_000, 1.0), 48_000)
    with pytest.raises(CallError, match="columns is for tables"):
        vc.read_take(path, columns={"x": "a"})
    with pytest.raises(CallError, match="time_unit is for tables"):
        vc.read_take(path, time_unit="s")
    with pytest.raises(CallError, match="must agree with the file, which says 48000"):
        vc.read_take(path, sample_rate_hz=44_100)
    with pytest.raises(CallError, match="unit must be full_scale"):
        vc.read_take(path, unit="g")
    assert vc.read_take(path, sample_rate_hz=48_000).sample_rate_hz == 48_000
    # An accelerometer's amplifier may be recorded as sound; float files may hold physical units.
    assert vc.read_take(path, sensor="accelerometer").sensor == "accelerometer"
    soundfile.write(path, np.ones(1000, dtype=np.float32), 1000, subtype="FLOAT")
    take = vc.read_take(path, sensor="accelerometer", unit="g")
    assert take.unit == "m/s^2"
    assert take.samples[0, 0] == np.float32(9.80665)  # standard gravity, ISO 80000-3


def test_where_a_recording_changes_the_rest_is_left_out_and_said(tmp_path: Path) -> None:
    sound = tone_mix(48_000, 4.0)
    mono = write_av(tmp_path / "mono.aac", sound, 48_000, "aac", container="adts")
    both = np.stack([sound, sound])
    stereo = write_av(tmp_path / "stereo.aac", both, 48_000, "aac", container="adts")
    (tmp_path / "a.aac").write_bytes(mono.read_bytes() + stereo.read_bytes())
    take = vc.read_take(tmp_path / "a.aac")
    assert codes(take) == ["rest_left_out"]
    assert "the number of channels changes" in take.findings[0].message
    assert take.duration_s == pytest.approx(4.0, abs=0.05)

    path = tmp_path / "b.mka"
    write_av(path, sound, 48_000, "flac", container="matroska", gap=(96_000, 48_000 * 700))
    take = vc.read_take(path)
    assert codes(take) == ["rest_left_out"]
    assert "time stamps jump by 700 s" in take.findings[0].message
    assert take.duration_s == pytest.approx(2.0, abs=0.05)


def test_a_coder_that_settles_after_its_first_block(tmp_path: Path) -> None:
    sound = tone_mix(48_000, 3.0)
    mono = write_av(tmp_path / "mono.aac", sound, 48_000, "aac", container="adts").read_bytes()
    both = np.stack([sound, sound])
    stereo = write_av(tmp_path / "stereo.aac", both, 48_000, "aac", container="adts").read_bytes()
    # Length of the first ADTS frame: 13 bits from bit 30 on (ISO/IEC 13818-7, value from memory).
    length = (mono[3] & 3) << 11 | mono[4] << 3 | mono[5] >> 5
    assert mono[length] == 0xFF
    (tmp_path / "a.aac").write_bytes(mono[:length] + stereo)
    take = vc.read_take(tmp_path / "a.aac")
    assert take.n_channels == 2
    assert take.duration_s == pytest.approx(3.0, abs=0.05)
    assert abs(lag_and_gain_db(take, sound)[1]) < 0.1


def test_broadcast_wave_beyond_4_gb_has_its_size_elsewhere(tmp_path: Path) -> None:
    # RF64 (EBU Tech 3306): the data chunk says 0xFFFFFFFF, ds64 holds the size.
    whole = RNG.integers(-9000, 9000, 48_000).astype(np.int16)
    soundfile.write(tmp_path / "a.wav", whole, 8000, format="RF64", subtype="PCM_16")
    assert (tmp_path / "a.wav").read_bytes()[:4] == b"RF64"
    take = vc.read_take(tmp_path / "a.wav")
    assert np.array_equal(take.samples[0] * 32768, whole.astype(np.float32))
    content = (tmp_path / "a.wav").read_bytes()
    (tmp_path / "b.wav").write_bytes(content[: len(content) * 3 // 4])
    assert codes(vc.read_take(tmp_path / "b.wav")) == ["truncated_file_used"]


def test_nan_samples_in_a_long_file_do_not_hide_the_spin_up(tmp_path: Path) -> None:
    sound = 1e-3 * RNG.standard_normal(200 * 1000).astype(np.float32)
    sound[150_000:160_000] *= 100 * np.hanning(10_000).astype(np.float32)
    sound[1000] = np.nan
    soundfile.write(tmp_path / "a.wav", sound, 1000, subtype="FLOAT")
    take = vc.read_take(tmp_path / "a.wav")
    assert codes(take) == ["long_recording_cut"]
    assert 140 < take.offset_s < 152
