"""Parts of MATLAB files: what the reading library would die of is refused before."""

from __future__ import annotations

import contextlib
import io
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import loadmat, savemat
from scipy.sparse import csc_array

from vibecheck.errors import InputError
from vibecheck.recording.mat_tags import MatDamageError, check_mat_5, is_mat_5
from vibecheck.recording.read import read_take

SAMPLES = np.random.default_rng(5).standard_normal(300)
CONTENT: dict[str, Any] = {
    "x": SAMPLES,
    "fs": 800.0,
    "name": "bench",
    "spectrum": SAMPLES[:9] * 1j,
    "run": {"x": SAMPLES[:7], "inner": {"y": np.arange(3, dtype=np.int16)}},
    "list": np.array([SAMPLES[:3], "two", np.zeros((0, 0))], dtype=object),
    "mask": SAMPLES > 0,
    "thin": csc_array(np.diag([1.0, 0.0, 2.0])),
    "odd": np.arange(5, dtype=np.uint8),
}


def written(content: dict[str, Any], *, packed: bool = False) -> bytes:
    """Bytes of a file of version 5."""
    stream = io.BytesIO()
    savemat(stream, content, do_compression=packed)
    return stream.getvalue()


PLAIN = written({"x": SAMPLES, "fs": 800.0})
BOTH = {False: written(CONTENT), True: written(CONTENT, packed=True)}
VALUES = PLAIN.index(SAMPLES.tobytes()) - 8
"""Where the tag of the samples lies."""


@pytest.mark.parametrize("packed", [False, True])
def test_what_is_whole_passes(tmp_path: Path, packed: bool) -> None:
    path = tmp_path / "all.mat"
    path.write_bytes(written(CONTENT, packed=packed))
    assert is_mat_5(path)
    check_mat_5(path)
    assert loadmat(path)["fs"] == 800.0


def test_version_4_has_no_such_parts(tmp_path: Path) -> None:
    path = tmp_path / "old.mat"
    savemat(path, {"x": SAMPLES}, format="4")
    assert not is_mat_5(path)
    take = read_take(path, unit="g", sample_rate_hz=800.0, sensor="accelerometer")
    assert take.n_samples == 300


@pytest.mark.parametrize(
    ("place", "value", "told"),
    [
        (VALUES, 127, "of kind 127"),
        (VALUES, 0, "of kind 0"),
        (VALUES, 11, "of kind 11"),
        (VALUES, 14, "a small part"),  # an array, not numbers
        (VALUES + 4, 1 << 30, "longer than what holds it"),
        (136, 5, "does not begin with its flags"),
        (136, (8 << 16) | 6, "a small part of 8 bytes"),
        (144, 6 | 1 << 11, "lacks some"),  # said to be complex
        (144, 5, "lacks some"),  # said to be sparse
        (132, 1 << 28, "breaks off"),
        (128, 6, "a variable is of kind 6"),
    ],
)
def test_a_part_that_lies_is_refused(tmp_path: Path, place: int, value: int, told: str) -> None:
    # Found by damaged input: a wrong kind of the samples ended the whole program.
    data = bytearray(PLAIN)
    data[place : place + 4] = struct.pack("<I", value)
    path = tmp_path / "lies.mat"
    path.write_bytes(data)
    with pytest.raises(MatDamageError, match=told):
        check_mat_5(path)
    with pytest.raises(InputError, match="The MATLAB file cannot be read"):
        read_take(path, unit="g")


def test_lists_in_lists_have_an_end(tmp_path: Path) -> None:
    head = PLAIN[:128]
    flags = struct.pack("<IIII", 6, 8, 1, 0)
    shape = struct.pack("<IIii", 5, 8, 1, 1)
    body = b""
    for _ in range(60):
        inner = flags + shape + struct.pack("<II", 1, 0) + body
        body = struct.pack("<II", 14, len(inner)) + inner
    path = tmp_path / "deep.mat"
    path.write_bytes(head + body)
    with pytest.raises(MatDamageError, match="without end"):
        check_mat_5(path)


@pytest.mark.parametrize(
    "content", [{"run": {"x": SAMPLES[:7]}}, {"name": ""}, {"list": np.array([1.0, "b"], object)}]
)
@pytest.mark.parametrize("places", [2**31 - 1, 16_776_961, -5])
def test_no_room_is_made_for_what_is_not_there(
    tmp_path: Path, content: dict[str, Any], places: int
) -> None:
    # Found by damaged input: a structure of 3 kB made the library ask for room for millions.
    data = bytearray(written(content))
    assert data[152:156] == struct.pack("<i", 5)
    data[160:164] = struct.pack("<i", places)
    data[164:168] = struct.pack("<i", 1)
    path = tmp_path / "room.mat"
    path.write_bytes(data)
    with pytest.raises(MatDamageError, match="more places than the file has content"):
        check_mat_5(path)


@given(
    packed=st.booleans(),
    changes=st.lists(st.tuples(st.integers(0, 4000), st.integers(0, 255)), max_size=4),
    kept=st.integers(0, 6000),
)
@settings(max_examples=150, deadline=None)
def test_any_damage_is_read_or_told(
    packed: bool,
    changes: list[tuple[int, int]],
    kept: int,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    data = bytearray(BOTH[packed][:kept])
    for place, value in changes:
        if place < len(data):
            data[place] = value
    path = tmp_path_factory.getbasetemp() / f"damaged-{packed}.mat"
    path.write_bytes(data)
    with contextlib.suppress(InputError):
        assert read_take(path, unit="g", sample_rate_hz=800.0).n_samples > 1
