"""Web pages: record at the bench, ``/checks/{n}/record?spot=S``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.bench.words import BEFORE_SPIN_UP
from vibecheck.car.plan import BenchPlan, bench_plan
from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.errors import VibecheckError
from vibecheck.report.words import spot_words
from vibecheck.web.pages.cautions import acknowledged_at, read_fitted
from vibecheck.web.pages.uploads_api import refuse_spot
from vibecheck.web.rendering import page
from vibecheck.web.request import in_garage, see_other

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.garage import Garage, Sitting

BIG_WORDS = {
    "idle": "Motor off, quiet",
    "run_up": "Squeeze slowly",
    "hold": "Hold still",
    "coast_down": "Let go",
}
FIRST_WORDS = "Hands off. The noise of the room is recorded."
LAST_WORDS = "Wheels at rest. It stops by itself."
# Common practice, no source: for a machine of which no plan can be made.
PLAIN_SCRIPT = (
    ("idle", 4.0, FIRST_WORDS),
    ("run_up", 5.0, "Slowly and evenly, from rest."),
    ("hold", 6.0, "Keep the speed steady."),
    ("coast_down", 7.0, "Do not brake. Let everything run out by itself."),
    ("idle", 3.0, LAST_WORDS),
)
HIGHEST_RPM_WITHOUT_PLAN = 30_000.0
LONGEST_S = 180.0
"""Then the recorder stops by itself; longer recordings would be cut when they are read."""
ROOM_S = 2.0
"""So long the room is listened to before a countdown can begin."""
COUNT_FROM = 3
# Weights of the live picture's comb, chosen with it on simulated recordings of five cars.
_WEIGHTS = {"motor": 1.0, "reference": 1.0, "spur": 0.5, "electrical": 0.3, "mesh": 1.5}
_SECOND_HARMONIC = 0.2


@dataclass(frozen=True)
class RecorderPage:
    """What the recorder page is made of."""

    sitting: Sitting
    where_words: str
    plan: BenchPlan | None
    config: dict[str, Any]


async def record(request: Request) -> Response:
    """Show the recorder; the cautions come first."""
    spot = request.query_params.get("spot", CENTRE_SPOT)
    content = await in_garage(request, lambda garage: recorder_page(garage, request, spot))
    number = content.sitting.number
    if acknowledged_at(request.app, content.sitting.id) is None:
        return see_other(f"/checks/{number}/cautions?{urlencode({'spot': spot})}")
    return page(
        request,
        "record.html",
        title=f"Record {spot_words(spot)}",
        number=number,
        spot=spot,
        sitting=content.sitting,
        where_words=content.where_words,
        plan=content.plan,
        cap_words=cap_words(content.plan),
        before_spin_up=BEFORE_SPIN_UP,
        config=json.dumps(content.config),
    )


def recorder_page(garage: Garage, request: Request, spot: str) -> RecorderPage:
    """Gather what the page needs.

    Raises
    ------
    HTTPException
        404 if there is no such bench check.
    CallError
        If it is closed, or its car has no such spot.
    """
    sitting, car = read_fitted(garage, request)
    refuse_spot(garage, sitting, spot)
    plan = _plan(car)
    places = {} if plan is None else {one.name: one.words for one in plan.spots}
    config = config_of(car, plan, sitting.number, spot)
    return RecorderPage(sitting, places.get(spot, ""), plan, config)


def _plan(car: Car) -> BenchPlan | None:
    try:
        return bench_plan(car, "microphone")
    except VibecheckError:  # a bare machine, or one too slow to be heard: a plain script serves
        return None


def config_of(car: Car, plan: BenchPlan | None, number: int, spot: str) -> dict[str, Any]:
    """Return what the recorder's script reads: the throttle script and the car's orders."""
    wheel = car.order("wheel").ratio if car.has_order("wheel") else None
    return {
        "sitting": number,
        "spot": spot,
        "car": car.name,
        "steps": steps_of(plan),
        "orders": comb_of(car),
        "shaft": car.shaft,
        "wheel_ratio": wheel,
        "cap_rpm": None if plan is None else plan.cap_rpm,
        "highest_rpm": HIGHEST_RPM_WITHOUT_PLAN if plan is None else 1.3 * plan.cap_rpm,
        "longest_s": LONGEST_S,
        "room_s": ROOM_S,
        "count_from": COUNT_FROM,
    }


def cap_words(plan: BenchPlan | None) -> str:
    """Return the speed that must not be passed, rounded down."""
    if plan is None:
        return ""
    words = f"{plan.cap_rpm // 100 * 100:.0f} {plan.shaft} rpm"
    if plan.cap_wheel_rpm is None:
        return words
    return f"{words} ({plan.cap_wheel_rpm // 10 * 10:.0f} at the wheels)"


def steps_of(plan: BenchPlan | None) -> list[dict[str, Any]]:
    """Return the throttle script: big words, a line below them, and seconds."""
    if plan is None:
        return [
            {"big": BIG_WORDS[phase], "words": line, "seconds": seconds, "rpm": None}
            for phase, seconds, line in PLAIN_SCRIPT
        ]
    last = len(plan.script) - 1
    lines = {0: FIRST_WORDS, last: LAST_WORDS}
    return [
        {
            "big": BIG_WORDS[step.phase],
            "words": lines.get(k, step.words),
            "seconds": step.seconds,
            "rpm": round(step.to_rpm, -2) if step.phase == "hold" else None,
        }
        for k, step in enumerate(plan.script)
    ]


def comb_of(car: Car) -> list[dict[str, float]]:
    """Return the orders by which the live picture finds the speed, with their weights."""
    comb = []
    for order in car.orders:
        weight = _WEIGHTS.get(order.name, 0.0)
        if weight and order.ratio > 0:
            comb.append({"ratio": order.ratio, "weight": weight})
            comb.append({"ratio": 2.0 * order.ratio, "weight": _SECOND_HARMONIC * weight})
    return comb


ROUTES: list[BaseRoute] = [Route("/checks/{n}/record", record)]
