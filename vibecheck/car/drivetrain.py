"""Drivetrain arithmetic: orders in motor turns, gearing, speeds with no load.

Reference shaft = motor. A ratio is events (or turns) per turn of the motor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from vibecheck.car.profile import Bearing, Car, Drivetrain, Order
from vibecheck.errors import InputError
from vibecheck.units import STANDARD_GRAVITY_M_S2

NOMINAL_V_PER_CELL = 3.7
"""Nominal voltage of a LiPo cell (common practice)."""
FULL_V_PER_CELL = 4.2
"""Voltage of a full LiPo cell (common practice)."""

UNLOADED_NOTE = (
    "Worked out from Kv × voltage with nothing to hold the motor back: the real speed is lower."
)

# Where a car file gives no cap for the bench: a tyre surface speed at which a 2 g fragment carries
# 0.4 J, under half of the 0.87 J of the low-energy impact test of eye protection (EN 166:2001,
# mark F: 0.86 g at 45 m/s). Our own cautious choice; no standard sets it.
CAUTIOUS_SURFACE_SPEED_M_S = 20.0

Shaft = Literal["motor", "spur", "wheel"]


@dataclass(frozen=True)
class BearingRates:
    """Events of a bearing per turn of its shaft: outer ring fixed, rolling without slip.

    Attributes
    ----------
    cage : float
        Turns of the cage (FTF).
    outer_race, inner_race : float
        Balls passing a point of the outer race (BPFO), of the inner race (BPFI).
    ball_spin : float
        Turns of a ball about its own axis (BSF). A damaged ball strikes twice per turn.
    """

    cage: float
    outer_race: float
    inner_race: float
    ball_spin: float


@dataclass(frozen=True)
class BenchCap:
    """The fastest a wheel may turn on the bench, and who says so."""

    wheel_rpm: float
    motor_rpm: float
    given: bool
    reason: str


@dataclass(frozen=True)
class ChargeRow:
    """Speeds with no load at one state of charge."""

    charge: Literal["nominal", "full"]
    volts: float
    motor_rpm: float
    spur_rpm: float
    wheel_rpm: float
    surface_speed_m_s: float
    speed_km_h: float
    centripetal_g: float
    electrical_hz: float


@dataclass(frozen=True)
class GearingTable:
    """Gearing facts of a car.

    Attributes
    ----------
    gear_ratio : float
        Pinion turns per spur turn (spur teeth / pinion teeth).
    internal_ratio : float
        Spur turns per wheel turn.
    final_ratio : float
        Motor turns per wheel turn.
    roll_out_mm : float
        Travel per motor turn.
    common_divisor : int
        Greatest common divisor of the tooth counts = number of assembly phases.
    hunting_tooth : bool
        True where every pinion tooth meets every spur tooth (common divisor 1): even wear.
    tooth_repeat_turns : float
        Motor turns until the same two teeth meet again.
    tooth_repeat_order : float
        The same as events per motor turn.
    charges : tuple of ChargeRow
        Nominal and full; unloaded.
    bench_cap : BenchCap
    note : str
        What the unloaded figures are worth.
    """

    gear_ratio: float
    internal_ratio: float
    final_ratio: float
    roll_out_mm: float
    common_divisor: int
    hunting_tooth: bool
    tooth_repeat_turns: float
    tooth_repeat_order: float
    charges: tuple[ChargeRow, ...]
    bench_cap: BenchCap
    note: str = UNLOADED_NOTE


def drivetrain_ratio(drivetrain: Drivetrain, shaft: Shaft) -> float:
    """Turns of a shaft per turn of the motor."""
    spur = drivetrain.pinion_teeth / drivetrain.spur_teeth
    return {"motor": 1.0, "spur": spur, "wheel": spur / drivetrain.internal_ratio}[shaft]


def shaft_ratio(car: Car, shaft: str) -> float:
    """Turns of a shaft per turn of the reference shaft.

    Parameters
    ----------
    car : Car
    shaft : {"motor", "spur", "wheel"}
        For a bare machine: its reference shaft, or an order of kind ``shaft``.

    Raises
    ------
    InputError
        If the car has no such shaft.
    """
    if shaft == car.shaft:
        return 1.0
    for order in car.orders:
        if order.name == shaft and order.kind == "shaft":
            return order.ratio
    known = [car.shaft, *(o.name for o in car.orders if o.kind == "shaft" and o.name != car.shaft)]
    raise InputError(
        f'There is no shaft "{shaft}".',
        where=car.file or car.name,
        advice=f"Known shafts: {', '.join(known)}.",
    )


def bearing_rates(bearing: Bearing) -> BearingRates:
    """Kinematic rates of a bearing per turn of its shaft.

    With n balls of diameter d on a pitch circle D at contact angle α, and g = (d/D) cos α::

        FTF  = (1 − g) / 2            BPFO = n FTF
        BPFI = n (1 + g) / 2          BSF  = (D / 2d) (1 − g²)

    Real bearings slip by 1 to 2 %. Source: Randall & Antoni, Mechanical Systems and Signal
    Processing 25 (2011) 485–520.
    """
    g = bearing.ball_mm / bearing.pitch_mm * math.cos(math.radians(bearing.contact_deg))
    return BearingRates(
        cage=0.5 * (1.0 - g),
        outer_race=0.5 * bearing.balls * (1.0 - g),
        inner_race=0.5 * bearing.balls * (1.0 + g),
        ball_spin=0.5 * bearing.pitch_mm / bearing.ball_mm * (1.0 - g * g),
    )


def derive_orders(drivetrain: Drivetrain, bearings: Sequence[Bearing] = ()) -> tuple[Order, ...]:
    """Return the orders of a drivetrain, in events per motor turn.

    ``motor`` 1; ``electrical`` poles / 2; ``mesh`` pinion teeth; ``spur`` pinion / spur; ``wheel``
    pinion / (spur × internal ratio); then ``bearing_<shaft>_<part>`` for each bearing. Bearings of
    the same build on the same shaft share their orders; a second build on one shaft is
    ``bearing_<shaft>_2_<part>``.
    """
    orders = [
        Order("motor", 1.0, "shaft"),
        Order("electrical", drivetrain.motor_poles / 2.0, "electrical"),
        Order("mesh", float(drivetrain.pinion_teeth), "mesh"),
        Order("spur", drivetrain_ratio(drivetrain, "spur"), "shaft"),
        Order("wheel", drivetrain_ratio(drivetrain, "wheel"), "shaft"),
    ]
    seen: list[Bearing] = []
    for bearing in bearings:
        if bearing in seen:
            continue
        seen.append(bearing)
        number = sum(other.shaft == bearing.shaft for other in seen)
        stem = f"bearing_{bearing.shaft}" + (f"_{number}" if number > 1 else "")
        turns = drivetrain_ratio(drivetrain, bearing.shaft)
        rates = bearing_rates(bearing)
        for part in ("cage", "outer_race", "inner_race", "ball_spin"):
            orders.append(Order(f"{stem}_{part}", turns * getattr(rates, part), "bearing"))
    return tuple(orders)


def surface_speed_m_s(diameter_mm: float, rpm: float) -> float:
    """Speed of a tyre's surface, π D n, without growth of the tyre."""
    return math.pi * diameter_mm * 1e-3 * rpm / 60.0


