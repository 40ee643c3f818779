"""Report: what a picture is, and the spectrogram with the speed laid over it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.report.svg import (
    CHARACTER,
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
from vibecheck.units import power_to_db

Array = NDArray[np.floating]
NamedOrder = tuple[str, float]
N_ROWS, N_COLUMNS = 300, 700
SHOWN_RANGE_DB = 60.0
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
    level = power_to_db(power, -300.0)
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
    axes.frame(linear_ticks(0.0, duration_s), log_ticks(low_hz, high_hz, 10))
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
    at = _label_place(speed, track)
    x = axes.x(float(speed.time_s[at]))
    anchor: Anchor = "end" if x > 0.6 * WIDTH else "start"
    y = max(axes.y(float(track[at])) - 5, axes.box[1] + 12)
    axes.text(x, y, name, anchor=anchor, colour=ORANGE, halo=True, bold=True)


def _label_place(speed: SpeedTrack, track: Array) -> int:
    """Frame at which a line is named: the middle of the longest hold that shows it, or its top."""
    holds = sorted(speed.phases_named("hold"), key=lambda phase: -phase.duration_s)
    for hold in holds:
        middle = int(np.argmin(np.abs(speed.time_s - 0.5 * (hold.start_s + hold.end_s))))
        if np.isfinite(track[middle]):
            return middle
    return int(np.nanargmax(track))
