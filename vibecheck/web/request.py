"""Web: the garage from a request, form fields, one shape of error."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar
from urllib.parse import parse_qsl

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from vibecheck.errors import CallError, VibecheckError
from vibecheck.web.rendering import page

if TYPE_CHECKING:
    from vibecheck.garage import Garage

Value = TypeVar("Value")
FORM_BYTES = 200_000
"""A form is never longer; a recording goes another way."""
FORM_FIELDS = 2_000


async def in_garage(request: Request, ask: Callable[[Garage], Value]) -> Value:
    """Ask the garage in a thread, so that a slow disk holds nobody else up."""
    return await run_in_threadpool(ask, request.app.state.garage)


async def body_within(request: Request, limit_bytes: int) -> bytes:
    """Read a body of at most so many bytes.

    Raises
    ------
    HTTPException
        413, before more than that is read.
    """
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > limit_bytes:
            raise HTTPException(413, f"At most {limit_bytes} bytes can be taken in one request.")
    return bytes(body)


async def form_of(request: Request) -> dict[str, list[str]]:
    """Read a form that was sent as ``application/x-www-form-urlencoded``.

    Raises
    ------
    HTTPException
        413 or 415 or 400.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise HTTPException(415, "A form was expected.")
    body = await body_within(request, FORM_BYTES)
    try:
        pairs = parse_qsl(
            body.decode("utf-8"),
            keep_blank_values=True,
            strict_parsing=bool(body),
            errors="strict",
            max_num_fields=FORM_FIELDS,
        )
    except (UnicodeDecodeError, ValueError) as error:
        raise HTTPException(400, "The form cannot be read.") from error
    form: dict[str, list[str]] = {}
    for name, value in pairs:
        form.setdefault(name, []).append(value)
    return form


def see_other(path: str) -> RedirectResponse:
    """Send the browser to a page after something was done: a reload does not do it twice."""
    return RedirectResponse(path, status_code=303)


def wants_json(request: Request) -> bool:
    """Whether a script asked, which reads JSON, and no person."""
    return "application/json" in request.headers.get("accept", "")


def error_response(request: Request, status: int, message: str, advice: str = "") -> Response:
    """Say what was wrong in one shape, as a page or as JSON."""
    if wants_json(request):
        return JSONResponse({"error": {"message": message, "advice": advice}}, status)
    title = "Not found" if status == 404 else "That did not work"
    return page(request, "error.html", status=status, title=title, message=message, advice=advice)


def on_vibecheck_error(request: Request, error: Exception) -> Response:
    """Answer an error of the core: its own words, without the places of this machine's disk."""
    assert isinstance(error, VibecheckError)
    status = 400 if isinstance(error, CallError) else 422
    return error_response(request, status, error.what, error.advice or "")


def on_http_error(request: Request, error: Exception) -> Response:
    """Answer an error of the call."""
    assert isinstance(error, HTTPException)
    detail = "There is no such page." if error.status_code == 404 else str(error.detail)
    answer = error_response(request, error.status_code, detail)
    answer.headers.update(error.headers or {})
    return answer


def on_fault(request: Request, _error: Exception) -> Response:
    """Answer a fault inside the program: nothing of its insides goes out."""
    return error_response(
        request,
        500,
        "vibecheck ran into a fault of its own.",
        "Nothing that was reported as kept is lost. The terminal says more.",
    )
