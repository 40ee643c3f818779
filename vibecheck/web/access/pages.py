"""Web access: the pages `/pair` and `/certificate`."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.web.access.names import CERTIFICATE_PATH, COOKIE, SESSION
from vibecheck.web.access.pairing import (
    CODE_LETTERS,
    IDLE_S,
    LONGEST_S,
    Pairing,
    Session,
)
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, see_other

_BROWSERS = (
    *(("Firefox", "Firefox"), ("FxiOS", "Firefox"), ("EdgA", "Edge"), ("Edg", "Edge")),
    *(("OPR", "Opera"), ("SamsungBrowser", "Samsung"), ("CriOS", "Chrome")),
    *(("Chrome", "Chrome"), ("Safari", "Safari")),
)
_SYSTEMS = (
    *(("Android", "Android"), ("iPhone", "iPhone"), ("iPad", "iPad"), ("Windows", "Windows")),
    *(("CrOS", "ChromeOS"), ("Macintosh", "Mac"), ("Linux", "Linux")),
)
NOT_RIGHT = (
    "That code is not right. Look at the terminal: after a few wrong codes it shows a new one."
)
EXPIRED = "That code has expired. The terminal shows a new one now."


def browser_words(agent: str) -> str:
    """Return what a browser calls itself in a few words of ours (never in its own)."""
    browser = next((words for mark, words in _BROWSERS if mark in agent), "A browser")
    system = next((words for mark, words in _SYSTEMS if mark in agent), "")
    return f"{browser}, {system}" if system else browser


def ago_words(seconds: float) -> str:
    """Return how long ago something was, in words."""
    minutes = int(seconds / 60.0)
    if minutes < 1:
        return "just now"
    if minutes < 60:
        return f"{minutes} minute{'' if minutes == 1 else 's'} ago"
    hours = minutes // 60
    return f"{hours} hour{'' if hours == 1 else 's'} ago"


async def show_pairing(request: Request) -> Response:
    """Ask a stranger for the code; show a paired browser all that are paired."""
    pairing: Pairing | None = request.app.state.pairing
    if pairing is None or not request.app.state.settings.lan:
        return page(request, "pair_off.html", title="Only on this computer")
    session: Session | None = request.scope.get(SESSION)
    if session is None:
        await run_in_threadpool(pairing.offer)
        return _ask(request)
    now = pairing.now_s()
    rows = [
        {
            "id": one.id,
            "is_this": one.id == session.id,
            "browser": one.browser,
            "address": one.address,
            "begun": ago_words(now - one.begun_s),
            "seen": ago_words(now - one.seen_s),
        }
        for one in pairing.sessions()
    ]
    return page(
        request,
        "paired.html",
        title="Paired browsers",
        sessions=rows,
        idle_hours=f"{IDLE_S / 3600:g}",
        longest_hours=f"{LONGEST_S / 3600:g}",
    )


async def pair(request: Request) -> Response:
    """Try the code; a paired browser gets its cookie and the garage."""
    pairing = _pairing(request)
    typed = (await form_of(request)).get("code", [""])[0]
    before: Session | None = request.scope.get(SESSION)
    outcome, token = await run_in_threadpool(
        lambda: pairing.pair(
            typed,
            address=request.client.host if request.client else "?",
            browser=browser_words(request.headers.get("user-agent", "")),
        )
    )
    if outcome != "paired":
        return _ask(request, EXPIRED if outcome == "expired" else NOT_RIGHT)
    if before is not None:  # a browser has one session; pairing again begins another
        pairing.end(before.id)
    answer = see_other("/")
    answer.set_cookie(
        COOKIE,
        token,
        max_age=int(LONGEST_S),
        path="/",
        secure=True,
        httponly=True,
        samesite="strict",
    )
    return answer


async def leave(request: Request) -> Response:
    """Sign this browser off, and let it forget what it kept of the page."""
    pairing = _pairing(request)
    pairing.end(request.scope[SESSION].id)
    answer = see_other("/pair")
    answer.delete_cookie(COOKIE, path="/", secure=True, httponly=True, samesite="strict")
    answer.headers["clear-site-data"] = '"cache", "storage"'
    return answer


async def end(request: Request) -> Response:
    """Sign another browser off, or all others."""
    pairing = _pairing(request)
    own: Session = request.scope[SESSION]
    for wanted in (await form_of(request)).get("session", []):
        others = [one.id for one in pairing.sessions() if one.id != own.id]
        for session_id in others if wanted == "others" else [wanted]:
            pairing.end(session_id)
    return see_other("/pair")


async def show_certificate(request: Request) -> Response:
    """Explain what the browser says about the certificate, and what to press."""
    settings = request.app.state.settings
    return page(
        request,
        "certificate.html",
        title="The certificate",
        certificate=request.app.state.certificate if settings.lan else None,
        file=CERTIFICATE_PATH,
        paired=SESSION in request.scope,
    )


async def give_certificate(request: Request) -> Response:
    """Hand out the authority's certificate, which is public. Never a key."""
    certificate = request.app.state.certificate
    if certificate is None:
        raise HTTPException(404)
    return Response(certificate.authority_der, media_type="application/x-x509-ca-cert")


def _ask(request: Request, notice: str = "") -> Response:
    return page(
        request,
        "pair.html",
        status=403 if notice else 200,
        title="Pair this browser",
        notice=notice,
        letters=CODE_LETTERS,
    )


def _pairing(request: Request) -> Pairing:
    pairing: Pairing | None = request.app.state.pairing
    if pairing is None or not request.app.state.settings.lan:
        raise HTTPException(404)
    return pairing


ROUTES: list[BaseRoute] = [
    Route("/pair", show_pairing, methods=["GET"]),
    Route("/pair", pair, methods=["POST"]),
    Route("/pair/leave", leave, methods=["POST"]),
    Route("/pair/end", end, methods=["POST"]),
    Route("/certificate", show_certificate, methods=["GET"]),
    Route(CERTIFICATE_PATH, give_certificate, methods=["GET"]),
]
