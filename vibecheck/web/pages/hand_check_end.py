"""Web: the end of the hand check: what it comes to, the owner's own words, what comes next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from vibecheck.bench.words import AFTER_FIRST_RUN, DECISIONS, PUT_RIGHT, finding_words
from vibecheck.errors import CallError
from vibecheck.web.pages.found import LONGEST_TEXT
from vibecheck.web.pages.hand_check_at import At, at_of, one_of
from vibecheck.web.rendering import page
from vibecheck.web.request import form_of, in_garage, see_other

if TYPE_CHECKING:
    from vibecheck.garage import Decision, Garage


async def end(request: Request) -> Response:
    """Show what the hand check comes to."""

    def read(garage: Garage) -> tuple[At, Any]:
        from vibecheck.bench.hand_check import summary

        at = at_of(garage, request)
        done = at.sitting.hand_check
        return at, None if done is None else summary(
            garage, at.sitting, done, at.walk.history.habits
        )

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

    def keep(garage: Garage) -> At:
        at = at_of(garage, request)
        garage.finish_hand_check(at.sitting.id)
        return at

    at = await in_garage(request, keep)
    return see_other(f"{at.path}/end")


async def decide(request: Request) -> Response:
    """Keep the owner's own decision and words."""
    form = await form_of(request)
    word, note = one_of(form, "decision"), one_of(form, "note")
    if word not in ("", *DECISIONS):
        raise HTTPException(400, "A decision is go, no go or none.")
    if len(note) > LONGEST_TEXT:
        raise CallError(
            f"Your words may have {LONGEST_TEXT} letters. These have {len(note)}.",
            advice="Go back and shorten them.",
        )

    def keep(garage: Garage) -> At:
        at = at_of(garage, request)
        decision: Decision | None = word or None  # type: ignore[assignment]
        garage.note_decision(at.sitting.id, decision, note)
        return at

    at = await in_garage(request, keep)
    return see_other(f"{at.path}/end?said=decision")


async def close(request: Request) -> Response:
    """End the bench check; one that is closed already stays so."""
    await form_of(request)

    def keep(garage: Garage) -> At:
        at = at_of(garage, request)
        if at.sitting.is_open:
            garage.close_sitting(at.sitting.id)
        return at

    at = await in_garage(request, keep)
    return see_other(f"{at.path}/end?said=closed")
