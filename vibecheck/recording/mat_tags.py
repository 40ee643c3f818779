"""Recordings: the parts of a MATLAB file of version 5 to 7: how much, and what they say they are.

The library that reads such files trusts the kind of each part, and a damaged kind ends the whole
program. So every part is looked at before, and none of its content.

References
----------
MAT-File Format, The MathWorks (level 5: tags, small parts, padding, array flags); value from
memory.
"""

from __future__ import annotations

import math
import zlib
from pathlib import Path
from typing import IO, Any, Literal, Protocol

from vibecheck.recording import limits

_HEADER_BYTES = 128
_MATRIX, _PACKED = 14, 15
_KINDS = frozenset((1, 2, 3, 4, 5, 6, 7, 9, 12, 13, 16, 17, 18))
"""Numbers of 8 to 64 bits and text; 14 is an array, and 15 packed."""
_FLAGS_KIND, _FLAGS_BYTES = 6, 8
_SHAPE_KINDS, _MOST_SHAPE_BYTES = frozenset((5, 6)), 128
_HOLDERS, _TEXT, _SPARSE = (1, 2, 3), 4, 5
"""Classes of arrays: lists, structures and objects, which hold arrays; text; sparse ones."""
_FIRST_NUMBER, _LAST_NUMBER = 6, 15
"""Numbers from double to 64-bit."""
_MOST_EMPTY = 1_000
"""So many places an array may have that the file holds nothing for."""
_DEEPEST = 32
_CHUNK = 1 << 16

Order = Literal["little", "big"]


class MatDamageError(ValueError):
    """A part of the file is not what it says it is."""


class _Bytes(Protocol):
    def read(self, n: int) -> bytes: ...

    def skip(self, n: int) -> None: ...


class _Plain:
    """Bytes as they lie in the file."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream

    def read(self, n: int) -> bytes:
        return self._stream.read(n)

    def skip(self, n: int) -> None:
        self._stream.seek(n, 1)


class _Unpacked:
    """Bytes of a packed part; never holds more than a piece of it."""

    def __init__(self, stream: IO[bytes], n_packed: int) -> None:
        self._stream, self._left = stream, n_packed
        self._unpacker = zlib.decompressobj()
        self._ready = b""

    def read(self, n: int) -> bytes:
        while len(self._ready) < n and (more := self.next_piece()):
            self._ready += more
        taken, self._ready = self._ready[:n], self._ready[n:]
        return taken

    def skip(self, n: int) -> None:
        while n > 0 and (self._ready or self._fill()):
            gone = min(n, len(self._ready))
            self._ready = self._ready[gone:]
            n -= gone

    def _fill(self) -> bool:
        self._ready = self.next_piece()
        return bool(self._ready)

    def next_piece(self) -> bytes:
        while not self._unpacker.eof:
            packed = self._unpacker.unconsumed_tail
            if not packed:
                packed = self._stream.read(min(self._left, _CHUNK))
                self._left -= len(packed)
                if not packed:
                    return b""
            if more := self._unpacker.decompress(packed, _CHUNK):
                return more
        return b""


def unpacked_mat_bytes(path: Path) -> int:
    """Unpack a MATLAB file of version 5 to 7 to nowhere, and count; stop soon after the limit.

    Raises
    ------
    zlib.error
        If a packed part is damaged.
    """
    total, limit_bytes = 0, limits.MOST_UNPACKED_BYTES
    with path.open("rb") as stream:
        order = _order(stream)
        place = _HEADER_BYTES
        while len(tag := stream.read(8)) == 8 and total <= limit_bytes:
            kind, n = _whole_tag(tag, order)
            if kind == _PACKED:
                unpacked = _Unpacked(stream, n)
                while total <= limit_bytes and (piece := unpacked.next_piece()):
                    total += len(piece)
            else:
                total += n
            place += 8 + n
            stream.seek(place)
    return total


def check_mat_5(path: Path) -> None:
    """Look at the kind and size of every part of a MATLAB file of version 5 to 7.

    Parameters
    ----------
    path : Path

    Raises
    ------
    MatDamageError
        If a part has a kind that there is not, or does not fit into what holds it.
    zlib.error
        If a packed part is damaged.
    OSError
        If the file cannot be read.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        order = _order(stream)
        place = _HEADER_BYTES
        while place < size:
            stream.seek(place)
            kind, n = _whole_tag(stream.read(8), order)
            place += 8 + n
            if place > size:
                raise MatDamageError("the file breaks off")
            source: _Bytes = _Plain(stream)
            if kind == _PACKED:
                source = _Unpacked(stream, n)
                kind, n = _whole_tag(source.read(8), order)
            if kind != _MATRIX:
                raise MatDamageError(f"a variable is of kind {kind}")
            _check_array(source, n, order, 0)


