"""Web pages: add files that were made elsewhere, ``/checks/{n}/upload``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.recording.request import SIGNAL_UNITS, TIME_UNITS
from vibecheck.recording.source import READABLE
from vibecheck.report.words import zone_words
from vibecheck.web.pages.found import check_of
from vibecheck.web.pages.uploads_api import refuse_spot
from vibecheck.web.rendering import page
from vibecheck.web.request import in_garage
from vibecheck.web.uploads.wish import LARGEST_FILE_BYTES, SUFFIXES

if TYPE_CHECKING:
    from vibecheck.garage import Garage, Sitting

ACCEPT = ",".join(["audio/*", "video/mp4", "video/quicktime", "video/webm", *sorted(SUFFIXES)])


@dataclass(frozen=True)
class UploadPage:
    """What the upload page is made of."""

    sitting: Sitting
    spots: tuple[tuple[str, str], ...]


async def upload(request: Request) -> Response:
    """Show the page for files."""
    asked = request.query_params.get("spot", CENTRE_SPOT)
    content = await in_garage(request, lambda garage: upload_page(garage, request))
    number = content.sitting.number
    names = [name for name, _words in content.spots]
    config: dict[str, Any] = {
        "sitting": number,
        "largest": LARGEST_FILE_BYTES,
        "suffixes": sorted(SUFFIXES),
    }
    return page(
        request,
        "upload.html",
        title="Add recordings made elsewhere",
        number=number,
        sitting=content.sitting,
        spots=content.spots,
        spot=asked if asked in names else CENTRE_SPOT,
        units=[unit for unit in SIGNAL_UNITS if unit != "full_scale"],
        time_units=list(TIME_UNITS),
        readable=READABLE,
        accept=ACCEPT,
        largest_mb=LARGEST_FILE_BYTES // 2**20,
        config=json.dumps(config),
    )


def upload_page(garage: Garage, request: Request) -> UploadPage:
    """Gather what the page needs.

    Raises
    ------
    HTTPException
        404 if there is no such bench check.
    CallError
        If it is closed.
    """
    sitting = check_of(garage, request)
    refuse_spot(garage, sitting, CENTRE_SPOT)
    car = garage.find_car(sitting.car_id).car
    spots = [(CENTRE_SPOT, "centre of the car")]
    spots += [(zone.name, zone_words(zone.name)) for zone in car.zones]
    return UploadPage(sitting, tuple(spots))


ROUTES: list[BaseRoute] = [Route("/checks/{n}/upload", upload)]
