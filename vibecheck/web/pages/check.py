"""Web: one bench check. What is done, what comes next, its recordings, the owner's decision."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from vibecheck.bench.words import DECISIONS, finding_words, hand_check_words
from vibecheck.errors import VibecheckError
from vibecheck.report.words import verdict_words
from vibecheck.risk.log import is_find
from vibecheck.web.pages.cautions import acknowledged_at, read_fitted
from vibecheck.web.pages.found import LONGEST_TEXT, check_of, said, when
from vibecheck.web.pages.result_view import TakeWords, kept_result, take_words
from vibecheck.web.pages.spots import spot_title
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other

if TYPE_CHECKING:
    from collections.abc import Sequence

    from vibecheck.car.profile import Car
    from vibecheck.garage import Decision, Garage, Sitting, StoredTake

STATES = {"done": "Done", "now": "Next", "later": "Later"}
_EACH_ONE = "each one is acknowledged before a spin-up"
_ASKED_AGAIN = "they are asked again before another spin-up"
NO_HAND_CHECK = "No hand check was logged with it. It is due before the car goes out."


@dataclass(frozen=True)
class StepRow:
    """A step of the bench check."""

    title: str
    href: str
    state: str
    words: str


@dataclass(frozen=True)
class TakeRow:
    """A recording of the bench check."""

    take: StoredTake
    spot: str
    marks: str
    judged: TakeWords | None


def step_rows(sitting: Sitting, *, acknowledged: bool) -> list[StepRow]:
    """Return the steps with what is done; the first that is not is next.

    Parameters
    ----------
    sitting : Sitting
    acknowledged : bool
        The cautions were acknowledged today.
    """
    at = f"/checks/{sitting.number}"
    spots = len({take.spot for take in sitting.takes})
    count = len(sitting.takes)
    recorded = f"{count} recording{'' if count == 1 else 's'} at {spots} spot{'s'[: spots > 1]}"
    hand_check = hand_check_words(sitting)
    decision = DECISIONS.get(sitting.decision or "")
    steps = [
        (
            "Cautions",
            f"{at}/cautions",
            acknowledged or bool(count),
            "acknowledged" if acknowledged else _ASKED_AGAIN if count else _EACH_ONE,
        ),
        ("Record", f"{at}/spots", bool(count), recorded if count else "no recording yet"),
        (
            "Result",
            f"{at}/result" if sitting.verdict else "",
            bool(sitting.verdict),
            "the zones are ranked" if sitting.verdict else "comes with the first recording",
        ),
        (
            "Hand check",
            f"{at}/hand-check",
            sitting.hand_check_done,
            hand_check or "due, whatever the result says",
        ),
        (
            "Your decision",
            f"{at}#decision",
            decision is not None,
            f"your own: {decision}" if decision else "your own; vibecheck makes none",
        ),
        (
            "Close",
            f"{at}#close" if sitting.is_open else "",
            not sitting.is_open,
            "this bench check is open" if sitting.is_open else "this bench check is closed",
        ),
    ]
    rows, found_next = [], not sitting.is_open
    for title, href, done, words in steps:
        state = "done" if done else ("later" if found_next else "now")
        found_next = found_next or not done
        rows.append(StepRow(title, href, state, words))
    return rows


def take_rows(sitting: Sitting, judged: list[TakeWords]) -> list[TakeRow]:
    """Return the recordings with the words of the result about them."""
    by_hash = {one.sha256: one for one in judged}
    rows = []
    for take in sitting.takes:
        marks = [
            "after the hand check" if take.after_hand_check else "",
            "part of the baseline" if take in sitting.baseline_takes else "",
            "" if take.path.is_file() else "its recording is gone from the garage",
        ]
        rows.append(
            TakeRow(
                take,
                spot_title(take.spot),
                ", ".join(filter(None, marks)),
                by_hash.get(take.sha256),
            )
        )
    return rows


def not_judged(sitting: Sitting, judged: list[TakeWords]) -> int:
    """Return how many recordings came after the result and would be part of it."""
    known = {one.sha256 for one in judged}
    before = [take for take in sitting.takes if not take.after_hand_check]
    own = before or sitting.takes
    return sum(take.sha256 not in known for take in own)


# ---- the page --------------------------------------------------------------------------


def _read(garage: Garage, request: Request) -> tuple[Sitting, Car, dict[str, Any] | None]:
    sitting, car = read_fitted(garage, request)
    return sitting, car, garage.result(sitting.id)


async def show(request: Request) -> Response:
    """Show a bench check."""
    return await _check_page(request)


async def _check_page(
    request: Request,
    errors: dict[str, str] | None = None,
    note: str | None = None,
    left_out: Sequence[str] = (),
) -> Response:
    sitting, car, kept = await in_garage(request, lambda garage: _read(garage, request))
    acknowledged = acknowledged_at(request.app, sitting.id) is not None
    judged = [] if kept is None else take_words(kept)
    result = None if kept is None else kept_result(kept, car)
    steps = step_rows(sitting, acknowledged=acknowledged)
    logged = () if sitting.hand_check is None else sitting.hand_check.findings
    return page(
        request,
        "check.html",
        status=422 if errors else 200,
        title=f"Bench check {sitting.number} of {sitting.car}",
        sitting=sitting,
        begun=when(sitting.date),
        steps=steps,
        states=STATES,
        following=next((step for step in steps if step.state == "now"), None),
        takes=take_rows(sitting, judged),
        n_new=not_judged(sitting, judged),
        headline=None if result is None else verdict_words(result),
        result=result,
        hand_check=hand_check_words(sitting),
        finds=[finding_words(one) for one in logged if is_find(one.outcome) or one.done],
        n_logged=len(logged),
        decision=DECISIONS.get(sitting.decision or ""),
        no_hand_check="" if sitting.hand_check_done else NO_HAND_CHECK,
        errors=errors or {},
        left_out=left_out,
        note=sitting.note if note is None else note,
    )


async def decide(request: Request) -> Response:
    """Keep the owner's own decision and words."""
    form = await form_of(request)
    note, chosen = said(form, "note").replace("\r\n", "\n"), said(form, "decision")
    decisions: dict[str, Decision | None] = {"go": "go", "no_go": "no_go", "": None, "none": None}
    errors = {}
    if chosen not in decisions:
        errors["decision"] = "Choose one of the three."
    elif decisions[chosen] is None and not note:
        errors["note"] = "There is nothing to keep yet. Choose, or write something."
    if len(note) > LONGEST_TEXT:
        errors["note"] = f"At most {LONGEST_TEXT} letters. These are {len(note)}."
    if errors:
        return await _check_page(request, errors, note)

    def keep(garage: Garage) -> Sitting:
        return garage.note_decision(check_of(garage, request).id, decisions[chosen], note)

    sitting = await in_garage(request, keep)
    return see_other(f"/checks/{sitting.number}#decision")


