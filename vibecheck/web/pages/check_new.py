"""Web: begin a bench check of a car: what is fitted, and how many runs it made."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.bench.words import BEFORE_SPIN_UP
from vibecheck.car.fields import DRIVETRAIN_FIELDS, NumberField
from vibecheck.errors import InputError, VibecheckError
from vibecheck.web.pages.found import Form, car_of, number_in, plain, said
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other

if TYPE_CHECKING:
    from collections.abc import Mapping

    from vibecheck.car.profile import Car
    from vibecheck.garage import Garage, SetUp, Sitting, StoredCar

GEARS = ("pinion_teeth", "spur_teeth", "cells")
LABELS = {
    "runs": "Runs since the last bench check",
    "pinion_teeth": "Teeth of the pinion",
    "spur_teeth": "Teeth of the spur gear",
    "cells": "Cells of the battery",
    "tyres": "Tyres, in your words",
    "clock": "The clock",
}
RUNS = NumberField("runs", False, 0.0, 999_999.0, "", low_allowed=True)
LONGEST_TYRES = 200
CLOCK = "The clock of this computer"


def _set_up(form: Form, car: Car, usual: SetUp) -> tuple[SetUp, float, dict[str, str]]:
    """Read the form: the set-up, the runs, and what is wrong by field."""
    errors: dict[str, str] = {}
    values: dict[str, Any] = {"tyres": said(form, "tyres")}
    if len(values["tyres"]) > LONGEST_TYRES or not (values["tyres"] + "x").isprintable():
        errors["tyres"] = f"Say it in one line of at most {LONGEST_TYRES} letters."
    runs = 0.0
    try:
        runs = float(number_in(RUNS, said(form, "runs"), LABELS["runs"]))
    except ValueError as error:
        errors["runs"] = str(error)
    if car.drivetrain is not None:
        for field in DRIVETRAIN_FIELDS:
            if field.key in GEARS:
                try:
                    text = said(form, field.key)
                    values[field.key] = number_in(field, text, LABELS[field.key])
                except ValueError as error:
                    errors[field.key] = str(error)
    return (usual if errors else replace(usual, **values)), runs, errors


def _page(
    request: Request,
    stored: StoredCar,
    opened: Sitting | None,
    values: Mapping[str, str],
    errors: Mapping[str, str],
) -> Response:
    return page(
        request,
        "check_new.html",
        status=422 if errors else 200,
        title=f"New bench check of {stored.name}",
        stored=stored,
        gears=GEARS if stored.car.drivetrain is not None else (),
        open_check=None if opened is None else opened.number,
        values=values,
        errors=errors,
        labels=LABELS,
        before=BEFORE_SPIN_UP,
    )


async def show(request: Request) -> Response:
    """Show the set-up, as the car file and the last bench check have it."""
    from vibecheck.bench.set_up import next_set_up

    def read(garage: Garage) -> tuple[StoredCar, Sitting | None, SetUp, bool]:
        stored = car_of(garage, request)
        first = not garage.sittings(stored.id, limit=1)
        return stored, garage.open_sitting(stored.id), next_set_up(garage, stored), first

    stored, opened, usual, first = await in_garage(request, read)
    values = {key: plain(getattr(usual, key)) for key in GEARS}
    values |= {"tyres": usual.tyres, "runs": "0" if first else "1"}
    return _page(request, stored, opened, values, {})


async def begin(request: Request) -> Response:
    """Begin the bench check."""
    from vibecheck.bench.set_up import fitted_car, next_set_up

    form = await form_of(request)

    def start(garage: Garage) -> tuple[StoredCar, Sitting | None, dict[str, str]]:
        stored = car_of(garage, request)
        opened = garage.open_sitting(stored.id)
        if opened is not None or stored.hidden:
            return stored, opened, {}
        set_up, runs, errors = _set_up(form, stored.car, next_set_up(garage, stored))
        if errors:
            return stored, None, errors
        try:
            fitted_car(stored.car, set_up)
        except VibecheckError as error:
            return stored, None, {"pinion_teeth": error.what}
        try:
            return (
                stored,
                garage.start_sitting(
                    stored.id,
                    set_up=set_up,
                    runs_since_last=runs,
                    clock_is_right=said(form, "clock") == "right",
                ),
                {},
            )
        except InputError as error:
            if not error.what.startswith(CLOCK):
                raise
            return stored, None, {"clock": error.what}

    stored, sitting, errors = await in_garage(request, start)
    if sitting is None:
        values = {name: each[0] for name, each in form.items() if each}
        return _page(request, stored, None, values, errors)
    return see_other(f"/checks/{sitting.number}/cautions")


ROUTES: list[BaseRoute] = [
    Route("/cars/{car_id}/checks/new", show, methods=["GET"]),
    Route("/cars/{car_id}/checks/new", begin, methods=["POST"]),
]
