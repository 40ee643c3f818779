"""Web: the garage. Its cars, what is open, the newest bench checks, and how to begin."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.bench.words import DECISIONS, VERDICTS, hand_check_words
from vibecheck.web.pages.found import car_by_id, said, when
from vibecheck.web.rendering import page
from vibecheck.web.request import error_response, form_of, in_garage, see_other

if TYPE_CHECKING:
    from collections.abc import Iterable

    from vibecheck.garage import Garage, Sitting, StoredCar

NEWEST = 8
"""So many bench checks stand on the first page."""
LISTED = 50
MOST_LISTED = 2000


@dataclass(frozen=True)
class CheckRow:
    """A bench check as a row of a list."""

    number: int
    car: str
    car_id: str
    when: str
    is_open: bool
    takes: int
    result: str
    hand_check: str
    decision: str


@dataclass(frozen=True)
class CarCard:
    """A car as a card."""

    stored: StoredCar
    open_check: int | None
    last: str


def check_rows(sittings: Iterable[Sitting]) -> list[CheckRow]:
    """Put bench checks into the words of a list."""
    return [
        CheckRow(
            number=one.number,
            car=one.car,
            car_id=one.car_id,
            when=when(one.date),
            is_open=one.is_open,
            takes=len(one.takes),
            result=VERDICTS.get(one.verdict, one.verdict) or "none",
            hand_check=hand_check_words(one) or "none: it is due",
            decision=DECISIONS.get(one.decision or "", "none"),
        )
        for one in sittings
    ]


@cache
def examples() -> tuple[tuple[str, str, str], ...]:
    """Return key, name and layout of the invented cars that are shipped."""
    from vibecheck.car.read import read_car
    from vibecheck.car.shipped import shipped_car_path, shipped_cars

    cars = [(key, read_car(shipped_car_path(key))) for key in shipped_cars()]
    return tuple((key, car.name, car.layout or "") for key, car in cars)


def _cards(garage: Garage) -> list[CarCard]:
    opened = {one.car_id: one.number for one in garage.open_sittings()}
    cards = []
    for stored in garage.cars(hidden=True):
        last = garage.sittings(stored.id, limit=1)
        cards.append(
            CarCard(stored, opened.get(stored.id), when(last[0].date) if last else "never")
        )
    return cards


async def show(request: Request) -> Response:
    """Show the garage."""
    cards, opened, newest = await in_garage(
        request,
        lambda garage: (_cards(garage), garage.open_sittings(), garage.sittings(limit=NEWEST)),
    )
    return page(
        request,
        "garage.html",
        title="Garage",
        cars=[card for card in cards if not card.stored.hidden],
        hidden=[card for card in cards if card.stored.hidden],
        opened=check_rows(opened),
        newest=check_rows(newest),
        examples=examples(),
    )


async def checks(request: Request) -> Response:
    """List bench checks, newest first, of one car where one is named."""
    car_id = request.query_params.get("car", "")
    asked = request.query_params.get("newest", "")
    limit = min(int(asked), MOST_LISTED) if asked.isascii() and asked.isdigit() else LISTED

    def read(garage: Garage) -> tuple[StoredCar | None, tuple[Sitting, ...]]:
        car = car_by_id(garage, car_id) if car_id else None
        return car, garage.sittings(car.id if car else None, limit=max(1, limit) + 1)

    car, found = await in_garage(request, read)
    return page(
        request,
        "checks.html",
        title=f"Bench checks of {car.name}" if car else "Bench checks",
        car=car,
        rows=check_rows(found[: max(1, limit)]),
        more=len(found) > max(1, limit),
        next_limit=min(4 * max(1, limit), MOST_LISTED),
    )


async def add_example(request: Request) -> Response:
    """Add one of the shipped, invented cars."""
    from vibecheck.car.shipped import shipped_car_path, shipped_cars

    key = said(await form_of(request), "car")
    if key not in shipped_cars():
        return error_response(request, 400, "There is no such invented car.", "Choose one anew.")

    def add(garage: Garage) -> StoredCar:
        from vibecheck.car.read import read_car

        path = shipped_car_path(key)
        name = read_car(path).name
        return garage.find_car(name) if garage.knows(name) else garage.add_car(path)

    stored = await in_garage(request, add)
    return see_other(f"/cars/{stored.id}")


ROUTES: list[BaseRoute] = [
    Route("/", show, methods=["GET"]),
    Route("/checks", checks, methods=["GET"]),
    Route("/cars/example", add_example, methods=["POST"]),
]
