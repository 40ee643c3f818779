"""Report: the three pictures over shaft orders, each with a one-line reading."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from vibecheck.report.pictures import (
    LABEL_TOP,
    LINE_ROOM,
    SHOWN_RANGE_DB,
    Array,
    NamedOrder,
    Picture,
    log_rows,
    max_pool,
)
from vibecheck.report.svg import (
    BLUE,
    CHARACTER,
    INK,
    ORANGE,
    WIDTH,
    Axes,
    level_index,
    linear_ticks,
    log_ticks,
)
from vibecheck.report.words import number_words

CLEAR_LINE_DB = 10.0
LOUDER_DB = 3.0
MAIN_SHARE = 0.7
MAX_SPEED_ROWS = 200


def order_spectrum(
    order: Array,
    level_db: Array,
    unit: str,
    orders: Sequence[NamedOrder],
    *,
    baseline: Sequence[tuple[Array, Array]] = (),
    shaft: str = "motor",
) -> Picture:
    """Draw the order spectrum against the snug car's, with the orders of the car named.

    Parameters
    ----------
    order : ndarray, shape (n,), ascending
    level_db : ndarray, shape (n,)
        Amplitude in decibel; NaN where the order could not be observed.
    unit : str
        What 0 dB means.
    baseline : sequence of (order, level_db)
        One pair for each snug take at the same spot by the same sensor.
    """
    seen = np.isfinite(level_db) & (order > 0)
    low, high = _order_span(order[seen], orders)
    inside = seen & (order >= low) & (order <= high)
    x, y = order[inside], level_db[inside]
    snug = _median_on(x, baseline)
    top = float(np.nanmax(np.concatenate([y, snug]))) if x.size else 0.0
    lows = [float(np.nanpercentile(curve, 5)) for curve in (y, snug) if np.isfinite(curve).any()]
    floor = min([*lows, top - 20.0])
    y_range = (math.floor(max(floor, top - 80.0) / 5) * 5.0, math.ceil((top + 3) / 5) * 5.0)
    named = [(name, ratio) for name, ratio in orders if low <= ratio <= high]
    axes = Axes(
        (low, high),
        y_range,
        f"order, events per {shaft} turn",
        f"level, {unit}",
        "Order spectrum against the snug car" if baseline else "Order spectrum",
        x_scale="log",
        height=300,
    )
    x_ticks, y_ticks = log_ticks(low, high), linear_ticks(*y_range)
    _named_orders(axes, named)
    axes.grid((), y_ticks)
    if snug.size:
        axes.curve(x, snug, colour="#8a8a8a", width=1.0, fill="#dcdcdc")
    axes.curve(x, y, colour=BLUE, width=1.5)
    axes.frame(x_ticks, y_ticks)
    question = (
        "Which turning part is louder than when snug?"
        if snug.size
        else ("Which turning part is loud?")
    )
    return Picture("order_spectrum", question, axes.svg(), _order_reading(x, y, snug, named))


def _order_span(order: Array, orders: Sequence[NamedOrder]) -> tuple[float, float]:
    if not order.size:
        return 0.1, 10.0
    ratios = [ratio for _, ratio in orders if ratio > 0] or [1.0]
    low = max(float(order[0]), 0.3 * min(ratios), float(order[-1]) / 3000.0)
    high = max(float(order[-1]), 4.0 * low)
    return low, high


def _median_on(x: Array, curves: Sequence[tuple[Array, Array]]) -> Array:
    """Median over curves, each brought to the same orders; empty where there is none."""
    if not curves or not x.size:
        return np.empty(0)
    stack = [np.interp(x, o, np.nan_to_num(v, nan=-300.0), np.nan, np.nan) for o, v in curves]
    middle = np.median(np.stack(stack), axis=0)
    return np.where(middle < -250.0, np.nan, middle)


def _named_orders(axes: Axes, named: Sequence[NamedOrder]) -> None:
    """Mark the orders, with their names on up to three lines above the box.

    Makes the room above the box that the names need. What does not fit stays a mark without a
    name; the caller gives the more telling orders first, and those find room first.
    """
    taken: list[list[tuple[float, float]]] = [[], [], []]
    placed: list[tuple[float, float, int, str]] = []
    for name, ratio in named:
        x, half = axes.x(ratio), len(name) * CHARACTER / 2 + 2
        middle = min(max(x, half), WIDTH - half)
        for line, spans in enumerate(taken):
            if all(middle + half < left or middle - half > right for left, right in spans):
                spans.append((middle - half, middle + half))
                placed.append((x, middle, line, name))
                break
    axes.top = LABEL_TOP + LINE_ROOM * (1 + max((line for _, _, line, _ in placed), default=-1))
    _, top, _, height = axes.box
    for _, ratio in named:
        axes.segment((axes.x(ratio), top, axes.x(ratio), top + height), colour=ORANGE, dash="2 3")
    for x, _, line, _ in placed:
        axes.segment((x, top - 4 - line * LINE_ROOM, x, top), colour=ORANGE)
    for _, middle, line, name in placed:
        y = top - 5 - line * LINE_ROOM
        axes.text(middle, y, name, anchor="middle", colour=ORANGE, bold=True, halo=True)


def order_words(order: float, named: Sequence[NamedOrder], step: float) -> str:
    """Return an order and the part it belongs to: "0.198 (wheel)", "0.4 (2 × wheel)", "7.31".

    It belongs to a named order, or to 2 or 3 times one, within 3 % or half the ``step`` between
    the orders that were looked at.
    """
    best, miss = "", max(0.03, 0.6 * step / max(order, 1e-9))
    for name, ratio in named:
        for multiple in (1, 2, 3):
            off = abs(order / (ratio * multiple) - 1.0)
            if off < miss:
                best, miss = (f" ({name})" if multiple == 1 else f" ({multiple} × {name})"), off
    return f"{order:.3g}{best}"


def _order_reading(x: Array, y: Array, snug: Array, named: Sequence[NamedOrder]) -> str:
    if not x.size:
        return "No order could be observed in this recording."
    if not snug.size:
        at = int(np.nanargmax(y))
        where = order_words(float(x[at]), named, float(x[1] - x[0]))
        return (
            f"Strongest at order {where}. There is no snug "
            "recording from this spot to compare with: record one right after a complete hand "
            "check and give it with --baseline."
        )
    rise = np.where(np.isfinite(snug), y - snug, -np.inf)
    rise[y < running_median(y) + CLEAR_LINE_DB] = -np.inf  # a rise within the noise says little
    head = "Blue: this take. Grey: the snug car."
    between = float(np.nanmedian(y - snug))
    if between >= LOUDER_DB:
        head += (
            f" Between the lines it is {between:.0f} dB louder: rattle or rubbing, or a phone that "
            "lay nearer."
        )
    if not np.isfinite(rise).any() or float(rise.max()) < 1.0:
        return f"{head} No clear line is louder than it was."
    at = int(np.argmax(rise))
    where = f"order {order_words(float(x[at]), named, float(x[1] - x[0]))}"
    return f"{head} The largest rise of a clear line is {rise[at]:+.0f} dB at {where}."


def running_median(values: Array, n_window: int = 41) -> Array:
    """Return the median around each value: the floor that lines stand on."""
    from scipy.ndimage import median_filter

    floor: Array = median_filter(np.nan_to_num(values, nan=-300.0), size=n_window, mode="nearest")
    return floor


def order_speed_map(
    order: Array,
    rpm: Array,
    level_db: Array,
    orders: Sequence[NamedOrder],
    *,
    shaft: str = "motor",
) -> Picture:
    """Draw level over order and speed.

    Parameters
    ----------
    order : ndarray, shape (n_orders,), uniform, ascending
    rpm : ndarray, shape (n_speeds,), ascending
    level_db : ndarray, shape (n_speeds, n_orders)
        NaN where nothing could be observed.
    """
    ratios = [ratio for _, ratio in orders if ratio > 0] or [1.0]
    step = float(order[1] - order[0])
    low = max(float(order[0]), 0.5 * min(ratios), 1.5 * step)
    high = max(float(order[-1]), 4.0 * low)
    finite = level_db[np.isfinite(level_db)]
    top = float(np.percentile(finite, 99.8)) if finite.size else 0.0
    floor = max(float(np.percentile(finite, 10)), top - SHOWN_RANGE_DB) if finite.size else -1.0
    filled = np.where(np.isfinite(level_db), level_db, -np.inf)
    pooled = log_rows(filled.T, order, low, high, 400)[::-1]
    named = [(name, ratio) for name, ratio in orders if low <= ratio <= high]
    axes = Axes(
        (low, high),
        (float(rpm[0]), float(rpm[-1])),
        f"order, events per {shaft} turn",
        f"{shaft} speed, turns per minute",
        "Level over order and speed",
        x_scale="log",
        height=300,
    )
    _named_orders(axes, named)
    marks, axes.parts = axes.parts, []
    rows = min(MAX_SPEED_ROWS, rpm.size)
    edges = np.linspace(0, rpm.size, rows + 1).astype(np.intp)
    grid = max_pool(pooled.T, edges, 0)[::-1]
    axes.image(
        level_index(np.where(np.isfinite(grid), grid, np.nan), floor, top),
        (low, high, float(rpm[0]), float(rpm[-1])),
    )
    axes.parts += marks
    axes.frame(log_ticks(low, high), linear_ticks(float(rpm[0]), float(rpm[-1])))
    if finite.size:
        row, column = np.unravel_index(int(np.nanargmax(filled)), filled.shape)
        loudest = order_words(float(order[column]), named, step)
        speed = number_words(round(float(rpm[row]), -1))
        reading = (
            f"Loudest at order {loudest} near {speed} turns per minute. Upright "
            "dark lines belong to turning parts; a dark spot on one marks a speed at which "
            "something rings."
        )
    else:
        reading = "No order could be observed in this recording."
    return Picture("order_speed_map", "At which speed is it loudest?", axes.svg(), reading)


def envelope_orders(
    order: Array,
    strength: Array,
    limit: Array | float | None,
    orders: Sequence[NamedOrder],
    *,
    band_hz: tuple[float, float],
    shaft: str = "motor",
) -> Picture:
    """Draw how strongly the loudness of the noise beats in step with each shaft.

    Parameters
    ----------
    order : ndarray, shape (n,), ascending
    strength : ndarray, shape (n,)
        Amplitude of the squared envelope at each order.
    limit : ndarray of shape (n,), float or None
        What chance alone would hardly exceed.
    band_hz : tuple of float
        Lowest and highest frequency of the noise that was looked at.
    """
    seen = np.isfinite(strength) & (order > 0)
    slow = [ratio for _, ratio in orders if 0 < ratio < 3.0]  # the mesh would squeeze the rest
    low = float(order[seen][0]) if seen.any() else 0.0
    last = float(order[seen][-1]) if seen.any() else 1.0
    high = min(last, 4.0 * max(slow, default=1.0))
    inside = seen & (order <= high)
    x, y = order[inside], strength[inside]
    bound = np.broadcast_to(np.nan if limit is None else np.asarray(limit), order.shape)[inside]
    top = float(np.nanmax(np.concatenate([y, bound, [1e-12]]))) * 1.2
    named = [(name, ratio) for name, ratio in orders if low <= ratio <= high]
    axes = Axes(
        (0.0, high),
        (0.0, top),
        f"knocks per {shaft} turn (order of the envelope)",
        f"swing of the noise, {number_words(band_hz[0])} to {number_words(band_hz[1])} Hz",
        "Envelope order spectrum",
        height=290,
        left=52,
    )
    y_ticks = linear_ticks(0.0, top, 4)
    _named_orders(axes, named)
    axes.grid((), y_ticks)
    axes.curve(x, y, colour=BLUE, width=1.5)
    if np.isfinite(bound).any():
        axes.curve(x, bound, colour=INK, width=1.2, dash="6 4")
        _legend(axes, "what chance may show")
    axes.frame(linear_ticks(0.0, high), y_ticks)
    reading = _envelope_reading(x, y, bound, named, shaft)
    return Picture("envelope_orders", "Does it knock in step with a part?", axes.svg(), reading)


def _envelope_reading(
    x: Array, y: Array, bound: Array, named: Sequence[NamedOrder], shaft: str
) -> str:
    if not x.size:
        return "No order of the envelope could be observed in this recording."
    known = bool(np.isfinite(bound).any())
    excess = y / bound if known else y / np.median(y)
    at = _slowest_peak(excess)
    if known and excess[at] <= 1.0:
        return (
            "No line rises over the dashed limit of chance: no knocking in step with a shaft was "
            "heard. A part without play makes none."
        )
    times = f", {number_words(float(excess[at]))} times the limit of chance" if known else ""
    swells = order_words(float(x[at]), named, float(x[1] - x[0]))
    return (
        f"The noise swells {swells} times per {shaft} turn{times}. Lines at a part's order and its "
        "multiples mean knocks in step with that part."
    )


def _slowest_peak(excess: Array) -> int:
    """Index of the first of the highest peaks: a knock's own order, not one of its multiples."""
    filled = np.nan_to_num(excess, nan=-np.inf)
    best = int(np.argmax(filled))
    sides = np.concatenate([[-np.inf], filled, [-np.inf]])
    peaks = (filled >= sides[:-2]) & (filled >= sides[2:]) & (filled >= MAIN_SHARE * filled[best])
    return int(np.flatnonzero(peaks)[0])


def _legend(axes: Axes, words: str) -> None:
    """Explain the dashed line in the upper right corner of the box."""
    left, top, width, _ = axes.box
    right = left + width - 6
    axes.text(right, top + 16, words, anchor="end", halo=True)
    start = right - len(words) * CHARACTER - 4
    axes.segment((start - 26, top + 12, start, top + 12), width=1.2, dash="6 4")
