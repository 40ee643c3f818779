"""What `fuzz.py` throws at the page for the browser: wishes to send a file, and whole requests."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import re
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import unquote

Call = Callable[[bytes], Any]
Made = tuple[Call, list[bytes]]
ROOT = Path(__file__).resolve().parent.parent
ROOM_FOR = 1_000
"""Requests that meet the same garage, which grows by them; then it is put back."""
DEMO_TAKE = ROOT / "vibecheck" / "data" / "demo" / "2-something-loose-centre.flac"
"""Simulated."""
HOST = "127.0.0.1"
FIELD_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9a-z-]+")
WISH = {
    "key": "fuzzed-0000-0000-0000",
    "sitting": 1,
    "spot": "centre",
    "sensor": "microphone",
    "file_name": "spin.wav",
    "form": "pcm_f32le",
    "sample_rate_hz": 48_000,
    "channels": 1,
}
FORM, AS_JSON = "application/x-www-form-urlencoded", "application/json"
FORM_WORDS = (
    *(b"&", b"=", b"%", b"%00", b"%ff", b"%c3%a9", b"+", b"..", b"/"),
    *(b"answer=snug", b"zone=", b"HEAD ", b"PATCH ", b"Upload-Offset: 0\n", b"\n\n"),
)


def upload_wish(_folder: Path) -> Made:
    """Damage what a browser says of the file that it is about to send."""
    from vibecheck.errors import CallError
    from vibecheck.web.uploads.wish import claims_from, wish_from

    def call(data: bytes) -> None:
        try:
            values = json.loads(data)
        except (ValueError, RecursionError):  # refused before anything is looked at
            return
        if isinstance(values, dict):
            with contextlib.suppress(CallError):
                claims_from(values.get("capture"))
        wish_from(values).to_dict()

    table = WISH | {
        "form": "file",
        "size": 1234,
        "file_name": "../ähm.csv",
        "sensor": "accelerometer",
        "reading": {"unit": "g", "sample_rate_hz": 800, "axis": "x"},
    }
    claims = WISH | {"capture": {"gain": False, "device": "phone", "latency_s": 0.01, "n": 3}}
    return call, [json.dumps(one).encode() for one in (WISH, table, claims)]


class Requests:
    """The page behind its guard, over a garage that is put back now and then.

    Parameters
    ----------
    folder : Path
        Empty.
    """

    def __init__(self, folder: Path) -> None:
        logging.getLogger("vibecheck.web").setLevel(logging.CRITICAL)
        self._clean, self._used = folder / "clean", folder / "used"
        self._loop = asyncio.new_event_loop()
        self._app: Any = None
        self._left = 0
        self.ids: dict[str, str] = {}
        self.body = b""
        self._prepare()

    def __call__(self, data: bytes) -> str:
        """Send one request; its bytes are a line, fields, an empty line and a body.

        Returns
        -------
        str
            Method, address without numbers and names, and status: what makes it a new answer.

        Raises
        ------
        RuntimeError
            If the page ran into a fault of its own.
        """
        if self._left <= 0:
            self._put_back()
        self._left -= 1
        head, _, body = data.partition(b"\n\n")
        first, *fields = head.decode("latin-1").split("\n")
        method, _, target = first.partition(" ")
        status = self._ask(method, target, fields, body)
        if status >= 500 and status != 503:
            raise RuntimeError(f"answered {status} to {method} {target}"[:200])
        place = re.sub(r"[0-9a-f]{16,}|[0-9]+", "N", target.partition("?")[0])
        return f"{method[:8]} {place[:40]} {status}" if 0 < status < 400 else str(status)

    def _ask(self, method: str, target: str, fields: list[str], body: bytes) -> int:
        path, _, query = target.partition("?")
        # What the server before the application lets through, and how it hands it on.
        if not re.fullmatch(r"[A-Z]{1,20}", method) or not re.fullmatch(r"/[!-~]*", path):
            return 400
        headers = []
        for line in fields:
            name, _, value = line.partition(":")
            if FIELD_NAME.fullmatch(name.lower()) and not re.search("[\x00\r]", value):
                headers.append((name.lower().encode(), value.strip().encode("latin-1")))
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": unquote(path),
            "raw_path": path.encode("ascii"),
            "query_string": query.encode("latin-1"),
            "root_path": "",
            "headers": headers,
            "client": (HOST, 50_000),
            "server": (HOST, 8_000),
            "state": {},
        }
        parts = [
            {"type": "http.request", "body": body, "more_body": False},
            {"type": "http.disconnect"},
        ]
        answered: list[int] = []
        bodies: list[bytes] = []

        async def receive() -> Any:
            return parts.pop(0) if len(parts) > 1 else parts[0]

        async def send(message: Any) -> None:
            if message["type"] == "http.response.start":
                answered.append(message["status"])
            bodies.append(message.get("body", b""))

        self._loop.run_until_complete(self._guarded(scope, receive, send))
        self.body = b"".join(bodies)
        return answered[0] if answered else 0

    def _prepare(self) -> None:
        """Make a garage with a car, a bench check half gone through, and an upload half sent."""
        from vibecheck.car.shipped import shipped_car_path
        from vibecheck.web.uploads.store import UploadStore
        from vibecheck.web.uploads.wish import wish_from

        self._open(self._clean)
        garage = self._app.state.garage
        car = garage.add_car(shipped_car_path())
        sitting = garage.start_sitting(car.id)
        garage.add_take(sitting.id, DEMO_TAKE, sensor="microphone", spot="centre")
        sitting = garage.sitting(str(sitting.number))
        judge = self._app.state.judge
        judge.keep(sitting, judge.check(sitting))
        store = UploadStore(self._clean)
        state, _made = store.create(wish_from(WISH))
        self.ids = {"car": car.id, "sitting": sitting.id, "upload": state.id}
        self._ask("GET", "/checks/1/hand-check?zone=motor_mount", [f"Host: {HOST}"], b"")
        shown = re.search(rb'name="version" value="([0-9a-f]+)"', self.body)
        assert shown is not None
        self.ids["version"] = shown[1].decode()
        garage.close()
        self._app = None

    def _open(self, folder: Path) -> None:
        from vibecheck.web.access.guard import wrap
        from vibecheck.web.app import create_app
        from vibecheck.web.settings import Settings

        settings = Settings(data=folder)
        self._app = create_app(settings)
        self._guarded = wrap(self._app, settings)

    def _put_back(self) -> None:
        if self._app is not None:
            self._app.state.garage.close()
        shutil.rmtree(self._used, ignore_errors=True)
        shutil.copytree(self._clean, self._used)
        self._open(self._used)
        self._app.state.acknowledged[self.ids["sitting"]] = datetime.now(UTC)
        self._left = ROOM_FOR


def web_requests(folder: Path) -> Made:
    """Damage whole requests: method, address, fields and body together."""
    from vibecheck.car.shipped import shipped_car_path

    page = Requests(folder)
    car, upload = page.ids["car"], page.ids["upload"]
    text = shipped_car_path().read_text("utf-8")
    numbers = {"name": "Bench car", "layout": "4wd", "pinion_teeth": "26", "spur_teeth": "46"}
    answered = {"zone": "motor_mount", "version": page.ids["version"], "shown": "3.2"}
    toml = {"text": text, "same": "yes"}
    forms: list[tuple[str, dict[str, str]]] = [
        ("/cars/example", {"car": "saltflat8"}),
        ("/cars/new", numbers),
        ("/cars/new", toml),
        (f"/cars/{car}/file", toml),
        (f"/cars/{car}/rename", {"name": "Ähm"}),
        (f"/cars/{car}/hide", {"back": "no"}),
        (f"/cars/{car}/gear", {"pinion_teeth": "30", "before": "", "mesh_mm": "0,1"}),
        (f"/cars/{car}/checks/new", {"runs": "2", "clock": "right"}),
        ("/checks/1/cautions", {"seen": "0"}),
        ("/checks/1/decision", {"decision": "go", "note": "New nut"}),
        ("/checks/1/judge", {}),
        ("/checks/1/hand-check", answered | {"answer": "snug"}),
        (
            "/checks/1/hand-check",
            answered | {"fastener": "motor screw", "answer": "loose", "shown": "7.5"},
        ),
        (
            "/checks/1/hand-check/find",
            answered
            | {"fastener": "motor screw", "at": "1", "count": "1", "turned_deg": "45"}
            | {"outcome": "loose", "done": "tightened"},
        ),
        ("/checks/1/hand-check/finish", {"finish": "yes"}),
        ("/checks/1/hand-check/decision", {"decision": "no_go", "note": ""}),
        ("/checks/1/close", {}),
    ]
    corpus = [_request("POST", path, _encoded(form), FORM) for path, form in forms]
    gets = [
        *("/", "/checks", "/cars/new", "/checks/1", "/checks/1/cautions", "/checks/1/spots"),
        *(f"/cars/{car}{rest}" for rest in ("", "/file", "/file.toml", "/checks/new", "/list")),
        f"/cars/{car}/plan?sensor=microphone&sample_rate_hz=48000",
        f"/cars/{car}/gear?pinion_teeth=30&spur_teeth=46",
        f"/cars/{car}/history?miss_probability=0.05&zone=wheel_rear_left&simulated=1",
        f"/cars/{car}/history.json?zone=motor_mount",
        *("/checks/1/record?spot=centre", "/checks/1/upload?spot=centre", "/checks/1/result"),
        *("/checks/1/result.json", "/checks/1/pictures?take=0", "/checks/1/report"),
        "/checks/1/hand-check?zone=wheel_front_left&shown=1",
        "/checks/1/hand-check/find?zone=motor_mount&at=1",
        *("/checks/1/hand-check/end", "/static/vibecheck.css", "/pair", "/certificate"),
    ]
    corpus += [_request("GET", one) for one in gets]
    corpus += [
        _request("POST", "/uploads", json.dumps(WISH).encode(), AS_JSON),
        _request(
            "PATCH",
            f"/uploads/{upload}",
            bytes(range(64)),
            "application/octet-stream",
            "Upload-Offset: 0",
        ),
        _request("HEAD", f"/uploads/{upload}"),
        _request("DELETE", f"/uploads/{upload}"),
        _request(
            "POST", f"/uploads/{upload}/finish", b'{"size": 64, "sha256": "00", "gaps": 1}', AS_JSON
        ),
        _request("POST", f"/uploads/{upload}/look", b"{}", AS_JSON),
        _request("POST", f"/uploads/{upload}/keep", b"{}", AS_JSON),
    ]
    return page, corpus


def _encoded(form: dict[str, str]) -> bytes:
    from urllib.parse import urlencode

    return urlencode(form).encode("ascii")


def _request(method: str, target: str, body: bytes = b"", kind: str = "", *fields: str) -> bytes:
    lines = [f"{method} {target}", f"Host: {HOST}", f"Origin: http://{HOST}", *fields]
    if kind:
        lines += [f"Content-Type: {kind}", f"Content-Length: {len(body)}"]
    return "\n".join(lines).encode("ascii") + b"\n\n" + body
