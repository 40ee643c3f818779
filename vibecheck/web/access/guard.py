"""Web access: the layer around the application that every request and every answer passes.

In order: name of the server, method and origin, how often, how much, paired or strange.
"""

from __future__ import annotations

import asyncio
import logging
import os
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from vibecheck.web.access.headers import security_headers
from vibecheck.web.access.limits import Buckets, caller_of
from vibecheck.web.access.names import CERTIFICATE_PATH, COOKIE, SESSION
from vibecheck.web.access.pairing import Pairing, clock_s
from vibecheck.web.request import error_response, see_other, wants_json
from vibecheck.web.settings import Settings

if TYPE_CHECKING:
    from vibecheck.web.access.certificate import LocalCertificate

OPEN_PATHS = frozenset(
    (
        *("/pair", "/certificate", CERTIFICATE_PATH),
        *("/static/vibecheck.css", "/static/mark.svg", "/static/pair.js"),
    )
)
"""All that a stranger can get."""
SAFE_METHODS = frozenset(("GET", "HEAD"))
UNSAFE_METHODS = frozenset(("POST", "PATCH", "DELETE"))
BODY_BYTES = 2 << 20
PIECE_BYTES = (1 << 20) + (64 << 10)
"""A piece of a recording: 1 MiB and some slack."""
PIECE_WAIT_S = 30.0
"""A sender who says nothing for so long in the middle of a body is let go."""
STRANGER = (60, 2.0)
TRIES = (5, 1 / 30)
PAIRED = (500, 200.0)
"""(At once, a second): requests of a strange address, its tries of a code, and of one session.
Twenty phones that send recordings as fast as a local network carries them stay below."""

_HOST = re.compile(r"(\[[0-9a-f:.]+\]|[^:\[\]\s/@]+)(?::([0-9]{1,5}))?", re.IGNORECASE)
_log = logging.getLogger("vibecheck.web")


def wrap(
    app: Starlette,
    settings: Settings,
    pairing: Pairing | None = None,
    *,
    certificate: LocalCertificate | None = None,
    clock: Callable[[], float] = clock_s,
) -> ASGIApp:
    """Put the guard around an application, and its own pages into it.

    Parameters
    ----------
    app : Starlette
        Gets ``state.pairing`` and ``state.certificate``.
    settings : Settings
    pairing : Pairing, optional
        Needed with ``settings.lan``.
    certificate : LocalCertificate, optional
        For the page that explains it.
    clock : callable, optional
        For the rate limits: seconds that never run backwards.

    Raises
    ------
    ValueError
        If other devices could reach the page without pairing.
    """
    from vibecheck.web.access.pages import ROUTES

    if settings.lan and pairing is None:
        raise ValueError("a page that other devices reach needs pairing")
    app.state.pairing = pairing
    app.state.certificate = certificate
    app.router.routes[0:0] = [route for route in ROUTES if route not in app.router.routes]
    return Guard(app, settings, pairing if settings.lan else None, clock)


