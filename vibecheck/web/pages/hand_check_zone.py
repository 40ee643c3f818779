"""Web: one zone of the hand check on the screen, and the answers to it."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from vibecheck.bench.words import FIRST, OUTCOME_WORDS, finding_words
from vibecheck.garage import Garage
from vibecheck.report.words import SEVERITY_WORDS, zone_words
from vibecheck.risk.log import OUTCOMES, FastenerFinding, is_find
from vibecheck.risk.walk import ZoneToCheck
from vibecheck.web.pages import hand_check_steps as steps
from vibecheck.web.pages.hand_check_at import (
    ANSWERING,
    MEANWHILE,
    TOO_SOON,
    At,
    at_of,
    find_path,
    guard,
    one_of,
    onward_of,
    too_soon_of,
)
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other


async def show(request: Request) -> Response:
    """Show one zone; without a name the next that has no answer."""
    at = await in_garage(request, lambda garage: at_of(garage, request))
    zone = request.query_params.get("zone")
    if not zone:
        found = steps.next_open(at.walk.stops, at.walk.kept)
        if found is None or not at.sitting.is_open:
            return see_other(f"{at.path}/end")
        return see_other(at.where(found.zone.name))
    return zone_page(request, at, at.stop(zone), request.query_params.get("anew", ""))


def zone_page(
    request: Request, at: At, stop: ZoneToCheck, anew: str = "", *, notice: str = ""
) -> Response:
    stops = at.walk.stops
    kinds = steps.kinds_asked(stop, at.walk.kept, anew)
    others = [one for one in stops if one.place != stop.place]
    ahead = steps.next_open(others, at.walk.kept, stop.place - 1)
    return page(
        request,
        "hand_check.html",
        status=409 if notice else 200,
        title=f"{stop.place} of {len(stops)}: {zone_words(stop.zone.name).capitalize()}",
        at=at,
        stop=stop,
        kinds=kinds,
        rest=steps.open_kinds(kinds),
        anew=anew,
        notice=notice,
        first=FIRST,
        severity=SEVERITY_WORDS.get(stop.zone.severity, ""),
        outcomes=OUTCOME_WORDS,
        finding_words=finding_words,
        answered=at.walk.answered,
        picture=_picture(at, stop),
        back=at.where(stops[stop.place - 2].zone.name) if stop.place > 1 else "",
        skip=at.where(ahead.zone.name) if ahead else f"{at.path}/end",
        **guard(request, at, stop),
    )


def _picture(at: At, here: ZoneToCheck) -> str:
    """Draw the car from above: places of the walk, what is answered, a way to every zone."""
    from vibecheck.report.car_picture import car_from_above

    said = {
        stop.zone.name: "this one"
        if stop.place == here.place
        else "answered"
        if done
        else "no answer"
        for stop, done in zip(at.walk.stops, at.walk.answered, strict=True)
    }
    return car_from_above(
        at.walk.car,
        ranks={stop.zone.name: stop.place for stop in at.walk.stops},
        words=said,
        links={name: at.where(name) for name in said},
    )


async def answer(request: Request) -> Response:
    """Keep an answer for the rest of a zone, or of one kind of fastener."""
    form = await form_of(request)
    zone, outcome, kind, anew = (
        one_of(form, name) for name in ("zone", "answer", "fastener", "anew")
    )
    too_soon = too_soon_of(request, form)

    def keep(garage: Garage) -> tuple[At, str, str]:
        """Return where things are now, a notice, or where to go on."""
        with ANSWERING:
            at = at_of(garage, request)
            stop = at.stop(zone)
            if outcome not in OUTCOMES and outcome != "looked":
                raise HTTPException(400, "There is no such answer.")
            stale = one_of(form, "version") != steps.version_of(stop, at.walk.kept)
            kinds = {one.name: one for one in steps.kinds_asked(stop, at.walk.kept, anew)}
            if kind and kind not in kinds:
                raise HTTPException(404)
            if stale:
                # The same tap twice: what it said is kept already.
                onward = _said_already(at, stop, kind, outcome)
                return at, "" if onward else MEANWHILE, onward
            if too_soon:
                return at, TOO_SOON, ""
            if outcome == "looked":
                new: tuple[FastenerFinding, ...] = ()
            elif kind:
                new = steps.rest_of_kind(stop, kinds[kind], outcome)  # type: ignore[arg-type]
            elif is_find(outcome):
                raise HTTPException(400, "A find is told of one fastener.")
            else:
                new = steps.rest_of_zone(stop, tuple(kinds.values()), outcome)  # type: ignore[arg-type]
            if new:
                garage.log_hand_check(at.sitting.id, *new)
            at = at_of(garage, request)
            if kind and is_find(outcome):
                return at, "", find_path(at, stop, kind)
            return at, "", onward_of(garage, at, stop, kind)

    at, notice, onward = await in_garage(request, keep)
    if notice:
        return zone_page(request, at, at.stop(zone), notice=notice)
    return see_other(onward)


def _said_already(at: At, stop: ZoneToCheck, kind: str, outcome: str) -> str:
    """Return where to go on where a stale answer is what is kept anyway; else nothing."""
    said = [one for one in at.walk.answers(stop.zone) if kind in ("", one.fastener)]
    if is_find(outcome):
        newest = [one for one in said if one.outcome != "not_checked"][-1:]
        same = [one.outcome for one in newest] == [outcome]
        return find_path(at, stop, kind) if same else ""
    if not said or any(one.outcome != outcome for one in said):
        return ""
    return at.after(stop, kind)
