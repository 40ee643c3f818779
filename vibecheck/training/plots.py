"""Pictures of the model card, each from its numbers, with a reading in plain words.

Drawn by `vibecheck.report.svg`: no plotting library is needed, text stays readable at the width of
a phone, and series differ by marker and dash as well as by colour.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.report.pictures import LINE_ROOM, Picture
from vibecheck.report.svg import (
    BLUE,
    INK,
    ORANGE,
    SOFT,
    WIDTH,
    Axes,
    linear_ticks,
)
from vibecheck.training.card_parts import ends, number, percent_words, turns_words
from vibecheck.training.metrics import wilson_interval

FloatArray = NDArray[np.float64]

ENOUGH_CASES = 20
"""Groups of fewer cases are drawn, but no reading rests on them."""
SHARE_TICKS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
DETECTION_AIM = 0.9
"""The share of the a90 of a detection curve (MIL-HDBK-1823A, 2009)."""


@dataclass(frozen=True)
class Look:
    """How a series is told from the others, without colour too."""

    colour: str
    marker: str
    dash: str = ""


LOOKS: tuple[Look, ...] = (
    Look(BLUE, "disc"),
    Look(ORANGE, "square", "6 4"),
    Look(INK, "diamond", "2 3"),
    Look("#6a6a6a", "ring", "9 3 2 3"),
)


def mark(axes: Axes, x: float, y: float, look: Look) -> None:
    """Draw a marker at a value of both axes."""
    px, py = axes.x(x), axes.y(y)
    fill = "#fff" if look.marker == "ring" else look.colour
    style = f'fill="{fill}" stroke="{look.colour}" stroke-width="1.5"'
    if look.marker in ("disc", "ring"):
        axes.parts.append(f'<circle cx="{px:.1f}" cy="{py:.1f}" r="4" {style}/>')
    elif look.marker == "square":
        axes.parts.append(
            f'<rect x="{px - 3.6:.1f}" y="{py - 3.6:.1f}" width="7.2" height="7.2" {style}/>'
        )
    else:
        axes.parts.append(
            f'<path d="M{px:.1f} {py - 5.2:.1f}L{px + 5.2:.1f} {py:.1f}L{px:.1f} {py + 5.2:.1f}'
            f'L{px - 5.2:.1f} {py:.1f}Z" {style}/>'
        )


def share_axes(
    x_range: tuple[float, float],
    x_label: str,
    y_label: str,
    title: str,
    names: Sequence[str],
    *,
    marked: bool = True,
    height: int = 290,
) -> Axes:
    """Return axes whose vertical one is a share, with a legend above the box."""
    axes = Axes(x_range, (0.0, 1.0), x_label, y_label, title, height=height)
    axes.top = 24 + LINE_ROOM * len(names)
    axes.height += LINE_ROOM * len(names)
    for line, name in enumerate(names):
        look, y = LOOKS[line % len(LOOKS)], 25 + LINE_ROOM * line
        left = axes.left
        axes.segment((left, y, left + 30, y), colour=look.colour, width=2.2, dash=look.dash)
        if marked:
            legend = Axes((0, WIDTH), (axes.height, 0), "", "", "")
            legend.left = legend.right = legend.top = legend.bottom = 0
            legend.height = axes.height
            mark(legend, left + 15, y, look)
            axes.parts += legend.parts
        axes.text(left + 36, y + 4.5, name)
    return axes


def whisker(axes: Axes, x: float, low: float, high: float, look: Look) -> None:
    """Draw an upright interval."""
    if math.isfinite(low) and math.isfinite(high):
        px = axes.x(x)
        axes.segment((px, axes.y(low), px, axes.y(high)), colour=look.colour, width=1.3)


def reliability_diagram(
    key: str,
    question: str,
    groups: Mapping[str, Sequence[Mapping[str, Any]]],
    what: str,
    tag: str,
) -> Picture:
    """Draw stated probability against the share found loose.

    Parameters
    ----------
    groups : dict of series name to rows of ``stated``, ``found``, ``n`` (and ``low``, ``high``)
    what : str
        What was judged, in plain words: "zones", "checks".
    tag : str
        Where the data came from, such as "simulated".
    """
    axes = share_axes(
        (0.0, 1.0),
        "probability stated",
        f"share found loose ({tag})",
        question,
        list(groups),
    )
    axes.grid(SHARE_TICKS, SHARE_TICKS)
    axes.segment((axes.x(0), axes.y(0), axes.x(1), axes.y(1)), colour=SOFT, dash="3 4")
    axes.text(axes.x(0.97), axes.y(0.9) + 16, "as stated", anchor="end", colour=SOFT, halo=True)
    worst: tuple[float, str, Mapping[str, Any]] | None = None
    for place, (name, rows) in enumerate(groups.items()):
        look = LOOKS[place % len(LOOKS)]
        axes.curve(
            np.array([float(row["stated"]) for row in rows]),
            np.array([float(row["found"]) for row in rows]),
            colour=look.colour,
            dash=look.dash,
        )
        for row in rows:
            stated, found, n = float(row["stated"]), float(row["found"]), float(row["n"])
            low, high = ends(row)
            if not math.isfinite(low):
                low, high = wilson_interval(round(found * n), int(n))
            whisker(axes, stated, low, high, look)
            mark(axes, stated, found, look)
            gap = abs(stated - found)
            if n >= ENOUGH_CASES and (worst is None or gap > worst[0]):
                worst = (gap, name, row)
    axes.frame(SHARE_TICKS, SHARE_TICKS)
    if worst is None:
        reading = f"Too few {what} in every group to read a calibration from."
    else:
        gap, name, row = worst
        side = "more often" if float(row["found"]) > float(row["stated"]) else "less often"
        words = f" ({name})" if len(groups) > 1 else ""
        reading = (
            f"Widest gap among groups of {ENOUGH_CASES} or more: where "
            f"{percent_words(row['stated'])} was stated, {percent_words(row['found'])} of "
            f"{float(row['n']):.0f} {what} were loose, {side} than stated{words}. Bars are 95 % "
            "intervals."
        )
    return Picture(key, question, axes.svg(), reading)


def roc_picture(
    key: str, question: str, curves: Mapping[str, Mapping[str, Any]], tag: str
) -> Picture:
    """Draw share of loose checks found against share of snug checks that raise an alarm.

    Parameters
    ----------
    curves : dict of name to mapping with ``false_alarm``, ``recall`` and ``area``
    tag : str
        Where the data came from, such as "simulated".
    """
    axes = share_axes(
        (0.0, 1.0),
        "share of snug checks that raise an alarm",
        f"share of loose checks found ({tag})",
        question,
        [_area_words(name, curve.get("area")) for name, curve in curves.items()],
        marked=False,
    )
    axes.grid(SHARE_TICKS, SHARE_TICKS)
    axes.segment((axes.x(0), axes.y(0), axes.x(1), axes.y(1)), colour=SOFT, dash="3 4")
    axes.text(axes.x(0.6), axes.y(0.6) + 22, "by chance", colour=SOFT, halo=True)
    for place, curve in enumerate(curves.values()):
        look = LOOKS[place % len(LOOKS)]
        axes.curve(
            np.asarray(curve["false_alarm"], dtype=np.float64),
            np.asarray(curve["recall"], dtype=np.float64),
            colour=look.colour,
            dash=look.dash,
            width=2.0,
        )
    axes.frame(SHARE_TICKS, SHARE_TICKS)
    parts = []
    for name, curve in curves.items():
        rate, found = (np.asarray(curve[k], dtype=np.float64) for k in ("false_alarm", "recall"))
        here = found[rate <= 0.05]
        if here.size:
            parts.append(f"{name}, {percent_words(float(here.max()))}")
    reading = "Higher and further left is better; the number is the area under the curve."
    if parts:
        reading += f" Loose checks found at 5 % alarms on snug ones: {'; '.join(parts)}."
    return Picture(key, question, axes.svg(), reading)


def _area_words(name: str, area: Any) -> str:
    value = number(area)
    return f"{name}: area {value:.3f}" if math.isfinite(value) else name


@dataclass(frozen=True)
class DetectionSeries:
    """Probability of detection against turns backed off, by one sensor.

    Attributes
    ----------
    name : str
    turns, probability : sequence of float
        The fitted curve.
    low : sequence of float
        Lower end of its 95 % interval; may be empty.
    a90, a90_95 : float
        Turns from which 90 % are found, and from which that is so with 95 % confidence; NaN where
        not reached.
    largest : float
        End of the range that was looked at; NaN where it is the curve's.
    points : sequence of (turns, share, n)
        Groups of checks, drawn as markers; may be empty.
    """

    name: str
    turns: Sequence[float]
    probability: Sequence[float]
    low: Sequence[float] = ()
    a90: float = math.nan
    a90_95: float = math.nan
    largest: float = math.nan
    points: Sequence[tuple[float, float, float]] = ()


def reached_words(turns: float) -> str:
    """Return an a90 in words: "0.40 turns" or "not reached"."""
    return turns_words(turns) if math.isfinite(turns) else "not reached"


def _legend_words(one: DetectionSeries) -> str:
    return f"a90 {reached_words(one.a90)}" if len(one.probability) else "no curve"


def detection_picture(key: str, zone: str, series: Sequence[DetectionSeries], tag: str) -> Picture:
    """Draw the detection curves of one zone, one line a sensor."""
    tops = [float(t) for one in series for t in (*one.turns, one.largest)]
    tops += [point[0] for one in series for point in one.points]
    top = max([0.5, *(t for t in tops if math.isfinite(t))])
    question = f"How far must {zone} be backed off to be heard?"
    axes = share_axes(
        (0.0, top),
        "turns backed off (0: no play)",
        f"probability of detection ({tag})",
        question,
        [f"{one.name}: {_legend_words(one)}" for one in series],
        marked=any(len(one.points) for one in series),
        height=250,
    )
    ticks = linear_ticks(0.0, top)
    axes.grid(ticks, SHARE_TICKS)
    axes.segment(
        (axes.x(0), axes.y(DETECTION_AIM), axes.x(top), axes.y(DETECTION_AIM)),
        colour=SOFT,
        dash="3 4",
    )
    axes.text(axes.x(0) + 4, axes.y(DETECTION_AIM) - 4, "90 %", colour=SOFT, halo=True)
    for place, one in enumerate(series):
        look = LOOKS[place % len(LOOKS)]
        turns = np.asarray(one.turns, dtype=np.float64)
        axes.curve(
            turns,
            np.asarray(one.probability, dtype=np.float64),
            colour=look.colour,
            dash=look.dash,
            width=2.2,
        )
        if len(one.low):
            low = np.asarray(one.low, dtype=np.float64)
            axes.curve(turns, low, colour=look.colour, width=0.8, dash=look.dash)
        for x, share, _n in one.points:
            mark(axes, x, share, look)
        if math.isfinite(one.a90) and one.a90 <= top:
            x = axes.x(one.a90)
            axes.segment(
                (x, axes.y(DETECTION_AIM), x, axes.y(0)), colour=look.colour, dash="1 3", width=1.6
            )
    axes.frame(ticks, SHARE_TICKS)
    parts = []
    for one in series:
        if not len(one.probability):
            parts.append(f"{one.name}: too few cases, or too much alike, for a curve")
        elif not math.isfinite(one.a90):
            best = max(one.probability, default=math.nan)
            parts.append(
                f"{one.name}: 90 % is not reached within {turns_words(top)}"
                + (f" (at most {percent_words(best)})" if math.isfinite(best) else "")
            )
        else:
            sure = (
                f"with 95 % confidence from {turns_words(one.a90_95)} on"
                if math.isfinite(one.a90_95)
                else "nowhere with 95 % confidence"
            )
            parts.append(f"{one.name}: 90 % are found from {turns_words(one.a90)} on, {sure}")
    reading = "; ".join(parts)
    thin = " Thin line: lower end of the 95 % interval." if any(len(s.low) for s in series) else ""
    return Picture(key, question, axes.svg(), f"{reading[:1].upper()}{reading[1:]}.{thin}")


def standalone(picture: Picture) -> str:
    """Return a picture as a file of its own (SVG), on white."""
    head, rest = picture.svg.split(">", 1)
    box = head.split('viewBox="0 0 ')[1].split('"')[0].split()
    head = head.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    head = head.replace('font-family="inherit"', 'font-family="Helvetica, Arial, sans-serif"')
    head += f' width="{box[0]}" height="{box[1]}"'
    return f'{head}><rect width="100%" height="100%" fill="#fff"/>{rest}\n'
