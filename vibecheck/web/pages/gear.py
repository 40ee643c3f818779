"""Web: what another pinion, spur, tyre or pack does to a car, and to log that it was fitted.

The arithmetic and the words are those of ``vibecheck car gear``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.errors import InputError
from vibecheck.web.pages.found import car_of
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other

if TYPE_CHECKING:
    from vibecheck.car.gear_change import GearChange
    from vibecheck.car.profile import Car, Drivetrain
    from vibecheck.garage import Garage, Sitting, StoredCar

FIELDS = {
    "pinion_teeth": ("Teeth of the pinion", True),
    "spur_teeth": ("Teeth of the spur gear", True),
    "tyre_diameter_mm": ("Diameter of the tyres, mm", False),
    "cells": ("Cells of the pack in series", True),
}
"""What may change: label, and whether it is a count."""
LONGEST_NUMBER = 12
SAID = {
    "kept": "Kept: the car file says what is fitted now, and what was undone is due again soon.",
    "same": "Nothing was changed: the car file says that already.",
    "meanwhile": "Nothing was changed: the car file was changed in between. Look at the figures "
    "again.",
}


async def show(request: Request) -> Response:
    """Show the gearing, and what the numbers that were typed in would make of it."""
    typed = {name: request.query_params.get(name, "").strip() for name in FIELDS}
    return await _page(request, typed, said=SAID.get(request.query_params.get("said", ""), ""))


async def _page(request: Request, typed: Mapping[str, str], *, said: str = "") -> Response:
    def read(garage: Garage) -> tuple[StoredCar, Sitting | None]:
        stored = car_of(garage, request)
        return stored, garage.open_sitting(stored.id)

    stored, opened = await in_garage(request, read)
    fitted = stored.car.drivetrain
    now = {} if fitted is None else _fitted(fitted)
    change: GearChange | None = None
    wrong = ""
    if fitted is not None:
        try:
            change = _change(stored.car, typed)
        except InputError as error:
            wrong = f"{error.what} {error.advice or ''}".strip()
    return page(
        request,
        "car_gear.html",
        status=422 if wrong or request.method == "POST" else 200,
        title=f"Gearing of {stored.name}",
        stored=stored,
        opened=opened,
        fields=FIELDS,
        now=now,
        typed={name: typed.get(name) or now.get(name, "") for name in FIELDS},
        before=_edition(stored.car),
        wrong=wrong,
        said=said,
        **_told(change),
    )


def _fitted(drivetrain: Drivetrain) -> dict[str, str]:
    return {name: f"{getattr(drivetrain, name):g}" for name in FIELDS}


def _edition(car: Car) -> str:
    """Return what is fitted, as a text that changes when it does."""
    return "" if car.drivetrain is None else "/".join(_fitted(car.drivetrain).values())


def _change(car: Car, typed: Mapping[str, str]) -> GearChange | None:
    """Work out a change; ``None`` where the same is typed in as is fitted.

    Raises
    ------
    InputError
        If a number is none, or lies outside the car file's rules.
    """
    from vibecheck.car.gear_change import change_gear

    wanted: dict[str, Any] = {}
    for name, (label, whole) in FIELDS.items():
        text = typed.get(name, "")
        if not text:
            continue
        try:
            value = int(text) if whole else float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if len(text) > LONGEST_NUMBER or not math.isfinite(value):
            kind = "a whole number" if whole else "a number"
            raise InputError(f"{label}: that must be {kind}. Got “{text[:20]}” instead.")
        if value != getattr(car.drivetrain, name):
            wanted[name] = value
    return change_gear(car, **wanted) if wanted else None


def _told(change: GearChange | None) -> dict[str, Any]:
    """Return a change as the page shows it."""
    if change is None:
        return {"change": None, "rows": [], "lines": [], "undone": []}
    from vibecheck.report.gear_words import change_lines, change_rows, undone_lines

    return {
        "change": change,
        "rows": change_rows(change),
        "lines": change_lines(change),
        "undone": undone_lines(change),
    }


async def keep(request: Request) -> Response:
    """Log what the change undid, and keep the changed car file as the newest version."""
    form = await form_of(request)
    typed = {name: form.get(name, [""])[-1].strip() for name in FIELDS}
    before = form.get("before", [""])[-1]

    def log(garage: Garage) -> str:
        from vibecheck.car.write import car_to_toml

        stored = car_of(garage, request)
        if stored.car.drivetrain is None:
            raise InputError(
                "The car file says nothing of a drivetrain, so that no gear can be changed.",
                advice="Add one on the page of the car.",
            )
        change = _change(stored.car, typed)
        if change is None:
            return "same"
        if before != _edition(stored.car):
            return "meanwhile"
        # What was undone comes first: a car file alone would hide it.
        garage.log_disturbances(
            stored.id, change.disturbed, f"change of {', '.join(change.changed)}"
        )
        garage.add_car_text(car_to_toml(change.after), where=stored.name)
        return "kept"

    try:
        said = await in_garage(request, log)
    except InputError:
        # The page says it, with what was typed in.
        return await _page(request, typed)
    return see_other(f"/cars/{request.path_params['car_id']}/gear?said={said}")


ROUTES: list[BaseRoute] = [
    Route("/cars/{car_id}/gear", show, methods=["GET"]),
    Route("/cars/{car_id}/gear", keep, methods=["POST"]),
]
