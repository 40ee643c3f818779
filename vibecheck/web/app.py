"""Web: the application. `create_app`."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from vibecheck.bench.judge import Judge
from vibecheck.errors import VibecheckError
from vibecheck.garage import Garage
from vibecheck.web import request as requests
from vibecheck.web.settings import Settings

STATIC = Path(__file__).with_name("static")


def page_routes() -> list[BaseRoute]:
    """Collect the routes of every page."""
    from vibecheck.web.pages import ROUTES

    return [*ROUTES]


def create_app(settings: Settings) -> Starlette:
    """Make the application over a garage, which it opens now and closes when it ends.

    Parameters
    ----------
    settings : Settings

    Raises
    ------
    InputError
        If the garage cannot be opened.
    """
    garage = Garage.open(settings.data)

    @asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        try:
            yield
        finally:
            garage.close()

    app = Starlette(
        routes=[
            *page_routes(),
            Mount("/static", StaticFiles(directory=STATIC), name="static"),
        ],
        lifespan=lifespan,
        exception_handlers={
            VibecheckError: requests.on_vibecheck_error,
            HTTPException: requests.on_http_error,
            Exception: requests.on_fault,
        },
    )
    app.state.settings = settings
    app.state.garage = garage
    app.state.judge = Judge(garage)
    app.state.acknowledged = {}  # sitting id → moment at which its cautions were acknowledged
    return app
