"""Read a page of the hand check as a hand would use it: its forms, and taps on them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import unescape
from typing import Any

from starlette.testclient import TestClient


class Hand:
    """A clock of taps: seconds pass between two looks at it only while the hand rests."""

    def __init__(self) -> None:
        self.rests = True
        self._now_s = 1000.0

    def __call__(self) -> float:
        """Return seconds."""
        self._now_s += 10.0 if self.rests else 0.0
        return self._now_s


FORM = re.compile(r'<form method="post" action="([^"]+)".*?</form>', re.S)
HIDDEN = re.compile(r'<input type="hidden" name="(\w+)" value="([^"]*)">')


@dataclass(frozen=True)
class Form:
    """A form of a page, with what it carries unseen."""

    action: str
    carried: dict[str, str]
    text: str


def forms(page: str) -> list[Form]:
    """Return the forms of a page."""
    return [
        Form(
            unescape(match[1]),
            {name: unescape(value) for name, value in HIDDEN.findall(match[0])},
            match[0],
        )
        for match in FORM.finditer(page)
    ]


def form_for(page: str, fastener: str = "") -> Form:
    """Return the form that answers for a kind of fastener, or for the rest of the zone."""
    return next(
        one
        for one in forms(page)
        if "shown" in one.carried and one.carried.get("fastener", "") == fastener
    )


def tap(client: TestClient, page: str, answer: str, fastener: str = "") -> Any:
    """Tap a button of the zone on the screen."""
    form = form_for(page, fastener)
    return client.post(form.action, data={**form.carried, "answer": answer})
