"""Web: what a find of the hand check was like: how many, how far they turned, what was done."""

from __future__ import annotations

import math
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from vibecheck.bench.words import DONE_WORDS, OUTCOME_WORDS
from vibecheck.garage import Garage
from vibecheck.report.words import zone_words
from vibecheck.risk.log import is_find
from vibecheck.risk.walk import ZoneToCheck
from vibecheck.web.pages import hand_check_steps as steps
from vibecheck.web.pages.hand_check_at import (
    ANSWERING,
    MEANWHILE,
    TOO_SOON,
    At,
    at_of,
    guard,
    one_of,
    onward_of,
    too_soon_of,
)
from vibecheck.web.pages.hand_check_zone import zone_page
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other


async def show_find(request: Request) -> Response:
    """Ask how many, how far they turned, and what was done; what is known so far is kept."""
    at = await in_garage(request, lambda garage: at_of(garage, request))
    stop, kind, place = _find_of(at, request.query_params)
    if not at.sitting.is_open:
        return see_other(at.where(stop.zone.name))
    return _find_page(request, at, stop, kind, place)


def _find_of(at: At, said: Any) -> tuple[ZoneToCheck, steps.KindAsked, int]:
    """Find the find that is spoken of: the newest one of its kind where its place is not said."""
    stop = at.stop(str(said.get("zone", "")))
    wanted = str(said.get("fastener", ""))
    for kind in steps.kinds_asked(stop, at.walk.kept):
        if kind.name == wanted:
            at_place = str(said.get("at", ""))
            place = int(at_place) if at_place.isascii() and at_place.isdigit() else None
            place = steps.newest_find(kind) if place is None else place
            if place is not None and place < len(kind.said) and is_find(kind.said[place].outcome):
                return stop, kind, place
    raise HTTPException(404)


def _find_page(
    request: Request,
    at: At,
    stop: ZoneToCheck,
    kind: steps.KindAsked,
    place: int,
    *,
    wrong: str = "",
    typed: str | None = None,
) -> Response:
    found = kind.said[place]
    turned = "" if found.turned_deg is None else f"{found.turned_deg:g}"
    return page(
        request,
        "hand_check_find.html",
        status=422 if wrong else 200,
        title=f"{zone_words(stop.zone.name).capitalize()}: "
        f"{kind.name} {OUTCOME_WORDS[found.outcome]}",
        at=at,
        stop=stop,
        kind=kind,
        place=place,
        found=found,
        most=steps.most_of(kind, place),
        turns=steps.TURNS_DEG,
        turned=turned,
        typed=typed if typed is not None else "" if turned in steps.TURNS_DEG else turned,
        wrong=wrong,
        done_words=DONE_WORDS,
        **guard(request, at, stop),
    )


async def keep_find(request: Request) -> Response:
    """Keep what a find was like."""
    form = await form_of(request)
    said = {name: values[-1] for name, values in form.items()}
    too_soon = too_soon_of(request, form)
    typed = one_of(form, "turned_deg")

    def keep(garage: Garage) -> tuple[At, str, str]:
        with ANSWERING:
            at = at_of(garage, request)
            stop, kind, place = _find_of(at, said)
            if one_of(form, "version") != steps.version_of(stop, at.walk.kept):
                return at, MEANWHILE, ""
            if too_soon:
                return at, TOO_SOON, ""
            count = one_of(form, "count")
            if not (count.isascii() and count.isdigit() and len(count) < 5):
                count = "1"
            turned, wrong = _turned(typed or one_of(form, "turned"))
            if wrong:
                return at, wrong, ""
            new = steps.with_details(
                stop,
                kind,
                place,
                count=min(max(int(count), 1), steps.most_of(kind, place)),
                turned_deg=turned,
                done=form.get("done", []),
            )
            garage.log_hand_check(at.sitting.id, *new)
            at = at_of(garage, request)
            return at, "", onward_of(garage, at, stop, "")

    at, notice, onward = await in_garage(request, keep)
    if not notice:
        return see_other(onward)
    stop, kind, place = _find_of(at, said)
    if notice in (MEANWHILE, TOO_SOON):
        return zone_page(request, at, stop, notice=notice)
    return _find_page(request, at, stop, kind, place, wrong=notice, typed=typed)


def _turned(text: str) -> tuple[float | None, str]:
    """Read how far something turned; a sentence where it cannot be read."""
    if not text:
        return None, ""
    try:
        value = float(text.replace(",", ".").removesuffix("°"))
    except ValueError:
        value = math.nan
    if 0.0 <= value <= steps.MOST_TURNED_DEG:
        return value, ""
    most = f"{steps.MOST_TURNED_DEG:.0f}"
    return None, f"The angle must be a number of degrees from 0 to {most}. Got “{text[:20]}”."
