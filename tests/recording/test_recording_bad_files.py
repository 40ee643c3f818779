"""Files that cannot be used: one clear message each, no traceback, nothing on stderr."""

from __future__ import annotations

import contextlib
import gzip
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile
from recording_files import codes, tone_mix, write_av, write_video_only

import vibecheck as vc
from vibecheck.errors import CallError, InputError, VibecheckError


@pytest.fixture(autouse=True)
def quiet(capfd: pytest.CaptureFixture[str]) -> object:
    """Nothing may reach stdout or stderr, not even from the C libraries."""
    yield
    out = capfd.readouterr()
    assert out.out == ""
    assert out.err == ""


def refused(path: Path, message: str, **arguments: object) -> InputError:
    with pytest.raises(InputError, match=message) as caught:
        vc.read_take(path, **arguments)  # type: ignore[arg-type]
    error = caught.value
    assert error.where is not None
    assert str(path) in error.where
    assert error.advice
    assert error.exit_code == 1
    return error


def test_a_missing_file(tmp_path: Path) -> None:
    (tmp_path / "spin_1.wav").write_bytes(b"x")
    error = refused(tmp_path / "spin1.wav", "no such file")
    assert 'Did you mean "spin_1.wav"?' in str(error)
    refused(tmp_path / "nowhere" / "spin1.wav", "no such file")
    refused(tmp_path / "else.flac", "no such file")


def test_a_folder(tmp_path: Path) -> None:
    refused(tmp_path, "folder, not a recording")


def test_an_empty_file(tmp_path: Path) -> None:
    for name in ("a.wav", "a.csv", "a.m4a", "a"):
        (tmp_path / name).write_bytes(b"")
        refused(tmp_path / name, r"empty \(0 bytes\)")


def test_something_that_is_no_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    refused(tmp_path / "pipe.wav", "not a regular file")


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(100), 8000)
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    refused(tmp_path / "a.wav", "no permission to read")


def test_a_disk_that_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(100), 8000)

    def fails(*_: object, **__: object) -> object:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("builtins.open", fails)
    refused(tmp_path / "a.wav", "cannot be read .Input/output error")


def test_an_impossible_name() -> None:
    with pytest.raises(InputError, match=r"cannot be opened|no such file"):
        vc.read_take("a\0b.wav")


