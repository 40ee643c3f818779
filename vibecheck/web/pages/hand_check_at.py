"""Web: where in a hand check a request is, and what tells an answer from a stray tap."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request

from vibecheck.web.pages import hand_check_steps as steps
from vibecheck.web.pages.found import check_of

if TYPE_CHECKING:
    from vibecheck.bench.hand_check import HandCheckWalk
    from vibecheck.garage import Garage, Sitting
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
ANSWERING = threading.Lock()
"""Between a look at what is kept and the answer that goes by it nobody else answers."""


@dataclass(frozen=True)
class At:
    """A bench check and its walk, with the ways about it.

    Attributes
    ----------
    sitting : Sitting
    walk : HandCheckWalk
    simulated : bool
        The order comes from a model that learned from simulated recordings.
    """

    sitting: Sitting
    walk: HandCheckWalk
    simulated: bool

    @property
    def path(self) -> str:
        """Address of the hand check."""
        return f"/checks/{self.sitting.number}/hand-check"

    def stop(self, zone: str) -> ZoneToCheck:
        """Return the stop of a zone; 404 where the car has none of that name."""
        for stop in self.walk.stops:
            if stop.zone.name == zone:
                return stop
        raise HTTPException(404)

    def where(self, zone: str, **more: str) -> str:
        """Return the address of a zone."""
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


def at_of(garage: Garage, request: Request) -> At:
    """Read the bench check that the address names, and how far its hand check is.

    Raises
    ------
    HTTPException
        404.
    """
    from vibecheck.bench.hand_check import walk_of
    from vibecheck.risk.kind_log import Habits

    sitting = check_of(garage, request)
    habits = Habits(nut_removals=request.app.state.settings.nut_removals)
    model = (garage.result(sitting.id) or {}).get("model", {})
    return At(
        sitting, walk_of(garage, sitting, habits), bool(model.get("trained_on") == "simulated")
    )


def find_path(at: At, stop: ZoneToCheck, kind: str) -> str:
    """Return the address at which a find of a kind is told in full."""
    return f"{at.path}/find?{urlencode({'zone': stop.zone.name, 'fastener': kind})}"


def onward_of(garage: Garage, at: At, stop: ZoneToCheck, kind: str) -> str:
    """Return where to go on; the answer to the last zone ends the hand check."""
    onward = at.after(stop, kind)
    if onward == f"{at.path}/end" and not at.sitting.hand_check_done:
        garage.finish_hand_check(at.sitting.id)
    return onward


def _now_s(request: Request) -> float:
    clock: Callable[[], float] = getattr(request.app.state, "tap_clock_s", time.monotonic)
    return clock()


def guard(request: Request, at: At, stop: ZoneToCheck) -> dict[str, str]:
    """Return what a form carries, so that a tap that is not meant for it can be told."""
    return {
        "edition": steps.version_of(stop, at.walk.kept),
        "shown": f"{_now_s(request):.3f}",
    }


def too_soon_of(request: Request, form: dict[str, list[str]]) -> bool:
    """Whether a form came back sooner than anybody can have read its page."""
    try:
        passed_s = _now_s(request) - float(one_of(form, "shown"))
    except ValueError:
        return False
    return 0.0 <= passed_s < TAP_PAUSE_S


def one_of(form: dict[str, list[str]], name: str) -> str:
    """Return one field of a form, without the blanks around it."""
    return form.get(name, [""])[-1].strip()
