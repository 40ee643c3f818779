"""Report: compute what the pictures of a take show, only when a report is asked for."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence

import numpy as np

from vibecheck.car.profile import Car
from vibecheck.errors import VibecheckError
from vibecheck.report import order_pictures, pictures
from vibecheck.report.pictures import Array, NamedOrder, Picture
from vibecheck.report.words import zone_words
from vibecheck.result import CheckedTake, CheckResult
from vibecheck.track import SpeedTrack

WINDOW_S = 0.085
MAX_FRAMES = 2800
FINE_TURNS = 128
MIN_SEGMENTS = 8
MAP_RESOLUTION = 1.0 / 32.0


def take_pictures(checked: CheckedTake, result: CheckResult) -> list[Picture]:
    """Return the pictures of one take: spectrogram, and the order pictures where a shaft turned.

    Parameters
    ----------
    checked : CheckedTake
        One of ``result.takes``.
    result : CheckResult
        Gives the car's orders and the snug takes to compare with.
    """
    named = named_orders(result.car)
    shown = [_spectrogram(checked, _overlaid(named))]
    speed = checked.speed
    if speed is None or not bool(speed.running.any()) or checked.quality.verdict == "unusable":
        return shown
    for draw in (_order_spectrum, _order_speed_map, _envelope_orders):
        with contextlib.suppress(VibecheckError):  # too few turns: the quality findings say so
            shown.append(draw(checked, result, named))
    return shown


def named_orders(car: Car) -> list[NamedOrder]:
    """Return the orders worth a label, the most telling first, one name for equal ratios.

    A car's bearings go without: their many lines would hide those of the parts in question.
    """
    rank = {"shaft": 0, "mesh": 1, "other": 2, "electrical": 3, "bearing": 4}
    shown = [o for o in car.orders if car.drivetrain is None or o.kind != "bearing"]
    named: list[NamedOrder] = []
    for order in sorted(shown, key=lambda o: rank[o.kind]):
        name = "shaft" if order.name == "reference" else zone_words(order.name)
        if order.ratio > 0 and all(abs(order.ratio / r - 1.0) > 1e-3 for _, r in named):
            named.append((name, order.ratio))
    return named


def _overlaid(named: Sequence[NamedOrder]) -> list[NamedOrder]:
    """Orders drawn over the spectrogram: the reference shaft first, then its neighbours."""
    reference = [item for item in named if item[1] == 1.0] or [("shaft", 1.0)]
    others = [item for item in named if item[0] in ("wheel", "mesh")]
    return [*reference[:1], *others]


def _spectrogram(checked: CheckedTake, orders: Sequence[NamedOrder]) -> Picture:
    from vibecheck.dsp.spectrum import short_time_power

    take = checked.take
    rate = take.sample_rate_hz
    n_window = 1 << max(5, round(np.log2(WINDOW_S * rate)))
    n_window = min(n_window, 1 << int(np.log2(take.n_samples)))
    hop = max(1, n_window // 2, take.n_samples // MAX_FRAMES)
    power: Array | float = 0.0
    for channel in take.samples:  # one channel at a time keeps the memory small
        spectrum = short_time_power(channel, rate, n_window, hop)
        power = power + spectrum.power
    highest = min(rate / 2.0, take.bandwidth_hz or rate / 2.0)
    return pictures.spectrogram(
        spectrum.time_s,
        spectrum.frequency_hz,
        np.asarray(power),
        checked.speed,
        orders,
        duration_s=take.duration_s,
        highest_hz=highest,
    )


def _level_db(amplitude: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        level: Array = 20.0 * np.log10(amplitude)
    return np.where(np.isfinite(level), level, np.nan)


def _unit(checked: CheckedTake) -> str:
    return "dB re full scale" if checked.take.unit == "full_scale" else "dB re 1 m/s²"


def _order_spectrum(
    checked: CheckedTake, result: CheckResult, named: Sequence[NamedOrder]
) -> Picture:
    from vibecheck.orders import order_spectrum

    assert checked.speed is not None
    fine = _resolution(checked.speed)
    own = order_spectrum(checked.take, checked.speed, resolution=fine)
    snug = []
    for other in matching_baseline(checked, result):
        assert other.speed is not None
        # The same resolution as the take's own, so that noise reads at the same level in both.
        with contextlib.suppress(VibecheckError):  # too few turns: not a curve to compare with
            spectrum = order_spectrum(other.take, other.speed, resolution=own.resolution)
            snug.append((spectrum.order, _level_db(spectrum.amplitude)))
    return order_pictures.order_spectrum(
        own.order,
        _level_db(own.amplitude),
        _unit(checked),
        named,
        baseline=snug,
        shaft=_shaft(checked.speed),
    )


def _shaft(speed: SpeedTrack) -> str:
    return "motor" if speed.shaft == "motor" else "shaft"


def _resolution(speed: SpeedTrack) -> float | None:
    """Fine enough to tell wheel orders apart on a logarithmic axis, where there are the turns."""
    turns = float(speed.revolutions[-1] - speed.revolutions[0])
    return 1.0 / FINE_TURNS if turns > MIN_SEGMENTS * FINE_TURNS else None


def matching_baseline(checked: CheckedTake, result: CheckResult) -> list[CheckedTake]:
    """Return the snug takes recorded by the same sensor at the same spot, with a speed."""
    return [
        other
        for other in result.baseline_takes
        if other.take.sensor == checked.take.sensor
        and other.take.spot == checked.take.spot
        and other.speed is not None
        and bool(other.speed.running.any())
    ]


def _order_speed_map(
    checked: CheckedTake, result: CheckResult, named: Sequence[NamedOrder]
) -> Picture:
    from vibecheck.orders import order_speed_map

    assert checked.speed is not None
    grid = order_speed_map(checked.take, checked.speed, resolution=MAP_RESOLUTION)
    return order_pictures.order_speed_map(
        grid.order, grid.rpm, _level_db(grid.amplitude), named, shaft=_shaft(checked.speed)
    )


def _envelope_orders(
    checked: CheckedTake, result: CheckResult, named: Sequence[NamedOrder]
) -> Picture:
    from vibecheck.impulses import envelope_order_spectrum
    from vibecheck.orders import residual

    assert checked.speed is not None
    # Without the steady orders, whose beats would look like knocks.
    rest = residual(checked.take, checked.speed, result.car.orders or None).take
    spectrum = envelope_order_spectrum(rest, checked.speed)
    return order_pictures.envelope_orders(
        spectrum.order,
        spectrum.amplitude,
        spectrum.limit,
        named,
        band_hz=(spectrum.low_hz, spectrum.high_hz),
        shaft=_shaft(checked.speed),
    )
