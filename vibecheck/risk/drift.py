"""Stage 6: how a car's key features move from bench check to bench check. `drift_charts`.

A chart says that a car no longer sounds as it did when snug; it names no zone, and a chart within
its limits clears nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from vibecheck.features.catalogue import BY_NAME
from vibecheck.risk.control_chart import (
    IN_CONTROL_RUN_LENGTH,
    SMOOTHING,
    ChartPoint,
    ControlChart,
    control_chart,
)

KEY_FEATURES = (
    "peakiness_worst",
    "rattle_share_coast_down",
    "envelope_wheel_comb",
    "line_wheel_1",
    "unsteady_motor_1",
    "mesh_level",
    "mesh_side_spur",
    "thump_90_driven",
)
"""Features that are charted: one or two for each group of zones, so that few charts can signal by
chance."""
FEATURE_WORDS = {
    "peakiness_worst": "how sharply it knocks",
    "rattle_share_coast_down": "how long it rattles while slowing down",
    "envelope_wheel_comb": "knocks once per wheel turn",
    "line_wheel_1": "shaking once per wheel turn",
    "unsteady_motor_1": "how unsteadily the motor shakes",
    "mesh_level": "how loud the gears are",
    "mesh_side_spur": "gear noise rising and falling with the spur",
    "thump_90_driven": "thumps of heavy parts",
}


@dataclass(frozen=True)
class TakeValues:
    """The feature values of one take of a car.

    Attributes
    ----------
    date : datetime
    runs : float
        The car's run counter then.
    sensor, spot : str
    features : mapping of str to float or None
        ``None`` where it could not be observed.
    snug : bool
        Belongs to the baseline: a complete hand check found, or left, everything snug.
    setup : str
        Whatever tells set-ups apart; a change of it begins the chart anew.
    """

    date: datetime
    runs: float
    sensor: str
    spot: str
    features: Mapping[str, float | None]
    snug: bool = False
    setup: str = ""


@dataclass(frozen=True)
class DriftChart:
    """The chart of one key feature at one sensor and spot."""

    feature: str
    unit: str
    words: str
    sensor: str
    spot: str
    chart: ControlChart


def drift_charts(
    takes: Sequence[TakeValues],
    *,
    smoothing: float = SMOOTHING,
    run_length: float = IN_CONTROL_RUN_LENGTH,
) -> tuple[DriftChart, ...]:
    """Chart each key feature of a car against its own snug takes.

    Parameters
    ----------
    takes : sequence of TakeValues
        Oldest first. Only takes with the newest take's set-up are used: another pinion or other
        tyres make another sound.
    smoothing, run_length : float
        See `vibecheck.risk.control_chart`.

    Returns
    -------
    tuple of DriftChart
        Those that signal first, then by number of judged values; a feature that was never
        observed has no chart.
    """
    if not takes:
        return ()
    alike = [take for take in takes if take.setup == takes[-1].setup]
    groups: dict[tuple[str, str], list[TakeValues]] = {}
    for take in alike:
        groups.setdefault((take.sensor, take.spot), []).append(take)
    charts = []
    for (sensor, spot), group in groups.items():
        for name in KEY_FEATURES:
            points = [
                ChartPoint(take.date, take.runs, value, take.snug)
                for take in group
                if (value := take.features.get(name)) is not None
            ]
            if points:
                chart = control_chart(points, smoothing=smoothing, run_length=run_length)
                charts.append(
                    DriftChart(name, BY_NAME[name].unit, FEATURE_WORDS[name], sensor, spot, chart)
                )
    charts.sort(key=lambda one: (not one.chart.signals_now, -one.chart.n_judged))
    return tuple(charts)


def signals_by_chance(n_charts: int, run_length: float) -> float:
    """Return after how many checks, on average, some chart signals by chance.

    For independent charts: run_length / n_charts (their rates add). Charts of one take share its
    chance, so that the true figure is no smaller.
    """
    return run_length / n_charts if n_charts else float("inf")
