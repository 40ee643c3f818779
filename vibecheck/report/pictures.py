"""Report: the four pictures of a take, each drawn from plain arrays with a one-line reading."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.report.svg import (
    BLUE,
    CHARACTER,
    INK,
    ORANGE,
    SOFT,
    WIDTH,
    Anchor,
    Axes,
    level_index,
    linear_ticks,
    log_ticks,
)
from vibecheck.report.words import PHASE_WORDS, number_words
from vibecheck.track import SpeedTrack

Array = NDArray[np.floating]
NamedOrder = tuple[str, float]
N_ROWS, N_COLUMNS, MAX_SPEED_ROWS = 300, 700, 200
SHOWN_RANGE_DB = 60.0
CLEAR_LINE_DB = 10.0
LABEL_TOP = 22
LINE_ROOM = 16  # height of one line of labels above a plot box


@dataclass(frozen=True)
class Picture:
    """One picture: the owner's question, the drawing, and how to read it."""

    key: str
    question: str
    svg: str
    reading: str


def max_pool(values: Array, edges: NDArray[np.intp], axis: int) -> Array:
    """Return the maximum between consecutive edges along an axis; every group holds ≥ 1 value."""
    pooled: Array = np.maximum.reduceat(values, edges[:-1], axis=axis)
    return pooled


def log_rows(
    level: Array, frequency_hz: Array, low_hz: float, high_hz: float, n_rows: int = N_ROWS
) -> Array:
    """Return levels on rows of equal height on a logarithmic frequency axis, highest row first.

    A row that spans several bins shows the loudest of them; rows between two bins share the
    nearest bin's level.

    Parameters
    ----------
    level : ndarray, shape (n_bins, n_columns)
    frequency_hz : ndarray, shape (n_bins,), uniform, ascending
    """
    edges_hz = np.geomspace(low_hz, high_hz, n_rows + 1)
    step = float(frequency_hz[1] - frequency_hz[0])
    last = frequency_hz.size - 1
    first_bin = np.clip(np.round((edges_hz - frequency_hz[0]) / step), 0, last).astype(np.intp)
    out = level[first_bin[:-1]].copy()
    wide = np.flatnonzero(np.diff(first_bin) > 1)
    for row in wide:  # a few hundred rows at most
        out[row] = level[first_bin[row] : first_bin[row + 1]].max(axis=0)
    flipped: Array = out[::-1]
    return flipped


def spectrogram(
    time_s: Array,
    frequency_hz: Array,
    power: Array,
    speed: SpeedTrack | None,
    orders: Sequence[NamedOrder],
    *,
    duration_s: float,
    highest_hz: float,
) -> Picture:
    """Draw loudness over time and frequency, with the speed that was found laid over it.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
    frequency_hz : ndarray, shape (n_bins,)
    power : ndarray, shape (n_frames, n_bins)
        Summed over channels.
    orders : sequence of (name, ratio)
        Orders whose frequency is drawn over time.
    highest_hz : float
        Top of the picture.
    """
    low_hz = max(20.0, 1.5 * float(frequency_hz[1]))
    high_hz = max(highest_hz, 4.0 * low_hz)
    level = 10.0 * np.log10(np.maximum(power, 1e-30))
    n_columns = min(N_COLUMNS, time_s.size)
    columns = np.linspace(0, time_s.size, n_columns + 1).astype(np.intp)
    rows = log_rows(max_pool(level, columns, 0).T, frequency_hz, low_hz, high_hz)
    top = float(np.percentile(rows, 99.8))
    floor = max(float(np.percentile(rows, 10)), top - SHOWN_RANGE_DB)
    axes = Axes(
        (0.0, duration_s),
        (low_hz, high_hz),
        "time, s",
        "frequency, Hz",
        "Loudness over time and frequency, with the speed that was found",
        y_scale="log",
        height=290,
        top=LABEL_TOP + LINE_ROOM,
    )
    half = 0.5 * float(time_s[1] - time_s[0]) if time_s.size > 1 else 0.5 * duration_s
    extent = (max(0.0, time_s[0] - half), min(duration_s, time_s[-1] + half), low_hz, high_hz)
    axes.image(level_index(rows, floor, top), extent)
    if speed is not None:
        _phases(axes, speed, duration_s)
        for place, (name, ratio) in enumerate(orders):
            _order_track(axes, speed, name, ratio, dashed=place > 0)
    axes.frame(linear_ticks(0.0, duration_s), log_ticks(low_hz, high_hz))
    reading = "The darker, the louder. "
    if speed is not None and bool(speed.running.any()):
        top_rpm, at = float(speed.rpm.max()), float(speed.time_s[int(speed.rpm.argmax())])
        reading += (
            f"The orange line marked {orders[0][0]} is the speed that was found, up to "
            f"{number_words(round(top_rpm, -1))} turns per minute at {at:.1f} s. Dark lines that "
            "bend along with it come from turning parts; a wide dark patch is rattle or noise."
        )
    else:
        reading += "No turning shaft was found, so no speed line is drawn."
    return Picture("spectrogram", "What was loud, and when?", axes.svg(), reading)


