"""Web pages: one module a page; each gives its own ``ROUTES``."""

from __future__ import annotations

from starlette.routing import BaseRoute

from vibecheck.web.pages import gear, hand_check, history

ROUTES: list[BaseRoute] = [*hand_check.ROUTES, *history.ROUTES, *gear.ROUTES]