class Guard:
    """ASGI middleware; see `wrap`."""

    def __init__(
        self,
        app: Starlette,
        settings: Settings,
        pairing: Pairing | None,
        clock: Callable[[], float],
    ) -> None:
        self._app = app
        self._settings = settings
        self._pairing = pairing
        self._stranger = Buckets(*STRANGER, clock)
        self._tries = Buckets(*TRIES, clock)
        self._paired = Buckets(*PAIRED, clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or let the application answer."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # nothing here speaks by web socket
            await send({"type": "websocket.close", "code": 1008})
            return
        scope["app"] = self._app  # error pages are the application's
        answer = _Answer(scope, send)
        try:
            refusal = self._refusal(scope)
            if refusal is not None:
                await refusal(scope, receive, answer.send)
                return
            await self._app(scope, _bounded(scope, receive), answer.send)
        except ClientDisconnect:
            pass  # nobody is left to be answered
        except Exception as error:
            _tell(scope, error)
            if not answer.begun:
                fault = error_response(
                    Request(scope), 500, "vibecheck ran into a fault of its own."
                )
                await fault(scope, receive, answer.send)

    def _refusal(self, scope: Scope) -> Response | None:
        """Return the answer to a request that goes no further, or None."""
        headers = Headers(scope=scope)
        if not _is_called_by(headers, self._settings):
            # The Host header may be an attacker's name for this machine (DNS rebinding): not a
            # word of ours goes out under it.
            return PlainTextResponse("Bad request.\n", 400)
        if not scope["query_string"].isascii():
            # No address has such bytes (RFC 3986, 2.1), and no page could even name this one.
            return PlainTextResponse("Bad request.\n", 400)
        if "transfer-encoding" in headers and "content-length" in headers:
            # Where such a request ends, two servers may see differently: whatever comes behind it
            # is not read (RFC 9112, 6.1: the connection must be closed).
            return PlainTextResponse("Bad request.\n", 400, headers={"connection": "close"})
        request = Request(scope)
        method = scope["method"]
        if method not in SAFE_METHODS | UNSAFE_METHODS:
            refused = error_response(request, 405, f"{_plain(method)} is not done here.")
            refused.headers["allow"] = ", ".join(sorted(SAFE_METHODS | UNSAFE_METHODS))
            return refused
        if not _is_from_here(method, headers, self._settings):
            return error_response(
                request,
                403,
                "This did not come from a page of this vibecheck.",
                "Open the page afresh and do it there.",
            )
        paired_or_refused = self._who(request, method)
        if paired_or_refused is not None:
            return paired_or_refused
        limit = body_limit(method, scope["path"])
        if _declared_length(headers) > limit:
            return error_response(
                request, 413, f"At most {limit} bytes can be taken in one request."
            )
        return None

    def _who(self, request: Request, method: str) -> Response | None:
        """Let paired browsers through at their pace, strangers to the pairing page at theirs."""
        if self._pairing is None:
            return None
        path = request.scope["path"]
        session = self._pairing.session_of(_token(request))
        address = request.client.host if request.client else "?"
        if session is not None:
            wait_s = self._paired.wait_s(session.id)
        else:
            wait_s = self._stranger.wait_s(caller_of(address))
            if wait_s == 0.0 and path == "/pair" and method == "POST":
                wait_s = self._tries.wait_s(caller_of(address))
        if wait_s > 0.0:
            seconds = int(wait_s) + 1
            refused = error_response(
                request,
                429,
                "Too much at once.",
                f"Wait {seconds} s, then try again.",
            )
            refused.headers["retry-after"] = str(seconds)
            return refused
        if session is not None:
            request.scope[SESSION] = session
            return None
        if path in OPEN_PATHS and (method in SAFE_METHODS or path == "/pair"):
            return None
        if _is_a_script(request, path):
            return JSONResponse(
                {
                    "error": {
                        "message": "This browser is not paired.",
                        "advice": "Open /pair and give the code that the terminal shows.",
                    }
                },
                401,
            )
        return see_other("/pair")


class _Answer:
    """The way out: every answer gets the security headers; did one begin?"""

    def __init__(self, scope: Scope, send: Send) -> None:
        self._scope = scope
        self._send = send
        self.begun = False

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun = True
            is_static = self._scope["path"].startswith("/static/") and message["status"] < 400
            headers = security_headers(list(message.get("headers", ())), is_static=is_static)
            message = {**message, "headers": headers}
        await self._send(message)


def body_limit(method: str, path: str) -> int:
    """Return how many bytes a request's body may have."""
    return PIECE_BYTES if method == "PATCH" and path.startswith("/uploads/") else BODY_BYTES


def _bounded(scope: Scope, receive: Receive) -> Receive:
    """Count what arrives, and do not wait for ever."""
    limit = body_limit(scope["method"], scope["path"])
    seen = 0
    ended = False

    async def bounded() -> Message:
        nonlocal seen, ended
        if ended:  # what comes now is the end of the connection, whenever
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), PIECE_WAIT_S)
        except TimeoutError:
            ended = True
            raise HTTPException(408, "The rest of the request did not arrive.") from None
        seen += len(message.get("body", b""))
        ended = not message.get("more_body", False)
        if seen > limit:
            ended = True
            raise HTTPException(413, f"At most {limit} bytes can be taken in one request.")
        return message

    return bounded


def _is_called_by(headers: Headers, settings: Settings) -> bool:
    """Whether the Host header (just one) is a name that this server knows for its own."""
    hosts = headers.getlist("host")
    found = _HOST.fullmatch(hosts[0]) if len(hosts) == 1 else None
    if found is None or found[1].lower() not in settings.hosts:
        return False
    standard = 443 if settings.lan else 80
    return settings.port in (0, int(found[2] or standard))


def _is_from_here(method: str, headers: Headers, settings: Settings) -> bool:
    """Whether a page of this very server sent the request (no other may change anything)."""
    site = headers.get("sec-fetch-site", "same-origin")
    if method in SAFE_METHODS:
        # Another site may link to a page, but embed or probe nothing (CORP says so to the browser).
        mode = headers.get("sec-fetch-mode", "navigate")
        frame = headers.get("sec-fetch-dest", "document") in ("iframe", "frame", "object", "embed")
        return site in ("same-origin", "none") or (mode == "navigate" and not frame)
    origins = headers.getlist("origin")
    if len(origins) != 1 or site not in ("same-origin", "none"):
        return False
    standard = ":443" if settings.lan else ":80"
    own = f"{settings.scheme}://{headers['host'].lower()}".removesuffix(standard)
    return origins[0].lower().removesuffix(standard) == own


def _declared_length(headers: Headers) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else 0


def _token(request: Request) -> str:
    return request.cookies.get(COOKIE, "")


def _is_a_script(request: Request, path: str) -> bool:
    return (
        wants_json(request)
        or path.startswith("/uploads")
        or path.endswith(".json")
        or request.headers.get("sec-fetch-dest") == "empty"
    )


def _plain(text: Any) -> str:
    return re.sub(r"[^A-Za-z]", "", str(text))[:20]


def _tell(scope: Scope, error: Exception) -> None:
    """Say at the terminal what broke: kind and page; the details only where they were asked for.

    A message or a traceback may quote what a browser sent; a path holds no secret.
    """
    wants_details = os.environ.get("VIBECHECK_DEBUG", "") not in ("", "0")
    _log.error(
        "A fault inside vibecheck: %s, while answering %s %a.",
        type(error).__name__,
        _plain(scope["method"]),
        scope["path"],
        exc_info=error if wants_details else None,
    )
