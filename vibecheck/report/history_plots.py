"""Plots of the Python API on a car's history: matplotlib axes, as in `vibecheck.report.plots`."""

from __future__ import annotations

from typing import Any

import numpy as np

from vibecheck.errors import InputError
from vibecheck.report.plots import FAINT, INK, MARK, new_axes
from vibecheck.report.words import zone_words
from vibecheck.risk.drift import DriftChart
from vibecheck.risk.history import CarHistory


def plot_rates(history: CarHistory, *, ax: Any = None) -> Any:
    """Draw the finds per run of each kind of fastener, with intervals and the usual rate.

    Parameters
    ----------
    history : CarHistory
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        If the car has no fasteners.
    """
    if not history.kinds:
        raise InputError("This car has no fasteners, so that there is no rate to draw.")
    ax = new_axes(ax, 7.0, 1.0 + 0.28 * len(history.kinds))
    place = np.arange(len(history.kinds))
    spans = np.array([kind.rate.interval(history.habits.coverage) for kind in history.kinds])
    rate = np.array([kind.rate.mean for kind in history.kinds])
    usual = np.array([kind.usual.mean for kind in history.kinds])
    ax.hlines(place, spans[:, 0], spans[:, 1], color=INK, linewidth=2.0)
    ax.plot(rate, place, "o", color=INK, label="this car")
    ax.plot(usual, place, "|", color=MARK, markersize=13, markeredgewidth=2, label="usual")
    names = [f"{zone_words(kind.log.zone)}: {kind.kind.name}" for kind in history.kinds]
    ax.set_yticks(place, names, fontsize=8)
    ax.invert_yaxis()
    ax.legend(loc="lower right", fontsize=8)
    ax.set(
        xlabel=f"finds per run ({history.habits.coverage:.0%} interval)",
        xlim=(0.0, None),
        title=f"Most finds: {names[int(np.argmax(rate))]}",
    )
    return ax


def plot_control_chart(drift: DriftChart, *, ax: Any = None) -> Any:
    """Draw an EWMA chart: scores, their moving average, and the limits of the average.

    Parameters
    ----------
    drift : DriftChart
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes
    """
    ax = new_axes(ax)
    chart = drift.chart
    judged = [
        (place, one.score, one.average, one.signal)
        for place, one in enumerate(chart.points, start=1)
        if one.score is not None and one.average is not None
    ]
    place = np.array([row[0] for row in judged], dtype=float)
    average = np.array([row[2] for row in judged], dtype=float)
    signal = np.array([row[3] for row in judged], dtype=bool)
    ax.plot(place, [row[1] for row in judged], "x", color=FAINT, label="one recording")
    ax.plot(place, average, color=INK, linewidth=1.8, label="moving average")
    ax.plot(place[signal], average[signal], "o", color=MARK, label="beyond a limit")
    for limit in (-chart.limit, chart.limit):
        ax.axhline(limit, color=MARK, linestyle="--", linewidth=1.3)
    ax.legend(loc="lower left", fontsize=8)
    since = chart.signal_since
    ax.set(
        xlabel="recording, oldest first",
        ylabel="spreads from snug",
        xlim=(0.5, len(chart.points) + 0.5),
        title=f"{drift.words.capitalize()}: "
        + (
            f"beyond its limit since {since.point.date:%Y-%m-%d}"
            if since is not None
            else "no limit passed at the last recording, which clears nothing"
        ),
    )
    return ax
