"""Pictures of the model card that show shares and areas with their intervals, line by line."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from vibecheck.report.pictures import LINE_ROOM, Picture
from vibecheck.report.svg import BLUE, CHARACTER, GRID, INK, ORANGE, SOFT, WIDTH, Axes, linear_ticks
from vibecheck.training.card_parts import ends, figure_words, number, percent_words
from vibecheck.training.plots import LOOKS, mark

BAR = "#9fc0e0"


@dataclass(frozen=True)
class Bar:
    """A share with its interval, and the aim it is held against."""

    name: str
    figure: Any
    n: int = 0


def share_bars(
    key: str,
    question: str,
    bars: Sequence[Bar],
    label: str,
    *,
    aim: float = math.nan,
    aim_is_upper: bool = True,
    reading: str = "",
) -> Picture:
    """Draw shares as bars from the left with their 95 % intervals and the aim as a line."""
    room = 36
    height = 30 + room * len(bars) + 40
    top = 1.0
    if bars and aim_is_upper and math.isfinite(aim):
        values = [v for bar in bars for v in (number(bar.figure), *ends(bar.figure))]
        top = min(1.0, max([2.0 * aim, *(v for v in values if math.isfinite(v))]) * 1.05)
    axes = Axes((0.0, top), (0.0, 1.0), label, "", question, height=height, top=22, left=8)
    ticks = linear_ticks(0.0, top)
    for tick in ticks:
        x = axes.x(tick)
        axes.segment((x, axes.top, x, axes.height - axes.bottom), colour=GRID)
    for place, bar in enumerate(bars):
        y = axes.top + room * place + 4
        words = f"{bar.name}: {percent_words(bar.figure)}" + (f", n = {bar.n}" if bar.n else "")
        value = number(bar.figure)
        if math.isfinite(value):
            axes.parts.append(
                f'<rect x="{axes.x(0):.1f}" y="{y + 16:.1f}" '
                f'width="{max(0.6, axes.x(min(value, top)) - axes.x(0)):.1f}" height="11" '
                f'fill="{BAR}" stroke="{BLUE}"/>'
            )
        low, high = ends(bar.figure)
        if math.isfinite(low) and math.isfinite(high):
            middle = y + 21.5
            span = (axes.x(low), axes.x(min(high, top)))
            axes.segment((span[0], middle, span[1], middle), colour=INK, width=1.8)
            for end in span:
                axes.segment((end, middle - 4, end, middle + 4), colour=INK, width=1.8)
        axes.text(axes.left + 3, y + 12, words[: int((WIDTH - 20) / CHARACTER)], halo=True)
    floor = axes.height - axes.bottom
    if math.isfinite(aim) and aim <= top:
        x = axes.x(aim)
        axes.segment((x, 14, x, floor), colour=ORANGE, width=2, dash="6 3")
        words = f"aim: {'at most' if aim_is_upper else 'at least'} {100 * aim:.0f} %"
        half = len(words) * CHARACTER / 2
        axes.text(
            min(max(x, half), WIDTH - half), 11, words, anchor="middle", colour=ORANGE, bold=True
        )
    axes.frame(ticks, ())
    if not reading:
        reading = _bars_reading(bars, aim, aim_is_upper)
    return Picture(key, question, axes.svg(), reading)


def _bars_reading(bars: Sequence[Bar], aim: float, aim_is_upper: bool) -> str:
    seen = [bar for bar in bars if math.isfinite(number(bar.figure))]
    if not seen:
        return "Nothing was measured."
    worst = max(seen, key=lambda bar: number(bar.figure) * (1 if aim_is_upper else -1))
    words = f"{'Most' if aim_is_upper else 'Least'}: {worst.name}, {percent_words(worst.figure)}."
    if math.isfinite(aim):
        beyond = [
            bar.name
            for bar in seen
            if (number(bar.figure) > aim if aim_is_upper else number(bar.figure) < aim)
        ]
        words += (
            f" Missing the aim of {'at most' if aim_is_upper else 'at least'} {100 * aim:.0f} %: "
            f"{', '.join(beyond)}."
            if beyond
            else f" All keep the aim of {'at most' if aim_is_upper else 'at least'} "
            f"{100 * aim:.0f} %."
        )
    return words + " Black bars are 95 % intervals."


def interval_dots(
    key: str,
    question: str,
    groups: Mapping[str, Sequence[tuple[str, Any]]],
    label: str,
    *,
    chance: float = math.nan,
    aim: float = math.nan,
) -> Picture:
    """Draw figures with intervals as dots on lines: one line a name, one marker a group.

    Parameters
    ----------
    groups : dict of group name to (row name, figure)
    """
    names = list(dict.fromkeys(name for rows in groups.values() for name, _ in rows))
    room = 20 + 12 * len(groups)
    top = 30 + LINE_ROOM * len(groups)
    height = top + room * len(names) + 44
    values = [
        v
        for rows in groups.values()
        for _, figure in rows
        for v in (number(figure), *ends(figure))
        if math.isfinite(v)
    ]
    low = min([0.5, *values]) if values else 0.0
    axes = Axes(
        (max(0.0, math.floor(low * 10) / 10), 1.0), (0.0, 1.0), label, "", question, height=height
    )
    axes.top, axes.left = top, 8
    legend = Axes((0, WIDTH), (height, 0), "", "", "", height=height)
    legend.left = legend.right = legend.top = legend.bottom = 0
    for line, name in enumerate(groups):
        mark(legend, 16, 9 + LINE_ROOM * line, LOOKS[line])
        axes.text(28, 13.5 + LINE_ROOM * line, name)
    axes.parts += legend.parts
    ticks = linear_ticks(*axes.x_range)
    floor = axes.height - axes.bottom
    for tick in ticks:
        axes.segment((axes.x(tick), top, axes.x(tick), floor), colour=GRID)
    lines = ((chance, SOFT, "chance"), (aim, ORANGE, f"aim {aim:g}"))
    for value, colour, words in lines:
        if math.isfinite(value) and axes.x_range[0] <= value <= 1.0:
            x = axes.x(value)
            axes.segment((x, top - 4, x, floor), colour=colour, width=1.8, dash="6 3")
            half = len(words) * CHARACTER / 2
            axes.text(
                min(max(x, half), WIDTH - half), top - 6, words, anchor="middle", colour=colour,
                bold=True,
            )  # fmt: skip
    dots = Axes(axes.x_range, (height, 0), "", "", "", height=height)
    dots.left, dots.right, dots.top, dots.bottom = axes.left, axes.right, 0, 0
    for place, name in enumerate(names):
        y = top + room * place
        dots.text(axes.left + 3, y + 14, name, halo=True)
        for line, rows in enumerate(groups.values()):
            figure = dict(rows).get(name)
            value, (a, b), look = number(figure), ends(figure), LOOKS[line]
            middle = y + 22 + 12 * line
            if math.isfinite(a) and math.isfinite(b):
                dots.segment((dots.x(a), middle, dots.x(b), middle), colour=look.colour, width=2.0)
            if math.isfinite(value):
                mark(dots, value, middle, look)
    axes.parts += dots.parts
    axes.frame(ticks, ())
    return Picture(key, question, axes.svg(), _dots_reading(groups, chance, aim))


def _dots_reading(
    groups: Mapping[str, Sequence[tuple[str, Any]]], chance: float, aim: float
) -> str:
    first = next(iter(groups), "")
    seen = [
        (name, figure) for name, figure in groups.get(first, ()) if math.isfinite(number(figure))
    ]
    if not seen:
        return "Nothing was measured."
    best = max(seen, key=lambda pair: number(pair[1]))
    worst = min(seen, key=lambda pair: number(pair[1]))
    words = (
        f"{first[:1].upper()}{first[1:]}: best {best[0]}, {figure_words(best[1], 2)}; "
        f"worst {worst[0]}, {figure_words(worst[1], 2)}."
    )
    if math.isfinite(chance):
        blind = [name for name, figure in seen if not ends(figure)[0] > chance]
        if blind:
            words += f" Not surely better than chance: {', '.join(blind)}."
    if math.isfinite(aim):
        words += f" The orange line is the aim of {aim:g}, where one is set."
    return words + " Lines are 95 % intervals."
