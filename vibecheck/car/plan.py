"""The bench plan: hold speeds, take length, throttle script, places for the sensor, cautions.

All orders of a car grow with its speed, so their spacing *in orders* is the same at every speed;
the take's length decides whether it can be resolved. What the speed decides is which orders lie in
the sensor's band, and how far they keep from tones that do not move with them: mains hum, and fast
tones folded down by a slow sensor. The search looks for speeds that keep clear of both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from vibecheck.car import plan_words
from vibecheck.car.drivetrain import NOMINAL_V_PER_CELL, bench_cap
from vibecheck.car.plan_search import (
    SPEED_TOLERANCE,
    Line,
    Surroundings,
    choose_speeds,
    clearance,
    mains_lines,
    planned_lines,
)
from vibecheck.car.plan_words import Spot
from vibecheck.car.profile import Car
from vibecheck.car.sensing import SensorBand, sensor_band
from vibecheck.errors import CallError, InputError

BINS_TO_RESOLVE = 2.0
"""Two equal lines show as two when 2 bins apart: −6 dB bandwidth of the Hann window (Harris 1978).
"""
NEVER_ABOVE_SHARE = 0.7
"""No plan asks for more than this share of the unloaded speed at nominal voltage."""
RUN_UP_RPM_PER_S = 3_000.0
IDLE_FIRST_S, IDLE_LAST_S, RUN_UP_LEAST_S, HOLD_LEAST_S, COAST_DOWN_S = 4.0, 3.0, 3.0, 5.0, 7.0


@dataclass(frozen=True)
class HoldSpeed:
    """A speed worth holding.

    Attributes
    ----------
    reference_rpm, wheel_rpm : float
        Speed of the reference shaft (the motor), and of the wheels where there are any.
    throttle_share : float or None
        Rough share of full throttle at nominal voltage; trigger curves differ.
    separation_hz : float
        Least distance between two visible tones, or between a visible tone and mains hum or a
        folded tone, anywhere within the speed tolerance; close pairs of the plan count as one.
    resolvable_hz : float
        Distance that the planned order resolution can tell apart at this speed.
    score : float
        Worst distance over the resolvable one within the tolerance; 1 or more: kept apart.
    closest : tuple of str
        The two that come closest.
    meets : tuple of tuple of str
        Every pair that is not kept apart within the tolerance.
    visible, hidden : tuple of str
        The car's orders inside and outside the sensor's band.
    highest_order : float
        Highest order of the reference shaft that the sensor can show at this speed.
    needed_s : float
        Least time for the planned order resolution.
    """

    reference_rpm: float
    wheel_rpm: float | None
    throttle_share: float | None
    separation_hz: float
    resolvable_hz: float
    score: float
    closest: tuple[str, str] | None
    meets: tuple[tuple[str, str], ...]
    visible: tuple[str, ...]
    hidden: tuple[str, ...]
    highest_order: float
    needed_s: float


@dataclass(frozen=True)
class Step:
    """One step of the throttle script."""

    phase: Literal["idle", "run_up", "hold", "coast_down"]
    seconds: float
    from_rpm: float
    to_rpm: float
    words: str


@dataclass(frozen=True)
class ClosePair:
    """Two orders that lie closer than the planned resolution at every speed."""

    first: str
    second: str
    spacing_orders: float
    needed_turns: float | None
    """Turns of the reference shaft that would tell them apart; ``None``: they are the same."""


@dataclass(frozen=True)
class BenchPlan:
    """How to record one car with one sensor.

    Attributes
    ----------
    car : str
    band : SensorBand
    cap_rpm : float
        Reference-shaft speed that is never passed, and ``cap_reason`` why.
    slowest_shaft, slowest_ratio : str, float
        The shaft whose turns count for the order resolution.
    order_resolution : float
        Line width in orders of the slowest shaft.
    needed_turns : float
        Turns of the slowest shaft in one hold: 1 / ``order_resolution``.
    holds, script, spots
        What to do, in order.
    take_s, least_take_s : float
        Length of the script, and the least that still gives the resolution.
    close_pairs : tuple of ClosePair
        What no speed can keep apart at this resolution.
    before, during, after, notes : tuple of str
        Cautions and hints where they are due, in the owner's words.
    """

    car: str
    band: SensorBand
    cap_rpm: float
    cap_wheel_rpm: float | None
    cap_reason: str
    shaft: str
    slowest_shaft: str
    slowest_ratio: float
    order_resolution: float
    needed_turns: float
    holds: tuple[HoldSpeed, ...]
    script: tuple[Step, ...]
    spots: tuple[Spot, ...]
    take_s: float
    least_take_s: float
    close_pairs: tuple[ClosePair, ...]
    before: tuple[str, ...]
    during: tuple[str, ...]
    after: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def cautions(self) -> tuple[str, ...]:
        """All cautions, in the order in which they are due."""
        return (*self.before, *self.during, *self.after)


def bench_plan(
    car: Car,
    sensor: str = "microphone",
    *,
    order_resolution: float = 0.02,
    sample_rate_hz: float | None = None,
    n_holds: int = 2,
    mains_hz: float | None = None,
    max_rpm: float | None = None,
) -> BenchPlan:
    """Plan the recording of a bench spin-up.

    Parameters
    ----------
    car : Car
    sensor : {"microphone", "accelerometer"}
    order_resolution : float, 0.001 to 0.5
        Wanted line width, in orders of the slowest shaft; one hold must last 1 / resolution turns.
    sample_rate_hz : float, optional
        Of the sensor; by default what phones usually give.
    n_holds : int, 1 to 4
    mains_hz : {50, 60}, optional
        Mains frequency to keep clear of; by default both with a microphone, and neither with an
        accelerometer.
    max_rpm : float, optional
        Lower cap on the reference shaft for this plan. Needed for a bare machine.

    Returns
    -------
    BenchPlan

    Raises
    ------
    CallError
        If an argument is out of range, or a bare machine has no ``max_rpm``.
    InputError
        If no shaft turns inside the sensor's band below the cap.
    """
    _check_call(order_resolution, n_holds, mains_hz, max_rpm)
    band = sensor_band(sensor, sample_rate_hz)
    cap_rpm, cap_reason = _cap(car, max_rpm)
    slow_name, slow_ratio, low_rpm, top_rpm = _range(car, band, cap_rpm)
    spacing_orders = BINS_TO_RESOLVE * order_resolution * slow_ratio
    # A battery car's accelerometer feels no mains hum, unless the caller knows better.
    hum = mains_lines(mains_hz) if band.sensor == "microphone" or mains_hz is not None else ()
    around = Surroundings(planned_lines(car), band, hum, spacing_orders)
    speeds = choose_speeds(low_rpm, top_rpm, n_holds, around)
    holds = tuple(_hold(car, rpm, around, order_resolution, slow_ratio) for rpm in speeds)
    script = _script(holds, car)
    least = sum(step.seconds for step in script if step.phase != "hold")
    least += max(hold.needed_s for hold in holds)
    wheel_ratio = car.order("wheel").ratio if car.has_order("wheel") else None
    spots = plan_words.spots(car, band.sensor)
    return BenchPlan(
        car=car.name,
        band=band,
        cap_rpm=cap_rpm,
        cap_wheel_rpm=None if wheel_ratio is None else cap_rpm * wheel_ratio,
        cap_reason=cap_reason,
        shaft=car.shaft,
        slowest_shaft=slow_name,
        slowest_ratio=slow_ratio,
        order_resolution=order_resolution,
        needed_turns=1.0 / order_resolution,
        holds=holds,
        script=script,
        spots=spots,
        take_s=sum(step.seconds for step in script),
        least_take_s=least,
        close_pairs=_close_pairs(around.lines, spacing_orders),
        before=plan_words.before(car),
        during=plan_words.during(car, cap_rpm, wheel_ratio),
        after=plan_words.after(),
        notes=plan_words.notes(car, band, holds),
    )


def _check_call(
    order_resolution: float, n_holds: int, mains_hz: float | None, max_rpm: float | None
) -> None:
    if not 0.001 <= order_resolution <= 0.5:  # NaN fails too
        raise CallError(
            f"order_resolution must be a number from 0.001 to 0.5. Got {order_resolution:g} "
            "instead.",
            where="--resolution",
            advice="0.02 asks for 50 turns of the slowest shaft in each hold.",
        )
    if not 1 <= n_holds <= 4:
        raise CallError(
            f"n_holds must be a whole number from 1 to 4. Got {n_holds} instead.", where="--holds"
        )
    if mains_hz not in (None, 50, 60):
        raise CallError(
            f"mains_hz must be 50 or 60. Got {mains_hz:g} instead.",
            where="--mains",
            advice="Leave it away to keep clear of both.",
        )
    if max_rpm is not None and not (math.isfinite(max_rpm) and max_rpm > 0.0):
        raise CallError(
            f"max_rpm must be a number above 0. Got {max_rpm:g} instead.", where="--max-rpm"
        )


def _cap(car: Car, max_rpm: float | None) -> tuple[float, str]:
    """Lowest of every limit on the reference shaft, and whose it is."""
    limits: list[tuple[float, str]] = []
    if max_rpm is not None:
        limits.append((max_rpm, "asked for"))
    if car.drivetrain is not None:
        cap = bench_cap(car.drivetrain)
        limits.append((cap.motor_rpm, cap.reason))
        nominal = car.drivetrain.kv_rpm_per_v * car.drivetrain.cells * NOMINAL_V_PER_CELL
        share = f"{NEVER_ABOVE_SHARE:.0%} of what the motor could reach with no load"
        limits.append((NEVER_ABOVE_SHARE * nominal, share))
    if not limits:
        raise CallError(
            "A machine without a drivetrain needs a highest speed.",
            where="--max-rpm",
            advice=f"Give the fastest that its {car.shaft} shaft may turn, in rpm.",
        )
    return min(limits)


def _range(car: Car, band: SensorBand, cap_rpm: float) -> tuple[str, float, float, float]:
    """Slowest shaft that the sensor can show under the cap, and the speeds at which it does."""
    shafts = {order.name: order.ratio for order in car.orders if order.kind == "shaft"}
    if not shafts:  # a bare machine known by other orders only
        shafts = {order.name: order.ratio for order in car.orders}
    for name, ratio in sorted(shafts.items(), key=lambda item: item[1]):
        # The tolerance must not carry the shaft out of the band or above the cap.
        top = min(cap_rpm, band.high_hz * 60.0 / ratio) / (1.0 + SPEED_TOLERANCE)
        low = band.low_hz * 60.0 / ratio / (1.0 - SPEED_TOLERANCE)
        low = max(low, 0.35 * top)
        if low <= top:
            return name, ratio, low, top
    raise InputError(
        f"Below {cap_rpm:.0f} rpm no shaft turns fast enough to be inside the sensor's band "
        f"({band.low_hz:g} to {band.high_hz:g} Hz).",
        where=car.file or car.name,
        advice="Use another sensor, or raise the cap if the manuals allow it.",
    )


def _hold(
    car: Car, rpm: float, around: Surroundings, order_resolution: float, slow_ratio: float
) -> HoldSpeed:
    band = around.band
    clear = clearance(rpm, around)
    tones = {order.name: order.ratio * rpm / 60.0 for order in car.orders}
    visible = tuple(name for name, hz in tones.items() if band.low_hz <= hz <= band.high_hz)
    share = None
    if car.drivetrain is not None:
        share = rpm / (car.drivetrain.kv_rpm_per_v * car.drivetrain.cells * NOMINAL_V_PER_CELL)
    return HoldSpeed(
        reference_rpm=rpm,
        wheel_rpm=rpm * car.order("wheel").ratio if car.has_order("wheel") else None,
        throttle_share=share,
        separation_hz=clear.separation_hz,
        resolvable_hz=around.spacing_orders * rpm / 60.0,
        score=clear.score,
        closest=clear.closest,
        meets=clear.meets,
        visible=visible,
        hidden=tuple(name for name in tones if name not in visible),
        highest_order=band.high_hz * 60.0 / rpm,
        # Turns of the slowest shaft: 1 / resolution.
        needed_s=1.0 / (order_resolution * slow_ratio * rpm / 60.0),
    )


def _close_pairs(lines: tuple[Line, ...], spacing_orders: float) -> tuple[ClosePair, ...]:
    found = [
        ClosePair(name, other, 0.0, None)
        for line in lines
        for name, other in zip(line.names[:-1], line.names[1:], strict=True)
    ]
    for position, line in enumerate(lines):
        for other_line in lines[position + 1 :]:
            gap = other_line.order - line.order
            if gap >= spacing_orders:
                break
            found.append(
                ClosePair(
                    line.name,
                    other_line.name,
                    gap,
                    BINS_TO_RESOLVE / gap,
                )
            )
    return tuple(found)


def _script(holds: tuple[HoldSpeed, ...], car: Car) -> tuple[Step, ...]:
    steps = [Step("idle", IDLE_FIRST_S, 0.0, 0.0, plan_words.IDLE_FIRST)]
    speed = 0.0
    for hold in holds:
        climb = max(RUN_UP_LEAST_S, math.ceil((hold.reference_rpm - speed) / RUN_UP_RPM_PER_S))
        steps.append(
            Step("run_up", climb, speed, hold.reference_rpm, plan_words.run_up(speed == 0.0))
        )
        seconds = max(HOLD_LEAST_S, math.ceil(1.2 * hold.needed_s))
        speed = hold.reference_rpm
        words = plan_words.hold(hold.throttle_share)
        steps.append(Step("hold", seconds, speed, speed, words))
    steps.append(Step("coast_down", COAST_DOWN_S, speed, 0.0, plan_words.COAST_DOWN))
    steps.append(Step("idle", IDLE_LAST_S, 0.0, 0.0, plan_words.IDLE_LAST))
    return tuple(steps)
