"""``vibecheck serve`` for real: signals, ports, https with its own authority, a real browser."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import http.client
import re
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from served_process import LAN, Serving, serving
from web_server import served

from vibecheck.cli import serve as command
from vibecheck.errors import CallError, MissingExtraError
from vibecheck.web.access.names import COOKIE
from vibecheck.web.access.qr import modules_of, qr_lines
from vibecheck.web.serve import listen


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("alone") / "garage") as made:
        assert made.address
        yield made


@pytest.fixture(scope="module")
def lan_data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("lan") / "garage"


@pytest.fixture(scope="module")
def lan(lan_data: Path) -> Iterator[Serving]:
    with serving(lan_data, lan=True) as made:
        assert made.code
        yield made


def trusting(data: Path) -> ssl.SSLContext:
    """Trust what a phone would have installed, and nothing else."""
    return ssl.create_default_context(cafile=str(data / "https" / "authority.pem"))


def client_at(address: str, data: Path, own: str = "127.0.0.9", **more: Any) -> httpx.Client:
    return httpx.Client(
        base_url=address,
        headers={"origin": address},
        transport=httpx.HTTPTransport(verify=trusting(data), local_address=own),
        timeout=30,
        **more,
    )


# -- this machine alone


def test_without_lan_it_listens_on_loopback_only(alone: Serving) -> None:
    assert alone.out[0] == "vibecheck is open to this computer only."
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+", alone.address)
    port = int(alone.address.rpartition(":")[2])
    assert httpx.get(alone.address + "/pair").status_code == 200
    with pytest.raises(OSError):
        socket.create_connection((LAN, port), timeout=5)
    assert any("wheels off the ground" in line for line in alone.err)


def test_a_name_that_is_not_its_own_is_refused(alone: Serving) -> None:
    answer = httpx.get(alone.address, headers={"host": "evil.example"})
    assert (answer.status_code, answer.text) == (400, "Bad request.\n")
    port = int(alone.address.rpartition(":")[2])
    assert httpx.get(f"http://localhost:{port}/pair").status_code == 200


def test_it_says_nothing_of_what_it_is_made_of(alone: Serving) -> None:
    # ASVS 5.0.0, 13.4.2: no debug page; and no word of server or framework.
    answer = httpx.get(alone.address + "/nowhere")
    assert "server" not in answer.headers
    assert "x-powered-by" not in answer.headers
    assert not re.search(r"starlette|uvicorn|python", answer.text + str(answer.headers), re.I)


def test_a_proxy_header_is_not_believed(alone: Serving) -> None:
    # ASVS 5.0.0, 4.1.3: the scheme and the sender are what they are.
    answer = httpx.post(
        alone.address + "/pair",
        headers={"x-forwarded-proto": "https", "origin": alone.address.replace("http", "https")},
    )
    assert answer.status_code == 403


@pytest.mark.parametrize(
    "raw",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: {host}\r\nHost: x\r\n\r\n",
        b"POST /pair HTTP/1.1\r\nHost: {host}\r\nContent-Length: 5\r\nContent-Length: 6\r\n"
        b"\r\nabcdef",
        b"POST /pair HTTP/1.1\r\nHost: {host}\r\nContent-Length: 5\r\n"
        b"Transfer-Encoding: chunked\r\n"
        b"\r\n0\r\n\r\nGET /smuggled HTTP/1.1\r\nHost: {host}\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: {host}\r\nX: a\x00b\r\n\r\n",
        b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\nHost: {host}\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    ],
    ids=["no host", "two hosts", "two lengths", "length and chunks", "nul", "long", "tls"],
)
def test_odd_bytes_get_a_plain_refusal(alone: Serving, raw: bytes) -> None:
    # ASVS 5.0.0, 4.2.1.
    host = alone.address.removeprefix("http://")
    name, _, port = host.partition(":")
    with socket.create_connection((name, int(port)), timeout=10) as raw_client:
        with contextlib.suppress(OSError):  # it may have hung up already
            raw_client.sendall(raw.replace(b"{host}", host.encode()))
            time.sleep(0.1)  # an end of the client's half would end the answers too
            raw_client.shutdown(socket.SHUT_WR)
        answer = b""
        with contextlib.suppress(ConnectionError):
            while block := raw_client.recv(65536):
                answer += block
    assert not answer or answer.startswith(b"HTTP/1.1 4")
    assert answer.count(b"HTTP/1.1") <= 1
    assert b"Traceback" not in answer
    assert httpx.get(alone.address + "/pair").status_code == 200


@pytest.mark.parametrize(("by", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 0)])
def test_it_ends_quietly(tmp_path: Path, by: signal.Signals, code: int) -> None:
    with serving(tmp_path / "garage") as made:
        address = made.address
        held = http.client.HTTPConnection(address.removeprefix("http://"))
        held.request("GET", "/pair")  # a connection that a browser keeps open
        assert held.getresponse().status == 200
        assert made.end(by) == code
        held.close()
    told = "\n".join(made.err)
    assert "Traceback" not in told
    assert "Error" not in told
    assert ("Stopped." in told) == (code == 130)
    assert not list((tmp_path / "garage").glob("*-journal"))


def test_a_taken_port_is_said(alone: Serving) -> None:
    port = alone.address.rpartition(":")[2]
    done = subprocess.run(
        [sys.executable, "-m", "vibecheck", "serve", "--port", port, "--no-open"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert f"Port {port} is taken by another program." in done.stderr
    assert f"--port {int(port) + 1}" in done.stderr


def test_ports_and_addresses_that_cannot_be_had() -> None:
    made = listen(["127.0.0.1", LAN], 0)
    ports = {one.getsockname()[1] for one in made}
    assert len(ports) == 1
    for one in made:
        one.close()
    with pytest.raises(CallError, match="cannot listen there"):
        listen(["192.0.2.77"], 0)  # RFC 5737: nobody's address
    with pytest.raises(CallError):
        listen(["127.0.0.1"], 70_000)


# -- the local network


def test_the_terminal_shows_what_the_phone_needs(lan: Serving, lan_data: Path) -> None:
    text = "\n".join(lan.out)
    assert lan.address.startswith(f"https://{LAN}:")
    assert f"https://bench.local:{lan.address.rpartition(':')[2]}" in text
    authority = x509.load_pem_x509_certificate((lan_data / "https" / "authority.pem").read_bytes())
    der = authority.public_bytes(serialization.Encoding.DER)
    shown = "".join(re.findall(r"(?:[0-9A-F]{2}:?){16}", text))
    assert shown.replace(":", "") == hashlib.sha256(der).hexdigest().upper()
    assert f"{lan.address}/certificate" in text
    assert "\x1b" not in text + "\n".join(lan.err)
    assert not set(text) & set("▀▄█")  # a pipe gets plain text


def test_https_with_the_own_authority(lan: Serving, lan_data: Path) -> None:
    # ASVS 5.0.0, 12.1.1 and 12.2.1. The names are checked; nothing but TLS 1.2 and 1.3.
    port = int(lan.address.rpartition(":")[2])
    with client_at(lan.address, lan_data) as client:
        assert client.get("/pair").status_code == 200
    with client_at(f"https://localhost:{port}", lan_data) as client:
        assert client.get("/pair").status_code == 200
    context = trusting(lan_data)
    with (
        socket.create_connection((LAN, port)) as plain,
        context.wrap_socket(plain, server_hostname="bench.local") as wrapped,
    ):
        assert wrapped.version() == "TLSv1.3"
    with (
        socket.create_connection((LAN, port)) as plain,
        pytest.raises(ssl.SSLCertVerificationError),
    ):
        context.wrap_socket(plain, server_hostname="example.org")
    with pytest.raises(httpx.ConnectError):
        httpx.get(lan.address + "/pair")  # a browser that did not install it
    with pytest.raises(httpx.HTTPError):
        httpx.get(lan.address.replace("https", "http") + "/pair")


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1 is deprecated:DeprecationWarning")
def test_old_encryption_is_refused(lan: Serving, lan_data: Path) -> None:
    context = trusting(lan_data)
    context.set_ciphers("ALL:@SECLEVEL=0")
    context.minimum_version = ssl.TLSVersion.TLSv1_1
    context.maximum_version = ssl.TLSVersion.TLSv1_1
    with (
        socket.create_connection((LAN, int(lan.address.rpartition(":")[2]))) as plain,
        pytest.raises(ssl.SSLError),
    ):
        context.wrap_socket(plain, server_hostname="bench.local")


def test_a_phone_pairs_and_a_stranger_does_not(lan: Serving, lan_data: Path) -> None:
    with (
        client_at(lan.address, lan_data, "127.0.0.31") as phone,
        client_at(lan.address, lan_data, "127.0.0.32") as stranger,
    ):
        assert phone.get("/").headers["location"] == "/pair"
        code = lan.code
        answer = phone.post("/pair", data={"code": code})
        assert answer.headers["location"] == "/"
        assert phone.get("/static/vibecheck.css").status_code == 200
        assert "Paired browsers" in phone.get("/pair").text
        assert stranger.get("/").headers["location"] == "/pair"
        assert stranger.post("/pair", data={"code": code}).status_code == 403
        given = stranger.get("/certificate/vibecheck-authority.crt")
        assert given.headers["content-type"] == "application/x-x509-ca-cert"
        pem = (lan_data / "https" / "authority.pem").read_bytes()
        assert x509.load_der_x509_certificate(given.content) == x509.load_pem_x509_certificate(pem)
        token = phone.cookies[COOKIE]
    lan.wait_for(lan.out, "at 127.0.0.31")
    # No secret in anything that was written: codes stand on their own line, tokens nowhere.
    written = "\n".join([*lan.out, *lan.err])
    assert token not in written
    assert "127.0.0.32" not in written
    assert written.count(code) == 1
    for file in lan_data.rglob("*"):
        if file.is_file():
            assert token.encode() not in file.read_bytes()
            assert code.encode() not in file.read_bytes()


# -- a real browser


def trusted_key(data: Path) -> str:
    """The flag that makes Chromium accept this one server certificate."""
    chain = (data / "https" / "server.pem").read_bytes()
    key = x509.load_pem_x509_certificates(chain)[0].public_key()
    form = serialization.PublicFormat.SubjectPublicKeyInfo
    digest = hashlib.sha256(key.public_bytes(serialization.Encoding.DER, form)).digest()
    return f"--ignore-certificate-errors-spki-list={base64.b64encode(digest).decode()}"


@pytest.fixture(scope="module")
def chromium(launch: Callable[..., Any], lan: Serving, lan_data: Path) -> Iterator[Any]:
    opened = launch(trusted_key(lan_data))
    yield opened
    opened.close()


LOUD = ("error", "warning")


@pytest.fixture
def phone(chromium: Any) -> Iterator[Any]:
    context = chromium.new_context(viewport={"width": 360, "height": 740})
    tab = context.new_page()
    said: list[str] = []
    tab.on("console", lambda one: said.append(one.text) if one.type in LOUD else None)
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.said = said
    yield tab
    context.close()


def pair_by_picture(tab: Any, lan: Serving) -> None:
    """Open what the QR picture holds, and press the one button."""
    tab.goto(f"{lan.address}/pair#{lan.code.replace('-', '')}")
    tab.get_by_text("The code came with the QR picture.").wait_for()
    tab.get_by_role("button", name="Pair this browser").click()
    tab.wait_for_url(f"{lan.address}/")


def test_a_browser_pairs_by_the_picture(phone: Any, lan: Serving) -> None:
    codes = len([line for line in lan.out if "Pairing code" in line])
    phone.goto(f"{lan.address}/")
    assert phone.url == f"{lan.address}/pair"
    assert phone.evaluate("isSecureContext") is True
    phone.goto("about:blank")
    asked: list[str] = []
    phone.on("request", lambda request: asked.append(request.url))
    code = lan.code.replace("-", "")
    phone.goto(f"{lan.address}/pair#{code}")
    phone.get_by_text("The code came with the QR picture.").wait_for()
    assert phone.url == f"{lan.address}/pair"  # not left in the address
    assert phone.get_by_label("Pairing code").input_value() == code
    assert phone.evaluate("document.activeElement.id") == "pair"
    phone.keyboard.press("Enter")
    phone.wait_for_url(f"{lan.address}/")
    assert not [url for url in asked if code in url.partition("#")[0]]  # it was never sent so
    (cookie,) = phone.context.cookies()
    assert cookie["name"] == "__Host-vibecheck"
    assert (cookie["secure"], cookie["httpOnly"], cookie["sameSite"]) == (True, True, "Strict")
    assert (cookie["path"], cookie["domain"]) == ("/", LAN)
    assert phone.evaluate("document.cookie") == ""
    assert phone.evaluate("isSecureContext") is True
    assert phone.evaluate("typeof navigator.mediaDevices.getUserMedia") == "function"
    lan.wait_for(lan.out, "Pairing code", count=codes + 1)
    phone.goto(f"{lan.address}/pair")
    phone.get_by_text("this browser", exact=True).wait_for()
    phone.get_by_role("button", name="Sign this browser off").click()
    phone.wait_for_url(f"{lan.address}/pair")
    assert phone.context.cookies() == []
    assert phone.said == []


def test_the_code_may_be_scanned_while_the_page_is_open(phone: Any, lan: Serving) -> None:
    phone.goto(f"{lan.address}/pair")
    phone.evaluate("location.hash = 'ACDE-FGHJ'")
    phone.get_by_text("The code came with the QR picture.").wait_for()
    assert phone.get_by_label("Pairing code").input_value() == "ACDE-FGHJ"
    phone.evaluate("location.hash = '<img src=x>'")
    assert phone.get_by_label("Pairing code").input_value() == "ACDE-FGHJ"


def test_the_certificate_page_says_what_the_browser_allows(phone: Any, lan: Serving) -> None:
    phone.goto(f"{lan.address}/certificate")
    phone.get_by_text("it can use the microphone here").wait_for()
    shown = phone.locator("#fingerprint").inner_text().replace(":", "")
    assert shown[:32] in "".join(lan.out).replace(":", "")
    assert "unproven" in phone.inner_text("main")
    assert phone.evaluate("document.documentElement.scrollWidth") <= 360
    assert phone.said == []


def test_the_warning_is_passed_as_the_page_tells(launch: Callable[..., Any], lan: Serving) -> None:
    """Nothing switched off: the browser's own warning, its own buttons, then the microphone."""
    opened = launch("--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream")
    tab = opened.new_page()
    code = lan.code.replace("-", "")
    with pytest.raises(Exception, match="ERR_CERT_AUTHORITY_INVALID"):
        tab.goto(f"{lan.address}/pair#{code}")
    tab.get_by_text("Your connection is not private").wait_for()
    tab.get_by_role("button", name="Advanced").click()
    tab.get_by_role("link", name=f"Proceed to {LAN} (unsafe)").click()
    tab.get_by_text("The code came with the QR picture.").wait_for()
    assert tab.get_by_label("Pairing code").input_value() == code
    tab.get_by_role("button", name="Pair this browser").click()
    tab.wait_for_url(f"{lan.address}/")
    assert tab.evaluate("isSecureContext") is True
    listening = "navigator.mediaDevices.getUserMedia({audio: true}).then(s => s.active)"
    assert tab.evaluate(listening) is True
    opened.close()


