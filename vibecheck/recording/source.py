"""Recordings: the file behind a take. Is it there, may it be read, and what does it hold?

The content decides (magic bytes); the file's name is asked only where the content is silent.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from vibecheck.errors import InputError

Kind = Literal[
    "sound", "container", "table", "parquet", "npz", "npy", "mat", "hdf5", "uff", "unknown"
]

SOUND_SUFFIXES = frozenset(
    [
        ".wav",
        ".wave",
        ".bwf",
        ".rf64",
        ".w64",
        ".aif",
        ".aiff",
        ".aifc",
        ".caf",
        ".flac",
        ".ogg",
        ".oga",
        ".opus",
        ".mp3",
        ".au",
        ".snd",
    ]
)
CONTAINER_SUFFIXES = frozenset(
    [
        ".m4a",
        ".m4b",
        ".mp4",
        ".m4v",
        ".mov",
        ".qt",
        ".aac",
        ".adts",
        ".webm",
        ".mka",
        ".mkv",
        ".weba",
        ".3gp",
        ".3gpp",
        ".3g2",
        ".amr",
        ".awb",
        ".avi",
        ".wma",
        ".wmv",
        ".asf",
        ".ts",
        ".ac3",
        ".wv",
        ".ape",
    ]
)

READABLE = (
    "sound (wav, flac, ogg, opus, mp3, aiff, caf, m4a, aac, mp4, mov, webm, 3gp, amr) or a table "
    "(csv, tsv, parquet, npz, mat, uff)"
)

_ARCHIVES = {
    b"\x1f\x8b": "gzip",
    b"BZh": "bzip2",
    b"\xfd7zXZ": "xz",
    b"7z\xbc\xaf\x27\x1c": "7-Zip",
    b"Rar!": "RAR",
}
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True)
class SourceFile:
    """A readable, non-empty file and the kind of content found in it.

    Attributes
    ----------
    path : Path
        The file itself.
    record : str or None
        Which record was asked for (``file.npz#12`` asks for record 12), where the name says so.
    kind : str
    size : int
        Bytes.
    """

    path: Path
    record: str | None
    kind: Kind
    size: int

    @property
    def name(self) -> str:
        """File name as it appears in results, with the record where one was asked for."""
        return self.path.name if self.record is None else f"{self.path.name}#{self.record}"

    @property
    def where(self) -> str:
        """The path as the user gave it, for messages."""
        return str(self.path) if self.record is None else f"{self.path}#{self.record}"

    def sha256(self) -> str:
        """SHA-256 of the file's bytes (read in blocks), followed by ``#record`` where given."""
        with open(self.path, "rb") as stream:
            digest = hashlib.file_digest(stream, "sha256")
        if self.record is not None:
            digest.update(f"#{self.record}".encode())
        return digest.hexdigest()


def open_source(path: str | os.PathLike[str]) -> SourceFile:
    """Check that a file can be read at all, and find out what it holds.

    Raises
    ------
    InputError
        The file is missing, a folder, no regular file, empty, or may not be read.
    """
    target = Path(path)
    record: str | None = None
    if not target.exists() and "#" in target.name:
        stem, _, tail = str(target).rpartition("#")
        if stem and Path(stem).is_file():
            target, record = Path(stem), tail
    where = str(path)
    try:
        status = target.stat()
    except FileNotFoundError:
        raise InputError("There is no such file.", where=where, advice=_similar(target)) from None
    except (OSError, ValueError) as error:
        raise InputError(
            f"The file cannot be opened ({error}).",
            where=where,
            advice="Check its name and place.",
        ) from None
    if stat.S_ISDIR(status.st_mode):
        raise InputError(
            "This is a folder, not a recording.",
            where=where,
            advice="Name one file inside it.",
        )
    if not stat.S_ISREG(status.st_mode):
        raise InputError(
            "This is not a regular file.",
            where=where,
            advice="Copy the recording to an ordinary file first.",
        )
    if status.st_size == 0:
        raise InputError(
            "The file is empty (0 bytes).",
            where=where,
            advice="Copy or export the recording again.",
        )
    if not os.access(target, os.R_OK):
        raise InputError(
            "You have no permission to read this file.",
            where=where,
            advice="Change its permissions, or copy it to a place of your own.",
        )
    try:
        with open(target, "rb") as stream:
            head = stream.read(4096)
    except OSError as error:
        raise InputError(
            f"The file cannot be read ({error.strerror}).",
            where=where,
            advice="Copy the recording to this computer and try again.",
        ) from None
    return SourceFile(target, record, kind_of(head, target, where), status.st_size)


def kind_of(head: bytes, path: Path, where: str) -> Kind:
    """Tell what a file holds from its first bytes, then from its name.

    Raises
    ------
    InputError
        The content is a packed archive, or text under the name of a sound file.
    """
    suffix = path.suffix.lower()
    for magic, archive in _ARCHIVES.items():
        if head.startswith(magic):
            raise InputError(
                f"This is a packed {archive} archive.",
                where=where,
                advice="Unpack it and name the recording inside.",
            )
    if head.startswith(b"PK\x03\x04"):
        return _zip_kind(path, where)
    if head.startswith(b"PAR1"):
        return "parquet"
    if head.startswith(b"\x93NUMPY"):
        return "npy"
    if head.startswith(b"MATLAB 7.3") or head.startswith(b"\x89HDF"):
        return "hdf5"
    if head.startswith(b"MATLAB 5.0"):
        return "mat"
    if _is_uff(head):
        return "uff"
    # The mark of UTF-16 text would pass for an MPEG frame.
    is_utf16 = head.startswith(_UTF16_MARKS) and looks_like_text(head)
    if not is_utf16 and _is_sound(head):
        return "sound"
    if not is_utf16 and _is_container(head):
        return "container"
    if looks_like_text(head):
        if suffix in SOUND_SUFFIXES | CONTAINER_SUFFIXES:
            raise InputError(
                f"The file is named {suffix} but holds text, not sound.",
                where=where,
                advice="Export the recording again, or rename it to .csv if it is a table.",
            )
        return "table"
    if suffix == ".mat":  # version 4 files have no magic bytes
        return "mat"
    if suffix in SOUND_SUFFIXES:
        return "sound"
    if suffix in CONTAINER_SUFFIXES:
        return "container"
    return "unknown"


def looks_like_text(head: bytes) -> bool:
    """True where the bytes read as text: no NUL (but UTF-16) and hardly any control character."""
    if head.startswith(_UTF16_MARKS):
        text = head[: len(head) & ~1].decode("utf-16", errors="replace")
        printable = sum(sign.isprintable() or sign in "\r\n\t" for sign in text)
        return "\ufffd" not in text[:-1] and printable > 0.95 * len(text)
    if b"\x00" in head:
        return False
    controls = sum(byte < 32 and byte not in (9, 10, 12, 13) for byte in head)
    if controls > len(head) // 100:
        return False
    try:
        head[: len(head) - 4].decode("utf-8")
    except UnicodeDecodeError as error:
        # Latin-1 text has few high bytes; half of compressed data is high.
        high = sum(byte >= 128 for byte in head)
        return error.start > 0 and high <= len(head) // 4
    return True


def _is_uff(head: bytes) -> bool:
    """The universal file format opens each data set with -1, then the set's number."""
    lines = [line.strip() for line in head[:400].decode("latin-1").splitlines() if line.strip()]
    return len(lines) >= 2 and lines[0] == "-1" and lines[1][:6].rstrip("b ").isdigit()


def _is_sound(head: bytes) -> bool:
    """Magic bytes of what libsndfile reads."""
    form = head[8:12]
    if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"BW64"):
        return form == b"WAVE"
    if head[:4] == b"FORM":
        return form in (b"AIFF", b"AIFC", b"8SVX", b"16SV")
    if head.startswith((b"caff", b"fLaC", b"OggS", b".snd", b"riff\x2e\x91\xcf\x11")):
        return True
    if head.startswith(b"ID3") and head[3:4] < b"\x10":  # the tag's version, not a column "ID3"
        return True
    # MPEG audio frame: 11 sync bits, layer not 00 (layer 00 is AAC in ADTS).
    return len(head) > 2 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[1] & 0x06 != 0


