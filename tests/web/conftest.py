"""Fixtures of the web tests: an application, a served one, and a real browser."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from web_server import served

from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
CARS = Path(__file__).resolve().parents[2] / "vibecheck" / "data" / "cars"


@pytest.fixture
def app(tmp_path: Path) -> Any:
    """The application over a new garage (`app.state.garage`), without pairing."""
    return create_app(Settings(data=tmp_path / "garage"))


@pytest.fixture
def client(app: Any) -> Iterator[TestClient]:
    """A browser-like client of the application, without a browser."""
    with TestClient(
        app, base_url="http://127.0.0.1", headers={"origin": "http://127.0.0.1"}
    ) as client:
        yield client


@pytest.fixture
def live(app: Any) -> Iterator[str]:
    """Address of the application, served for real."""
    with served(app) as address:
        yield address


@pytest.fixture(scope="session")
def launch() -> Iterator[Callable[..., Any]]:
    """Start Debian's Chromium: ``launch("--some-flag")`` returns a Playwright browser."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("there is no chromium on this machine")
    with playwright.sync_playwright() as started:
        opened: list[Any] = []

        def start(*flags: str) -> Any:
            browser = started.chromium.launch(
                executable_path=CHROMIUM, headless=True, args=[*FLAGS, *flags]
            )
            opened.append(browser)
            return browser

        yield start
        for browser in opened:
            browser.close()


@pytest.fixture(scope="session")
def browser(launch: Callable[..., Any]) -> Any:
    """One browser for all tests of a process that need no microphone."""
    return launch()


@pytest.fixture
def tab(browser: Any) -> Iterator[Any]:
    """A fresh tab of phone width."""
    context = browser.new_context(viewport={"width": 360, "height": 740})
    yield context.new_page()
    context.close()