def test_another_site_can_do_nothing(chromium: Any, lan: Serving) -> None:
    """A page of another origin, in the same browser, tries what it can with the paired cookie."""
    from starlette.applications import Starlette
    from starlette.responses import HTMLResponse
    from starlette.routing import Route

    async def evil(_request: Any) -> HTMLResponse:
        return HTMLResponse(
            f"<form method=post action='{lan.address}/pair/leave'><button>x</button></form>"
            f"<iframe src='{lan.address}/pair'></iframe><img src='{lan.address}/static/mark.svg'>"
        )

    context = chromium.new_context()
    tab = context.new_page()
    pair_by_picture(tab, lan)
    with served(Starlette(routes=[Route("/", evil)])) as address:
        other = context.new_page()
        other.goto(address)
        assert other.evaluate("document.images[0].naturalWidth") == 0
        # Refused: an error page, or, as older drivers tell it, no page at all.
        assert other.frames[1].url.partition(":")[0] in ("", "chrome-error")
        blocked = (
            "url => fetch(url, {method: 'POST', credentials: 'include'}).then(() => 1, () => 0)"
        )
        assert other.evaluate(blocked, f"{lan.address}/pair/leave") == 0
        with other.expect_navigation() as navigation:
            other.click("button")
        assert navigation.value.status == 403
    tab.goto(f"{lan.address}/pair")
    tab.get_by_text("this browser", exact=True).wait_for()  # still paired
    context.close()


