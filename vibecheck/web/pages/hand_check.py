"""Web: the hand check by big buttons, zone by zone in the order of risk.

The walk, its order and its words are those of ``vibecheck hand-check`` (`vibecheck.bench`). Each
answer is on the disk before the next screen is asked for.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.bench.words import (
    AFTER_FIRST_RUN,
    DECISIONS,
    DONE_WORDS,
    FIRST,
    OUTCOME_WORDS,
    PUT_RIGHT,
    finding_words,
)
from vibecheck.errors import CallError
from vibecheck.report.words import SEVERITY_WORDS, zone_words
from vibecheck.risk.log import OUTCOMES, FastenerFinding, is_find
from vibecheck.web.pages import hand_check_steps as steps
from vibecheck.web.pages.found import LONGEST_TEXT, check_of
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other

if TYPE_CHECKING:
    from vibecheck.bench.hand_check import HandCheckWalk
    from vibecheck.garage import Decision, Garage, Sitting
    from vibecheck.risk.walk import ZoneToCheck

TAP_PAUSE_S = 0.6
"""A tap that comes sooner after its page was made is the second half of a double tap."""
TOO_SOON = (
    "That tap came at once after the page, so it was not taken: a double tap answers nothing here. "
    "Look, then tap again."
)
MEANWHILE = (
    "That tap was not taken: this zone was answered in between. What is kept is shown below; "
    "answer again if it is not right."
)
_ANSWERING = threading.Lock()
"""Between a look at what is kept and the answer that goes by it nobody else answers."""


@dataclass(frozen=True)
class _At:
    """A bench check, its walk, and where in it a request is."""

    sitting: Sitting
    walk: HandCheckWalk
    simulated: bool

    @property
    def path(self) -> str:
        return f"/checks/{self.sitting.number}/hand-check"

    def stop(self, zone: str) -> ZoneToCheck:
        for stop in self.walk.stops:
            if stop.zone.name == zone:
                return stop
        raise HTTPException(404)

    def where(self, zone: str, **more: str) -> str:
        return f"{self.path}?{urlencode({'zone': zone, **more})}"

    def after(self, stop: ZoneToCheck, kind: str = "") -> str:
        """Return where to go on: the same zone, the next without an answer, or the end.

        Parameters
        ----------
        stop : ZoneToCheck
        kind : str
            Answered to its end just now, "not checked" among it.
        """
        if steps.stays_in_zone(stop, self.walk.kept, kind):
            return self.where(stop.zone.name)
        found = steps.next_open(self.walk.stops, self.walk.kept, stop.place)
        return f"{self.path}/end" if found is None else self.where(found.zone.name)


def _at(garage: Garage, request: Request) -> _At:
    from vibecheck.bench.hand_check import walk_of
    from vibecheck.risk.kind_log import Habits

    sitting = check_of(garage, request)
    habits = Habits(nut_removals=request.app.state.settings.nut_removals)
    model = (garage.result(sitting.id) or {}).get("model", {})
    return _At(
        sitting, walk_of(garage, sitting, habits), bool(model.get("trained_on") == "simulated")
    )


# ---- one zone on the screen -------------------------------------------------------------


async def show(request: Request) -> Response:
    """Show one zone; without a name the next that has no answer."""
    at = await in_garage(request, lambda garage: _at(garage, request))
    zone = request.query_params.get("zone")
    if not zone:
        found = steps.next_open(at.walk.stops, at.walk.kept)
        if found is None or not at.sitting.is_open:
            return see_other(f"{at.path}/end")
        return see_other(at.where(found.zone.name))
    return _zone_page(request, at, at.stop(zone), request.query_params.get("anew", ""))


def _zone_page(
    request: Request, at: _At, stop: ZoneToCheck, anew: str = "", *, notice: str = ""
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
        **_guard(request, at, stop),
    )


def _picture(at: _At, here: ZoneToCheck) -> str:
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


def _now_s(request: Request) -> float:
    clock: Callable[[], float] = getattr(request.app.state, "tap_clock_s", time.monotonic)
    return clock()


def _guard(request: Request, at: _At, stop: ZoneToCheck) -> dict[str, str]:
    """Return what a form carries, so that a tap that is not meant for it can be told."""
    return {
        "edition": steps.version_of(stop, at.walk.kept),
        "shown": f"{_now_s(request):.3f}",
    }


# ---- an answer --------------------------------------------------------------------------


async def answer(request: Request) -> Response:
    """Keep an answer for the rest of a zone, or of one kind of fastener."""
    form = await form_of(request)
    zone, outcome, kind, anew = (
        _one(form, name) for name in ("zone", "answer", "fastener", "anew")
    )
    too_soon = _too_soon(request, form)

    def keep(garage: Garage) -> tuple[_At, str, str]:
        """Return where things are now, a notice, or where to go on."""
        with _ANSWERING:
            at = _at(garage, request)
            stop = at.stop(zone)
            if outcome not in OUTCOMES and outcome != "looked":
                raise HTTPException(400, "There is no such answer.")
            stale = _one(form, "version") != steps.version_of(stop, at.walk.kept)
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
            at = _at(garage, request)
            if kind and is_find(outcome):
                return at, "", _find_path(at, stop, kind)
            return at, "", _onward(garage, at, stop, kind)

    at, notice, onward = await in_garage(request, keep)
    if notice:
        return _zone_page(request, at, at.stop(zone), notice=notice)
    return see_other(onward)


def _said_already(at: _At, stop: ZoneToCheck, kind: str, outcome: str) -> str:
    """Return where to go on where a stale answer is what is kept anyway; else nothing."""
    said = [one for one in at.walk.answers(stop.zone) if kind in ("", one.fastener)]
    if is_find(outcome):
        newest = [one for one in said if one.outcome != "not_checked"][-1:]
        same = [one.outcome for one in newest] == [outcome]
        return _find_path(at, stop, kind) if same else ""
    if not said or any(one.outcome != outcome for one in said):
        return ""
    return at.after(stop, kind)


def _onward(garage: Garage, at: _At, stop: ZoneToCheck, kind: str) -> str:
    """Return where to go on; the answer to the last zone ends the hand check."""
    onward = at.after(stop, kind)
    if onward == f"{at.path}/end" and not at.sitting.hand_check_done:
        garage.finish_hand_check(at.sitting.id)
    return onward


def _find_path(at: _At, stop: ZoneToCheck, kind: str, **more: str) -> str:
    return f"{at.path}/find?{urlencode({'zone': stop.zone.name, 'fastener': kind, **more})}"


def _too_soon(request: Request, form: dict[str, list[str]]) -> bool:
    try:
        passed_s = _now_s(request) - float(_one(form, "shown"))
    except ValueError:
        return False
    return 0.0 <= passed_s < TAP_PAUSE_S


def _one(form: dict[str, list[str]], name: str) -> str:
    return form.get(name, [""])[-1].strip()


# ---- what a find was like ---------------------------------------------------------------


async def show_find(request: Request) -> Response:
    """Ask how many, how far they turned, and what was done; what is known so far is kept."""
    at = await in_garage(request, lambda garage: _at(garage, request))
    stop, kind, place = _find_of(at, request.query_params)
    if not at.sitting.is_open:
        return see_other(at.where(stop.zone.name))
    return _find_page(request, at, stop, kind, place)


def _find_of(at: _At, said: Any) -> tuple[ZoneToCheck, steps.KindAsked, int]:
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
    at: _At,
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
        **_guard(request, at, stop),
    )


async def keep_find(request: Request) -> Response:
    """Keep what a find was like."""
    form = await form_of(request)
    said = {name: values[-1] for name, values in form.items()}
    too_soon = _too_soon(request, form)
    typed = _one(form, "turned_deg")

    def keep(garage: Garage) -> tuple[_At, str, str]:
        with _ANSWERING:
            at = _at(garage, request)
            stop, kind, place = _find_of(at, said)
            if _one(form, "version") != steps.version_of(stop, at.walk.kept):
                return at, MEANWHILE, ""
            if too_soon:
                return at, TOO_SOON, ""
            count = _one(form, "count")
            if not (count.isascii() and count.isdigit() and len(count) < 5):
                count = "1"
            turned, wrong = _turned(typed or _one(form, "turned"))
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
            at = _at(garage, request)
            return at, "", _onward(garage, at, stop, "")

    at, notice, onward = await in_garage(request, keep)
    if not notice:
        return see_other(onward)
    stop, kind, place = _find_of(at, said)
    if notice in (MEANWHILE, TOO_SOON):
        return _zone_page(request, at, stop, notice=notice)
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


# ---- the end ----------------------------------------------------------------------------


async def end(request: Request) -> Response:
    """Show what the hand check comes to."""

    def read(garage: Garage) -> tuple[_At, Any]:
        from vibecheck.bench.hand_check import summary

        at = _at(garage, request)
        done = at.sitting.hand_check
        return at, None if done is None else summary(garage, at.sitting, done)

    at, found = await in_garage(request, read)
    done = at.sitting.hand_check_done
    return page(
        request,
        "hand_check_end.html",
        title="What the hand check found" if done else "The hand check so far",
        at=at,
        sitting=at.sitting,
        found=found,
        done=done,
        n_open=len(at.walk.stops) - sum(at.walk.answered),
        finding_words=finding_words,
        decisions=DECISIONS,
        put_right=PUT_RIGHT,
        after_first_run=AFTER_FIRST_RUN,
        said=request.query_params.get("said", ""),
    )


async def finish(request: Request) -> Response:
    """End the hand check as it is, complete or not; again does no harm."""
    await form_of(request)

    def keep(garage: Garage) -> _At:
        at = _at(garage, request)
        garage.finish_hand_check(at.sitting.id)
        return at

    at = await in_garage(request, keep)
    return see_other(f"{at.path}/end")


async def decide(request: Request) -> Response:
    """Keep the owner's own decision and words."""
    form = await form_of(request)
    word, note = _one(form, "decision"), _one(form, "note")
    if word not in ("", *DECISIONS):
        raise HTTPException(400, "A decision is go, no go or none.")
    if len(note) > LONGEST_TEXT:
        raise CallError(
            f"Your words may have {LONGEST_TEXT} letters. These have {len(note)}.",
            advice="Go back and shorten them.",
        )

    def keep(garage: Garage) -> _At:
        at = _at(garage, request)
        decision: Decision | None = word or None  # type: ignore[assignment]
        garage.note_decision(at.sitting.id, decision, note)
        return at

    at = await in_garage(request, keep)
    return see_other(f"{at.path}/end?said=decision")


async def close(request: Request) -> Response:
    """End the bench check; one that is closed already stays so."""
    await form_of(request)

    def keep(garage: Garage) -> _At:
        at = _at(garage, request)
        if at.sitting.is_open:
            garage.close_sitting(at.sitting.id)
        return at

    at = await in_garage(request, keep)
    return see_other(f"{at.path}/end?said=closed")


_PATH = "/checks/{n:int}/hand-check"
ROUTES: list[BaseRoute] = [
    Route(_PATH, show, methods=["GET"]),
    Route(_PATH, answer, methods=["POST"]),
    Route(f"{_PATH}/find", show_find, methods=["GET"]),
    Route(f"{_PATH}/find", keep_find, methods=["POST"]),
    Route(f"{_PATH}/end", end, methods=["GET"]),
    Route(f"{_PATH}/finish", finish, methods=["POST"]),
    Route(f"{_PATH}/decision", decide, methods=["POST"]),
    Route(f"{_PATH}/close", close, methods=["POST"]),
]