def _is_container(head: bytes) -> bool:
    """Magic bytes of what goes through libav."""
    if head[4:8] in (b"ftyp", b"moov", b"wide", b"mdat", b"skip", b"free"):
        return True
    if head[:4] == b"RIFF":
        return head[8:12] == b"AVI "
    if head.startswith((b"\x1aE\xdf\xa3", b"#!AMR", b"0&\xb2u\x8ef\xcf\x11", b"wvpk", b"MAC ")):
        return True
    # AAC in ADTS: 12 sync bits, layer 00.
    return len(head) > 2 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0


def _zip_kind(path: Path, where: str) -> Kind:
    """NPZ is a zip whose members are .npy; other zips are refused with what to do."""
    import zipfile

    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError):
        raise InputError(
            "The file is a damaged zip archive.",
            where=where,
            advice="Copy or export it again.",
        ) from None
    if any(name.endswith(".npy") for name in names):
        return "npz"
    if any(name.startswith("xl/") for name in names):
        raise InputError(
            "This is a spreadsheet file.",
            where=where,
            advice="Save the sheet as CSV and use that.",
        )
    raise InputError(
        "This is a packed zip archive.",
        where=where,
        advice="Unpack it and name the recording inside.",
    )


def _similar(path: Path) -> str:
    """Point to a file of nearly the same name in the same folder."""
    folder = path.parent
    try:
        names = [entry.name for entry in folder.iterdir() if entry.is_file()]
    except OSError:
        return "Check the name of the folder."
    close = difflib.get_close_matches(path.name, names, n=1, cutoff=0.6)
    return f'Did you mean "{close[0]}"?' if close else "Check the name and the folder."
