"""Web: one car. Its figures, its zones, its bench plan, its versions; rename and put away."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.errors import InputError, VibecheckError
from vibecheck.report import car_words
from vibecheck.web.pages.found import car_of, number_in, said, when
from vibecheck.web.pages.garage import check_rows
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other

if TYPE_CHECKING:
    from collections.abc import Mapping

    from vibecheck.car.fields import NumberField
    from vibecheck.car.plan import BenchPlan
    from vibecheck.garage import Garage, StoredCar

NEWEST = 8
SHOWN_VERSIONS = 20
SENSORS = {"microphone": "a microphone, as of a phone", "accelerometer": "an accelerometer"}
PLAN_LABELS = {
    "sensor": "Sensor",
    "sample_rate": "Samples a second",
    "resolution": "Line width, orders of the slowest shaft",
    "holds": "How many speeds to hold",
    "mains": "Mains frequency to keep clear of, Hz",
    "max_rpm": "A lower cap on the motor, rpm",
}
PLAN_HINTS = {
    "sample_rate": "Of the sensor. Empty: what phones usually give.",
    "resolution": "Finer needs longer holds. Usual: 0.02.",
    "holds": "1 to 4. Usual: 2.",
    "mains": "50 or 60. Empty: both with a microphone.",
    "max_rpm": "For this plan only. A machine without a drivetrain needs one.",
}


# ---- one car ---------------------------------------------------------------------------


async def show(request: Request) -> Response:
    """Show a car."""
    return await _car_page(request)


async def _car_page(request: Request, errors: Mapping[str, str] | None = None) -> Response:
    from vibecheck.car.plausibility import car_warnings

    def read(garage: Garage) -> dict[str, Any]:
        stored = car_of(garage, request)
        opened = garage.open_sitting(stored.id)
        versions = garage.car_versions(stored.id)
        return {
            "stored": stored,
            "open_check": None if opened is None else opened.number,
            "rows": check_rows(garage.sittings(stored.id, limit=NEWEST)),
            "n_versions": len(versions),
            "versions": [(when(added), text) for added, text in versions[-SHOWN_VERSIONS:]],
        }

    found = await in_garage(request, read)
    car = found["stored"].car
    return page(
        request,
        "car.html",
        status=422 if errors else 200,
        title=found["stored"].name,
        **found,
        car=car,
        warnings=car_warnings(car),
        orders=car_words.order_rows(car),
        gearing=car_words.gearing_rows(car),
        speeds=car_words.speed_rows(car),
        cap=car_words.cap_words(car),
        fastener_words=car_words.fastener_words,
        errors=errors or {},
    )


async def rename(request: Request) -> Response:
    """Give a car another name."""
    name = said(await form_of(request), "name")

    def change(garage: Garage) -> tuple[StoredCar, str]:
        stored = car_of(garage, request)
        try:
            return garage.rename_car(stored.id, name), ""
        except InputError:
            return stored, "The name must be one line of 1 to 80 letters."
        except VibecheckError as error:
            return stored, f"{error.what} {error.advice or ''}".strip()

    stored, wrong = await in_garage(request, change)
    if wrong:
        return await _car_page(request, {"name": wrong})
    return see_other(f"/cars/{stored.id}")


async def hide(request: Request) -> Response:
    """Put a car away, or bring it back."""
    back = said(await form_of(request), "back") == "yes"

    def change(garage: Garage) -> StoredCar:
        return garage.hide_car(car_of(garage, request).id, not back)

    stored = await in_garage(request, change)
    return see_other(f"/cars/{stored.id}" if back else "/")


# ---- its bench plan --------------------------------------------------------------------


def _plan_fields() -> dict[str, NumberField]:
    from vibecheck.car.fields import NumberField

    return {
        "sample_rate": NumberField("sample_rate", False, 0.0, 1e6, "", required=False),
        "resolution": NumberField("resolution", False, 0.001, 0.5, "", low_allowed=True),
        "holds": NumberField("holds", True, 1, 4, ""),
        "mains": NumberField("mains", True, 50, 60, "", required=False),
        "max_rpm": NumberField("max_rpm", False, 0.0, 1e6, "", required=False),
    }


def _planned(
    car: Any, asked: Mapping[str, str]
) -> tuple[BenchPlan | None, dict[str, str], dict[str, str]]:
    """Return the plan, the values to show in its form, and what is wrong with them."""
    from vibecheck.car.plan import bench_plan

    values = {"sensor": "microphone", "resolution": "0.02", "holds": "2", **asked}
    errors: dict[str, str] = {}
    numbers: dict[str, Any] = {}
    if values["sensor"] not in SENSORS:
        errors["sensor"] = "Choose one of the two."
    for name, field in _plan_fields().items():
        text = values.get(name, "").strip()
        if not text:
            continue
        try:
            numbers[name] = number_in(field, text, PLAN_LABELS[name])
        except ValueError as error:
            errors[name] = str(error)
    if numbers.get("mains", 50) not in (50, 60):
        errors["mains"] = "It must be 50 or 60."
    if errors:
        return None, values, errors
    try:
        plan = bench_plan(
            car,
            values["sensor"],
            order_resolution=numbers.get("resolution", 0.02),
            sample_rate_hz=numbers.get("sample_rate"),
            n_holds=numbers.get("holds", 2),
            mains_hz=numbers.get("mains"),
            max_rpm=numbers.get("max_rpm"),
        )
    except VibecheckError as error:
        field_of = {"--max-rpm": "max_rpm", "--sample-rate": "sample_rate"}
        bare = car.drivetrain is None and "max_rpm" not in numbers
        name = "max_rpm" if bare else field_of.get(error.where or "", "sensor")
        words = "This machine has no drivetrain: say how fast it may turn." if bare else error.what
        return None, values, {name: words}
    return plan, values, {}


async def plan(request: Request) -> Response:
    """Show how to record this car with a sensor."""
    from vibecheck.car.plausibility import car_warnings

    stored = await in_garage(request, lambda garage: car_of(garage, request))
    asked = {name: request.query_params.get(name, "")[:40] for name in PLAN_LABELS}
    given = {name: text for name, text in asked.items() if text}
    made, values, errors = _planned(stored.car, given)
    return page(
        request,
        "plan.html",
        status=422 if errors and given else 200,
        title=f"Bench plan of {stored.name}",
        stored=stored,
        plan=made,
        lines=[] if made is None else car_words.plan_lines(made),
        script=[] if made is None else car_words.script_rows(made),
        apart=car_words.apart_words,
        warnings=car_warnings(stored.car),
        values=values,
        errors=errors,
        labels=PLAN_LABELS,
        hints=PLAN_HINTS,
        sensors=SENSORS,
    )


ROUTES: list[BaseRoute] = [
    Route("/cars/{car_id}", show, methods=["GET"]),
    Route("/cars/{car_id}/plan", plan, methods=["GET"]),
    Route("/cars/{car_id}/rename", rename, methods=["POST"]),
    Route("/cars/{car_id}/hide", hide, methods=["POST"]),
]
