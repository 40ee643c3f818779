"""Web: the result of a bench check: the zones in order, at once; the pictures after them."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from vibecheck.report import words as report_words
from vibecheck.web.pages.cautions import read_fitted
from vibecheck.web.pages.check import not_judged
from vibecheck.web.pages.found import when
from vibecheck.web.pages.result_view import kept_result, take_words
from vibecheck.web.rendering import page
from vibecheck.web.request import error_response, in_garage

if TYPE_CHECKING:
    from vibecheck.garage import Garage, Sitting
    from vibecheck.report.pictures import Picture
    from vibecheck.result import CheckResult

KEPT_PICTURES = 4
"""The pictures of so many results stay in memory, some 0.5 MB each."""
NONE_YET = "has no result yet."


@dataclass(frozen=True)
class Found:
    """A bench check with its kept result."""

    sitting: Sitting
    kept: dict[str, Any]
    result: CheckResult


@dataclass(frozen=True)
class TakePictures:
    """The pictures of one recording."""

    file: str
    pictures: tuple[Picture, ...]


async def _found(request: Request) -> Found | Response:
    """Return the result of the bench check of the address, or the answer that there is none."""

    def read(garage: Garage) -> tuple[Sitting, Found | None]:
        sitting, car = read_fitted(garage, request)
        kept = garage.result(sitting.id)
        if kept is None:
            return sitting, None
        return sitting, Found(sitting, kept, kept_result(kept, car))

    sitting, found = await in_garage(request, read)
    if found is not None:
        return found
    if request.url.path.endswith(".json"):
        words = f"Bench check {sitting.number} {NONE_YET}"
        return JSONResponse({"error": {"message": words, "advice": "Record a take first."}}, 404)
    return page(
        request, "result_none.html", status=404, title="There is no result yet", sitting=sitting
    )


# ---- the zones -------------------------------------------------------------------------


async def show(request: Request) -> Response:
    """Show verdict, zones, evidence."""
    from vibecheck.report.car_picture import car_from_above
    from vibecheck.report.history_pictures import contributions_picture
    from vibecheck.report.page import FULL_ZONES, fastener_words

    found = await _found(request)
    if isinstance(found, Response):
        return found
    result = found.result
    zones = report_words.ranked(result)
    judged = take_words(found.kept)
    headline, explanation = report_words.verdict_words(result)
    marks = {
        zone.zone: report_words.percent(zone.probability) + ("" if zone.heard else ", not heard")
        for zone in zones
        if math.isfinite(zone.probability)
    }
    return page(
        request,
        "result.html",
        title=f"Result of bench check {found.sitting.number}",
        sitting=found.sitting,
        result=result,
        made=when(result.created),
        headline=headline,
        explanation=explanation,
        zones=zones,
        takes=judged,
        n_new=not_judged(found.sitting, judged) if found.sitting.is_open else 0,
        n_baseline=len(found.kept.get("baseline_takes", ())),
        fasteners={zone.zone: fastener_words(result, zone) for zone in zones},
        before=report_words.told_before(zones),
        not_heard=report_words.not_heard(result),
        contributions=contributions_picture(zones),
        remarks=report_words.remarks(result),
        full_zones=FULL_ZONES,
        picture=car_from_above(
            result.car,
            ranks={zone.zone: zone.rank for zone in zones},
            words=marks,
            links={zone.zone: f"#zone-{zone.zone}" for zone in zones},
        )
        if zones
        else "",
    )


async def as_json(request: Request) -> Response:
    """Give the result for another program."""
    found = await _found(request)
    return found if isinstance(found, Response) else JSONResponse(found.kept)


# ---- pictures and the whole report, which need the recordings again ----------------------


class _Pictures:
    """Draws the pictures of one result at a time, and keeps the newest."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, str], tuple[TakePictures, ...]] = OrderedDict()
        self._drawing = threading.Lock()

    def of(self, found: Found, judge: Any) -> tuple[TakePictures, ...]:
        from vibecheck.report.page import MAX_PICTURED_TAKES
        from vibecheck.report.views import take_pictures

        key = (found.sitting.id, found.kept["created"])
        with self._drawing:
            drawn = self._kept.get(key)
            if drawn is None:
                whole = with_takes(found, judge)
                drawn = tuple(
                    TakePictures(checked.take.file, tuple(take_pictures(checked, whole)))
                    for checked in whole.takes[:MAX_PICTURED_TAKES]
                )
                self._kept[key] = drawn
                if len(self._kept) > KEPT_PICTURES:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return drawn


def with_takes(found: Found, judge: Any) -> CheckResult:
    """Return the kept result with its recordings measured again.

    Verdict and zones stay those that were kept: a hand check that was logged since would move them.

    Raises
    ------
    CallError
        If no recording can be read any more.
    """
    fresh = judge.check(found.sitting)
    held = {take["sha256"] for take in found.kept["takes"]}
    takes = tuple(one for one in fresh.takes if one.take.sha256 in held)
    snug = {take["sha256"] for take in found.kept.get("baseline_takes", ())}
    return replace(
        found.result,
        car=fresh.car,
        takes=takes,
        baseline_takes=tuple(one for one in fresh.baseline_takes if one.take.sha256 in snug),
    )


async def pictures(request: Request) -> Response:
    """Show the pictures of the recordings, as a page of their own or as part of the result."""
    found = await _found(request)
    if isinstance(found, Response):
        return found
    state = request.app.state
    if not hasattr(state, "pictures"):
        state.pictures = _Pictures()
    drawn = await run_in_threadpool(state.pictures.of, found, state.judge)
    return page(
        request,
        "pictures.html",
        title=f"Pictures of bench check {found.sitting.number}",
        sitting=found.sitting,
        drawn=drawn,
        n_takes=len(found.kept["takes"]),
    )


async def report(request: Request) -> Response:
    """Give the whole report: one page that loads nothing and prints on paper."""
    from vibecheck.report.page import result_to_html
    from vibecheck.web.access.headers import html_with_own_style

    found = await _found(request)
    if isinstance(found, Response):
        return found
    whole = await run_in_threadpool(with_takes, found, request.app.state.judge)
    if not whole.takes:
        return error_response(
            request,
            409,
            "The recordings of this result are no longer in the garage.",
            "The result itself is still there.",
        )
    return html_with_own_style(await run_in_threadpool(result_to_html, whole))


ROUTES: list[BaseRoute] = [
    Route("/checks/{n:int}/result", show, methods=["GET"]),
    Route("/checks/{n:int}/result.json", as_json, methods=["GET"]),
    Route("/checks/{n:int}/pictures", pictures, methods=["GET"]),
    Route("/checks/{n:int}/report", report, methods=["GET"]),
]
