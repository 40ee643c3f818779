"""Web pages: one module a page; each gives its own ``ROUTES``."""

from __future__ import annotations

from starlette.routing import BaseRoute

from vibecheck.web.pages import (
    car,
    car_new,
    cautions,
    check,
    check_new,
    garage,
    gear,
    hand_check,
    history,
    record,
    result,
    spots,
    upload,
    uploads_api,
)

ROUTES: list[BaseRoute] = [
    *garage.ROUTES,
    *car_new.ROUTES,
    *car.ROUTES,
    *check_new.ROUTES,
    *cautions.ROUTES,
    *spots.ROUTES,
    *record.ROUTES,
    *upload.ROUTES,
    *uploads_api.ROUTES,
    *check.ROUTES,
    *result.ROUTES,
    *hand_check.ROUTES,
    *history.ROUTES,
    *gear.ROUTES,
]
