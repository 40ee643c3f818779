"""Report: pictures of a car's history. Nothing is told by colour alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from vibecheck.report.pictures import Picture
from vibecheck.report.svg import BLUE, GRID, INK, ORANGE, SOFT, WIDTH, Axes, linear_ticks
from vibecheck.report.words import LEAST_LOG_RATIO, number_words, percent, spot_words, zone_words
from vibecheck.result import ZoneRisk
from vibecheck.risk.drift import DriftChart, signals_by_chance
from vibecheck.risk.history import CarHistory
from vibecheck.risk.log import CarLog, is_find

ROW = 22
NAME_WIDTH = 128
MARKS = {"took_a_turn": "took a turn", "loose": "loose", "missing": "missing"}
N_CURVES = 3
MAX_CHECKS = 100
"""Hand checks, and recordings of a chart, that are drawn: the newest."""
PERCENT_TICKS = (0.1, 0.5, 2.0, 5.0, 10.0, 25.0, 50.0, 75.0, 90.0, 98.0, 99.5)
DASHES = ("", "7 4", "2 4")


def rates_picture(history: CarHistory, order: Sequence[ZoneRisk]) -> Picture:
    """Draw finds per run of each zone with their interval, and the usual rate, in ``order``."""
    rows = [(risk.zone, history.zones[risk.zone]) for risk in order]
    usual_rates = {name: sum(kind.usual.mean for kind in history.of_zone(name)) for name, _ in rows}
    top = max(*usual_rates.values(), *((zone.rate_high or 0.0) for _, zone in rows), 0.0)
    axes = _rows_axes(
        (0.0, max(top * 1.04, 1e-3)),
        len(rows),
        "finds per run",
        "Finds per run of each zone, with intervals",
    )
    ticks = linear_ticks(*axes.x_range, 4)
    axes.grid(ticks, [])
    for place, (name, zone) in enumerate(rows):
        y = axes.y(place + 0.5)
        axes.text(axes.left - 6, y + 4.5, zone_words(name), anchor="end")
        low, high, rate = zone.rate_low or 0.0, zone.rate_high or 0.0, zone.rate_per_run or 0.0
        axes.segment((axes.x(low), y, axes.x(high), y), colour=BLUE, width=3)
        _dot(axes, axes.x(rate), y, BLUE)
        if usual_rates[name]:
            x = axes.x(usual_rates[name])
            axes.segment((x, y - 8, x, y + 8), colour=INK, width=2)
    axes.frame(ticks, [])
    worst = max(rows, key=lambda row: row[1].rate_per_run or 0.0)
    reading = (
        f"Dot: finds per run from this car's log and the usual rate together; bar: where the rate "
        f"lies with {100 * history.habits.coverage:.0f} % probability; upright stroke: the usual "
        f"rate. Highest: {zone_words(worst[0])}, about one find in "
        f"{number_words(float(f'{1.0 / max(worst[1].rate_per_run or 0.0, 1e-9):.2g}'))} runs."
    )
    return Picture("rates", "How often is something found loose?", axes.svg(), reading)


def contributions_picture(zones: Sequence[ZoneRisk]) -> Picture | None:
    """Draw what moved each zone: from the usual odds by the log, then by the recording.

    ``None`` where no zone's history names its usual odds.
    """
    rows = [(zone, zone.contributions) for zone in zones]
    known = [(zone, moved) for zone, moved in rows if moved is not None]
    if not known:
        return None
    steps = {
        zone.zone: (
            moved.usual,
            moved.usual + moved.history,
            _log_odds(min(max(zone.probability, 1e-4), 1.0 - 1e-4)),
        )
        for zone, moved in known
    }
    every = [step for each in steps.values() for step in each]
    low, high = min(every) - 0.4, max(every) + 0.4
    axes = _rows_axes(
        (low, high),
        len(known),
        "probability of a loose fastener, %",
        "What history and recording did to each zone's probability",
    )
    ticks = [share for share in PERCENT_TICKS if low <= _log_odds(share / 100.0) <= high]
    places = [_log_odds(share / 100.0) for share in ticks]
    axes.grid(places, [])
    for row, (zone, moved) in enumerate(known):
        y = axes.y(row + 0.5)
        axes.text(axes.left - 6, y + 4.5, zone_words(zone.zone), anchor="end")
        usual, after, end = (axes.x(step) for step in steps[zone.zone])
        axes.segment((usual, y, after, y), colour=ORANGE, width=3, dash="3 2")
        axes.segment((usual, y - 7, usual, y + 7), colour=INK, width=2)
        if moved.vibration is not None:
            axes.segment((after, y, end, y), colour=BLUE, width=3)
        _ring(axes, after, y)
        if moved.vibration is not None:
            _dot(axes, end, y, BLUE)
    axes.frame([], [])
    floor = axes.height - axes.bottom
    for share, place in zip(ticks, places, strict=True):
        axes.segment((axes.x(place), floor, axes.x(place), floor + 4))
        axes.text(axes.x(place), floor + 17, f"{share:g}", anchor="middle")
    most = max(known, key=lambda item: abs(item[1].history))
    reading = (
        "Upright stroke: usual for such a zone. Ring: after this car's log (dashed). Full dot: "
        "after the recording (solid line); none where nothing was heard. The log moved the "
        f"{zone_words(most[0].zone)} most."
        if abs(most[1].history) > LEAST_LOG_RATIO
        else "Upright stroke and ring: usual for such a zone, for there is no log that moves it. "
        "Full dot: after the recording; none where nothing was heard."
    )
    return Picture(
        "contributions", "What comes from the log, what from the sound?", axes.svg(), reading
    )


def timeline_picture(log: CarLog, order: Sequence[ZoneRisk]) -> Picture | None:
    """Draw hand checks, finds and worked-at joints by run counter; ``None`` for an empty log."""
    if not (log.hand_checks or log.disturbances):
        return None
    names = [risk.zone for risk in order]
    checks = log.hand_checks[-MAX_CHECKS:]
    cut = len(checks) < len(log.hand_checks)
    begin, end = (checks[0].runs if cut else 0.0), max(log.runs, 1.0)
    if end <= begin:  # the counter went backwards
        begin = 0.0
    axes = _rows_axes((begin, end), len(names), "run counter", "Hand checks and finds by run")
    ticks = linear_ticks(begin, end, 6)
    axes.grid(ticks, [])
    for place, name in enumerate(names):
        y = axes.y(place + 0.5)
        axes.text(axes.left - 6, y + 4.5, zone_words(name), anchor="end")
        axes.segment((axes.left, y, WIDTH - axes.right, y), colour=GRID)
    n_finds = 0
    for check in checks:
        x = axes.x(min(max(check.runs, begin), end))
        seen: dict[str, set[str]] = {}
        for finding in check.findings:
            if finding.outcome != "not_checked":
                seen.setdefault(finding.zone, set()).add(finding.outcome)
        for name, outcomes in seen.items():
            if name not in names:
                continue
            y = axes.y(names.index(name) + 0.5)
            found = {outcome for outcome in outcomes if is_find(outcome)}
            n_finds += bool(found)
            if not found:
                axes.segment((x, y - 3, x, y + 3), colour=SOFT)
            elif "missing" in found or "loose" in found:
                _dot(axes, x, y, ORANGE, 5.5)
            else:
                _ring(axes, x, y)
    for one in log.disturbances:
        if one.zone in names and one.runs >= begin:
            x, y = axes.x(min(one.runs, end)), axes.y(names.index(one.zone) + 0.5)
            axes.segment((x - 4, y - 7, x + 4, y - 7), colour=BLUE, width=3)
    axes.frame(ticks, [])
    reading = (
        "Full dot: found loose or missing; ring: took a turn; small stroke: checked and snug; bar "
        f"above the line: worked at on purpose. {n_finds} find{'' if n_finds == 1 else 's'}, "
        f"counted by zone, in {'the newest ' if cut else ''}{len(checks)} hand "
        f"check{'' if len(checks) == 1 else 's'} over {number_words(end - begin)} "
        f"run{'' if end - begin == 1 else 's'}."
    )
    return Picture("timeline", "What was found, and when?", axes.svg(), reading)


def growth_picture(history: CarHistory, order: Sequence[ZoneRisk]) -> Picture | None:
    """Draw how the chance of a find grows with the runs after a check, for the first zones."""
    chosen = [risk.zone for risk in order if history.of_zone(risk.zone)][:N_CURVES]
    if not chosen:
        return None
    end = float(history.habits.longest_interval_runs)
    runs = np.linspace(0.0, end, 121)
    curves = {
        name: np.array(
            [
                1.0
                - math.prod(1.0 - k.rate.chance_of_a_find(float(r)) for k in history.of_zone(name))
                for r in runs
            ]
        )
        for name in chosen
    }
    top = 100.0 * max(float(curve[-1]) for curve in curves.values())
    axes = Axes(
        (0.0, end),
        (0.0, max(1.4 * top, 120.0 * history.miss_probability)),  # room for the names
        "runs after a hand check",
        "chance of a loose fastener, %",
        "How the chance of a find grows with the runs after a hand check",
        height=280,
        right=14,
    )
    x_ticks, y_ticks = linear_ticks(0.0, end, 5), linear_ticks(0.0, axes.y_range[1], 5)
    axes.grid(x_ticks, y_ticks)
    miss = 100.0 * history.miss_probability
    axes.segment(
        (axes.left, axes.y(miss), WIDTH - axes.right, axes.y(miss)), colour=ORANGE, width=2
    )
    rising = sorted(curves.items(), key=lambda item: float(item[1][-1]))
    places: list[float] = []
    step = 17.0 * axes.y_range[1] / axes.box[3]
    # Names beside the curves' ends, set apart where the ends lie close together, and all within.
    for _, curve in rising:
        places.append(max([100.0 * float(curve[-1]), *(place + step for place in places[-1:])]))
    excess = max(0.0, places[-1] + step - axes.y_range[1])
    for (_, curve), dash in zip(rising, DASHES, strict=False):
        axes.curve(runs, 100.0 * curve, dash=dash, width=2.2)
    for (name, _), place in zip(rising, places, strict=True):
        axes.text(
            axes.x(end) - 4, axes.y(place - excess) - 4, zone_words(name), anchor="end", halo=True
        )
    axes.text(
        axes.x(end) - 4,
        axes.y(miss) - 4,
        f"chosen miss: {miss:g} %",
        anchor="end",
        colour=ORANGE,
        halo=True,
    )
    axes.frame(x_ticks, y_ticks)
    first = chosen[0]
    after = 100.0 * (
        1.0 - math.prod(1.0 - k.rate.chance_of_a_find(5.0) for k in history.of_zone(first))
    )
    reading = (
        f"{zone_words(first).capitalize()}: five runs after a hand check, a loose fastener is "
        f"there with {percent(after / 100.0)} probability. Just after a joint was worked at the "
        "curve is steeper."
    )
    return Picture("growth", "How fast does the chance grow?", axes.svg(), reading)


def drift_section(charts: Sequence[DriftChart], most: int) -> dict[str, Any]:
    """Return what the section on drift shows, by name.

    Parameters
    ----------
    charts : sequence of DriftChart
    most : int
        Pictures that are drawn. A chart without a judged recording is counted, not drawn.
    """
    begun = [chart for chart in charts if chart.chart.n_judged]
    run_length = charts[0].chart.run_length if charts else 0.0
    return {
        "drift": [drift_picture(chart, place) for place, chart in enumerate(begun[:most])],
        "n_hidden": len(begun[most:]),
        "n_waiting": len(charts) - len(begun),
        "run_length": run_length,
        "chance_checks": signals_by_chance(len(begun), run_length) if begun else 0.0,
    }


def drift_picture(drift: DriftChart, place: int) -> Picture:
    """Draw one control chart: scores as crosses, the moving average, the limits."""
    chart = drift.chart
    n_points = len(chart.points)
    first = max(0, n_points - MAX_CHECKS)
    shown = list(enumerate(chart.points, start=1))[first:]
    judged = [one for _, one in shown if one.score is not None and one.average is not None]
    number = np.array([n for n, one in shown if one.score is not None])
    averages = np.array([one.average or 0.0 for one in judged])
    scores = np.array([one.score or 0.0 for one in judged])
    reach = max(4.0, *(np.abs(scores) + 0.5)) if judged else 4.0
    axes = Axes(
        (first + 0.5, n_points + 0.5),
        (-reach, reach),
        "recording, oldest first",
        "spreads from snug",
        f"Control chart: {drift.words}",
        height=230,
        right=14,
    )
    x_ticks = [tick for tick in linear_ticks(first + 1.0, float(n_points), 6) if tick % 1 == 0]
    y_ticks = linear_ticks(-reach, reach, 5)
    axes.grid(x_ticks, y_ticks)
    for sign in (-1.0, 1.0):
        y = axes.y(sign * chart.limit)
        axes.segment((axes.left, y, WIDTH - axes.right, y), colour=ORANGE, width=2, dash="6 4")
    for x, score in zip(number, scores, strict=True):
        _cross(axes, axes.x(float(x)), axes.y(float(score)))
    if judged:
        axes.curve(number.astype(float), averages, width=2.4)
        for x, one in zip(number, judged, strict=True):
            if one.signal:
                _dot(axes, axes.x(float(x)), axes.y(one.average or 0.0), ORANGE, 5.5)
    axes.text(
        axes.left + 4, axes.y(-chart.limit) + 14, "limits of the line", colour=ORANGE, halo=True
    )
    axes.frame(x_ticks, y_ticks)
    return Picture(
        f"drift-{place}",
        f"Has it changed: {drift.words}?",
        axes.svg(),
        drift_words(drift),
    )


def drift_words(drift: DriftChart) -> str:
    """Return one line on a control chart."""
    chart = drift.chart
    n_snug = sum(one.point.snug for one in chart.points)
    where = f"{drift.sensor.capitalize()} {spot_words(drift.spot)}"
    since = chart.signal_since
    if not chart.n_judged:
        return (
            f"{where}: {len(chart.points)} recording{'' if len(chart.points) == 1 else 's'}, "
            f"{n_snug} of them snug. The chart begins once three snug ones came before."
        )
    if since is not None:
        way = "higher" if (chart.points[-1].average or 0.0) > 0 else "lower"
        return (
            f"{where}: {way} than when snug since {since.point.date:%Y-%m-%d} (run "
            f"{since.point.runs:g}). Look for the cause by hand; a chart names no fastener."
        )
    return (
        f"{where}: within its limits at the last of {chart.n_judged} judged recordings. That "
        "clears nothing."
    )


def _rows_axes(x_range: tuple[float, float], n_rows: int, label: str, title: str) -> Axes:
    """Return axes with one row per name, the first on top."""
    return Axes(
        x_range,
        (float(max(1, n_rows)), 0.0),
        label,
        "",
        title,
        height=16 + 40 + ROW * max(1, n_rows),
        top=8,
        left=NAME_WIDTH,
        right=14,
        bottom=40,
    )


def _dot(axes: Axes, x: float, y: float, colour: str, radius: float = 5.0) -> None:
    axes.parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}" fill="{colour}"/>')


def _ring(axes: Axes, x: float, y: float) -> None:
    axes.parts.append(
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="#fff" stroke="{ORANGE}" '
        'stroke-width="2.5"/>'
    )


def _cross(axes: Axes, x: float, y: float) -> None:
    axes.segment((x - 3.5, y - 3.5, x + 3.5, y + 3.5), colour=SOFT, width=1.4)
    axes.segment((x - 3.5, y + 3.5, x + 3.5, y - 3.5), colour=SOFT, width=1.4)


def _log_odds(probability: float) -> float:
    return math.log(probability) - math.log1p(-probability)
