"""Web: where to record: the car from above, and the spots of the plan in their order."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.report.words import zone_words
from vibecheck.web.pages.cautions import acknowledged_at, cautions_of, read_fitted
from vibecheck.web.rendering import page
from vibecheck.web.request import in_garage

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.garage import Sitting


@dataclass(frozen=True)
class SpotRow:
    """A place to record at."""

    name: str
    title: str
    place: str
    state: str
    is_done: bool
    href: str


def spot_title(name: str) -> str:
    """Return the name of a spot in plain words."""
    return "centre of the car" if name == CENTRE_SPOT else zone_words(name)


def spot_rows(sitting: Sitting, car: Car) -> list[SpotRow]:
    """Return the spots of the plan, then others that were recorded at."""
    from vibecheck.car import plan_words

    planned = [(spot.name, spot.words) for spot in plan_words.spots(car, "microphone")]
    names = {name for name, _ in planned}
    others = dict.fromkeys(take.spot for take in sitting.takes if take.spot not in names)
    return [_row(sitting, name, place) for name, place in [*planned, *((o, "") for o in others)]]


def other_spots(sitting: Sitting, car: Car) -> list[SpotRow]:
    """Return the other places that a car has."""
    shown = {row.name for row in spot_rows(sitting, car)}
    return [_row(sitting, zone.name, "") for zone in car.zones if zone.name not in shown]


def _row(sitting: Sitting, name: str, place: str) -> SpotRow:
    count = Counter(take.sensor for take in sitting.takes if take.spot == name)
    state = " and ".join(
        f"{n} {'recording' if n == 1 else 'recordings'} with the {sensor}"
        for sensor, n in sorted(count.items(), reverse=True)
    )
    href = f"/checks/{sitting.number}/record?{urlencode({'spot': name})}"
    return SpotRow(name, spot_title(name), place, state or "not recorded yet", bool(count), href)


async def show(request: Request) -> Response:
    """Show the spots."""
    from vibecheck.report.car_picture import car_from_above

    sitting, car = await in_garage(request, lambda garage: read_fitted(garage, request))
    rows = spot_rows(sitting, car)
    count = Counter(take.spot for take in sitting.takes)
    words = {row.name: _mark(count[row.name]) for row in rows}
    links = {row.name: row.href for row in rows} if sitting.is_open else {}
    return page(
        request,
        "spots.html",
        title="Where do I record?",
        sitting=sitting,
        rows=rows,
        others=other_spots(sitting, car),
        following=next((row for row in rows if not row.is_done), None),
        picture=car_from_above(car, words=words, links=links) if car.zones else "",
        after=cautions_of(car).after,
        acknowledged=acknowledged_at(request.app, sitting.id) is not None,
    )


def _mark(count: int) -> str:
    if not count:
        return "to do"
    return "recorded" if count == 1 else f"recorded, {count} times"


ROUTES: list[BaseRoute] = [Route("/checks/{n:int}/spots", show, methods=["GET"])]
