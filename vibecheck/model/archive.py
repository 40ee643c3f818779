"""Stage 5: the outside of a model file: a zip archive whose every byte is under one hash.

A model file ends in a seal, ``vibecheck.model/PROTOCOL sha256 DIGEST``, kept as the comment of the
zip archive. The digest covers all bytes before it. Nothing is unpacked before the seal holds, and
no array is made larger than the bytes that are there for it.
"""

from __future__ import annotations

import hashlib
import io
import math
import re
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.whole_file import whole_file

FORMAT_NAME = "vibecheck.model"
PROTOCOL = 4
"""Number of the file's layout. It rises whenever a field is added, dropped or read otherwise."""
MAX_FILE_BYTES = 128 * 2**20
MAX_CONTENT_BYTES = 256 * 2**20
MAX_MEMBERS = 20_000
TRAIN_AGAIN = "Train the model again with this version of vibecheck, or fetch the file again."
_END_RECORD = b"PK\x05\x06"
_END_RECORD_BYTES = 22
_SEAL = re.compile(rb"([a-z][a-z.]{0,39})/([0-9]{1,6}) sha256 ([0-9a-f]{64})\Z")
_LONGEST_SEAL = 40 + 1 + 6 + 8 + 64


def no_model(where: str) -> InputError:
    """Return the error for what is no model file, or only part of one."""
    return InputError(
        "This is no model file of vibecheck, or it is damaged.", where=where, advice=TRAIN_AGAIN
    )


def seal(archive: bytes) -> bytes:
    """Return a zip archive without a comment with its seal added.

    Raises
    ------
    ValueError
        If the bytes do not end as an archive without a comment does.
    """
    end = archive[-_END_RECORD_BYTES:]
    if end[:4] != _END_RECORD or end[-2:] != b"\x00\x00":
        raise ValueError("archive must be a zip archive without a comment.")
    head = f"{FORMAT_NAME}/{PROTOCOL} sha256 ".encode()
    covered = archive[:-2] + struct.pack("<H", len(head) + 64) + head
    return covered + hashlib.sha256(covered).hexdigest().encode()


def write_sealed(archive: bytes, target: Path) -> None:
    """Seal an archive and write it whole or not at all.

    Raises
    ------
    InputError
        If it cannot be written; what was there before stays as it was.
    """
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(target) as temporary:
            temporary.write_bytes(seal(archive))
    except OSError as error:
        raise InputError(
            f"The model file could not be written: {error.strerror}.",
            where=str(target),
            advice="Free some space or choose another folder; nothing was left half-written.",
        ) from None


def read_sealed(path: Path) -> bytes:
    """Read a model file and hold it against its seal.

    Raises
    ------
    InputError
        If it is too large, no model file, cut short, changed since it was written, or of another
        protocol.
    """
    where = str(path)
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise InputError(
                f"A model file must be at most {MAX_FILE_BYTES // 2**20} MB. "
                f"Got {path.stat().st_size / 2**20:.0f} MB instead.",
                where=where,
                advice="Name a model file of vibecheck.",
            )
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The model file cannot be read: {error.strerror}.",
            where=where,
            advice="Check the path and the permissions.",
        ) from error
    found = _SEAL.search(data, max(0, len(data) - _LONGEST_SEAL))
    if found is None:
        if data[:2] != b"PK" or _END_RECORD not in data[-_END_RECORD_BYTES - 65_535 :]:
            raise no_model(where)
        raise InputError(
            "The file does not end in the seal of a model file: it is another kind of archive, "
            "was changed, or comes from a version of vibecheck before protocol 2.",
            where=where,
            advice=TRAIN_AGAIN,
        )
    if hashlib.sha256(data[: found.start(3)]).hexdigest().encode() != found[3]:
        raise InputError(
            "The model file was changed after it was written: its content does not match its hash.",
            where=where,
            advice="Fetch the file again from where you trust it.",
        )
    check_protocol(found[1].decode(), int(found[2]), where)
    return data


def check_protocol(name: str, protocol: int, where: str) -> None:
    """Refuse a file of another format, or of another protocol of this format.

    Raises
    ------
    InputError
    """
    if name != FORMAT_NAME:
        raise InputError(
            f'The format must be "{FORMAT_NAME}". Got "{name}" instead.',
            where=where,
            advice="Name a model file of vibecheck.",
        )
    if protocol != PROTOCOL:
        newer = protocol > PROTOCOL
        raise InputError(
            f"The model file must be of protocol {PROTOCOL}. Got {protocol} instead, "
            f"from {'a newer' if newer else 'an older'} version of vibecheck.",
            where=where,
            advice="Bring vibecheck up to date, or train the model again with this version."
            if newer
            else "Train the model again with this version of vibecheck.",
        )


def unpack(data: bytes, where: str) -> dict[str, bytes]:
    """Return the members of an archive by name.

    Raises
    ------
    InputError
        If it is damaged, holds more than a model can, or is packed in another way.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            infos = archive.infolist()
            size = sum(info.file_size for info in infos)
            if size > MAX_CONTENT_BYTES or len(infos) > MAX_MEMBERS:
                raise InputError(
                    f"A model must hold at most {MAX_CONTENT_BYTES // 2**20} MB in {MAX_MEMBERS} "
                    f"parts. The file claims {size / 2**20:.0f} MB in {len(infos)}.",
                    where=where,
                    advice="Do not use it: no model of vibecheck is that large.",
                )
            plain = {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
            if any(info.compress_type not in plain or info.flag_bits & 1 for info in infos):
                raise no_model(where)
            # Reading stops at the size that the archive claims, whatever it unpacks to.
            return {info.filename: archive.read(info) for info in infos}
    except InputError:
        raise
    except Exception as error:  # whatever a broken archive makes zipfile and zlib raise
        raise no_model(where) from error


def array_of(content: bytes, where: str, kinds: str = "biufU") -> NDArray[Any]:
    """Return the array of a ``.npy`` member; plain numbers and text only, never a pickle.

    Parameters
    ----------
    content : bytes
    where : str
        The file, for messages.
    kinds : str
        Kinds of types that are let in, in numpy's letters.

    Raises
    ------
    InputError
        If it is damaged, holds objects, or claims another size than its bytes have.
    """
    stream = io.BytesIO(content)
    try:
        version = np.lib.format.read_magic(stream)
        read = {
            (1, 0): np.lib.format.read_array_header_1_0,
            (2, 0): np.lib.format.read_array_header_2_0,
        }[version]
        shape, fortran, dtype = read(stream)
    except Exception as error:  # a header is text that is parsed: anything may be wrong with it
        raise no_model(where) from error
    if dtype.kind not in kinds or dtype.hasobject or dtype.itemsize == 0:
        raise InputError(
            "The model file holds something other than plain numbers and text.",
            where=where,
            advice="Do not use it. Train a model of your own instead.",
        )
    start = stream.tell()
    count = math.prod(shape)
    if min(shape, default=0) < 0 or count * dtype.itemsize != len(content) - start:
        raise InputError(
            f"An array of the model file claims {count} entries; its bytes hold another number.",
            where=where,
            advice=TRAIN_AGAIN,
        )
    if count == 0:
        return np.empty(0, dtype=dtype)
    flat = np.frombuffer(content, dtype=dtype, count=count, offset=start)
    return flat.reshape(shape[::-1]).T if fortran else flat.reshape(shape)
