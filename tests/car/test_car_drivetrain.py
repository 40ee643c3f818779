"""Orders, gearing, bearings and speeds against worked examples from outside."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.car.drivetrain import (
    CAUTIOUS_SURFACE_SPEED_M_S,
    bearing_rates,
    bench_cap,
    centripetal_g,
    derive_orders,
    gearing_table,
    shaft_ratio,
    surface_speed_m_s,
)
from vibecheck.car.profile import Bearing, Car, Drivetrain, Order
from vibecheck.car.threads import Thread, parse_thread
from vibecheck.errors import InputError

SALTFLAT = Drivetrain(4, 2650.0, 6, 26, 46, 2.85, 104.0, 9000.0, 4000.0)


def car_of(drivetrain: Drivetrain, bearings: tuple[Bearing, ...] = ()) -> Car:
    return Car("x", "4wd", drivetrain, derive_orders(drivetrain, bearings), (), bearings)


def drivetrain(**changes: float) -> Drivetrain:
    base = {
        "motor_poles": 4,
        "kv_rpm_per_v": 3000.0,
        "cells": 2,
        "pinion_teeth": 20,
        "spur_teeth": 80,
        "internal_ratio": 2.5,
        "tyre_diameter_mm": 100.0,
    }
    return Drivetrain(**{**base, **changes})  # type: ignore[arg-type]


def test_orders_of_the_saltflat() -> None:
    # Definitions: electrical poles / 2, mesh z, spur z1/z2, wheel z1/(z2 i); fractions by hand.
    orders = {order.name: order for order in derive_orders(SALTFLAT)}
    assert list(orders) == ["motor", "electrical", "mesh", "spur", "wheel"]
    assert orders["motor"] == Order("motor", 1.0, "shaft")
    assert orders["electrical"] == Order("electrical", 2.0, "electrical")
    assert orders["mesh"] == Order("mesh", 26.0, "mesh")
    assert orders["spur"].ratio == pytest.approx(13 / 23, rel=1e-15)
    assert orders["wheel"].ratio == pytest.approx(260 / 1311, rel=1e-15)


@pytest.mark.parametrize(
    ("balls", "ball", "pitch", "angle", "outer", "inner", "cage", "spin", "tol"),
    [
        # Bearing 6205-2RS, multiples as printed with the Case Western Reserve bearing data; its
        # "rolling element" 4.7135 is the strike rate, twice the ball spin.
        (9, 0.3126, 1.537, 0.0, 3.5848, 5.4152, 0.39828, 4.7135 / 2, 1e-4),
        # Bearing 6203-2RS, same source.
        (8, 0.2656, 1.122, 0.0, 3.0530, 4.9469, 0.3817, 3.9874 / 2, 3e-4),
        # 16 balls, 8.4 / 71.5 mm, 15.7 degrees: inputs from a published simulator script (D'Elia &
        # Cocconcelli), outputs recomputed from the closed form.
        (16, 8.4, 71.5, 15.7, 7.0952, 8.9048, 0.44345, 4.2015, 1e-4),
    ],
)
def test_bearing_multiples(
    balls: int,
    ball: float,
    pitch: float,
    angle: float,
    outer: float,
    inner: float,
    cage: float,
    spin: float,
    tol: float,
) -> None:
    rates = bearing_rates(Bearing("motor", balls, ball, pitch, angle))
    assert rates.outer_race == pytest.approx(outer, abs=tol)
    assert rates.inner_race == pytest.approx(inner, abs=tol)
    assert rates.cage == pytest.approx(cage, abs=tol)
    assert rates.ball_spin == pytest.approx(spin, abs=tol)


@pytest.mark.parametrize(
    ("balls", "ball", "pitch", "angle", "hz", "expected", "tol"),
    [
        # Vendor documentation example: inputs confirmed in a public copy, outputs recomputed.
        (8, 2.0, 12.0, 15.0, 25.0, (10.488, 83.901, 116.099, 73.056), 1e-3),
        # Rexnord ZA-2115 at 2000 rpm (IMS data set): values from memory, recomputed.
        (16, 0.331, 2.815, 15.17, 2000 / 60, (14.775, 236.403, 296.930, 139.917), 0.05),
        # 6205 at 1500 rpm, public calculator page (its ball spin is not given).
        (9, 7.94, 38.5, 0.0, 25.0, (9.92, 89.31, 135.69, None), 0.02),
    ],
)
def test_bearing_rates_in_hz(
    balls: int,
    ball: float,
    pitch: float,
    angle: float,
    hz: float,
    expected: tuple[float | None, ...],
    tol: float,
) -> None:
    rates = bearing_rates(Bearing("motor", balls, ball, pitch, angle))
    values = (rates.cage, rates.outer_race, rates.inner_race, rates.ball_spin)
    for value, reference in zip(values, expected, strict=True):
        if reference is not None:
            assert value * hz == pytest.approx(reference, abs=tol)


@given(
    balls=st.integers(3, 40),
    share=st.floats(0.01, 0.99),
    pitch=st.floats(1.0, 500.0),
    angle=st.floats(0.0, 80.0),
)
def test_bearing_identities(balls: int, share: float, pitch: float, angle: float) -> None:
    # BPFO = n FTF; BPFO + BPFI = n f_r; BPFI = n (f_r − FTF): exact for pure rolling.
    rates = bearing_rates(Bearing("spur", balls, share * pitch, pitch, angle))
    assert rates.outer_race == pytest.approx(balls * rates.cage, rel=1e-12)
    assert rates.outer_race + rates.inner_race == pytest.approx(balls, rel=1e-12)
    assert rates.inner_race == pytest.approx(balls * (1.0 - rates.cage), rel=1e-12)


def test_bearing_orders_are_those_of_their_shaft() -> None:
    wheel = Bearing("wheel", 8, 3.0, 12.0)
    other = Bearing("wheel", 7, 3.0, 12.0)
    motor = Bearing("motor", 7, 2.0, 8.0)
    orders = derive_orders(SALTFLAT, (wheel, wheel, other, motor))[5:]
    assert [order.name for order in orders] == [
        *(f"bearing_wheel_{part}" for part in ("cage", "outer_race", "inner_race", "ball_spin")),
        *(f"bearing_wheel_2_{part}" for part in ("cage", "outer_race", "inner_race", "ball_spin")),
        *(f"bearing_motor_{part}" for part in ("cage", "outer_race", "inner_race", "ball_spin")),
    ]
    assert {order.kind for order in orders} == {"bearing"}
    # g = 3/12: BPFO = 8 · (1 − 0.25)/2 = 3 wheel turns.
    assert orders[1].ratio == pytest.approx(3 * 260 / 1311, rel=1e-12)


@pytest.mark.parametrize(
    ("pinion", "spur", "divisor"),
    # Assembly phases = gcd: W. Foiles, Gear Frequencies Using the Euclidean Algorithm.
    [(20, 80, 20), (13, 87, 1), (23, 67, 1), (26, 46, 2)],
)
def test_assembly_phases(pinion: int, spur: int, divisor: int) -> None:
    table = gearing_table(car_of(drivetrain(pinion_teeth=pinion, spur_teeth=spur)))
    assert table.common_divisor == divisor
    assert table.hunting_tooth is (divisor == 1)


@pytest.mark.parametrize(
    ("pinion", "spur", "rpm", "mesh_hz", "gear_hz", "repeat_hz"),
    [
        # Formulas from memory (Taylor, The Vibration Analysis Handbook), recomputed.
        (23, 67, 1800, 690.0, 10.2985, 0.44776),
        (20, 80, 1800, 600.0, 7.5, 7.5),
        (13, 87, 20000, 4333.33, 49.8084, 3.83142),
        (29, 81, 30000, 14500.0, 179.012, 6.17284),
        # 14 teeth at 1800 rpm: 420 Hz.
        (14, 70, 1800, 420.0, 6.0, 6.0),
    ],
)
def test_mesh_and_tooth_repeat(
    pinion: int, spur: int, rpm: float, mesh_hz: float, gear_hz: float, repeat_hz: float
) -> None:
    car = car_of(drivetrain(pinion_teeth=pinion, spur_teeth=spur))
    table = gearing_table(car)
    hz = rpm / 60.0
    assert car.order("mesh").ratio * hz == pytest.approx(mesh_hz, rel=1e-5)
    assert car.order("spur").ratio * hz == pytest.approx(gear_hz, rel=1e-5)
    assert table.tooth_repeat_order * hz == pytest.approx(repeat_hz, rel=1e-5)
    assert table.tooth_repeat_turns * table.tooth_repeat_order == pytest.approx(1.0)


def test_unloaded_speed_example() -> None:
    # Kv 3300 × 7.4 V with 4 poles: 24 420 rpm, 407.0 Hz mechanical, 814.0 Hz electrical.
    table = gearing_table(car_of(drivetrain(kv_rpm_per_v=3300.0, cells=2)))
    nominal, full = table.charges
    assert nominal.volts == pytest.approx(7.4)
    assert nominal.motor_rpm == pytest.approx(24420.0)
    assert nominal.motor_rpm / 60.0 == pytest.approx(407.0)
    assert nominal.electrical_hz == pytest.approx(814.0)
    assert full.motor_rpm == pytest.approx(3300.0 * 8.4)
    assert "real speed is lower" in table.note


@pytest.mark.parametrize(
    ("diameter_mm", "rpm", "speed", "pull_g"),
    # v = π D n and ω² D / 2, recomputed closed forms, tolerance 0.1 %.
    [(65, 10000, 34.03, 3634), (110, 6000, 34.56, 2214), (150, 5000, 39.27, 2097)],
)
def test_tyre_surface(diameter_mm: float, rpm: float, speed: float, pull_g: float) -> None:
    assert surface_speed_m_s(diameter_mm, rpm) == pytest.approx(speed, rel=1e-3)
    assert centripetal_g(diameter_mm, rpm) == pytest.approx(pull_g, rel=1e-3)


def test_gearing_of_the_saltflat() -> None:
    # By hand: final 46·2.85/26 = 5.0423; roll-out π·104/5.0423 = 64.80 mm; nominal 2650·22.2 =
    # 58 830 motor rpm, /5.0423 = 11 667 wheel rpm, ·64.80 mm·58 830·60 = 228.7 km/h.
    table = gearing_table(car_of(SALTFLAT))
    assert table.gear_ratio == pytest.approx(46 / 26)
    assert table.final_ratio == pytest.approx(5.0423, abs=1e-4)
    assert table.roll_out_mm == pytest.approx(64.80, abs=5e-3)
    nominal, full = table.charges
    assert nominal.motor_rpm == pytest.approx(58830.0)
    assert nominal.wheel_rpm == pytest.approx(11667.3, abs=0.1)
    assert nominal.spur_rpm == pytest.approx(58830.0 * 26 / 46)
    assert nominal.speed_km_h == pytest.approx(228.7, abs=0.05)
    assert nominal.speed_km_h == pytest.approx(
        table.roll_out_mm * 1e-6 * nominal.motor_rpm * 60.0, rel=1e-12
    )
    assert full.speed_km_h == pytest.approx(nominal.speed_km_h * 4.2 / 3.7, rel=1e-12)


def test_bench_cap_is_what_the_file_says() -> None:
    cap = bench_cap(SALTFLAT)
    assert (cap.wheel_rpm, cap.given) == (4000.0, True)
    assert cap.motor_rpm == pytest.approx(4000.0 * 1311 / 260)


def test_bench_cap_never_passes_the_tyre() -> None:
    cap = bench_cap(drivetrain(wheel_max_rpm=3000.0, bench_max_wheel_rpm=5000.0))
    assert cap.wheel_rpm == 3000.0
    assert "wheel_max_rpm" in cap.reason


def test_bench_cap_left_away_is_cautious_and_says_so() -> None:
    by_surface = bench_cap(drivetrain(cells=12))
    assert not by_surface.given
    assert "no bench_max_wheel_rpm" in by_surface.reason
    assert "20 m/s" in by_surface.reason
    speed = surface_speed_m_s(100.0, by_surface.wheel_rpm)
    assert 0.95 * CAUTIOUS_SURFACE_SPEED_M_S < speed <= CAUTIOUS_SURFACE_SPEED_M_S
    by_tyre = bench_cap(drivetrain(cells=6, wheel_max_rpm=5000.0))
    assert by_tyre.wheel_rpm == 2500.0
    by_motor = bench_cap(drivetrain(cells=1))
    assert by_motor.wheel_rpm <= 0.5 * 3000.0 * 3.7 / 10.0
    assert "half of what the motor" in by_motor.reason


def test_cautious_surface_speed_is_below_the_eye_protection_test() -> None:
    # EN 166:2001 mark F: 0.86 g at 45 m/s = 0.871 J; a 2 g fragment at 20 m/s carries less.
    mark_f_joule = 0.5 * 0.86e-3 * 45.0**2
    assert mark_f_joule == pytest.approx(0.871, abs=1e-3)
    fragment_joule = 0.5 * 2e-3 * CAUTIOUS_SURFACE_SPEED_M_S**2
    assert fragment_joule < 0.5 * mark_f_joule


def test_shaft_ratio() -> None:
    car = car_of(SALTFLAT)
    assert shaft_ratio(car, "motor") == 1.0
    assert shaft_ratio(car, "spur") == pytest.approx(26 / 46)
    assert shaft_ratio(car, "wheel") == pytest.approx(260 / 1311)
    with pytest.raises(InputError, match=r'no shaft "mesh".*motor, spur, wheel'):
        shaft_ratio(car, "mesh")
    rotor = Car("r", None, None, (Order("blades", 2.0),), shaft="rotor")
    assert shaft_ratio(rotor, "rotor") == 1.0
    with pytest.raises(InputError, match='no shaft "wheel"'):
        shaft_ratio(rotor, "wheel")


def test_gearing_needs_a_drivetrain() -> None:
    with pytest.raises(InputError, match=r"no \[drivetrain\]"):
        gearing_table(Car("r", None, None, (Order("rotor", 1.0),)))


@given(
    pinion=st.integers(1, 100),
    spur=st.integers(1, 200),
    internal=st.floats(0.1, 20.0),
    diameter=st.floats(20.0, 300.0),
)
def test_gearing_properties(pinion: int, spur: int, internal: float, diameter: float) -> None:
    chain = drivetrain(
        pinion_teeth=pinion, spur_teeth=spur, internal_ratio=internal, tyre_diameter_mm=diameter
    )
    table = gearing_table(car_of(chain))
    # The tyre rolls one circumference per wheel turn.
    assert table.roll_out_mm * table.final_ratio == pytest.approx(math.pi * diameter, rel=1e-9)
    # After the repeat, both gears have made a whole number of turns.
    assert table.tooth_repeat_turns == int(table.tooth_repeat_turns)
    assert (table.tooth_repeat_turns * pinion) % spur == 0
    assert table.bench_cap.wheel_rpm <= 0.5 * table.charges[0].wheel_rpm * (1 + 1e-9)


@pytest.mark.parametrize(
    ("text", "d2", "d1"),
    # ISO 724 pitch and minor diameters of coarse threads, tolerance 0.001 mm.
    [
        ("M2x0.4", 1.740, 1.567),
        ("M2.5x0.45", 2.208, 2.013),
        ("M3x0.5", 2.675, 2.459),
        ("M4x0.7", 3.545, 3.242),
        ("M5x0.8", 4.480, 4.134),
        ("M6x1", 5.350, 4.917),
        ("M6x1.0", 5.350, 4.917),
    ],
)
def test_thread_geometry(text: str, d2: float, d1: float) -> None:
    thread = parse_thread(text)
    assert thread.pitch_diameter_mm == pytest.approx(d2, abs=1e-3)
    assert thread.minor_diameter_mm == pytest.approx(d1, abs=1e-3)


def test_thread_text_round_trip() -> None:
    assert str(parse_thread("M5x0.8")) == "M5x0.8"
    assert parse_thread(str(Thread(2.5, 0.45))) == Thread(2.5, 0.45)


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("M5", "M5x0.8"),
        ("m5x0.8", "M5x0.8"),
        ("M5 x 0,8", "M5x0.8"),
        ("5×0.8", "M5x0.8"),
        ("M5-0.8", "Measure"),
        # Unified thread 4-40: 0.112 in, 40 per inch (ASME B1.1, value from memory).
        ("4-40", "M2.84x0.635"),
        ("#8-32", "M4.17x0.794"),
        ("M77", "Measure"),
        ("", "Measure"),
    ],
)
def test_thread_written_another_way(text: str, advice: str) -> None:
    with pytest.raises(InputError, match="thread must be written as M, diameter, x, pitch") as info:
        parse_thread(text)
    assert advice in str(info.value)


@pytest.mark.parametrize("text", ["M5x0", "M1x2", "M3x3"])
def test_thread_that_cannot_exist(text: str) -> None:
    with pytest.raises(InputError, match="pitch above 0 and below its diameter"):
        parse_thread(text)