def centripetal_g(diameter_mm: float, rpm: float) -> float:
    """Centripetal acceleration at a tyre's surface, ω² D / 2, in g."""
    omega = 2.0 * math.pi * rpm / 60.0
    return omega * omega * 0.5e-3 * diameter_mm / STANDARD_GRAVITY_M_S2


def bench_cap(drivetrain: Drivetrain) -> BenchCap:
    """Return the fastest a wheel may turn on the bench with no load.

    The car file's ``bench_max_wheel_rpm``, or else the lowest of: half of ``wheel_max_rpm`` (where
    given), half of the wheel speed that Kv × nominal voltage gives, and the speed at which the
    tyre's surface runs at 20 m/s. Never above ``wheel_max_rpm``.
    """
    final = drivetrain_ratio(drivetrain, "wheel")
    limit = drivetrain.wheel_max_rpm
    given = drivetrain.bench_max_wheel_rpm
    if given is not None:
        reason = "bench_max_wheel_rpm in the car file"
        if limit is not None and limit < given:
            given, reason = limit, "wheel_max_rpm in the car file, below bench_max_wheel_rpm"
        return BenchCap(given, given / final, True, reason)
    # The turns that bring the surface to the cautious speed: n = v / (π D).
    by_surface = CAUTIOUS_SURFACE_SPEED_M_S / surface_speed_m_s(drivetrain.tyre_diameter_mm, 1.0)
    nominal = drivetrain.kv_rpm_per_v * drivetrain.cells * NOMINAL_V_PER_CELL * final
    choices = [
        (by_surface, f"the tyre's surface at {CAUTIOUS_SURFACE_SPEED_M_S:g} m/s"),
        (0.5 * nominal, "half of what the motor could reach with no load"),
    ]
    if limit is not None:
        choices.append((0.5 * limit, "half of wheel_max_rpm"))
    wheel_rpm, why = min(choices)
    if wheel_rpm > 100.0:
        wheel_rpm = 50.0 * math.floor(wheel_rpm / 50.0)
    return BenchCap(
        wheel_rpm,
        wheel_rpm / final,
        False,
        f"a cautious guess ({why}), because the car file has no bench_max_wheel_rpm",
    )


