"""Uploads: staged files and their state, which outlive the server. `UploadStore`.

Each lies in a folder of its own under ``incoming`` (`vibecheck.web.uploads.state`). What the garage
has taken over leaves a note in ``incoming/kept`` for a day, so that a repeated call does no harm.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vibecheck.errors import VibecheckError
from vibecheck.web.uploads.content import refuse_content, wrap_samples
from vibecheck.web.uploads.state import (
    DATA,
    STATE,
    Upload,
    UploadError,
    UploadState,
    differs,
    disk,
    read_state,
    state_of,
    touched,
    write_state,
)
from vibecheck.web.uploads.wish import UploadWish

PIECE_BYTES = 2**20
FOLDER = "incoming"
STALE_S = 86_400.0
BUSY_S = 20.0
"""So long one request waits for another on the same upload."""
_KEPT = "kept"
_ID = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True)
class UploadLimits:
    """How much may be staged at a time.

    Attributes
    ----------
    most_uploads : int
        Uploads that are not kept yet.
    most_bytes : int
        Of all of them together, counting what was announced.
    """

    most_uploads: int = 64
    most_bytes: int = 4 * 2**30


class UploadStore:
    """Staged uploads of one garage; safe to use from several threads.

    Every method may block on the disk: call it in a thread.

    Parameters
    ----------
    data : Path
        Folder of the garage.
    limits : UploadLimits, optional
    clock : callable, optional
        Seconds since 1970, as the disk's time stamps count them.
    """

    def __init__(
        self,
        data: Path,
        *,
        limits: UploadLimits | None = None,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.folder = data / FOLDER
        self._limits = limits or UploadLimits()
        self._clock = clock
        self._lock = threading.Lock()
        self._uploads: dict[str, Upload] = {}
        self._swept_at = float("-inf")
        self.folder.mkdir(parents=True, exist_ok=True)
        self.sweep()

    # ---- what a browser asks for -------------------------------------------------------

    def create(self, wish: UploadWish) -> tuple[UploadState, bool]:
        """Begin an upload, or find the one of the same key.

        Returns
        -------
        state : UploadState
        made : bool
            False where it was there.

        Raises
        ------
        UploadError
            409 where the key stands for another file, 503 or 507 where there is no room.
        """
        self.sweep(hourly=True)
        upload_id = hashlib.sha256(wish.key.encode()).hexdigest()[:32]
        with self._lock:
            upload = self._find(upload_id)
            if upload is not None:
                if differs(upload.wish, wish):
                    raise UploadError(
                        409, "This key belongs to another recording.", "Begin the upload anew."
                    )
                return state_of(upload), False
            self._refuse_without_room(wish)
            folder = self.folder / upload_id
            upload = Upload(upload_id, folder, wish, "receiving", 0, "", "", threading.Lock())
            upload.hasher = hashlib.sha256()
            with disk():
                folder.mkdir(exist_ok=True)
                (folder / DATA).write_bytes(b"")
                write_state(upload)
            self._uploads[upload_id] = upload
            return state_of(upload), True

    def state(self, upload_id: str) -> UploadState:
        """Return an upload.

        Raises
        ------
        UploadError
            404 where there is none.
        """
        return state_of(self._get(upload_id))

    def append(self, upload_id: str, offset: int, piece: bytes) -> int:
        """Add a piece at the end of what is here.

        Returns
        -------
        int
            Where the next piece begins.

        Raises
        ------
        UploadError
            404, 409 with the right offset, 413 past the file's limit, 507 on a full disk.
        """
        with self._held(upload_id) as upload:
            if upload.phase != "receiving" or offset != upload.offset:
                raise UploadError(409, "The next piece begins elsewhere.", offset=upload.offset)
            if upload.offset + len(piece) > upload.wish.largest_bytes:
                raise UploadError(
                    413, "The recording is longer than was announced, or than can be taken."
                )
            self._bring_hash(upload)
            data = upload.folder / DATA
            with disk():
                try:
                    with data.open("r+b") as stream:
                        stream.seek(upload.offset)
                        stream.write(piece)
                except OSError:
                    with contextlib.suppress(OSError):
                        os.truncate(data, upload.offset)
                    raise
            upload.hasher.update(piece)
            upload.offset += len(piece)
            return upload.offset

    def finish(
        self, upload_id: str, size: int, sha256: str, claims: Mapping[str, Any] | None = None
    ) -> UploadState:
        """Check the whole, find out that it can be read, and give it its name.

        `claims` is what the recorder knows only at the end, such as samples that were lost.

        Raises
        ------
        UploadError
            404; 409 with the right offset where bytes are missing; 422 with offset 0 where the
            bytes are not those that were sent.
        VibecheckError
            If it is no recording that can be read. The upload is gone then.
        """
        with self._held(upload_id) as upload:
            if upload.phase != "receiving":
                if upload.sha256 != sha256:
                    raise UploadError(409, "Another recording was finished under this key.")
                return state_of(upload)
            if upload.offset < size:
                raise UploadError(409, "A part is still missing.", offset=upload.offset)
            self._bring_hash(upload)
            if upload.offset != size or upload.hasher.hexdigest() != sha256:
                self._start_over(upload)
                raise UploadError(
                    422, "What arrived is not what was sent.", "It is sent once more.", offset=0
                )
            if claims:
                upload.wish = replace(upload.wish, capture={**upload.wish.capture, **claims})
            target = upload.folder / upload.wish.file_name
            try:
                self._settle(upload, target)
            except UploadError:
                raise
            except VibecheckError:
                self._drop(upload)
                raise
            upload.phase, upload.sha256, upload.hasher = "whole", sha256, None
            with disk():
                write_state(upload)
            return state_of(upload)

    def note_kept(self, upload_id: str, where: str) -> UploadState:
        """Note that the garage has it; the staged copy goes, the note stays for a day."""
        with self._held(upload_id) as upload:
            upload.phase, upload.where = "kept", where
            with disk():
                write_state(upload)
            with contextlib.suppress(OSError):
                (upload.folder / upload.wish.file_name).unlink(missing_ok=True)
            with self._lock:
                self._uploads.pop(upload_id, None)
                kept = self.folder / _KEPT
                with disk():
                    kept.mkdir(exist_ok=True)
                    if upload.folder.parent != kept:
                        os.replace(upload.folder, kept / upload.id)
            return state_of(upload)

    def discard(self, upload_id: str) -> None:
        """Drop an upload; harmless where there is none. What the garage keeps stays there."""
        try:
            with self._held(upload_id) as upload:
                self._drop(upload)
        except UploadError as error:
            if error.status != 404:
                raise

    def sweep(self, *, hourly: bool = False) -> None:
        """Drop uploads that nobody has touched for a day."""
        now = self._clock()
        with self._lock:
            if hourly and now - self._swept_at < 3_600.0:
                return
            self._swept_at = now
            for folder in [*self.folder.glob("*"), *self.folder.glob(f"{_KEPT}/*")]:
                if not (_ID.fullmatch(folder.name) and folder.is_dir()):
                    continue
                moments = [touched(folder / name) for name in (STATE, DATA, "")]
                if now - max(moments) > STALE_S:
                    self._uploads.pop(folder.name, None)
                    shutil.rmtree(folder, ignore_errors=True)

    # ---- inside ------------------------------------------------------------------------

    def _settle(self, upload: Upload, target: Path) -> None:
        data = upload.folder / DATA
        if upload.wish.form == "pcm_f32le":
            wrap_samples(data, target, upload.wish)
            data.unlink()
            return
        with disk():
            with data.open("rb") as stream:
                os.fsync(stream.fileno())
            os.replace(data, target)
        refuse_content(target, upload.wish)

    def _start_over(self, upload: Upload) -> None:
        with disk():
            os.truncate(upload.folder / DATA, 0)
        upload.offset, upload.hasher = 0, hashlib.sha256()

    def _drop(self, upload: Upload) -> None:
        shutil.rmtree(upload.folder, ignore_errors=True)
        with self._lock:
            self._uploads.pop(upload.id, None)

    @contextmanager
    def _held(self, upload_id: str) -> Iterator[Upload]:
        upload = self._get(upload_id)
        if not upload.lock.acquire(timeout=BUSY_S):
            raise UploadError(503, "This recording is being worked on.", "Try again in a moment.")
        try:
            if upload.phase != "kept" and self._get(upload_id) is not upload:
                # Dropped while we waited, and perhaps made anew.
                raise UploadError(409, "This recording was begun anew.", offset=0)
            yield upload
        finally:
            upload.lock.release()

    def _get(self, upload_id: str) -> Upload:
        with self._lock:
            upload = self._find(upload_id)
        if upload is None:
            raise UploadError(404, "There is no such upload.", "Begin it anew.")
        return upload

    def _find(self, upload_id: str) -> Upload | None:
        """Look in memory, then on the disk."""
        if not _ID.fullmatch(upload_id):
            return None
        upload = self._uploads.get(upload_id)
        if upload is None:
            upload = read_state(self.folder / upload_id)
            if upload is not None and upload.phase != "kept":
                self._uploads[upload_id] = upload
        return upload or read_state(self.folder / _KEPT / upload_id)

    @staticmethod
    def _bring_hash(upload: Upload) -> None:
        if upload.hasher is None:
            with disk(), (upload.folder / DATA).open("rb") as stream:
                upload.hasher = hashlib.file_digest(stream, "sha256")

    def _refuse_without_room(self, wish: UploadWish) -> None:
        waiting = 0
        staged = wish.largest_bytes
        for folder in self.folder.iterdir():
            upload = self._find(folder.name) if _ID.fullmatch(folder.name) else None
            if upload is not None and upload.phase != "kept":
                waiting += 1
                staged += upload.wish.size or upload.offset
        if waiting >= self._limits.most_uploads:
            raise UploadError(
                503,
                f"{waiting} recordings wait here to be kept or thrown away.",
                "Keep or throw away some of them; what waits for a day is dropped by itself.",
            )
        if staged > self._limits.most_bytes:
            raise UploadError(
                507,
                "There is no room for more recordings that wait to be kept.",
                "Keep or throw away some of them first.",
            )
