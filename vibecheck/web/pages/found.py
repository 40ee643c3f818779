"""Web pages: the car and the bench check that an address names, and small things to read forms."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.requests import Request

from vibecheck.errors import CallError

if TYPE_CHECKING:
    from vibecheck.car.fields import NumberField
    from vibecheck.garage import Garage, Sitting, StoredCar

Form = Mapping[str, Sequence[str]]
LONGEST_TEXT = 4000
"""Letters of a note."""


def car_of(garage: Garage, request: Request) -> StoredCar:
    """Return the car whose id the address holds; names do not count there, for they change.

    Raises
    ------
    HTTPException
        404.
    """
    return car_by_id(garage, request.path_params["car_id"])


def car_by_id(garage: Garage, car_id: str) -> StoredCar:
    """Return the car of an id.

    Raises
    ------
    HTTPException
        404.
    """
    # Asked by `find_car` alone, the garage would also look for a car file of that name.
    if not garage.knows(car_id):
        raise HTTPException(404)
    found = garage.find_car(car_id)
    if found.id != car_id:
        raise HTTPException(404)
    return found


def check_of(garage: Garage, request: Request) -> Sitting:
    """Return the bench check whose number the address holds.

    Raises
    ------
    HTTPException
        404.
    """
    number = str(request.path_params["n"])
    try:
        found = garage.sitting(number)
    except CallError as error:
        raise HTTPException(404) from error
    if str(found.number) != number:
        raise HTTPException(404)
    return found


def when(moment: datetime) -> str:
    """Return a moment in the time of this computer."""
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"


def said(form: Form, name: str) -> str:
    """Return one field of a form without the blanks around it; empty where it was not sent."""
    values = form.get(name, ())
    return values[0].strip() if values else ""


def number_in(field: NumberField, text: str, label: str) -> float | int:
    """Read a number as people type it, with a point or a comma.

    Raises
    ------
    ValueError
        With words that stand beside the field.
    """
    from vibecheck.errors import InputError

    if not text:
        raise ValueError(f"{label}: nothing was given. It must be {field.rule}.")
    try:
        number = float(text.replace(" ", "").replace(",", "."))
        return field.check(int(number) if field.whole and number == int(number) else number)
    except (ValueError, OverflowError, InputError):
        shown = text if len(text) <= 30 else f"{text[:29]}…"
        raise ValueError(f'{label}: it must be {field.rule}. Got "{shown}".') from None


def plain(value: float | None) -> str:
    """Return a number for a form: no trailing zeros, empty where there is none."""
    if value is None or not math.isfinite(value):
        return ""
    return f"{value:.10g}"
