"""Small files that unpack to much: bounded in memory and time, and refused in words."""

from __future__ import annotations

import struct
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from recording_files import tone_mix, write_av

from vibecheck.errors import InputError
from vibecheck.recording import limits, read, sound_container, stream
from vibecheck.recording.mat_tags import unpacked_mat_bytes
from vibecheck.recording.read import read_take


def test_many_channels_at_a_high_rate_stay_within_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 180 s of this are 3.8 GB as floats; as silence in FLAC they are 1 MB.
    monkeypatch.setattr(stream, "MOST_VALUES", 2_000_000)
    path = tmp_path / "wide.flac"
    with soundfile.SoundFile(path, "w", 655_350, 8, format="FLAC") as handle:
        for _ in range(20):
            handle.write(np.zeros((65_536, 8), np.int16))
    tracemalloc.start()
    take = read_take(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert take.samples.size <= 2_000_000
    assert peak < 60_000_000  # 10 485 760 values were in it: 42 MB, 84 MB twice
    assert take.source_duration_s == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(
    ("name", "value"), [("MOST_SEARCHED_VALUES", 50_000), ("MOST_SEARCHED_S", 1.0)]
)
def test_hours_of_nothing_are_not_searched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, value: float
) -> None:
    path = tmp_path / "long.flac"
    soundfile.write(path, np.zeros(100_000, np.int16), 48_000)
    assert read_take(path).samples.shape == (1, 100_000)
    monkeypatch.setattr(stream, name, value)
    with pytest.raises(InputError, match="goes on after") as error:
        read_take(path)
    assert error.value.where == str(path)


def test_an_hour_of_stereo_is_searched() -> None:
    assert limits.MOST_SEARCHED_VALUES > 2 * 3600 * 48_000
    assert limits.MOST_VALUES > 2 * 180 * 48_000


def test_a_crowd_of_channels_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "crowd.wav"
    soundfile.write(path, np.zeros((4_000, limits.MOST_CHANNELS + 1), np.int16), 8_000)
    with pytest.raises(InputError, match="holds 65 channels"):
        read_take(path)


def test_a_long_gap_is_filled_piece_by_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = tone_mix(48_000, 3.0)[np.newaxis]
    path = tmp_path / "gap.mka"
    write_av(path, sound, 48_000, "flac", container="matroska", gap=(48_000, 48_000 * 5))
    whole = read_take(path).samples
    monkeypatch.setattr(sound_container, "BLOCK", 1_000)
    made: list[int] = []
    real = sound_container._silence

    def watched(like: object, n: int) -> object:
        made.append(n)
        return real(like, n)  # type: ignore[arg-type]

    monkeypatch.setattr(sound_container, "_silence", watched)
    np.testing.assert_array_equal(read_take(path).samples, whole)
    assert max(made) == 1_000
    assert sum(made) == 48_000 * 5


def test_arrays_that_unpack_to_much_are_not_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bomb.npz"
    np.savez_compressed(path, signal=np.zeros(1_000_000), fs=1000.0)
    assert path.stat().st_size < 20_000
    monkeypatch.setattr(limits, "MOST_UNPACKED_BYTES", 1_000_000)
    monkeypatch.setattr(np, "load", _forbidden)
    with pytest.raises(InputError, match="The NumPy file unpacks to more than 1 MB"):
        read_take(path)


def test_many_small_arrays_count_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bomb.npz"
    np.savez_compressed(path, **{f"a{at}": np.zeros(1000) for at in range(300)})
    monkeypatch.setattr(limits, "MOST_UNPACKED_BYTES", 2_000_000)
    with pytest.raises(InputError, match="unpacks to more than"):
        read_take(path)