async def close(request: Request) -> Response:
    """End a bench check."""
    await form_of(request)

    def end(garage: Garage) -> Sitting:
        return garage.close_sitting(check_of(garage, request).id)

    sitting = await in_garage(request, end)
    return see_other(f"/checks/{sitting.number}")


async def judge_again(request: Request) -> Response:
    """Judge the recordings anew, with what is known now."""
    await form_of(request)
    sitting = await in_garage(request, lambda garage: check_of(garage, request))
    if not sitting.is_open:
        return await _check_page(
            request, {"judge": "This bench check is closed: its result stays as it is."}
        )
    judge = request.app.state.judge
    # Where a recording lies on this computer's disk is nobody's business on the page.
    shelf = re.compile(re.escape(str(request.app.state.garage.recordings)) + r"\S*: ")
    left_out: list[str] = []

    def work() -> None:
        judge.keep(sitting, judge.check(sitting, say=left_out.append))

    try:
        await run_in_threadpool(work)
    except VibecheckError as error:
        advice = error.advice or "Record one, or add a file."
        return await _check_page(request, {"judge": f"{error.what} {advice}"})
    if left_out:
        return await _check_page(request, left_out=[shelf.sub("", one) for one in left_out])
    return see_other(f"/checks/{sitting.number}/result")


ROUTES: list[BaseRoute] = [
    Route("/checks/{n:int}", show, methods=["GET"]),
    Route("/checks/{n:int}/decision", decide, methods=["POST"]),
    Route("/checks/{n:int}/close", close, methods=["POST"]),
    Route("/checks/{n:int}/judge", judge_again, methods=["POST"]),
]
