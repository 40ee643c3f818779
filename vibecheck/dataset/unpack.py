"""Opening a pack that somebody else made: nothing in it is believed before it is proved.

A pack is a zip file without compression whose parts have a few fixed forms of names, each listed in
``pack.json`` with size and hash. Everything else is refused before a byte is written: other names
(and so ``../``, absolute paths and drives), links, folders, encryption, compression (and with it
what swells when unpacked), parts that together are larger than the file, parts that are not listed.
"""

from __future__ import annotations

import hashlib
import json
import re
import stat
import zipfile
import zlib
from pathlib import Path
from typing import Any

from vibecheck.dataset.checks import verify_files
from vibecheck.dataset.manifest import ManifestRow, read_header, read_manifest
from vibecheck.dataset.pack import CONTENTS, MANIFEST_NAME, SCHEMA
from vibecheck.errors import InputError

_NAME = re.compile(
    r"pack\.json|manifest\.csv|cars/[0-9a-f]{16}\.toml|takes/[0-9a-f]{16}\.[a-z0-9]{1,8}"
)
_MOST_CONTENTS = 256 * 2**20
_MOST_FILES = 2_000_000
_BLOCK = 1 << 20
_AGAIN = "Ask for the pack again, and do not merge this one."


def unpack(pack: Path, folder: Path) -> list[ManifestRow]:
    """Write a pack's files into an empty folder and return its rows.

    Parameters
    ----------
    pack : Path
    folder : Path
        Empty; thrown away by the caller whatever happens.

    Raises
    ------
    InputError
        If it is no pack, or anything about it is not as a pack must be.
    """
    try:
        with _archive(pack) as archive:
            members = _members(archive, pack)
            listed = _listed(archive, members, pack)
            for name in ("takes", "cars"):
                (folder / name).mkdir()
            for name, entry in listed.items():
                _extract(archive, members[name], folder / name, entry, pack)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError) as error:
        raise _no_pack(pack) from error
    except OSError as error:
        raise InputError(
            f"The pack cannot be read, or not be unpacked: {error.strerror or error}.",
            where=str(pack),
            advice="See to the file and to the space on the disk; the set is as it was.",
        ) from error
    manifest = folder / MANIFEST_NAME
    _check_paths(manifest, set(listed), pack)
    rows = read_manifest(manifest)
    verify_files(rows)
    return rows


def _archive(pack: Path) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(pack)
    except ValueError as error:  # names of parts that are no text, for one
        raise _no_pack(pack) from error


def _no_pack(pack: Path) -> InputError:
    return InputError(
        "This is no pack, or it is damaged.",
        where=str(pack),
        advice="Name a .zip file that vibecheck dataset pack has written, or ask for it again.",
    )


def _refuse(what: str, pack: Path) -> InputError:
    return InputError(what, where=str(pack), advice=_AGAIN)


def _members(archive: zipfile.ZipFile, pack: Path) -> dict[str, zipfile.ZipInfo]:
    """Return the parts by name; refuse what a pack never holds."""
    found: dict[str, zipfile.ZipInfo] = {}
    infos = archive.infolist()
    if len(infos) > _MOST_FILES:
        raise _refuse(f"The pack holds {len(infos)} parts: no pack is so large.", pack)
    for info in infos:
        name = info.orig_filename
        shown = name[:80].encode("unicode_escape").decode()
        parts = re.split(r"[/\\]", name)
        if ".." in parts or name.startswith(("/", "\\")) or ":" in name:
            raise _refuse(f'The pack holds a path that leads out of its folder: "{shown}".', pack)
        mode = info.external_attr >> 16
        if stat.S_IFMT(mode) not in (0, stat.S_IFREG) or info.filename.endswith("/"):
            raise _refuse(
                f'The pack holds something that is no plain file: "{shown}" (a link or a folder).',
                pack,
            )
        if not _NAME.fullmatch(name):
            raise _refuse(f'The pack holds a part that no pack has: "{shown}".', pack)
        if info.flag_bits & 0x1:
            raise _refuse(f'A part of the pack is encrypted: "{shown}".', pack)
        if info.compress_type != zipfile.ZIP_STORED or info.compress_size != info.file_size:
            raise _refuse(
                f'A part of the pack is compressed: "{shown}". Packs are not, so that nothing '
                "swells when it is unpacked.",
                pack,
            )
        if name in found:
            raise _refuse(f'The pack holds two parts of one name: "{shown}".', pack)
        found[name] = info
    if sum(info.file_size for info in infos) > pack.stat().st_size:
        raise _refuse("The parts of the pack are together larger than the pack itself.", pack)
    for name in (CONTENTS, MANIFEST_NAME):
        if name not in found:
            raise _refuse(f'This is no pack: it lacks "{name}".', pack)
    return found


def _listed(
    archive: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], pack: Path
) -> dict[str, dict[str, Any]]:
    """Return the entries of the list of contents; they must be the parts, one for one."""
    if members[CONTENTS].file_size > _MOST_CONTENTS:
        raise _refuse("The pack's list of contents is far too long.", pack)
    try:
        plain = json.loads(archive.read(CONTENTS))
        schema = plain["schema"]
        entries = {str(one["name"]): one for one in plain["files"]}
        for one in entries.values():
            int(one["bytes"])
            str(one["sha256"])
    except (ValueError, OverflowError, KeyError, TypeError, RecursionError) as error:
        raise _refuse("The pack's list of contents cannot be read.", pack) from error
    if schema != SCHEMA:
        raise InputError(
            f'The pack is of the form "{str(schema)[:40]}", and this version reads "{SCHEMA}".',
            where=str(pack),
            advice="Use the version of vibecheck that wrote it, or a newer one.",
        )
    parts = set(members) - {CONTENTS}
    if set(entries) != parts:
        odd = sorted(set(entries) ^ parts)[0]
        told = "lists a part that it lacks" if odd in entries else "holds a part that it lacks in"
        listing = "" if odd in entries else " its list"
        raise _refuse(f'The pack {told}{listing}: "{odd[:80]}".', pack)
    return entries


def _extract(
    archive: zipfile.ZipFile,
    info: zipfile.ZipInfo,
    target: Path,
    entry: dict[str, Any],
    pack: Path,
) -> None:
    digest = hashlib.sha256()
    size = 0
    with archive.open(info) as part, target.open("xb") as out:
        while block := part.read(_BLOCK):
            size += len(block)
            digest.update(block)
            out.write(block)
    if size != int(entry["bytes"]) or digest.hexdigest() != entry["sha256"]:
        raise _refuse(
            f'The pack was altered or damaged: "{info.filename}" is not the file that its list '
            "names.",
            pack,
        )


def _check_paths(manifest: Path, names: set[str], pack: Path) -> None:
    """Refuse a manifest that names anything but parts of the pack."""
    header, lines, _zones = read_header(manifest)
    columns = [header.index(name) for name in ("file", "car_file")]
    for number, cells in lines:
        for column in columns:
            if cells[column].strip() not in names:
                raise _refuse(
                    f"The pack's manifest names a file that is no part of it: \""
                    f'{cells[column][:80]}" (line {number}).',
                    pack,
                )
