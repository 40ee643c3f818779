"""The application: errors in one shape, static files, nothing listed."""

from __future__ import annotations

from typing import Any

from starlette.testclient import TestClient


def test_unknown_page_says_so_as_page_and_as_json(client: TestClient) -> None:
    answer = client.get("/nowhere")
    assert answer.status_code == 404
    assert "There is no such page." in answer.text
    answer = client.get("/nowhere", headers={"accept": "application/json"})
    assert answer.json()["error"]["message"] == "There is no such page."


def test_a_real_browser_reads_the_page(tab: Any, live: str) -> None:
    tab.goto(f"{live}/nowhere")
    assert "There is no such page." in tab.inner_text("main")
