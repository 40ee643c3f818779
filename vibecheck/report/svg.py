"""Report: small vector pictures with axes. Text stays readable at the width of a phone.

Every picture is `WIDTH` units wide and its text `TEXT` units high: over 12 pixels on a phone that
shows it 388 pixels wide. Dark on white, and nothing is told by colour alone.

"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Literal

import numpy as np
from numpy.typing import NDArray

WIDTH = 400
TEXT = 13
CHARACTER = 0.56 * TEXT  # mean width of a letter, generous
INK = "#111111"
SOFT = "#4a4a4a"
GRID = "#d5d5d5"
BLUE = "#0b3c78"
ORANGE = "#b33c00"
N_LEVELS = 48
Scale = Literal["linear", "log"]
Anchor = Literal["start", "middle", "end"]


def linear_ticks(low: float, high: float, n_wanted: int = 5) -> list[float]:
    """Return round numbers (steps of 1, 2 or 5) inside a range."""
    if not high > low:
        return [low]
    raw = (high - low) / max(1, n_wanted)
    unit = 10.0 ** math.floor(math.log10(raw))
    step = next(unit * m for m in (1, 2, 5, 10) if unit * m >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]


def log_ticks(low: float, high: float, n_wanted: int = 7) -> list[float]:
    """Return 1, 2, 5, 10 … inside a range; only powers of ten where those are enough."""
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for factors in ((1, 2, 5), (1, 3), (1,)):
        ticks = [f * 10.0**d for d in decades for f in factors]
        ticks = [round(t, 12) for t in ticks if low * 0.999 <= t <= high * 1.001]
        if len(ticks) <= n_wanted:
            break
    return ticks


def tick_words(value: float) -> str:
    """Return a tick's number: thousands as "k", no trailing zeros."""
    if abs(value) >= 1000:
        return f"{value / 1000:g}k"
    return f"{value:g}".replace("-", "−")


