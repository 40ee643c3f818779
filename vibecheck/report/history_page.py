"""Report: a car's history as one self-contained HTML page. `history_to_html`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from vibecheck.advice import HAND_CHECK
from vibecheck.car.profile import Car
from vibecheck.report.history_pictures import (
    drift_section,
    growth_picture,
    rates_picture,
    timeline_picture,
)
from vibecheck.report.page import render
from vibecheck.result import ZoneRisk
from vibecheck.risk.drift import DriftChart
from vibecheck.risk.history import CarHistory
from vibecheck.risk.log import CarLog

MAX_DRIFT_PICTURES = 8


def history_to_html(
    car: Car,
    history: CarHistory,
    log: CarLog,
    zones: Sequence[ZoneRisk],
    charts: Sequence[DriftChart] = (),
    *,
    created: datetime,
    simulated: bool = False,
) -> str:
    """Return a car's history as one self-contained HTML page.

    Parameters
    ----------
    car : Car
    history : CarHistory
    log : CarLog
        The log that ``history`` was read from.
    zones : sequence of ZoneRisk
        Ranked by history alone; the zones to be shown.
    charts : sequence of DriftChart
    created : datetime
    simulated : bool
        True where the log or its recordings are simulated: the page says so.
    """
    pictures = [timeline_picture(log, zones), growth_picture(history, zones)]
    if zones:
        pictures.insert(1, rates_picture(history, zones))
    return render(
        "history.html",
        title=f"History of {car.name}",
        created=created,
        history=history,
        zones=zones,
        kinds={zone.zone: history.of_zone(zone.zone) for zone in zones},
        pictures=[picture for picture in pictures if picture is not None],
        **drift_section(charts, MAX_DRIFT_PICTURES),
        simulated=simulated,
        hand_check=HAND_CHECK,
    )
