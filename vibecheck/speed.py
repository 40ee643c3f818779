"""Stage 2: ``track_speed``, from a take (and what is known of the car) to a ``SpeedTrack``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vibecheck.car.drivetrain import FULL_V_PER_CELL, derive_orders
from vibecheck.car.profile import Car, Order
from vibecheck.dsp.tracking import Tracked, track
from vibecheck.dsp.tracking_evidence import Line
from vibecheck.dsp.tracking_phases import split_phases
from vibecheck.errors import CallError
from vibecheck.recording.take import Take
from vibecheck.track import OrderAmbiguity, Phase, SpeedTrack

LOWEST_MOTOR_RPM = 900.0
HIGHEST_SPEED_HZ = 1000.0
LOWEST_SPEED_HZ = 10.0
LOWEST_BLIND_HZ = 20.0  # a comb of lines must be wider than the longest window's bins
WHEEL_SLIP = 0.003
BENCH_MARGIN = 1.6  # over the bench limit of the car file: owners overshoot


@dataclass(frozen=True)
class Search:
    """What to look for: the lines, and the range of the reference shaft's speed."""

    lines: tuple[Line, ...]
    low_hz: float
    high_hz: float
    shaft: str
    expected_top_hz: float | None = None


def track_speed(
    take: Take, car: Car | None = None, *, orders: Sequence[Order | float] | None = None
) -> SpeedTrack:
    """Track the speed of the reference shaft through a take.

    Parameters
    ----------
    take : Take
        At least about half a second, any number of channels.
    car : Car, optional
        Gives the orders to look for and the range of motor speeds.
    orders : sequence of Order or float, optional
        Orders to look for instead, in events per turn of the reference shaft. With neither, the
        tracker searches blindly for a harmonic series.

    Returns
    -------
    SpeedTrack
        Frames about 11 ms apart. Times are the take's own; what the sensor hears is late by the
        sound's way to it, and that delay is not in ``sd_rpm``.

    Raises
    ------
    CallError
        If both ``car`` and ``orders`` are given, or an order is not a positive number.
    """
    search = _search(take, car, orders)
    tracked = track(
        take.samples,
        take.sample_rate_hz,
        search.lines,
        search.low_hz,
        search.high_hz,
        top_hz=take.bandwidth_hz,
        blind=car is None and orders is None,
        expected_top_hz=search.expected_top_hz,
    )
    return SpeedTrack(
        time_s=tracked.time_s,
        rpm=60.0 * tracked.speed_hz,
        sd_rpm=60.0 * tracked.sd_hz,
        confidence=tracked.confidence,
        phases=_phases(tracked, take.duration_s),
        shaft=search.shaft,
        order_ambiguity=_ambiguity(tracked),
    )


def _search(take: Take, car: Car | None, orders: Sequence[Order | float] | None) -> Search:
    if car is not None and orders is not None:
        raise CallError(
            "track_speed takes a car or a list of orders. Got both instead.",
            advice="Leave one of them out.",
        )
    top = take.bandwidth_hz or 0.5 * take.sample_rate_hz
    if car is not None and car.drivetrain is not None:
        train = car.drivetrain
        known = {order.name: order.ratio for order in derive_orders(train)}
        electrical, mesh, wheel = known["electrical"], known["mesh"], known["wheel"]
        lines: tuple[Line, ...] = (
            Line(1.0),
            Line(electrical),
            Line(mesh),
            Line(2.0, 0.5),
            Line(3.0, 0.3),
            Line(2.0 * electrical, 0.5),
            Line(2.0 * mesh, 0.5),
            Line(3.0 * mesh, 0.3),
            Line(known["spur"], 0.6),
            # Wheels turn at slightly different speeds behind open differentials.
            Line(wheel, 0.8, slip=WHEEL_SLIP),
            Line(2.0 * wheel, 0.4, slip=WHEEL_SLIP),
        )
        no_load_hz = train.kv_rpm_per_v * train.cells * FULL_V_PER_CELL / 60.0
        high = min(1.15 * no_load_hz, 1.2 * HIGHEST_SPEED_HZ)
        expected = None
        if train.bench_max_wheel_rpm is not None:
            expected = train.bench_max_wheel_rpm / 60.0 / wheel
            high = min(high, BENCH_MARGIN * expected)
        search = _within(_merged(lines), LOWEST_MOTOR_RPM / 60.0, high, car.shaft)
        return replace(search, expected_top_hz=expected)
    given = car.orders if car is not None else orders
    shaft = car.shaft if car is not None else "reference"
    if given is not None:
        ratios = [item.ratio if isinstance(item, Order) else float(item) for item in given]
        for value in ratios:
            if not (np.isfinite(value) and value > 0.0):
                raise CallError(f"orders must be positive numbers. Got {value!r} instead.")
        lines = tuple(Line(value) for value in ratios)
        if not lines:
            raise CallError("orders must hold at least one order. Got none instead.")
        high = min(HIGHEST_SPEED_HZ, 0.9 * top / min(ratios))
        return _within(_merged(lines), LOWEST_SPEED_HZ, high, shaft)
    lines = tuple(Line(float(h), h**-0.5, 1.0 if h == 1 else -0.6) for h in range(1, 9))
    return _within(lines, LOWEST_BLIND_HZ, min(HIGHEST_SPEED_HZ, 0.45 * top), "reference")


def _within(lines: tuple[Line, ...], low_hz: float, high_hz: float, shaft: str) -> Search:
    """At least two octaves to search in, whatever the machine and the sample rate."""
    return Search(lines, min(low_hz, 0.25 * high_hz), high_hz, shaft)


def _merged(lines: Sequence[Line]) -> tuple[Line, ...]:
    """Orders that fall together count once, with the larger say."""
    kept: dict[float, Line] = {}
    for line in lines:
        key = round(line.order, 6)
        if key not in kept or kept[key].weight < line.weight:
            kept[key] = line
    return tuple(kept.values())


def _phases(tracked: Tracked, duration_s: float) -> tuple[Phase, ...]:
    parts = split_phases(tracked.speed_hz, tracked.hop_s)
    edges = tracked.time_s - 0.5 * tracked.hop_s
    out = []
    for i, (name, first, end) in enumerate(parts):
        start = 0.0 if i == 0 else float(edges[first])
        stop = duration_s if i == len(parts) - 1 else float(edges[end])
        out.append(Phase(name, start, stop))
    return tuple(out)


def _ambiguity(tracked: Tracked) -> OrderAmbiguity | None:
    rival = tracked.rival
    if rival is None:
        return None
    times = _words(rival.ratio)
    if rival.clear:
        message = (
            f"A shaft speed of {times} the reported one would explain part of the sound, but the "
            f"reported one explains it better."
        )
    else:
        message = (
            f"The shaft may turn at {times} the reported speed: check the tooth counts and motor "
            f"poles of the car file, or give the orders of the machine."
        )
    return OrderAmbiguity(rival.ratio, rival.log_odds * tracked.steps_per_s, rival.clear, message)


def _words(ratio: float) -> str:
    names = {0.25: "a quarter of", 1 / 3: "a third of", 0.5: "half", 2 / 3: "two thirds of",
             0.75: "three quarters of", 4 / 3: "four thirds of", 1.5: "one and a half times",
             2.0: "twice", 3.0: "three times", 4.0: "four times"}  # fmt: skip
    for value, word in names.items():
        if abs(ratio / value - 1.0) < 0.005:
            return word
    return f"{ratio:.3g} times"
