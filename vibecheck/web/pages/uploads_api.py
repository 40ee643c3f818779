"""Web pages: the JSON interface by which recordings arrive.

Resumable: header ``Upload-Offset`` as in the IETF draft "Resumable Uploads for HTTP".
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

import anyio
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from vibecheck.bench.judge import is_motion
from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.errors import CallError, VibecheckError, did_you_mean
from vibecheck.garage import Garage, Sitting
from vibecheck.web.request import body_within
from vibecheck.web.uploads import look as looking
from vibecheck.web.uploads.state import UploadError, UploadState
from vibecheck.web.uploads.store import PIECE_BYTES, UploadLimits, UploadStore
from vibecheck.web.uploads.wish import UploadWish, claims_from, wish_from

JSON_BYTES = 20_000
LOOKS_AT_ONCE = 2
"""So many takes are judged at a time; further ones wait without holding a thread."""
HEX = "0123456789abcdef"
PIECE_TYPES = ("application/octet-stream", "application/partial-upload")

Value = TypeVar("Value")
Handler = Callable[[Request], Awaitable[Response]]
_log = logging.getLogger(__name__)
_making = threading.Lock()


def uploads_of(app: Starlette) -> UploadStore:
    """Return the application's store of uploads; made when first asked for."""
    with _making:
        store: UploadStore | None = getattr(app.state, "uploads", None)
        if store is None:
            limits: UploadLimits | None = getattr(app.state, "upload_limits", None)
            store = UploadStore(app.state.settings.data, limits=limits)
            app.state.uploads = store
        return store


def _answers_json(handler: Handler) -> Handler:
    """Answer every error as JSON, whatever the caller accepts."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except UploadError as error:
            answered = _refusal(error.status, error.message, error.advice)
            if error.offset is not None:
                answered.headers["Upload-Offset"] = str(error.offset)
            if error.status == 503:
                answered.headers["Retry-After"] = "5"
            return answered
        except VibecheckError as error:
            status = 400 if isinstance(error, CallError) else 422
            return _refusal(status, error.what, looking.as_fields(error.advice or ""))
        except HTTPException as error:
            return _refusal(error.status_code, str(error.detail))
        except ClientDisconnect:
            return _refusal(400, "The connection broke off.")

    return answer


def _refusal(status: int, message: str, advice: str = "") -> JSONResponse:
    return JSONResponse({"error": {"message": message, "advice": advice}}, status)


async def _json_of(request: Request) -> Any:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise HTTPException(415, "JSON was expected.")
    body = await body_within(request, JSON_BYTES)
    try:
        return json.loads(body)
    except (ValueError, RecursionError) as error:
        raise HTTPException(400, "The JSON cannot be read.") from error


def _shown(state: UploadState) -> dict[str, Any]:
    return {
        "id": state.id,
        "offset": state.offset,
        "piece_bytes": PIECE_BYTES,
        "phase": state.phase,
        "where": state.where,
    }


def refuse_spot(garage: Garage, sitting: Sitting, spot: str) -> None:
    """Refuse what a bench check could not keep.

    Raises
    ------
    CallError
        If it is closed, or its car has no such spot.
    """
    if not sitting.is_open:
        raise CallError(
            f"Bench check {sitting.number} is closed.", advice="Begin a new one to record again."
        )
    car = garage.find_car(sitting.car_id).car
    spots = [CENTRE_SPOT, *(zone.name for zone in car.zones)]
    if car.zones and spot not in spots:
        raise CallError(
            f'{sitting.car} has no spot "{spot}".{did_you_mean(spot, spots)}',
            advice=f"Known: {', '.join(spots)}.",
        )


@_answers_json
async def create(request: Request) -> Response:
    """Begin an upload, or say how far the one of this key is."""
    wish = wish_from(await _json_of(request))
    app = request.app

    def begin() -> tuple[UploadState, bool]:
        store = uploads_of(app)
        garage = app.state.garage
        refuse_spot(garage, garage.sitting(str(wish.sitting)), wish.spot)
        return store.create(wish)

    state, made = await run_in_threadpool(begin)
    if made:
        _prepare_beside(app, wish)
    return JSONResponse(_shown(state), 201 if made else 200)


def _prepare_beside(app: Starlette, wish: UploadWish) -> None:
    """Measure what the take will be held against while it is still being recorded."""

    def work() -> None:
        try:
            looking.prepare(app.state.judge, app.state.garage, wish.sitting, wish.sensor, wish.spot)
        except Exception as error:  # the look itself says what is wrong
            _log.debug("Nothing could be prepared: %s", type(error).__name__)

    if not is_motion(wish.sensor, wish.file_name):
        threading.Thread(target=work, name="prepare", daemon=True).start()


@_answers_json
async def append(request: Request) -> Response:
    """Take in the next piece."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in PIECE_TYPES:
        raise HTTPException(415, "Bytes were expected (application/octet-stream).")
    offset = _number(request.headers.get("upload-offset"))
    length = request.headers.get("content-length")
    if length is not None and _number(length) > PIECE_BYTES:
        raise HTTPException(413, f"At most {PIECE_BYTES} bytes can be taken in one piece.")
    piece = await body_within(request, PIECE_BYTES)
    store = uploads_of(request.app)
    reached = await run_in_threadpool(store.append, request.path_params["id"], offset, piece)
    return Response(status_code=204, headers={"Upload-Offset": str(reached)})