@pytest.mark.parametrize("suffix", ["wav", "mp3", "m4a", "flac"])
def test_text_named_as_sound(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    path.write_text("This is not sound.\nIt is text.\n")
    refused(path, f"named .{suffix} but holds text")
    path.write_bytes("Dies ist kein Gerät, nur Text: äöü\n".encode("latin-1") * 20)
    refused(path, f"named .{suffix} but holds text")


@pytest.mark.parametrize("suffix", ["wav", "flac", "mp3", "ogg", "m4a", "webm", "amr", "aiff"])
def test_random_bytes_named_as_sound(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(np.random.default_rng(4).bytes(20_000))
    refused(path, "cannot be read|no sound")


MAGIC_HEADS = (
    b"RIFF\x00\x10\x00\x00WAVE",
    b"fLaC",
    b"OggS",
    b"\x00\x00\x00\x20ftypM4A ",
    b"ID3\x04\x00",
    b"\x1aE\xdf\xa3",
    b"#!AMR\n",
    b"\xff\xf1\x50\x80",
    b"caff\x00\x01",
    b"FORM\x00\x00\x10\x00AIFF",
)


@pytest.mark.parametrize(
    ("head", "length"),
    [
        *((head, 0) for head in MAGIC_HEADS),
        # Frames of AMR carry no check: any bytes decode.
        *((head, 5000) for head in MAGIC_HEADS if b"AMR" not in head),
    ],
)
def test_a_magic_head_and_nothing_sensible_behind_it(
    tmp_path: Path, head: bytes, length: int
) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(head + np.random.default_rng(1).bytes(length))
    refused(path, "cannot be read|no sound")


def test_a_wav_header_without_data(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.ones(1000), 8000)
    content = (tmp_path / "a.wav").read_bytes()
    at = content.index(b"data")
    (tmp_path / "b.wav").write_bytes(content[:at] + b"data\x00\x00\x00\x00")
    refused(tmp_path / "b.wav", "header but holds no sound")
    (tmp_path / "c.wav").write_bytes(content[:at])
    refused(tmp_path / "c.wav", "cannot be read")
    (tmp_path / "d.wav").write_bytes(content[: at + 8])
    refused(tmp_path / "d.wav", "header but holds no sound")
    (tmp_path / "e.wav").write_bytes(content[:30])
    refused(tmp_path / "e.wav", "cannot be read")


def test_one_sample(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.ones(1), 8000)
    refused(tmp_path / "a.wav", "only one sample")


def test_a_truncated_flac_is_used_if_long_enough(tmp_path: Path) -> None:
    whole = np.random.default_rng(2).integers(-3000, 3000, 48_000 * 8).astype(np.int16)
    soundfile.write(tmp_path / "a.flac", whole, 48_000)
    content = (tmp_path / "a.flac").read_bytes()
    (tmp_path / "b.flac").write_bytes(content[: int(len(content) * 0.6)])
    take = vc.read_take(tmp_path / "b.flac")
    assert codes(take) == ["truncated_file_used"]
    assert 4.6 < take.duration_s < 4.81
    assert np.array_equal(take.samples[0] * 32768, whole[: take.n_samples].astype(np.float32))
    assert take.findings[0].limit == pytest.approx(8.0)
    (tmp_path / "c.flac").write_bytes(content[: int(len(content) * 0.3)])
    refused(tmp_path / "c.flac", r"breaks off: only 2\.\d\d s")


def test_a_truncated_wav_is_used_if_long_enough(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone_mix(8000, 10.0), 8000)
    content = (tmp_path / "a.wav").read_bytes()
    (tmp_path / "b.wav").write_bytes(content[: len(content) // 2])
    take = vc.read_take(tmp_path / "b.wav")
    assert codes(take) == ["truncated_file_used"]
    assert take.duration_s == pytest.approx(5.0, abs=0.01)
    (tmp_path / "c.wav").write_bytes(content[: len(content) // 5])
    refused(tmp_path / "c.wav", "breaks off: only")


def test_a_wav_whose_recorder_was_cut_off_is_used(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone_mix(8000, 4.0), 8000)
    want = vc.read_take(tmp_path / "a.wav").samples
    content = bytearray((tmp_path / "a.wav").read_bytes())
    at = content.index(b"data")
    content[at + 4 : at + 8] = b"\0\0\0\0"
    content[4:8] = b"\0\0\0\0"
    (tmp_path / "b.wav").write_bytes(content)
    take = vc.read_take(tmp_path / "b.wav")
    assert codes(take) == ["unfinished_file_used"]
    assert np.array_equal(take.samples, want)


def test_a_truncated_mp3_is_used_if_long_enough(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.mp3", tone_mix(48_000, 8.0), 48_000)
    content = (tmp_path / "a.mp3").read_bytes()
    (tmp_path / "b.mp3").write_bytes(content[: int(len(content) * 0.7)])
    assert codes(vc.read_take(tmp_path / "b.mp3")) == ["truncated_file_used"]


def test_a_voice_memo_cut_off_before_its_index_was_written(tmp_path: Path) -> None:
    write_av(tmp_path / "a.m4a", tone_mix(48_000, 5.0), 48_000, "aac")
    content = (tmp_path / "a.m4a").read_bytes()
    (tmp_path / "b.m4a").write_bytes(content[: len(content) // 2])
    error = refused(tmp_path / "b.m4a", "cannot be read")
    assert "unfinished" in str(error)


def test_a_voice_memo_with_a_damaged_middle(tmp_path: Path) -> None:
    write_av(tmp_path / "a.m4a", tone_mix(48_000, 8.0), 48_000, "aac")
    content = bytearray((tmp_path / "a.m4a").read_bytes())
    middle = len(content) // 2
    content[middle : middle + 2000] = b"\xff" * 2000
    (tmp_path / "b.m4a").write_bytes(content)
    take = vc.read_take(tmp_path / "b.m4a")
    assert "damaged_sound_skipped" in codes(take)
    # What follows stays in its place: silence stands in for what was lost.
    assert take.duration_s == pytest.approx(8.0, abs=0.03)


def test_video_without_sound(tmp_path: Path) -> None:
    refused(write_video_only(tmp_path / "clip.mp4"), "There is no sound in this file")


def test_sound_in_an_unknown_coding(tmp_path: Path) -> None:
    write_av(tmp_path / "a.m4a", tone_mix(48_000, 1.0), 48_000, "aac")
    content = (tmp_path / "a.m4a").read_bytes()
    (tmp_path / "b.m4a").write_bytes(content.replace(b"mp4a", b"zzzz").replace(b"esds", b"free"))
    refused(tmp_path / "b.m4a", "encrypted or in an unknown coding")


def test_archives_and_spreadsheets(tmp_path: Path) -> None:
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(b"t,x\n0,1\n"))
    refused(tmp_path / "a.csv.gz", "packed gzip archive")
    for member, message in (("log.csv", "packed zip archive"), ("xl/workbook.xml", "spreadsheet")):
        with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
            archive.writestr(member, "x")
        refused(tmp_path / "a.zip", message)
    (tmp_path / "b.zip").write_bytes((tmp_path / "a.zip").read_bytes()[:30])
    refused(tmp_path / "b.zip", "damaged zip archive")


def test_unknown_content(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(bytes(range(256)) * 20)
    error = refused(tmp_path / "a.bin", "not a kind of file that can be read")
    assert "m4a" in str(error)


def test_a_record_of_a_file_that_has_none(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(1000), 8000)
    with pytest.raises(CallError, match="Only npz, npy, mat and uff files hold several records"):
        vc.read_take(f"{tmp_path / 'a.wav'}#1")
    # A # in the file's own name is no record.
    soundfile.write(tmp_path / "take #2.wav", np.ones(1000) * 0.5, 8000)
    assert vc.read_take(tmp_path / "take #2.wav").file == "take #2.wav"


def test_damaged_files_never_end_in_a_traceback(tmp_path: Path) -> None:
    """Cut and overwritten files: a take, or one of vibecheck's own errors, and nothing else."""
    rng = np.random.default_rng(9)
    sound = tone_mix(8000, 3.2)
    for name in ("a.wav", "a.flac", "a.mp3", "a.ogg"):
        soundfile.write(tmp_path / name, sound, 8000)
    write_av(tmp_path / "a.m4a", sound, 8000, "aac", bit_rate=32_000)
    write_av(tmp_path / "a.webm", sound, 8000, "libopus", bit_rate=32_000)
    rows = [f"{i / 100:.2f},{np.sin(i):.4f},{np.cos(i):.4f}" for i in range(400)]
    (tmp_path / "a.csv").write_text("\n".join(["t (s),x (g),y (g)", *rows]))
    np.savez(tmp_path / "a.npz", ax_g=sound, fs=8000)
    for path in sorted(tmp_path.glob("a.*")):
        whole = path.read_bytes()
        for trial in range(12):
            content = bytearray(whole)
            if trial % 3 == 0:
                del content[rng.integers(1, len(content)) :]
            elif trial % 3 == 1:
                for at in rng.integers(0, len(content), 12):
                    content[at] = rng.integers(0, 256)
            else:
                at = int(rng.integers(0, len(content)))
                content[at : at + 300] = rng.bytes(200)
            damaged = tmp_path / f"damaged{path.suffix}"
            damaged.write_bytes(content)
            with contextlib.suppress(VibecheckError):
                assert np.isfinite(vc.read_take(damaged).samples).all()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"sensor": "microfone"}, 'sensor must be "microphone" or "accelerometer"'),
        ({"spot": ""}, "spot must be the name of a zone"),
        ({"spot": None}, "spot must be the name of a zone"),
        ({"unit": "furlong"}, "unit must be one of full_scale, m/s"),
        ({"time_unit": "h"}, "time_unit must be one of s, ms, us, ns"),
        ({"sample_rate_hz": 0}, "sample_rate_hz must be a positive number"),
        ({"sample_rate_hz": float("nan")}, "sample_rate_hz must be a positive number"),
        ({"sample_rate_hz": "48000"}, "sample_rate_hz must be a positive number"),
        ({"sample_rate_hz": True}, "sample_rate_hz must be a positive number"),
        ({"columns": {"tme": "t"}}, "columns must name the roles"),
    ],
)
def test_arguments_that_no_file_could_make_right(
    arguments: dict[str, object], message: str
) -> None:
    with pytest.raises(CallError, match=message) as caught:
        vc.read_take("any.wav", **arguments)  # type: ignore[arg-type]
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("text", "told"),
    [
        # Found by damaged input.
        ("t\x7fm9:30:00.047500Z,0.1\x0cT\n2031-05-04T09:30:00.048750Z,0.1090\n", "no sample"),
        ("# sample rate:nan#0Z,0.6467\n2\r0", "a sample rate of 0, which cannot be"),
        ("# sample rate: 0 Hz\nx\n1\n2\n3\n", "a sample rate of 0, which cannot be"),
        ("time_s,x_g,y_g,z_g\n0.0,0.3,09:30:00.048750Z,0.1\n", "stamps cannot be a signal"),
    ],
)
def test_damaged_tables_are_told(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8", newline="")
    with pytest.raises(InputError, match=told):
        vc.read_take(path, unit="g")