def test_no_script_but_the_own_runs(phone: Any, lan: Serving) -> None:
    phone.goto(f"{lan.address}/pair")
    phone.evaluate(
        """() => {
            const inline = document.createElement("script");
            inline.textContent = "window.ran = 1";
            document.body.append(inline);
            const elsewhere = document.createElement("script");
            elsewhere.src = "http://127.0.0.1:1/x.js";
            document.body.append(elsewhere);
            document.body.setAttribute("onclick", "window.ran = 2");
            document.body.click();
        }"""
    )
    assert phone.evaluate("window.ran") is None
    assert any("Content Security Policy" in text for text in phone.said)


# -- pieces


@pytest.mark.parametrize("colour", [True, False])
def test_the_picture_holds_the_address(colour: bool) -> None:
    modules = modules_of("https://192.168.7.20:8137/pair#ACDEFGHJ")
    side = len(modules)
    assert {len(row) for row in modules} == {side}
    assert not any(any(row[:4]) or any(row[-4:]) for row in modules)  # the margin
    lines = qr_lines(modules, colour=colour, blocks=True)
    assert len(lines) == (side + 1) // 2
    read: list[list[int]] = []
    for line in lines:
        blocks = re.sub(r"\x1b\[[0-9;]*m", "", line)
        upper = [int(one in "▀█") for one in blocks]
        lower = [int(one in "▄█") for one in blocks]
        read += [upper, lower]
    dark = read if colour else [[1 - one for one in row] for row in read]
    assert dark[:side] == modules


def test_the_picture_for_a_terminal_without_blocks() -> None:
    modules = [[0, 1], [1, 0]]
    lines = qr_lines(modules, colour=True, blocks=False)
    assert lines[0] == "\x1b[48;5;231m  \x1b[48;5;16m  \x1b[0m"
    assert qr_lines(modules, colour=False, blocks=False) == []


def test_a_terminal_gets_the_picture(monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.delenv("NO_COLOR", raising=False)
    command._show_code("ACDEFGHJ", "Paired: x.", "https://192.168.7.20:8137")
    shown = capsys.readouterr().out
    assert "Paired: x." in shown
    assert "ACDE-FGHJ" in shown
    assert "▀" in shown


def test_no_network_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vibecheck.web.access.addresses.lan_addresses", lambda: ())
    with pytest.raises(CallError, match="on no local network"):
        command.serve_command(lan=True)


def test_a_missing_extra_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(MissingExtraError, match="optional part"):
        command.serve_command()
