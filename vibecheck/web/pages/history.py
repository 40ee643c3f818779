"""Web: a car's history, and its list before a run to print.

Numbers, words and pictures are those of ``vibecheck history`` and ``vibecheck hand-check --list``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from vibecheck.advice import HAND_CHECK
from vibecheck.errors import CallError, did_you_mean
from vibecheck.web.pages.found import car_of
from vibecheck.web.rendering import page
from vibecheck.web.request import in_garage

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.garage import Garage, StoredCar
    from vibecheck.result import ZoneRisk
    from vibecheck.risk.drift import DriftChart
    from vibecheck.risk.history import CarHistory
    from vibecheck.risk.kind_log import Habits
    from vibecheck.risk.log import CarLog

USUAL_MISS = 0.05
MISSES = ("0.01", "0.02", "0.05", "0.1", "0.2")
MOST_PICTURES = 8
"""Control charts that are drawn; all of them are in the JSON."""
FALSE_WORDS = ("", "0", "false", "no", "off")


@dataclass(frozen=True)
class _Asked:
    """What a request asks of a history."""

    miss_probability: float
    zones: tuple[str, ...]
    simulated: bool


@dataclass(frozen=True)
class _Read:
    """A car's history, ready to be shown."""

    stored: StoredCar
    car: Car
    log: CarLog
    history: CarHistory
    ranked: tuple[ZoneRisk, ...]
    charts: tuple[DriftChart, ...]


def habits_of(request: Request) -> Habits:
    """Return how a log is read by this server."""
    from vibecheck.risk.kind_log import Habits

    return Habits(nut_removals=request.app.state.settings.nut_removals)


def _asked(request: Request) -> _Asked:
    said = request.query_params
    text = said.get("miss_probability", "") or f"{USUAL_MISS:g}"
    try:
        miss = float(text)
    except ValueError:
        miss = -1.0
    if not 0.0 < miss < 1.0:
        raise CallError(
            f'The miss probability must lie between 0 and 1. Got "{text[:20]}" instead.',
            advice="For example: 0.05",
        )
    return _Asked(
        miss,
        tuple(zone for zone in said.getlist("zone") if zone),
        said.get("simulated", "").lower() not in FALSE_WORDS,
    )


async def _read(request: Request, asked: _Asked) -> _Read:
    from vibecheck.bench.history import read_source
    from vibecheck.risk.drift import drift_charts
    from vibecheck.risk.history import read_history
    from vibecheck.risk.triage import rank_zones

    habits = habits_of(request)

    def read(garage: Garage) -> _Read:
        stored = car_of(garage, request)
        source = read_source(garage, stored.id)
        known = [zone.name for zone in source.car.zones]
        for name in asked.zones:
            if name not in known:
                raise CallError(
                    f'This car has no zone "{name}".{did_you_mean(name, known)}',
                    advice=f"Known: {', '.join(known)}.",
                )
        history = read_history(
            source.car.zones, source.log, miss_probability=asked.miss_probability, habits=habits
        )
        ranked = tuple(
            risk
            for risk in rank_zones(source.car.zones, None, history)
            if not asked.zones or risk.zone in asked.zones
        )
        charts = drift_charts(source.takes)
        return _Read(stored, source.car, source.log, history, ranked, charts)

    return await in_garage(request, read)


async def show(request: Request) -> Response:
    """Show what was found of a car, how often, when to look again, and how its sound drifts."""
    asked = _asked(request)
    found = await _read(request, asked)
    values = await run_in_threadpool(_pictures, found)
    chosen = f"{asked.miss_probability:g}"
    return page(
        request,
        "car_history.html",
        title=f"History of {found.stored.name}",
        stored=found.stored,
        history=found.history,
        zones=found.ranked,
        kinds={zone.zone: found.history.of_zone(zone.zone) for zone in found.ranked},
        due_now=[
            kind
            for zone in found.ranked
            for kind in found.history.of_zone(zone.zone)
            if kind.recheck_due_in_runs is not None and kind.recheck_due_in_runs <= 0
        ],
        all_zones=[zone.name for zone in found.car.zones],
        asked=asked,
        chosen=chosen,
        misses=sorted({*MISSES, chosen}, key=float),
        query=request.url.query,
        hand_check=HAND_CHECK,
        **values,
    )


def _pictures(found: _Read) -> dict[str, Any]:
    """Draw the pictures of a history page."""
    from vibecheck.report import history_pictures as pictures

    drawn = [
        pictures.timeline_picture(found.log, found.ranked),
        pictures.growth_picture(found.history, found.ranked),
    ]
    if found.ranked:
        drawn.insert(1, pictures.rates_picture(found.history, found.ranked))
    return {
        "pictures": [one for one in drawn if one is not None],
        **pictures.drift_section(found.charts, MOST_PICTURES),
    }


async def as_json(request: Request) -> Response:
    """Answer with the history in its public form, ``vibecheck.history/1``."""
    from vibecheck.report.history_json import history_to_dict

    asked = _asked(request)
    found = await _read(request, asked)
    value = history_to_dict(
        found.car,
        found.history,
        found.ranked,
        found.charts,
        created=datetime.now(UTC),
        simulated=asked.simulated,
    )
    return JSONResponse(value)


async def show_list(request: Request) -> Response:
    """Show the list before a run, as a page of its own to print."""
    from vibecheck.report.pre_run_page import pre_run_to_html
    from vibecheck.risk.history import read_history
    from vibecheck.risk.walk import zones_to_check
    from vibecheck.web.access.headers import html_with_own_style

    habits = habits_of(request)

    def read(garage: Garage) -> str:
        stored = car_of(garage, request)
        history = read_history(stored.car.zones, garage.car_log(stored.id), habits=habits)
        walk = zones_to_check(stored.car, history)
        created = datetime.now(UTC).astimezone()
        return pre_run_to_html(stored.car, history, walk, created=created)

    return html_with_own_style(await in_garage(request, read))


ROUTES: list[BaseRoute] = [
    Route("/cars/{car_id}/history", show, methods=["GET"]),
    Route("/cars/{car_id}/history.json", as_json, methods=["GET"]),
    Route("/cars/{car_id}/list", show_list, methods=["GET"]),
]