def min_max_decimate(
    x: NDArray[np.floating], y: NDArray[np.floating], n_columns: int = 350
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Keep each column's lowest and highest point, in their own order: no peak is lost.

    Parameters
    ----------
    x : ndarray, shape (n,), ascending, in picture units or any scale that the columns divide evenly
    y : ndarray, shape (n,)
    n_columns : int

    Returns
    -------
    x, y : ndarrays, at most ``2 * n_columns`` points, all of them points of the input
    """
    if x.size <= 2 * n_columns:
        return x, y
    span = float(x[-1] - x[0])
    column = np.minimum(((x - x[0]) * (n_columns / span)).astype(np.intp), n_columns - 1)
    order = np.lexsort((y, column))
    first = np.searchsorted(column[order], np.unique(column), side="left")
    last = np.append(first[1:], x.size) - 1
    keep = np.unique(np.concatenate([order[first], order[last]]))
    return x[keep], y[keep]


def png_data_uri(index: NDArray[np.uint8], palette: Sequence[int]) -> str:
    """Return a palette image as a ``data:`` address.

    Parameters
    ----------
    index : ndarray of uint8, shape (n_rows, n_columns)
        Palette entry of each pixel; the first row is the top.
    palette : sequence of int
        Red, green, blue of each entry, 0–255.
    """
    from PIL import Image

    image = Image.fromarray(np.ascontiguousarray(index))
    image.putpalette(list(palette))
    stream = io.BytesIO()
    image.save(stream, "PNG", compress_level=6)
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode("ascii")


def level_palette(n_levels: int = N_LEVELS) -> list[int]:
    """Return a palette from white (quiet) to near-black blue (loud), told apart by lightness."""
    stops = np.array(
        [[255, 255, 255], [206, 222, 238], [120, 165, 208], [35, 92, 156], [6, 30, 72], [0, 8, 26]],
        dtype=np.float64,
    )
    at = np.linspace(0, len(stops) - 1, n_levels)
    rgb = np.stack([np.interp(at, np.arange(len(stops)), stops[:, c]) for c in range(3)], axis=1)
    return [int(v) for v in rgb.round().astype(int).ravel()]


def level_index(level: NDArray[np.floating], low: float, high: float) -> NDArray[np.uint8]:
    """Return each level's entry in `level_palette`; what is not finite is white."""
    share = (np.nan_to_num(level, nan=low, neginf=low, posinf=high) - low) / max(high - low, 1e-9)
    index: NDArray[np.uint8] = (np.clip(share, 0.0, 1.0) * (N_LEVELS - 1)).round().astype(np.uint8)
    return index


@dataclass
class Axes:
    """One picture: a plot box with two scaled axes, drawn into from back to front.

    Attributes
    ----------
    x_range, y_range : tuple of float
        Ends of the axes; both > 0 on a log scale.
    x_scale, y_scale : {"linear", "log"}
    x_label, y_label : str
        With their units.
    title : str
        What the picture shows, for those who cannot see it.
    height : int
        In the same units as `WIDTH`.
    top : int
        Room above the plot box.
    """

    x_range: tuple[float, float]
    y_range: tuple[float, float]
    x_label: str
    y_label: str
    title: str
    x_scale: Scale = "linear"
    y_scale: Scale = "linear"
    height: int = 270
    top: int = 24
    left: int = 44
    right: int = 8
    bottom: int = 40
    parts: list[str] = field(default_factory=list)

    def x(self, value: float) -> float:
        """Place on the picture of a value on the horizontal axis."""
        share = _share(value, self.x_range, self.x_scale)
        return self.left + share * (WIDTH - self.left - self.right)

    def y(self, value: float) -> float:
        """Place on the picture of a value on the vertical axis."""
        share = _share(value, self.y_range, self.y_scale)
        return self.height - self.bottom - share * (self.height - self.top - self.bottom)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of the plot box."""
        return (
            self.left,
            self.top,
            WIDTH - self.left - self.right,
            self.height - self.top - self.bottom,
        )

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: Anchor = "start",
        colour: str = INK,
        halo: bool = False,
        bold: bool = False,
        turn: float = 0.0,
    ) -> None:
        """Write words at a place of the picture."""
        marks = f' text-anchor="{anchor}"' if anchor != "start" else ""
        if colour != INK:
            marks += f' fill="{colour}"'
        if bold:
            marks += ' font-weight="700"'
        if halo:
            marks += ' stroke="#fff" stroke-width="4" paint-order="stroke" stroke-linejoin="round"'
        if turn:
            marks += f' transform="rotate({turn:g} {x:.1f} {y:.1f})"'
        self.parts.append(f'<text x="{x:.1f}" y="{y:.1f}"{marks}>{escape(words)}</text>')

    def segment(
        self,
        ends: tuple[float, float, float, float],
        *,
        colour: str = INK,
        width: float = 1.0,
        dash: str = "",
    ) -> None:
        """Draw a straight line between two places of the picture."""
        x0, y0, x1, y1 = ends
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" stroke="{colour}" '
            f'stroke-width="{width:g}"{dashed}/>'
        )

    def grid(self, x_ticks: Sequence[float], y_ticks: Sequence[float]) -> None:
        """Draw light lines at the ticks, under what follows."""
        left, top, width, height = self.box
        for tick in x_ticks:
            self.segment((self.x(tick), top, self.x(tick), top + height), colour=GRID)
        for tick in y_ticks:
            self.segment((left, self.y(tick), left + width, self.y(tick)), colour=GRID)

    def image(self, index: NDArray[np.uint8], extent: tuple[float, float, float, float]) -> None:
        """Draw a palette image between two x values and two y values (first row on top)."""
        x0, x1, y0, y1 = extent
        left, right = self.x(x0), self.x(x1)
        upper, lower = self.y(y1), self.y(y0)
        self.parts.append(
            f'<image x="{left:.2f}" y="{upper:.2f}" width="{right - left:.2f}" '
            f'height="{lower - upper:.2f}" preserveAspectRatio="none" '
            f'href="{png_data_uri(index, level_palette())}"/>'
        )

    def curve(
        self,
        x: NDArray[np.floating],
        y: NDArray[np.floating],
        *,
        colour: str = BLUE,
        width: float = 1.6,
        dash: str = "",
        halo: bool = False,
        fill: str = "",
    ) -> None:
        """Draw a line through finite points, broken where there are none, without losing a peak."""
        places_x = np.asarray([self.x(v) for v in x]) if x.size < 64 else self._x_all(x)
        places_y = self._y_all(y)
        good = np.isfinite(places_x) & np.isfinite(places_y)
        strokes: list[str] = []
        for run in _runs(good):
            px, py = min_max_decimate(places_x[run], places_y[run])
            strokes.append("M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(px, py, strict=True)))
        if not strokes:
            return
        path = "".join(strokes)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        if fill:
            floor = self.height - self.bottom
            for stroke in strokes:
                points = stroke[1:].split("L")
                x_first, x_last = points[0].split()[0], points[-1].split()[0]
                self.parts.append(
                    f'<path d="{stroke}L{x_last} {floor}L{x_first} {floor}Z" fill="{fill}"/>'
                )
        if halo:
            self.parts.append(
                f'<path d="{path}" fill="none" stroke="#fff" stroke-width="{width + 2.6:g}"/>'
            )
        self.parts.append(
            f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width:g}" '
            f'stroke-linejoin="round"{dashed}/>'
        )

    def _x_all(self, values: NDArray[np.floating]) -> NDArray[np.float64]:
        return self.left + _shares(values, self.x_range, self.x_scale) * self.box[2]

    def _y_all(self, values: NDArray[np.floating]) -> NDArray[np.float64]:
        share = _shares(values, self.y_range, self.y_scale)
        share = np.where(np.isfinite(share), np.clip(share, 0.0, 1.0), np.nan)
        return self.height - self.bottom - share * self.box[3]

    def frame(self, x_ticks: Sequence[float], y_ticks: Sequence[float]) -> None:
        """Draw the plot box, ticks, numbers and axis labels, on top of what came before."""
        left, top, width, height = self.box
        floor = top + height
        self.parts.append(
            f'<rect x="{left}" y="{top}" width="{width}" height="{height}" fill="none" '
            f'stroke="{INK}"/>'
        )
        end = -math.inf
        for tick in x_ticks:
            at, words = self.x(tick), tick_words(tick)
            half = len(words) * CHARACTER / 2
            self.segment((at, floor, at, floor + 4))
            if at - half > end:
                place = min(max(at, half), WIDTH - half)
                self.text(place, floor + 17, words, anchor="middle")
                end = at + half + 3
        for tick in y_ticks:
            self.segment((left - 4, self.y(tick), left, self.y(tick)))
            self.text(left - 6, self.y(tick) + 4.5, tick_words(tick), anchor="end")
        self.text(left + width, floor + 34, self.x_label, anchor="end", colour=SOFT)
        self.text(2, 13, self.y_label, colour=SOFT)

    def svg(self) -> str:
        """Return the picture."""
        title = escape(self.title)
        return (
            f'<svg viewBox="0 0 {WIDTH} {self.height}" role="img" aria-label="{title}" '
            f'font-size="{TEXT}" fill="{INK}" font-family="inherit">'
            f"<title>{title}</title>{''.join(self.parts)}</svg>"
        )


def _share(value: float, ends: tuple[float, float], scale: Scale) -> float:
    low, high = ends
    if scale == "log":
        return math.log(value / low) / math.log(high / low)
    return (value - low) / (high - low)


def _shares(
    values: NDArray[np.floating], ends: tuple[float, float], scale: Scale
) -> NDArray[np.float64]:
    low, high = ends
    numbers = np.asarray(values, dtype=np.float64)
    if scale == "linear":
        return (numbers - low) / (high - low)
    with np.errstate(divide="ignore", invalid="ignore"):
        shares: NDArray[np.float64] = np.log(numbers / low) / math.log(high / low)
    shares[~(numbers > 0)] = np.nan
    return shares


def _runs(good: NDArray[np.bool_]) -> list[slice]:
    """Stretches of at least two neighbouring good points."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
    return [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= 2]
