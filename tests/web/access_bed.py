"""A guarded application for the tests of access: clocks that stand still, codes that are known."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from vibecheck.web.access.guard import wrap
from vibecheck.web.access.pairing import Pairing
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings

LAN = "192.168.7.20"
PORT = 8137
BASE = f"https://{LAN}:{PORT}"


@dataclass
class Clock:
    """Seconds that pass only when told to."""

    now_s: float = 1000.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Shown:
    """What the terminal showed."""

    codes: list[str] = field(default_factory=list)
    whys: list[str] = field(default_factory=list)

    def __call__(self, code: str, why: str) -> None:
        self.codes.append(code)
        self.whys.append(why)


@dataclass
class Bed:
    """A guarded application, the clock of all of it, and what the terminal showed."""

    app: Any
    guarded: Any
    clock: Clock
    shown: Shown
    pairing: Pairing

    def browser(self, address: str = "192.168.7.31", **headers: str) -> TestClient:
        """A browser that sends the page's own origin, at some address."""
        return TestClient(
            self.guarded,
            base_url=BASE,
            headers={"origin": BASE, **headers},
            client=(address, 50000),
            follow_redirects=False,
        )

    def paired(self, address: str = "192.168.7.31", **headers: str) -> TestClient:
        """A browser that gave the code."""
        browser = self.browser(address, **headers)
        browser.get("/pair")
        answer = browser.post("/pair", data={"code": self.shown.codes[-1]})
        assert answer.status_code == 303, answer.text
        return browser


@contextmanager
def guarded_bed(folder: Path, *, certificate: Any = None, prepare: Any = None) -> Iterator[Bed]:
    """An application as `serve --lan` guards it; ``prepare(app)`` may add routes to it first."""
    settings = Settings(
        data=folder / "garage", port=PORT, hosts=(LAN, "bench.local", "localhost"), lan=True
    )
    app = create_app(settings)
    if prepare is not None:
        prepare(app)
    clock, shown = Clock(), Shown()
    pairing = Pairing(shown, clock=clock)
    guarded = wrap(app, settings, pairing, certificate=certificate, clock=clock)
    try:
        yield Bed(app, guarded, clock, shown, pairing)
    finally:
        app.state.garage.close()
