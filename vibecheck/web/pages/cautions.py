"""Web: the cautions before a spin-up, each acknowledged by itself.

What was acknowledged is remembered for one bench check while the server runs, and for
`ACKNOWLEDGED_FOR` at most: who comes back on another day reads them anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.errors import VibecheckError
from vibecheck.web.pages.found import car_by_id, check_of, said, when
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other

if TYPE_CHECKING:
    from collections.abc import Collection

    from vibecheck.car.profile import Car
    from vibecheck.garage import Garage, Sitting

ACKNOWLEDGED_FOR = timedelta(hours=4)
"""One afternoon at the bench; common practice, no source."""
FELT = (
    "I have felt every wheel nut and the motor mount just now, with the battery unplugged. No "
    "nut turned, nothing moved."
)
TRY_FIRST = (
    "Begin with a short try at the lowest speed. Trigger to zero at once at a new noise, a smell, "
    "smoke, or shaking; then unplug and look."
)


@dataclass(frozen=True)
class Cautions:
    """The cautions of a car as it is fitted, where they are due.

    Attributes
    ----------
    before, during, after : tuple of str
        In the owner's words.
    """

    before: tuple[str, ...]
    during: tuple[str, ...]
    after: tuple[str, ...]

    @property
    def to_acknowledge(self) -> tuple[str, ...]:
        """Those that must be acknowledged before anything turns."""
        return (*self.before, *self.during)


def cautions_of(car: Car) -> Cautions:
    """Return the cautions of a car; without a drivetrain no cap can be named."""
    from vibecheck.car import plan_words
    from vibecheck.car.plan import bench_plan

    try:
        plan = bench_plan(car, "microphone")
    except VibecheckError:
        return Cautions(plan_words.before(car), (TRY_FIRST,), plan_words.after())
    return Cautions(plan.before, plan.during, plan.after)


def acknowledged_at(app: Any, sitting_id: str) -> datetime | None:
    """Return when the cautions of a bench check were acknowledged, if that still counts.

    Parameters
    ----------
    app : Starlette
    sitting_id : str
    """
    moment: datetime | None = app.state.acknowledged.get(sitting_id)
    if moment is not None and datetime.now(UTC) - moment > ACKNOWLEDGED_FOR:
        del app.state.acknowledged[sitting_id]
        return None
    return moment


def read_fitted(garage: Garage, request: Request) -> tuple[Sitting, Car]:
    """Return the bench check of the address, and its car with the gears that are fitted."""
    from vibecheck.bench.set_up import fitted_car

    sitting = check_of(garage, request)
    return sitting, fitted_car(car_by_id(garage, sitting.car_id).car, sitting.set_up)


def _spot(request: Request, car: Car, asked: str) -> str:
    """Return the spot to go on to, if the car has it."""
    return asked if asked in ("centre", *(zone.name for zone in car.zones)) else ""


def _page(
    request: Request,
    sitting: Sitting,
    car: Car,
    *,
    spot: str,
    ticked: Collection[str] = (),
    missing: bool = False,
) -> Response:
    cautions = cautions_of(car)
    moment = acknowledged_at(request.app, sitting.id)
    return page(
        request,
        "cautions.html",
        status=422 if missing else 200,
        title="Before anything turns",
        sitting=sitting,
        cautions=cautions,
        felt=FELT,
        since=None if moment is None else when(moment),
        spot=spot,
        ticked=ticked,
        missing=missing,
        n_missing=len(cautions.to_acknowledge) + 1 - len(ticked),
        onward=_onward(sitting, spot),
    )


def _onward(sitting: Sitting, spot: str) -> str:
    if spot:
        return f"/checks/{sitting.number}/record?{urlencode({'spot': spot})}"
    return f"/checks/{sitting.number}/spots"


async def show(request: Request) -> Response:
    """Show the cautions."""
    sitting, car = await in_garage(request, lambda garage: read_fitted(garage, request))
    asked = request.query_params.get("spot", "")
    return _page(request, sitting, car, spot=_spot(request, car, asked))


async def acknowledge(request: Request) -> Response:
    """Take the ticks; every one is needed."""
    form = await form_of(request)
    sitting, car = await in_garage(request, lambda garage: read_fitted(garage, request))
    spot = _spot(request, car, said(form, "spot"))
    if not sitting.is_open:
        return see_other(f"/checks/{sitting.number}")
    wanted = {str(place) for place in range(len(cautions_of(car).to_acknowledge))} | {"felt"}
    ticked = wanted & set(form.get("seen", ()))
    if ticked != wanted:
        return _page(request, sitting, car, spot=spot, ticked=ticked, missing=True)
    request.app.state.acknowledged[sitting.id] = datetime.now(UTC)
    return see_other(_onward(sitting, spot))


ROUTES: list[BaseRoute] = [
    Route("/checks/{n:int}/cautions", show, methods=["GET"]),
    Route("/checks/{n:int}/cautions", acknowledge, methods=["POST"]),
]
