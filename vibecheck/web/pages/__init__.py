"""Web pages: one module a page; each gives its own ``ROUTES``."""

from __future__ import annotations

from starlette.routing import BaseRoute

ROUTES: list[BaseRoute] = []