def _phases(axes: Axes, speed: SpeedTrack, duration_s: float) -> None:
    _, top, _, height = axes.box
    for phase in speed.phases:
        x0, x1 = axes.x(phase.start_s), axes.x(min(phase.end_s, duration_s))
        words = PHASE_WORDS[phase.name]
        if phase.start_s > 0:
            axes.segment((x0, top - LINE_ROOM + 2, x0, top + height), colour=SOFT, dash="2 3")
        if x1 - x0 >= len(words) * CHARACTER:
            axes.text((x0 + x1) / 2, top - 5, words, anchor="middle", colour=SOFT)


def _order_track(axes: Axes, speed: SpeedTrack, name: str, ratio: float, *, dashed: bool) -> None:
    track = np.where(speed.running, speed.rpm / 60.0 * ratio, np.nan)
    low, high = axes.y_range
    track = np.where((track >= low) & (track <= high), track, np.nan)
    if not np.isfinite(track).any():
        return
    axes.curve(
        speed.time_s,
        track,
        colour=ORANGE,
        width=2.2 if not dashed else 1.5,
        dash="5 4" if dashed else "",
        halo=not dashed,
    )
    at = int(np.nanargmax(track))
    x = axes.x(float(speed.time_s[at]))
    anchor: Anchor = "end" if x > 0.6 * WIDTH else "start"
    y = max(axes.y(float(track[at])) - 5, axes.box[1] + 12)
    axes.text(x, y, name, anchor=anchor, colour=ORANGE, halo=True, bold=True)


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
    floor = min(float(np.nanpercentile(y, 2)) if x.size else -60.0, top - 20.0)
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


def nearest_name(order: float, named: Sequence[NamedOrder], tolerance: float = 0.03) -> str:
    """Return " (wheel)", " (2 × wheel)" or "" for an order near a named one or its multiples."""
    best, miss = "", tolerance
    for name, ratio in named:
        for multiple in (1, 2, 3):
            off = abs(order / (ratio * multiple) - 1.0)
            if off < miss:
                best, miss = (f" ({name})" if multiple == 1 else f" ({multiple} × {name})"), off
    return best


def _order_reading(x: Array, y: Array, snug: Array, named: Sequence[NamedOrder]) -> str:
    if not x.size:
        return "No order could be observed in this recording."
    if not snug.size:
        at = int(np.nanargmax(y))
        return (
            f"Strongest at order {x[at]:.3g}{nearest_name(float(x[at]), named)}. There is no snug "
            "recording from this spot to compare with: record one right after a complete hand "
            "check and give it with --baseline."
        )
    rise = np.where(np.isfinite(snug), y - snug, -np.inf)
    rise[y < running_median(y) + CLEAR_LINE_DB] = -np.inf  # a rise within the noise says little
    head = "Blue: this take. Grey: the snug car."
    if not np.isfinite(rise).any() or float(rise.max()) < 1.0:
        return f"{head} No clear line is louder than it was."
    at = int(np.argmax(rise))
    where = f"order {x[at]:.3g}{nearest_name(float(x[at]), named)}"
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
        loudest = f"Loudest at order {order[column]:.3g}{nearest_name(float(order[column]), named)}"
        reading = (
            f"{loudest} near {number_words(round(float(rpm[row]), -1))} turns per minute. Upright "
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
    unit: str,
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
    """
    seen = np.isfinite(strength) & (order > 0)
    slow = [ratio for _, ratio in orders if 0 < ratio < 3.0]  # the mesh would squeeze the rest
    low = float(order[seen][0]) if seen.any() else 0.0
    high = min(float(order[-1]), 4.0 * max(slow, default=1.0))
    inside = seen & (order <= high)
    x, y = order[inside], strength[inside]
    bound = np.broadcast_to(np.nan if limit is None else np.asarray(limit), order.shape)[inside]
    top = float(np.nanmax(np.concatenate([y, bound, [1e-12]]))) * 1.08
    named = [(name, ratio) for name, ratio in orders if low <= ratio <= high]
    axes = Axes(
        (0.0, high),
        (0.0, top),
        f"knocks per {shaft} turn (order of the envelope)",
        f"strength, {unit}",
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
        at = float(bound[np.isfinite(bound)][-1])
        place = axes.y(min(at, top)) - 5
        axes.text(WIDTH - 12, place, "chance", anchor="end", halo=True)
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
    at = int(np.nanargmax(excess))
    if known and excess[at] <= 1.0:
        return (
            "No line rises over the dashed limit of chance: no knocking in step with a shaft was "
            "heard. A part without play makes none."
        )
    times = f", {number_words(float(excess[at]))} times the limit of chance" if known else ""
    return (
        f"The noise swells {x[at]:.3g} times per {shaft} turn"
        f"{nearest_name(float(x[at]), named)}{times}. Lines at a part's order and its multiples "
        "mean knocks in step with that part."
    )
