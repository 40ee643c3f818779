"""Web: add a car, by a form of numbers or by its car file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.car.fields import CHOICES, DRIVETRAIN_FIELDS
from vibecheck.web.pages.found import Form, car_of, number_in, said
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.garage import Garage, StoredCar

LABELS = {
    "name": "Name",
    "layout": "Driven wheels",
    "motor_poles": "Poles of the motor",
    "kv_rpm_per_v": "Kv of the motor",
    "cells": "Cells of the battery",
    "pinion_teeth": "Teeth of the pinion",
    "spur_teeth": "Teeth of the spur gear",
    "internal_ratio": "Internal ratio",
    "tyre_diameter_mm": "Tyre diameter, mm",
    "wheel_max_rpm": "Fastest for the tyre, wheel rpm",
    "bench_max_wheel_rpm": "Fastest on the bench, wheel rpm",
    "text": "Car file",
    "same": "Newest version",
}
LAYOUT_WORDS = {
    "4wd": "all four (4wd)",
    "rwd": "the rear ones (rwd)",
    "fwd": "the front ones (fwd)",
}
TAKEN = "The garage has a car of that name already. Choose another name."


def _hint(meaning: str) -> str:
    return f"{meaning[0].upper()}{meaning[1:]}."


def car_from_form(form: Form) -> tuple[Car | None, dict[str, str]]:
    """Make a car from the fields of the form, or say what is wrong with each of them.

    Returns
    -------
    car : Car or None
    errors : dict of str to str
        By field; empty where there is a car.
    """
    from vibecheck.car.profile import Drivetrain
    from vibecheck.car.strict_table import check_text
    from vibecheck.car.usual import usual_car
    from vibecheck.errors import InputError

    errors: dict[str, str] = {}
    numbers: dict[str, Any] = {}
    try:
        name = check_text("name", said(form, "name"))
    except InputError:
        errors["name"] = "Name must be one line of 1 to 80 letters."
    layout: Any = said(form, "layout")
    if layout not in CHOICES["layout"]:
        errors["layout"] = "Say which wheels the motor drives."
    for field in DRIVETRAIN_FIELDS:
        text = said(form, field.key)
        if not text and not field.required:
            continue
        try:
            numbers[field.key] = number_in(field, text, LABELS[field.key])
        except ValueError as error:
            errors[field.key] = str(error)
    if errors:
        return None, errors
    return usual_car(name, layout, Drivetrain(**numbers)), {}


def _form_page(
    request: Request, form: Form, errors: dict[str, str], *, known: StoredCar | None = None
) -> Response:
    from vibecheck.web.pages.garage import examples

    values = {name: each[0] for name, each in form.items() if each}
    return page(
        request,
        "car_new.html",
        status=422 if errors else 200,
        title="Add a car",
        fields=[(field, LABELS[field.key], _hint(field.meaning)) for field in DRIVETRAIN_FIELDS],
        labels=LABELS,
        layouts=LAYOUT_WORDS,
        values=values,
        errors=errors,
        known=known,
        examples=examples(),
    )


async def show(request: Request) -> Response:
    """Show the empty form."""
    return _form_page(request, {}, {})


async def add(request: Request) -> Response:
    """Add the car of the form, or of the car file that was pasted."""
    form = await form_of(request)
    if "text" in form:
        return await _add_file(request, form)
    car, errors = car_from_form(form)
    if car is None:
        return _form_page(request, form, errors)
    from vibecheck.car.write import car_to_toml

    name, text = car.name, car_to_toml(car)

    def keep(garage: Garage) -> StoredCar | None:
        return None if garage.knows(name) else garage.add_car_text(text)

    stored = await in_garage(request, keep)
    if stored is None:
        return _form_page(request, form, {"name": TAKEN})
    return see_other(f"/cars/{stored.id}")


async def _add_file(request: Request, form: Form) -> Response:
    from vibecheck.car.read import parse_car
    from vibecheck.errors import InputError

    text = (form.get("text") or [""])[0].replace("\r\n", "\n")
    if not text.strip():
        return _form_page(request, form, {"text": "Paste the car file, or choose it."})
    try:
        name = parse_car(text).name
    except InputError as error:
        return _form_page(request, form, {"text": str(error)})
    agreed = said(form, "same") == "yes"

    def keep(garage: Garage) -> tuple[StoredCar, bool]:
        if garage.knows(name) and not agreed:
            return garage.find_car(name), False
        return garage.add_car_text(text), True

    stored, kept = await in_garage(request, keep)
    if not kept:
        words = (
            f"{stored.name} is in the garage already. Say below that this is its newest version, "
            "or change the name in the file."
        )
        return _form_page(request, form, {"same": words}, known=stored)
    return see_other(f"/cars/{stored.id}")


def _edit_page(request: Request, stored: StoredCar, text: str, errors: dict[str, str]) -> Response:
    return page(
        request,
        "car_file.html",
        status=422 if errors else 200,
        title=f"Car file of {stored.name}",
        car=stored,
        values={"text": text},
        errors=errors,
        labels=LABELS,
    )


async def edit(request: Request) -> Response:
    """Show the newest version of a car's file, to be corrected."""
    stored = await in_garage(request, lambda garage: car_of(garage, request))
    return _edit_page(request, stored, stored.text, {})


async def keep_edited(request: Request) -> Response:
    """Keep a corrected car file as the car's newest version."""
    from vibecheck.car.read import parse_car
    from vibecheck.errors import InputError

    form = await form_of(request)
    text = (form.get("text") or [""])[0].replace("\r\n", "\n")

    def keep(garage: Garage) -> tuple[StoredCar, str]:
        stored = car_of(garage, request)
        try:
            name = parse_car(text).name
        except InputError as error:
            return stored, str(error)
        known = garage.find_car(name) if garage.knows(name) else None
        if known is None or known.id != stored.id:
            return stored, (
                f'This file is of "{name}", which is not {stored.name}. Keep the name as it was; '
                "another name is given on the page of the car."
            )
        garage.add_car_text(text)
        return stored, ""

    stored, wrong = await in_garage(request, keep)
    if wrong:
        return _edit_page(request, stored, text, {"text": wrong})
    return see_other(f"/cars/{stored.id}")


async def download(request: Request) -> Response:
    """Give the newest version of a car's file."""
    from vibecheck.report.car_words import file_name

    stored = await in_garage(request, lambda garage: car_of(garage, request))
    return Response(
        stored.text,
        media_type="application/toml; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="{file_name(stored.name)}"'},
    )


ROUTES: list[BaseRoute] = [
    Route("/cars/new", show, methods=["GET"]),
    Route("/cars/new", add, methods=["POST"]),
    Route("/cars/{car_id}/file", edit, methods=["GET"]),
    Route("/cars/{car_id}/file", keep_edited, methods=["POST"]),
    Route("/cars/{car_id}/file.toml", download, methods=["GET"]),
]
