"""Web: the hand check by big buttons, zone by zone in the order of risk.

The walk, its order and its words are those of ``vibecheck hand-check`` (`vibecheck.bench`). Each
answer is on the disk before the next screen is asked for.

| module | what it holds |
|---|---|
| `hand_check_steps` | how far each fastener is and what an answer says, as pure values |
| `hand_check_at` | where a request is, and what tells an answer from a stray tap |
| `hand_check_zone`, `hand_check_find`, `hand_check_end` | the three kinds of screen |
"""

from __future__ import annotations

from starlette.routing import BaseRoute, Route

from vibecheck.web.pages.hand_check_end import close, decide, end, finish
from vibecheck.web.pages.hand_check_find import keep_find, show_find
from vibecheck.web.pages.hand_check_zone import answer, show

_PATH = "/checks/{n:int}/hand-check"
ROUTES: list[BaseRoute] = [
    Route(_PATH, show, methods=["GET"]),
    Route(_PATH, answer, methods=["POST"]),
    Route(f"{_PATH}/find", show_find, methods=["GET"]),
    Route(f"{_PATH}/find", keep_find, methods=["POST"]),
    Route(f"{_PATH}/end", end, methods=["GET"]),
    Route(f"{_PATH}/finish", finish, methods=["POST"]),
    Route(f"{_PATH}/decision", decide, methods=["POST"]),
    Route(f"{_PATH}/close", close, methods=["POST"]),
]