def _number(text: str | None) -> int:
    if text is None or not (text.isascii() and text.isdigit() and len(text) <= 15):
        raise HTTPException(400, "Upload-Offset must be a whole number.")
    return int(text)


@_answers_json
async def offset(request: Request) -> Response:
    """Say how far an upload is."""
    store = uploads_of(request.app)
    state = await run_in_threadpool(store.state, request.path_params["id"])
    headers = {"Upload-Offset": str(state.offset), "Cache-Control": "no-store"}
    return Response(status_code=204, headers=headers)


@_answers_json
async def discard(request: Request) -> Response:
    """Throw an upload away."""
    store = uploads_of(request.app)
    await run_in_threadpool(store.discard, request.path_params["id"])
    return Response(status_code=204)


@_answers_json
async def finish(request: Request) -> Response:
    """Check the whole against its size and hash."""
    values = await _json_of(request)
    size = values.get("size") if isinstance(values, dict) else None
    sha256 = values.get("sha256") if isinstance(values, dict) else None
    if isinstance(size, bool) or not isinstance(size, int) or not 0 < size < 2**53:
        raise HTTPException(400, "size must be the bytes of the whole.")
    if not isinstance(sha256, str) or len(sha256) != 64 or not set(sha256) <= set(HEX):
        raise HTTPException(400, "sha256 must be 64 hexadecimal digits in small letters.")
    claims = claims_from(values.get("capture"))
    store = uploads_of(request.app)
    upload_id = request.path_params["id"]
    state = await run_in_threadpool(store.state, upload_id)

    def close() -> UploadState:
        return store.finish(upload_id, size, sha256, claims)

    # A file is decoded in a process of its own, as heavy as a look; samples are only wrapped.
    heavy = state.wish.form == "file" and state.phase == "receiving"
    state = await (_one_of_few(request, close) if heavy else run_in_threadpool(close))
    return JSONResponse(_shown(state))


async def _whole(request: Request) -> UploadState:
    store = uploads_of(request.app)
    state = await run_in_threadpool(store.state, request.path_params["id"])
    if state.phase == "receiving":
        raise UploadError(409, "A part is still missing.", offset=state.offset)
    return state


async def _one_of_few(request: Request, work: Callable[[], Value]) -> Value:
    """Run heavy work in a thread, few at a time."""
    app = request.app
    limiter = getattr(app.state, "look_limiter", None)
    if limiter is None:
        limiter = app.state.look_limiter = anyio.CapacityLimiter(LOOKS_AT_ONCE)
    return await anyio.to_thread.run_sync(work, limiter=limiter)


@_answers_json
async def look(request: Request) -> Response:
    """Say how good a recording is, and which zones come first."""
    state = await _whole(request)
    if state.phase == "kept":
        raise UploadError(409, "This recording is kept already.", "See the result.")
    judge, garage = request.app.state.judge, request.app.state.garage
    return JSONResponse(
        await _one_of_few(request, lambda: looking.look(judge, garage, state)),
        headers={"Cache-Control": "no-store"},
    )


@_answers_json
async def keep(request: Request) -> Response:
    """Keep a recording in its bench check."""
    state = await _whole(request)
    if state.phase != "kept":
        judge, garage = request.app.state.judge, request.app.state.garage
        where = await _one_of_few(request, lambda: looking.keep(judge, garage, state))
        store = uploads_of(request.app)
        state = await run_in_threadpool(store.note_kept, state.id, where)
    return JSONResponse({"where": state.where})


ROUTES: list[BaseRoute] = [
    Route("/uploads", create, methods=["POST"]),
    Route("/uploads/{id}", append, methods=["PATCH"]),
    Route("/uploads/{id}", discard, methods=["DELETE"]),
    Route("/uploads/{id}", offset, methods=["HEAD"]),
    Route("/uploads/{id}/finish", finish, methods=["POST"]),
    Route("/uploads/{id}/look", look, methods=["POST"]),
    Route("/uploads/{id}/keep", keep, methods=["POST"]),
]