@pytest.mark.parametrize("suffix", ["npz", "npy", "mat"])
def test_short_numbers_count_by_their_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str
) -> None:
    from scipy.io import savemat

    path = tmp_path / f"bytes.{suffix}"
    values = np.zeros(20_000, np.int8)
    if suffix == "npz":
        np.savez(path, signal=values)
    elif suffix == "npy":
        np.save(path, values)
    else:
        savemat(path, {"signal": values})
    monkeypatch.setattr(limits, "MOST_TABLE_VALUES", 10_000)
    with pytest.raises(InputError, match="million values"):
        read_take(path, sample_rate_hz=1000.0)


def test_a_header_that_lies_about_its_shape_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "lie.npy"
    with open(path, "wb") as stream_:
        np.lib.format.write_array_header_1_0(
            stream_, {"descr": "<f8", "fortran_order": False, "shape": (1 << 50,)}
        )
        stream_.write(bytes(64))
    with pytest.raises(InputError):
        read_take(path, sample_rate_hz=1000.0)


def test_a_column_of_one_value_is_not_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pyarrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "bomb.parquet"
    column = pyarrow.array(np.zeros(1_000_000))
    parquet.write_table(pyarrow.table({"time": column, "x": column}), path, compression="zstd")
    assert path.stat().st_size < 20_000
    monkeypatch.setattr(limits, "MOST_TABLE_VALUES", 1_000_000)
    monkeypatch.setattr(parquet.ParquetFile, "read", _forbidden)
    with pytest.raises(InputError, match="The Parquet file unpacks to 2 million values"):
        read_take(path)


@pytest.mark.parametrize("packed", [True, False])
@pytest.mark.parametrize("order", ["<", ">"])
def test_matlab_parts_are_counted_before_they_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, packed: bool, order: str
) -> None:
    path = tmp_path / "bomb.mat"
    content = bytes(3_000_000)
    body = zlib.compress(content) if packed else content
    mark = b"IM" if order == "<" else b"MI"
    head = b"MATLAB 5.0 MAT-file".ljust(124) + struct.pack(f"{order}H", 0x0100) + mark
    tag = struct.pack(f"{order}II", 15 if packed else 14, len(body))
    path.write_bytes(head + tag + body)
    assert unpacked_mat_bytes(path) == len(content)
    monkeypatch.setattr(limits, "MOST_UNPACKED_BYTES", 1_500_000)
    assert 1_500_000 < unpacked_mat_bytes(path) <= len(content)
    with pytest.raises(InputError, match="The MATLAB file unpacks to more than"):
        read_take(path, sample_rate_hz=1000.0)


def test_a_gzip_archive_is_not_unpacked(tmp_path: Path) -> None:
    import gzip

    path = tmp_path / "spin.wav"
    path.write_bytes(gzip.compress(bytes(1_000_000)))
    with pytest.raises(InputError, match="packed gzip archive"):
        read_take(path)


def test_too_little_memory_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "spin.wav"
    soundfile.write(path, np.zeros(1000), 8000)

    def full(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(read, "_read", full)
    with pytest.raises(InputError, match="more memory than this computer has free"):
        read_take(path)


def _forbidden(*_: object, **__: object) -> None:
    raise AssertionError("it was unpacked")


def test_a_small_file_that_claims_hours_between_its_samples(tmp_path: Path) -> None:
    # Found by damaged input: each sample of 2 bytes says that it stands for minutes.
    form = struct.pack(">d4sIIIII", 48_000.0, b"lpcm", 0, 2, 20_000_000, 1, 16)
    sound = struct.pack(">I", 0) + np.arange(3_000, dtype=">i2").tobytes()
    path = tmp_path / "jumps.caf"
    path.write_bytes(
        struct.pack(">4sHH", b"caff", 1, 0)
        + struct.pack(">4sq", b"desc", len(form))
        + form
        + struct.pack(">4sq", b"data", len(sound))
        + sound
    )
    source = sound_container.ContainerSource(path, "jumps.caf")
    n_samples = sum(block.shape[1] for block in source.blocks())
    assert "time stamps jump" in source.stopped
    assert n_samples <= sound_container._MOST_SILENCE + 3_000