def gearing_table(car: Car) -> GearingTable:
    """Work out the gearing facts of a car.

    Raises
    ------
    InputError
        If the car has no drivetrain.
    """
    drivetrain = car.drivetrain
    if drivetrain is None:
        raise InputError(
            "There is no [drivetrain], so there is no gearing to work out.",
            where=car.file or car.name,
            advice="Add a [drivetrain] to the car file.",
        )
    pinion, spur = drivetrain.pinion_teeth, drivetrain.spur_teeth
    final = drivetrain_ratio(drivetrain, "wheel")
    diameter = drivetrain.tyre_diameter_mm
    # Assembly phases: gcd of the tooth counts. The same teeth meet again after lcm / pinion
    # = spur / gcd motor turns (W. Foiles, Gear Frequencies Using the Euclidean Algorithm).
    divisor = math.gcd(pinion, spur)
    rows = []
    charges: tuple[tuple[Literal["nominal", "full"], float], ...] = (
        ("nominal", NOMINAL_V_PER_CELL),
        ("full", FULL_V_PER_CELL),
    )
    for charge, v_per_cell in charges:
        volts = drivetrain.cells * v_per_cell
        motor_rpm = drivetrain.kv_rpm_per_v * volts
        wheel_rpm = motor_rpm * final
        surface = surface_speed_m_s(diameter, wheel_rpm)
        rows.append(
            ChargeRow(
                charge=charge,
                volts=volts,
                motor_rpm=motor_rpm,
                spur_rpm=motor_rpm * pinion / spur,
                wheel_rpm=wheel_rpm,
                surface_speed_m_s=surface,
                speed_km_h=surface * 3.6,
                centripetal_g=centripetal_g(diameter, wheel_rpm),
                electrical_hz=motor_rpm / 60.0 * drivetrain.motor_poles / 2.0,
            )
        )
    return GearingTable(
        gear_ratio=spur / pinion,
        internal_ratio=drivetrain.internal_ratio,
        final_ratio=1.0 / final,
        roll_out_mm=math.pi * diameter * final,
        common_divisor=divisor,
        hunting_tooth=divisor == 1,
        tooth_repeat_turns=spur / divisor,
        tooth_repeat_order=divisor / spur,
        charges=tuple(rows),
        bench_cap=bench_cap(drivetrain),
    )
