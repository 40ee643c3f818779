"""The guard: names, origins, amounts, paces; what a stranger gets; the headers of every answer."""

from __future__ import annotations

import asyncio
import logging
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from access_bed import BASE, LAN, PORT, Bed, guarded_bed
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.testclient import TestClient

from vibecheck.report.files import write_whole
from vibecheck.web.access import guard as guard_module
from vibecheck.web.access.guard import (
    BODY_BYTES,
    OPEN_PATHS,
    PAIRED,
    PIECE_BYTES,
    STRANGER,
    UNSAFE_METHODS,
    wrap,
)
from vibecheck.web.access.headers import html_with_own_style
from vibecheck.web.access.limits import MOST_CALLERS, Buckets, caller_of
from vibecheck.web.access.names import CERTIFICATE_PATH, COOKIE
from vibecheck.web.app import STATIC, create_app
from vibecheck.web.request import body_within
from vibecheck.web.settings import Settings

SECRET = "the wheel nuts of somebody else"


async def _fault(_request: Request) -> Response:
    raise KeyError(SECRET)


async def _take(request: Request) -> Response:
    return JSONResponse({"bytes": len(await body_within(request, 1 << 30))})


async def _style(_request: Request) -> Response:
    return html_with_own_style("<style>p { color: #123 }</style><p>x</p><style>b{}</style>")


async def _who(request: Request) -> Response:
    return PlainTextResponse("seen", headers={"server": "x", "cache-control": "public"})


EXTRA: list[BaseRoute] = [
    Route("/test/fault", _fault),
    Route("/test/take", _take, methods=["POST"]),
    Route("/uploads/test", _take, methods=["PATCH"]),
    Route("/test/style", _style),
    Route("/test/seen", _who, methods=["GET", "POST"]),
]


@pytest.fixture(scope="module")
def bed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bed]:
    def prepare(app: Any) -> None:
        app.router.routes[0:0] = EXTRA

    with guarded_bed(tmp_path_factory.mktemp("guard"), prepare=prepare) as made:
        yield made


@pytest.fixture
def paired(bed: Bed) -> TestClient:
    bed.clock.now_s += 1000  # every bucket is full again
    return bed.paired()


@pytest.fixture
def stranger(bed: Bed) -> TestClient:
    bed.clock.now_s += 1000
    return bed.browser("192.168.7.99")


# -- names and origins


@pytest.mark.parametrize(
    "host",
    [
        *("evil.example", f"evil.example:{PORT}", LAN, f"{LAN}:80", f"{LAN}:{PORT}0", "", "[::1]"),
        *(f"{LAN}.:{PORT}", f"{LAN}:{PORT}@evil.example", f"evil.example#{LAN}:{PORT}"),
        *(f"{LAN}:{PORT}:{PORT}", f"a{LAN}:{PORT}", f"{LAN} :{PORT}", "127.0.0.1:8137"),
    ],
)
def test_another_name_gets_nothing(bed: Bed, host: str) -> None:
    # DNS rebinding: the browser believes that the attacker's name is this machine.
    answer = bed.browser(host=host).get("/pair")
    assert (answer.status_code, answer.text) == (400, "Bad request.\n")


@pytest.mark.parametrize("host", [f"{LAN}:{PORT}", f"bench.local:{PORT}", f"BENCH.Local:{PORT}"])
def test_its_own_names_are_served(stranger: TestClient, host: str) -> None:
    assert stranger.get("/pair", headers={"host": host}).status_code == 200


def test_two_host_headers_are_refused(bed: Bed) -> None:
    assert _status(bed, [(b"host", f"{LAN}:{PORT}".encode()), (b"host", b"x")]) == 400
    assert _status(bed, []) == 400