def _order(stream: IO[bytes]) -> Order:
    """Read past the header; whatever is not the one order is the other, as the library has it."""
    return "little" if stream.read(_HEADER_BYTES)[126:] == b"IM" else "big"


def _whole_tag(tag: bytes, order: Order) -> tuple[int, int]:
    if len(tag) < 8:
        raise MatDamageError("the file breaks off")
    return int.from_bytes(tag[:4], order), int.from_bytes(tag[4:], order)


def _check_array(source: _Bytes, size: int, order: Order, depth: int) -> None:
    """Look at the parts of an array; those of a list or a structure may be arrays themselves."""
    if size == 0:
        return
    if depth > _DEEPEST:
        raise MatDamageError("arrays lie in arrays without end")
    kinds: list[int] = []
    sizes: list[int] = []
    flags, shape = 0, b""
    place = 0
    while place < size:
        tag = source.read(8)
        kind, n = _whole_tag(tag, order)
        place += 8
        if kind >> 16:  # a small part: its bytes lie in the tag itself
            kind, n = kind & 0xFFFF, kind >> 16
            if n > 4 or not kinds:
                raise MatDamageError(f"a small part of {n} bytes")
            content = tag[4 : 4 + n]
        elif n > size - place:
            raise MatDamageError("a part is longer than what holds it")
        else:
            if not kinds and (kind, n) != (_FLAGS_KIND, _FLAGS_BYTES):
                raise MatDamageError("an array does not begin with its flags")
            content = b""
            if kind == _MATRIX:
                _check_array(source, n, order, depth + 1)
            elif len(kinds) < 2 and n <= _MOST_SHAPE_BYTES:
                content = source.read(n)
            else:
                source.skip(n)
            padding = min(-n % 8, size - place - n)
            source.skip(padding)
            place += n + padding
        if kind != _MATRIX and kind not in _KINDS:
            raise MatDamageError(f"a part is of kind {kind}")
        if not kinds:
            flags = int.from_bytes(content[:4], order)
        elif len(kinds) == 1:
            shape = content
        kinds.append(kind)
        sizes.append(n)
    _check_numbers(flags, kinds)
    _check_shape(flags & 0xFF, shape, order, kinds, sizes)


def _check_numbers(flags: int, kinds: list[int]) -> None:
    """Whether an array of numbers has them: flags, sizes and name come first."""
    array_class, is_complex = flags & 0xFF, flags >> 11 & 1
    if array_class == _SPARSE:
        wanted = 3 + is_complex  # rows, columns, values
    elif _FIRST_NUMBER <= array_class <= _LAST_NUMBER:
        wanted = 1 + is_complex
    else:
        return
    numbers = kinds[3 : 3 + wanted]
    if len(numbers) < wanted or _MATRIX in numbers:
        raise MatDamageError("an array of numbers lacks some of them")


def _check_shape(
    array_class: int, shape: bytes, order: Order, kinds: list[int], sizes: list[int]
) -> None:
    """Whether lists and text have so many places as they say: room is made for them before."""
    if array_class in _HOLDERS:
        held = kinds.count(_MATRIX)
    elif array_class == _TEXT:
        held = sum(sizes[3:])
    else:
        return
    steps = range(0, len(shape) // 4 * 4, 4)  # no shape at all is one place
    places = math.prod(int.from_bytes(shape[k : k + 4], order, signed=True) for k in steps)
    if not _SHAPE_KINDS.issuperset(kinds[1:2]) or not 0 <= places <= max(held, _MOST_EMPTY):
        raise MatDamageError("an array has more places than the file has content")


def is_mat_5(path: Path) -> bool:
    """Whether a MATLAB file is of version 5 to 7, as the reading library decides it."""
    from scipy.io.matlab import matfile_version

    major: Any = matfile_version(path)[0]
    return bool(major == 1)
