"""Report: the list before a run as one page to print on A4. `pre_run_to_html`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from vibecheck.car.pre_run import WHEN, pre_run_list
from vibecheck.car.profile import Car
from vibecheck.report.page import render
from vibecheck.risk.history import CarHistory

if TYPE_CHECKING:
    from vibecheck.risk.walk import ZoneToCheck


def pre_run_to_html(
    car: Car, history: CarHistory, walk: Sequence[ZoneToCheck], *, created: datetime
) -> str:
    """Return the list as one self-contained HTML page.

    Parameters
    ----------
    car : Car
    history : CarHistory
    walk : sequence of ZoneToCheck
        Zones in the order of risk.
    created : datetime
    """
    items = pre_run_list(car)
    return render(
        "pre_run.html",
        title=f"Before every run: {car.name}",
        created=created,
        history=history,
        walk=walk,
        parts=[(when, [item for item in items if item.when == when]) for when in WHEN],
    )