@pytest.mark.parametrize("method", sorted(UNSAFE_METHODS))
@pytest.mark.parametrize(
    "headers",
    [
        {"origin": ""},
        {"origin": "null"},
        {"origin": "https://evil.example"},
        {"origin": f"http://{LAN}:{PORT}"},
        {"origin": f"https://{LAN}"},
        {"origin": f"https://bench.local:{PORT}"},
        {"origin": f"{BASE}.evil.example"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_another_site_changes_nothing(
    paired: TestClient, method: str, headers: dict[str, str]
) -> None:
    # ASVS 5.0.0, 3.5.1 and 3.5.2: the origin is checked, not only the cookie.
    assert paired.request(method, "/test/seen", headers=headers).status_code == 403


def test_a_change_without_an_origin_is_refused(bed: Bed, paired: TestClient) -> None:
    host = (b"host", f"{LAN}:{PORT}".encode())
    cookie = (b"cookie", f"{COOKIE}={paired.cookies[COOKIE]}".encode())
    assert _status(bed, [host, cookie], "POST") == 403
    assert _status(bed, [host, cookie, (b"origin", BASE.encode())], "POST") == 200
    assert _status(bed, [host, cookie, *[(b"origin", BASE.encode())] * 2], "POST") == 403


def test_its_own_page_changes_things(paired: TestClient) -> None:
    for site in ("same-origin", "none"):
        assert paired.post("/test/seen", headers={"sec-fetch-site": site}).status_code == 200
    named = {"host": f"bench.local:{PORT}", "origin": f"https://bench.local:{PORT}"}
    token = paired.cookies[COOKIE]
    assert paired.post("/test/seen", headers={**named, "cookie": f"{COOKIE}={token}"}).is_success


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}, 200),
        ({"sec-fetch-mode": "navigate", "sec-fetch-dest": "iframe"}, 403),
        ({"sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}, 403),
        ({"sec-fetch-mode": "no-cors", "sec-fetch-dest": "script"}, 403),
        ({"sec-fetch-mode": "cors", "sec-fetch-dest": "empty"}, 403),
    ],
)
def test_another_site_may_link_but_not_embed(
    paired: TestClient, headers: dict[str, str], status: int
) -> None:
    answer = paired.get("/test/seen", headers={"sec-fetch-site": "cross-site", **headers})
    assert answer.status_code == status


@pytest.mark.parametrize("method", ["TRACE", "CONNECT", "OPTIONS", "PUT", "PROPFIND"])
def test_other_methods_are_not_done(paired: TestClient, method: str) -> None:
    # ASVS 5.0.0, 13.4.4. And no answer to OPTIONS allows another origin anything (3.4.2).
    answer = paired.request(method, "/test/seen")
    assert answer.status_code == 405
    assert not [name for name in answer.headers if name.startswith("access-control")]


def test_nothing_speaks_by_web_socket(bed: Bed) -> None:
    # ASVS 5.0.0, 4.4.1: there is none, encrypted or not.
    from starlette.websockets import WebSocketDisconnect

    with (
        pytest.raises(WebSocketDisconnect),
        bed.browser().websocket_connect(f"wss://{LAN}:{PORT}/pair"),
    ):
        pass


# -- what a stranger gets


def every_route(routes: list[BaseRoute], above: str = "") -> list[tuple[str, str]]:
    """Return (method, path) of every route, with something put in for its parameters."""
    found = []
    for route in routes:
        if isinstance(route, Route):
            path = re.sub(r"\{[^}]+\}", "1", above + route.path)
            found.extend((method, path) for method in sorted(route.methods or ()))
        elif isinstance(route, Mount) and route.routes:
            found.extend(every_route(list(route.routes), above + route.path))
        elif isinstance(route, Mount):
            found.append(("GET", f"{above}{route.path}/1"))
        else:  # pragma: no cover
            raise AssertionError(f"a kind of route that this test does not know: {route}")
    return found


def test_a_stranger_gets_nothing_but_the_pairing_page(bed: Bed, stranger: TestClient) -> None:
    # ASVS 5.0.0, 8.2.1 and 8.3.1. Walks every route that there is.
    routes = every_route(bed.app.routes)
    assert len(routes) > 10
    given = set()
    for method, path in routes:
        bed.clock.now_s += 1000
        answer = stranger.request(method, path)
        if path in OPEN_PATHS:
            given.add(path)
            continue
        expected = 401 if path.startswith("/uploads") or path.endswith(".json") else 303
        assert answer.status_code == expected, (method, path)
        assert not answer.text or "not paired" in answer.text
        if expected == 303:
            assert answer.headers["location"] == "/pair"
        bed.clock.now_s += 1000
        as_json = stranger.request(method, path, headers={"accept": "application/json"})
        assert as_json.status_code == 401, (method, path)
        for one in (answer, as_json):
            assert "set-cookie" not in one.headers
    assert given == {path for path in OPEN_PATHS if not path.startswith("/static/")}


def test_a_stranger_gets_these_files_and_no_other(bed: Bed, stranger: TestClient) -> None:
    files = sorted(STATIC.rglob("*"))
    assert len(files) >= 3
    for file in files:
        bed.clock.now_s += 1000
        path = f"/static/{file.relative_to(STATIC).as_posix()}"
        assert stranger.get(path).status_code == (200 if path in OPEN_PATHS else 303), path
        if path not in OPEN_PATHS and file.suffix in (".js", ".css"):
            assert stranger.get(path, headers={"sec-fetch-dest": "empty"}).status_code == 401


@pytest.mark.parametrize(
    "path",
    [
        *("/pair/leave", "/pair/end", "/pair/", "/pair/x", "/PAIR", "//pair", "/pair%2f..%2f"),
        *("/certificate/", "/certificate/..", "/static/pair.js/", "/static/../pair/x"),
        *("/static/%2e%2e/%2e%2e/pair", "/nowhere", "/pair;x=1", "/pair%00"),
    ],
)
def test_a_stranger_finds_no_way_around(bed: Bed, stranger: TestClient, path: str) -> None:
    for method in ("GET", "POST", "HEAD"):
        bed.clock.now_s += 1000
        answer = stranger.request(method, path)
        assert answer.status_code in (303, 401), (method, path, answer.status_code)


def test_a_stranger_may_not_post_to_the_open_pages(stranger: TestClient) -> None:
    for path in ("/certificate", CERTIFICATE_PATH, "/static/pair.js"):
        assert stranger.post(path).status_code == 303


@pytest.mark.parametrize("cookie", [f"{COOKIE}=", f"{COOKIE}=x", f"{COOKIE}=\x01", "vibecheck=1"])
def test_a_made_up_cookie_opens_nothing(stranger: TestClient, cookie: str) -> None:
    # ASVS 5.0.0, 7.2.1: the server decides.
    assert stranger.get("/", headers={"cookie": cookie}).headers["location"] == "/pair"


def test_a_query_carries_no_secret(bed: Bed, stranger: TestClient) -> None:
    # ASVS 5.0.0, 14.2.1: a code or token in the address is of no use.
    bed.pairing.offer()
    code = bed.shown.codes[-1]
    assert stranger.post(f"/pair?code={code}", data={"code": ""}).status_code == 403
    assert stranger.get(f"/?{COOKIE}={code}").status_code == 303


def test_no_lan_without_pairing(bed: Bed) -> None:
    with pytest.raises(ValueError, match="needs pairing"):
        wrap(bed.app, bed.app.state.settings)


# -- amounts and paces


@pytest.mark.parametrize(
    ("method", "path", "limit"),
    [("POST", "/test/take", BODY_BYTES), ("PATCH", "/uploads/test", PIECE_BYTES)],
)
def test_a_body_has_a_limit(paired: TestClient, method: str, path: str, limit: int) -> None:
    # ASVS 5.0.0, 5.2.1. Declared, and as it streams in without a declared length.
    assert paired.request(method, path, content=b"x" * limit).json() == {"bytes": limit}
    assert paired.request(method, path, content=b"x" * (limit + 1)).status_code == 413
    sent = 0

    def endless() -> Iterator[bytes]:
        nonlocal sent
        while sent < 4 * limit:
            sent += 1 << 16
            yield b"x" * (1 << 16)

    answer = paired.request(method, path, content=endless())
    assert answer.status_code == 413
    assert "set-cookie" not in answer.headers


def test_a_length_that_lies_is_counted(bed: Bed, paired: TestClient) -> None:
    headers = _of(paired, (b"content-length", b"10"))
    body = [{"type": "http.request", "body": b"x" * (BODY_BYTES + 1), "more_body": True}]
    assert _status(bed, headers, "POST", "/test/take", body) == 413
    odd = _of(paired, (b"content-length", b"-1"))
    assert _status(bed, odd, "POST", "/test/take") == 200


def test_a_sender_who_stops_is_let_go(
    bed: Bed, paired: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard_module, "PIECE_WAIT_S", 0.05)
    headers = _of(paired)
    body = [{"type": "http.request", "body": b"x", "more_body": True}]
    assert _status(bed, headers, "POST", "/test/take", body) == 408


def test_a_stranger_has_a_pace(bed: Bed, stranger: TestClient) -> None:
    burst, per_s = STRANGER
    answers = [stranger.get("/static/mark.svg").status_code for _ in range(burst + 3)]
    assert answers == [200] * burst + [429] * 3
    assert bed.browser("192.168.7.98").get("/static/mark.svg").status_code == 200
    bed.clock.now_s += 1.0
    assert [stranger.get("/static/mark.svg").status_code for _ in range(3)] == [200, 200, 429]
    assert per_s == 2.0


def test_twenty_phones_with_their_uploads_stay_below_the_pace(paired: TestClient) -> None:
    # 20 s of sound at 48 kHz as floats are 4 pieces of 1 MiB; each with its own questions.
    burst, per_s = PAIRED
    assert burst >= 100
    assert per_s >= 100
    assert {paired.get("/test/seen").status_code for _ in range(burst // 5)} == {200}


def test_buckets_forget_the_longest_silent() -> None:
    buckets = Buckets(1, 1.0, lambda: 0.0)
    assert buckets.wait_s("first") == 0.0
    assert buckets.wait_s("first") == 1.0
    for at in range(MOST_CALLERS):
        buckets.wait_s(str(at))
    assert buckets.wait_s("first") == 0.0


@pytest.mark.parametrize(
    ("address", "caller"),
    [
        ("192.168.7.3", "192.168.7.3"),
        ("fd00::1:2", "fd00::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("testclient", "testclient"),
    ],
)
def test_an_ipv6_host_is_one_caller(address: str, caller: str) -> None:
    assert caller_of(address) == caller


# -- headers


def check_headers(answer: Any, *, static: bool = False, own_style: bool = False) -> None:
    policy = answer.headers.get_list("content-security-policy")
    assert len(policy) == 1
    parts = dict(part.strip().partition(" ")[::2] for part in policy[0].split(";"))
    assert parts["default-src"] == "'none'"
    assert parts["base-uri"] == parts["object-src"] == parts["frame-ancestors"] == "'none'"
    assert "unsafe" not in policy[0]
    assert "*" not in policy[0]
    if own_style:
        assert "script-src" not in parts
    else:
        assert parts["script-src"] == parts["style-src"] == parts["form-action"] == "'self'"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert answer.headers["cross-origin-opener-policy"] == "same-origin"
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert answer.headers["permissions-policy"].startswith("microphone=(self), accelerometer")
    assert "camera=()" in answer.headers["permissions-policy"]
    assert answer.headers.get_list("cache-control") == ["no-cache" if static else "no-store"]
    assert "server" not in answer.headers
    assert "strict-transport-security" not in answer.headers  # see headers.py for the reason
    if answer.content:
        kind = answer.headers["content-type"]
        assert not kind.startswith("text/") or "charset=utf-8" in kind


def test_every_answer_has_the_headers(bed: Bed, paired: TestClient, stranger: TestClient) -> None:
    # ASVS 5.0.0, 3.2.1, 3.4.3 to 3.4.6, 4.1.1, 14.3.2.
    check_headers(bed.browser(host="evil.example").get("/"))
    check_headers(stranger.get("/"))
    check_headers(stranger.get("/", headers={"accept": "application/json"}))
    check_headers(stranger.get("/pair"))
    check_headers(stranger.get("/certificate"))
    for path in ("/test/seen", "/nowhere", "/test/fault", "/static/nothing.css", "/static/"):
        check_headers(paired.get(path))
    check_headers(paired.post("/test/seen", headers={"origin": "null"}))
    check_headers(paired.post("/test/take", content=b"x" * (BODY_BYTES + 1)))
    check_headers(paired.request("OPTIONS", "/"))
    check_headers(paired.post("/pair/leave"))
    while (answer := stranger.get("/pair")).status_code != 429:
        pass
    check_headers(answer)


def test_a_file_that_is_unchanged_has_the_headers(paired: TestClient) -> None:
    answer = paired.get("/static/vibecheck.css")
    check_headers(answer, static=True)
    again = paired.get("/static/vibecheck.css", headers={"if-none-match": answer.headers["etag"]})
    assert again.status_code == 304
    check_headers(again, static=True)


def test_a_report_page_brings_its_own_style(paired: TestClient) -> None:
    answer = paired.get("/test/style")
    check_headers(answer, own_style=True)
    assert answer.headers["content-security-policy"].count("'sha256-") == 2
    assert "'none'" in html_with_own_style("<p>x</p>").headers["content-security-policy"]


def test_a_page_shows_in_its_own_style(tmp_path: Path, browser: Any) -> None:
    from web_server import served

    async def report(_request: Request) -> Response:
        html = (
            "<!doctype html><meta charset=utf-8><style>\n\tp { color: rgb(1, 2, 3) } /* ä */\r\n"
            "</style><p id=p>x</p><p id=q style='color: rgb(9, 9, 9)'>y</p>"
        )
        return html_with_own_style(html)

    app = create_app(Settings(data=tmp_path / "garage"))
    app.router.routes.insert(0, Route("/r", report))
    tab = browser.new_page()
    with served(wrap(app, Settings(data=tmp_path))) as address:  # type: ignore[arg-type]
        tab.goto(f"{address}/r")
        colour = "id => getComputedStyle(document.getElementById(id)).color"
        assert tab.evaluate(colour, "p") == "rgb(1, 2, 3)"
        assert tab.evaluate(colour, "q") == "rgb(1, 2, 3)"  # an attribute is no style block
    tab.close()
    app.state.garage.close()


# -- nothing of the insides


def test_a_fault_shows_nothing_of_the_insides(
    paired: TestClient, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.ERROR, "vibecheck.web"):
        answer = paired.get("/test/fault?code=ABCD", headers={"x-note": "hidden"})
    assert answer.status_code == 500
    assert "a fault of its own" in answer.text
    for text in (answer.text, caplog.text):
        assert SECRET not in text
        assert "Traceback" not in text
        assert ".py" not in answer.text
    assert "KeyError, while answering GET '/test/fault'." in caplog.text
    assert "ABCD" not in caplog.text


def test_the_details_of_a_fault_are_shown_when_asked_for(
    paired: TestClient, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VIBECHECK_DEBUG", "1")
    answer = paired.get("/test/fault")
    assert "Traceback" in caplog.text
    assert "Traceback" not in answer.text


def test_a_fault_of_the_guard_is_answered(
    bed: Bed, paired: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_headers: object) -> int:
        raise RuntimeError(SECRET)

    monkeypatch.setattr(guard_module, "_declared_length", broken)
    answer = paired.get("/test/seen")
    assert answer.status_code == 500
    check_headers(answer)
    assert SECRET not in answer.text


@pytest.mark.parametrize("path", ["/test/seen", "/checks/1/pictures", "/nowhere"])
def test_a_query_that_is_no_text_is_refused(bed: Bed, paired: TestClient, path: str) -> None:
    # Found by damaged requests: the page ran into a fault while it named the address.
    status, answer = _answer(bed, _of(paired), "GET", path, query=b"take=\xff0")
    assert (status, answer) == (400, b"Bad request.\n")


def test_a_browser_that_left_is_no_fault(
    bed: Bed, paired: TestClient, caplog: pytest.LogCaptureFixture
) -> None:
    body = [{"type": "http.disconnect"}]
    _status(bed, _of(paired), "POST", "/test/take", body)
    assert "fault" not in caplog.text


@pytest.mark.parametrize("path", ["/static", "/static/", "/static/record", "/static/record/"])
def test_no_folder_is_listed(paired: TestClient, path: str) -> None:
    # ASVS 5.0.0, 13.4.3.
    answer = paired.get(path, follow_redirects=True)
    assert answer.status_code == 404
    assert ".css" not in answer.text.partition("</head>")[2]


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/../../pyproject.toml",
        "/static/%2e%2e/app.py",
        "/static/%2e%2e%2fapp.py",
        "/static/..%5capp.py",
        "/static/%252e%252e/app.py",
        "/static/....//app.py",
        "/static//etc/passwd",
        "/static/%2fetc%2fpasswd",
        "/static/record/../../app.py",
        "/static/vibecheck.css%00.js",
        "/static/.git/config",
        "/.git/config",
        "/garage.sqlite",
        "/https/authority.key",
    ],
)
def test_a_path_leads_nowhere_else(bed: Bed, paired: TestClient, path: str) -> None:
    # ASVS 5.0.0, 5.3.2 and 13.4.1. Raw, as a browser would never send it.
    from urllib.parse import unquote

    for raw in (path, unquote(path)):
        status, body = _answer(bed, _of(paired), "GET", raw)
        assert status in (404, 405), raw
        assert b"import" not in body
        assert b"root:" not in body


def test_a_link_out_of_the_static_folder_is_not_followed(tmp_path: Path) -> None:
    from starlette.staticfiles import StaticFiles

    (tmp_path / "static").mkdir()
    write_whole(tmp_path / "key.txt", SECRET)
    (tmp_path / "static" / "link.txt").symlink_to(tmp_path / "key.txt")
    client = TestClient(StaticFiles(directory=tmp_path / "static"))
    with pytest.raises(Exception, match=r"404|Not Found"):
        client.get("/link.txt")


# -- the bare protocol, for what no client sends


def _of(paired: TestClient, *more: tuple[bytes, bytes]) -> list[tuple[bytes, bytes]]:
    return [
        (b"host", f"{LAN}:{PORT}".encode()),
        (b"origin", BASE.encode()),
        (b"cookie", f"{COOKIE}={paired.cookies[COOKIE]}".encode()),
        *more,
    ]


def _status(
    bed: Bed,
    headers: list[tuple[bytes, bytes]],
    method: str = "GET",
    path: str = "/test/seen",
    body: list[dict[str, Any]] | None = None,
) -> int:
    return _answer(bed, headers, method, path, body)[0]


def _answer(
    bed: Bed,
    headers: list[tuple[bytes, bytes]],
    method: str,
    path: str,
    body: list[dict[str, Any]] | None = None,
    query: bytes = b"",
) -> tuple[int, bytes]:
    waiting = list(body if body is not None else [{"type": "http.request", "body": b""}])
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        if waiting:
            return waiting.pop(0)
        await asyncio.sleep(60)
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "method": method,
        "scheme": "https",
        "path": path,
        "raw_path": path.encode(),
        "query_string": query,
        "root_path": "",
        "headers": headers,
        "client": ("192.168.7.31", 50000),
        "server": (LAN, PORT),
        "http_version": "1.1",
    }
    # In a thread: a browser driven by the same tests may have a loop running in this one.
    with ThreadPoolExecutor(1) as pool:
        pool.submit(lambda: asyncio.run(bed.guarded(scope, receive, send))).result(20)
    status = next((m["status"] for m in sent if m["type"] == "http.response.start"), 0)
    return status, b"".join(m.get("body", b"") for m in sent)
