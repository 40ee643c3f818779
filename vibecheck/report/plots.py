"""Plots of the Python API: matplotlib axes from the values of each stage.

Each function takes ``ax=None``, draws, and returns the axes; ``ax.figure.savefig(…)`` saves. The
pictures read in sunlight and without colour: dark lines on white, labels beside the lines, a
colour map that rises evenly in brightness. matplotlib is an optional part: ``vibecheck[plots]``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.profile import Order
from vibecheck.dsp.kurtogram import Kurtogram
from vibecheck.dsp.spectrum import short_time_power
from vibecheck.errors import MissingExtraError
from vibecheck.impulses import EnvelopeOrderSpectrum
from vibecheck.orders import OrderSpectrum, OrderSpeedMap
from vibecheck.orders.grid import channel_samples, strongest_channel
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack
from vibecheck.units import power_to_db

COLOUR_MAP = "cividis"
SHOWN_RANGE_DB = 60.0
INK, FAINT, MARK = "#111111", "#767676", "#b3261e"
_UNITS = {"full_scale": "dB re full scale", "m/s^2": "dB re 1 m/s²"}


def new_axes(ax: Any, width: float = 8.0, height: float = 4.0) -> Any:
    """Return the caller's axes, or new ones in a figure of their own (never pyplot's)."""
    if ax is not None:
        return ax
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise MissingExtraError("Drawing plots", "plots") from error
    return Figure(figsize=(width, height), layout="constrained").subplots()


def _name_orders(ax: Any, orders: Sequence[Order], low: float, high: float) -> None:
    """Mark named orders by a thin line and their name, standing on two alternating heights."""
    shown = sorted((o for o in orders if low <= o.ratio <= high), key=lambda o: o.ratio)
    for i, order in enumerate(shown):
        ax.axvline(order.ratio, color=FAINT, linewidth=0.8, linestyle=(0, (4, 3)), zorder=1)
        ax.annotate(
            order.name,
            (order.ratio, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(2, -10 - 11 * (i % 3)),
            textcoords="offset points",
            fontsize=8,
            color=INK,
        )


def _shown_levels(level_db: NDArray[Any]) -> tuple[float, float]:
    finite = level_db[np.isfinite(level_db)]
    top = float(np.percentile(finite, 99.9)) if finite.size else 0.0
    low = float(np.percentile(finite, 5)) if finite.size else -SHOWN_RANGE_DB
    return max(low, top - SHOWN_RANGE_DB), top


def plot_spectrogram(
    take: Take,
    speed: SpeedTrack | None = None,
    orders: Sequence[Order] = (),
    *,
    window_s: float = 0.05,
    max_hz: float | None = None,
    ax: Any = None,
) -> Any:
    """Draw level over time and frequency, with the speed track laid over it.

    Parameters
    ----------
    take : Take
        Of several channels the strongest is drawn.
    speed : SpeedTrack, optional
    orders : sequence of Order, optional
        Drawn along the track; by default the reference shaft alone.
    window_s : float
        Length of the transform's window.
    max_hz : float, optional
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes
    """
    ax = new_axes(ax)
    rate = take.sample_rate_hz
    n_window = int(np.clip(2 * round(0.5 * window_s * rate), 16, take.n_samples // 2 * 2))
    hop = max(n_window // 2, take.n_samples // 1200)
    short = short_time_power(channel_samples(take, strongest_channel(take)), rate, n_window, hop)
    top_hz = max_hz or min(0.5 * rate, take.bandwidth_hz or np.inf)
    used = short.frequency_hz <= top_hz
    level = power_to_db(short.power[:, used].T, -300.0)
    low, high = _shown_levels(level)
    image = ax.imshow(
        level,
        origin="lower",
        aspect="auto",
        extent=(0.0, take.duration_s, 0.0, top_hz),
        cmap=COLOUR_MAP,
        vmin=low,
        vmax=high,
    )
    ax.figure.colorbar(image, ax=ax, label=f"level, {_UNITS[take.unit]}")
    title = "Level over time and frequency"
    if speed is not None and speed.running.any():
        shaft = Order(speed.shaft, 1.0)
        rpm = np.where(speed.running, speed.rpm, np.nan)
        for i, order in enumerate(orders or (shaft,)):
            line = rpm * order.ratio / 60.0
            ax.plot(speed.time_s, line, color="white", linewidth=2.4)
            ax.plot(
                speed.time_s,
                line,
                color=INK,
                linewidth=1.1,
                linestyle=("-", "--", ":", "-.")[i % 4],
                label=order.name,
            )
        ax.legend(loc="upper left", fontsize=8, framealpha=0.9)
        title = f"The {speed.shaft} reaches {speed.rpm.max():,.0f} turns a minute"
    ax.set(xlabel="time, s", ylabel="frequency, Hz", ylim=(0.0, top_hz), title=title)
    return ax


def plot_order_spectrum(
    spectrum: OrderSpectrum,
    orders: Sequence[Order] = (),
    *,
    baseline: OrderSpectrum | None = None,
    reference: float = 1.0,
    ax: Any = None,
) -> Any:
    """Draw level against order, with named orders and a baseline behind it.

    Parameters
    ----------
    spectrum : OrderSpectrum
    orders : sequence of Order, optional
        Per turn of the spectrum's own shaft.
    baseline : OrderSpectrum, optional
        A snug take of the same car; drawn dashed.
    reference : float
        Amplitude that reads 0 dB.
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes
    """
    ax = new_axes(ax)
    level = spectrum.amplitude_db(reference)
    if baseline is not None:
        ax.plot(
            baseline.order,
            baseline.amplitude_db(reference),
            color=FAINT,
            linewidth=1.0,
            linestyle="--",
            label="baseline (snug)",
        )
    ax.plot(spectrum.order, level, color=INK, linewidth=1.1, label="this take")
    _name_orders(ax, orders, float(spectrum.order[1]), float(spectrum.order[-1]))
    title = "Level against order"
    inside = np.isfinite(level) & (spectrum.order > 2.5 * spectrum.resolution)
    if inside.any():
        strongest = spectrum.order[np.nanargmax(np.where(inside, level, -np.inf))]
        title = f"Strongest: order {strongest:.2f}{_called(float(strongest), orders)}"
        low, _ = _shown_levels(level[inside])
        ax.set_ylim(low - 5.0, float(level[inside].max()) + 12.0)
    if baseline is not None:
        ax.legend(loc="lower left", fontsize=8)
    ax.set(
        xlabel="order, events per turn",
        ylabel=f"amplitude, {_UNITS[spectrum.unit] if reference == 1.0 else 'dB'}",
        xlim=(0.0, float(spectrum.order[-1])),
        title=title,
    )
    return ax


def plot_order_map(
    grid: OrderSpeedMap,
    orders: Sequence[Order] = (),
    *,
    reference: float = 1.0,
    ax: Any = None,
) -> Any:
    """Draw level over order and speed; what could not be observed is hatched, not coloured.

    Parameters
    ----------
    grid : OrderSpeedMap
    orders : sequence of Order, optional
    reference : float
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes
    """
    ax = new_axes(ax, height=4.5)
    level = grid.amplitude_db(reference)
    low, high = _shown_levels(level)
    step = grid.rpm[1] - grid.rpm[0] if grid.rpm.size > 1 else 1.0
    ax.patch.set(facecolor="white", hatch="////", edgecolor="#c0c0c0")
    image = ax.imshow(
        np.ma.masked_invalid(level),
        origin="lower",
        aspect="auto",
        extent=(
            float(grid.order[0]),
            float(grid.order[-1]),
            float(grid.rpm[0] - 0.5 * step),
            float(grid.rpm[-1] + 0.5 * step),
        ),
        cmap=COLOUR_MAP,
        vmin=low,
        vmax=high,
    )
    ax.figure.colorbar(
        image, ax=ax, label=f"amplitude, {_UNITS[grid.unit] if reference == 1.0 else 'dB'}"
    )
    _name_orders(ax, orders, float(grid.order[1]), float(grid.order[-1]))
    loudest = np.where(np.isfinite(level), level, -np.inf)[:, grid.order > 0.2]
    row = int(np.argmax(loudest.max(axis=1)))
    ax.set(
        xlabel="order, events per turn",
        ylabel="speed, turns per minute",
        title=f"Loudest near {grid.rpm[row]:,.0f} turns a minute",
    )
    return ax


def plot_envelope_orders(
    spectrum: EnvelopeOrderSpectrum, orders: Sequence[Order] = (), *, ax: Any = None
) -> Any:
    """Draw how strongly the loudness beats at each order, against what chance would show.

    Parameters
    ----------
    spectrum : EnvelopeOrderSpectrum
    orders : sequence of Order, optional
        Per turn of the spectrum's own shaft.
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes
    """
    ax = new_axes(ax)
    ax.plot(spectrum.order, spectrum.amplitude, color=INK, linewidth=1.1, label="this take")
    ax.plot(
        spectrum.order,
        spectrum.limit,
        color=MARK,
        linewidth=1.3,
        linestyle="--",
        label=f"noise alone stays below ({1.0 - spectrum.false_alarm:.0%})",
    )
    over = np.flatnonzero(
        np.nan_to_num(spectrum.amplitude) > np.nan_to_num(spectrum.limit, nan=np.inf)
    )
    ax.plot(
        spectrum.order[over], spectrum.amplitude[over], "o", color=MARK, markersize=4, label="above"
    )
    _name_orders(ax, orders, float(spectrum.order[1]), float(spectrum.order[-1]))
    if over.size:
        line = spectrum.strongest()
        title = f"Knocks {line.order:.2f} times a turn{_called(line.order, orders)}"
    else:
        title = "No rhythm beyond chance"
    top = float(np.nanmax(np.concatenate([spectrum.amplitude, spectrum.limit, [1e-12]])))
    ax.legend(loc="upper right", fontsize=8)
    ax.set(
        xlabel="order of the envelope, knocks per turn",
        ylabel="swing over mean",
        xlim=(0.0, float(spectrum.order[-1])),
        ylim=(0.0, 1.25 * top),
        title=f"{title} ({spectrum.low_hz / 1e3:.1f}–{spectrum.high_hz / 1e3:.1f} kHz)",
    )
    return ax


def plot_kurtogram(kurtogram: Kurtogram, *, ax: Any = None) -> Any:
    """Draw spectral kurtosis over frequency and band width, the best band framed.

    Parameters
    ----------
    kurtogram : Kurtogram
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes
    """
    ax = new_axes(ax)
    n_levels = kurtogram.level.size
    image = ax.imshow(
        kurtogram.kurtosis,
        aspect="auto",
        interpolation="nearest",
        extent=(0.0, float(kurtogram.edges_hz[-1]) / 1e3, n_levels - 0.5, -0.5),
        cmap=COLOUR_MAP,
        vmin=0.0,
        vmax=max(float(np.max(kurtogram.kurtosis)), 0.1),
    )
    ax.figure.colorbar(image, ax=ax, label="spectral kurtosis (0: steady noise)")
    width = kurtogram.high_hz - kurtogram.low_hz
    row = int(np.argmin(np.abs(kurtogram.band_width_hz - width)))
    corners = np.array([0.0, 1.0, 1.0, 0.0, 0.0]), np.array([-0.5, -0.5, 0.5, 0.5, -0.5])
    frame = (kurtogram.low_hz + corners[0] * width) / 1e3, row + corners[1]
    ax.plot(*frame, color="white", linewidth=4.0)
    ax.plot(*frame, color=MARK, linewidth=2.0)
    ax.set_yticks(range(n_levels), [f"{w:,.0f}" for w in kurtogram.band_width_hz], fontsize=8)
    stands_out = "stand out most" if kurtogram.is_significant else "do not stand out of noise"
    band = f"{kurtogram.low_hz / 1e3:.1f}–{kurtogram.high_hz / 1e3:.1f} kHz"
    ax.set(
        xlabel="frequency, kHz",
        ylabel="band width, Hz",
        title=f"Bursts {stands_out}: {band}",
    )
    return ax


def _called(order: float, orders: Sequence[Order]) -> str:
    """Return ``" (name)"`` of the named order within 2 %, or an empty string."""
    for named in orders:
        if abs(order - named.ratio) <= 0.02 * named.ratio:
            return f" ({named.name})"
    return ""
