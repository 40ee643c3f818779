"""Bearings, gears, surface speeds and what a sensor can see: values from outside."""

from __future__ import annotations

import random
from fractions import Fraction

from outside_check import Check, Other, check, held

from vibecheck.car import drivetrain as dt
from vibecheck.car.profile import Bearing, Car, Drivetrain
from vibecheck.car.sensing import folded_hz, highest_rpm, sensor_band
from vibecheck.simulator.disturbances import WornBearing
from vibecheck.simulator.draw import draw_car

DT = "vibecheck.car.drivetrain"
RATES = f"{DT}.bearing_rates"
PIT = (
    "vibecheck.simulator.disturbances.WornBearing.impacts_per_turn",
    "vibecheck.simulator.disturbances.WornBearing.cage_per_turn",
)
HARRIS = "Harris & Kotzalas, Rolling Bearing Analysis; Randall & Antoni, MSSP 25 (2011) 485–520"
CWRU = "bearing table of the Case Western Reserve University data, as public files quote it"
TAYLOR = "Taylor, The Vibration Analysis Handbook"


def rates(balls: int, ball: float, pitch: float, angle: float = 0.0) -> dt.BearingRates:
    return dt.bearing_rates(Bearing("motor", balls, ball, pitch, angle))


def in_hz(balls: int, ball: float, pitch: float, angle: float, hz: float) -> tuple[float, ...]:
    r = rates(balls, ball, pitch, angle)
    return r.cage * hz, r.outer_race * hz, r.inner_race * hz, r.ball_spin * hz


def worst_identity() -> float:
    draw, worst = random.Random(1), 0.0
    for _ in range(500):
        n, pitch = draw.randint(3, 40), draw.uniform(5.0, 300.0)
        r = rates(n, draw.uniform(0.05, 0.95) * pitch, pitch, draw.uniform(0.0, 60.0))
        worst = max(
            worst,
            abs(r.outer_race - n * r.cage) / n,
            abs(r.outer_race + r.inner_race - n) / n,
            abs(r.inner_race - n * (1.0 - r.cage)) / n,
        )
    return worst


def from_mpmath() -> float:
    import mpmath

    draw, worst = random.Random(2), 0.0
    with mpmath.workdps(40):
        for _ in range(200):
            n, pitch, angle = draw.randint(3, 40), draw.uniform(5.0, 300.0), draw.uniform(0.0, 60.0)
            ball = draw.uniform(0.05, 0.95) * pitch
            g = mpmath.mpf(ball) / mpmath.mpf(pitch) * mpmath.cos(mpmath.radians(mpmath.mpf(angle)))
            exact = (
                (1 - g) / 2,
                n * (1 - g) / 2,
                n * (1 + g) / 2,
                mpmath.mpf(pitch) / (2 * mpmath.mpf(ball)) * (1 - g * g),
            )
            r = rates(n, ball, pitch, angle)
            ours = (r.cage, r.outer_race, r.inner_race, r.ball_spin)
            worst = max(worst, *(float(abs(a / b - 1)) for a, b in zip(ours, exact, strict=True)))
    return worst


def train(pinion: int, spur: int, internal: float = 2.5, **more: float) -> Drivetrain:
    base = {"motor_poles": 4, "kv_rpm_per_v": 3300.0, "cells": 2, "tyre_diameter_mm": 100.0}
    return Drivetrain(
        pinion_teeth=pinion, spur_teeth=spur, internal_ratio=internal, **(base | more)
    )  # type: ignore[arg-type]


def car(pinion: int, spur: int) -> Car:
    made = train(pinion, spur)
    return Car("x", "4wd", made, dt.derive_orders(made), (), ())


def mesh_spur_repeat(pinion: int, spur: int, rpm: float) -> tuple[float, float, float]:
    made = car(pinion, spur)
    hz = rpm / 60.0
    repeat = dt.gearing_table(made).tooth_repeat_order
    return made.order("mesh").ratio * hz, made.order("spur").ratio * hz, repeat * hz


def ratios_from_fractions() -> float:
    worst = 0.0
    for pinion, spur in ((26, 46), (13, 87), (31, 79)):
        exact = Fraction(pinion, spur) / Fraction("2.85")
        made = train(pinion, spur, 2.85)
        worst = max(worst, abs(dt.drivetrain_ratio(made, "wheel") / float(exact) - 1.0))
        plain = Car("x", "4wd", made, dt.derive_orders(made), (), ())
        worst = max(worst, abs(dt.shaft_ratio(plain, "wheel") / float(exact) - 1.0))
    return worst


def nominal() -> dt.ChargeRow:
    return dt.gearing_table(car(20, 80)).charges[0]


def drawn_wheel_ratio() -> float:
    given = {
        "motor_poles": 4, "kv_rpm_per_v": 2650, "cells": 6, "pinion_teeth": 26, "spur_teeth": 46,
        "internal_ratio": 2.85, "tyre_diameter_mm": 104, "bench_max_wheel_rpm": 4000,
    }  # fmt: skip
    profile = {"name": "Given", "layout": "rwd", "drivetrain": given}
    return draw_car(1, profile=profile).wheel_ratio


def pits() -> tuple[float, ...]:
    made = (
        WornBearing("motor_mount", part, balls=9, ball_mm=0.3126, pitch_mm=1.537, slip=0.0)
        for part in ("inner_race", "outer_race", "ball")
    )
    return tuple(one.impacts_per_turn for one in made)


CHECKS: tuple[Check, ...] = (
    check(
        "bearing identities", RATES,
        "BPFO = n·FTF, BPFO + BPFI = n, BPFI = n·(1 − FTF): largest difference over n, 500 drawn "
        "bearings", f"{HARRIS}; two public bearing-frequency pages", "published, from memory",
        0.0, worst_identity, 1e-14,
    ),
    check(
        "bearing 6205", RATES, "6205: BPFI, BPFO, twice BSF (the table's “rolling element”) per "
        "turn", f"{CWRU}; dimensions from memory", "published, from memory, recomputed",
        (5.4152, 3.5848, 4.7135),
        lambda: (
            (r := rates(9, 0.3126, 1.537)).inner_race, r.outer_race, 2.0 * r.ball_spin
        ), 1e-4,
    ),
    check(
        "bearing 6205 cage", RATES, "6205: FTF per turn", CWRU, "published, recomputed", 0.39828,
        lambda: rates(9, 0.3126, 1.537).cage, 5e-5,
        also=(Other(0.39831, "the closed form with the same dimensions"),),
    ),
    check(
        "bearing 6205 ball spin", RATES, "6205: BSF per turn is half of the 4.7135 of the table",
        "closed form", "recomputed", 2.35672, lambda: rates(9, 0.3126, 1.537).ball_spin, 1e-4,
        also=(Other(4.7135, "“rolling element” of the table: strikes on both races, 2 × BSF"),),
    ),
    check(
        "bearing 6203", RATES, "6203: BPFI, BPFO, FTF, twice BSF per turn",
        f"{CWRU}; dimensions from memory", "published, from memory, recomputed",
        (4.9469, 3.0530, 0.3817, 3.9874),
        lambda: (
            (r := rates(8, 0.2656, 1.122)).inner_race, r.outer_race, r.cage, 2.0 * r.ball_spin
        ), 3e-4,
    ),
    check(
        "bearing 6205 at 1500 rpm", RATES, "9 balls, 7.94 on 38.5 mm: FTF, BPFO, BPFI in Hz",
        "public bearing-frequency calculator page", "published, recomputed", (9.92, 89.31, 135.69),
        lambda: in_hz(9, 7.94, 38.5, 0.0, 25.0)[:3], 0.02,
        also=(Other(89.299, "BPFO by the closed form"), Other(135.701, "BPFI by the closed form")),
    ),
    check(
        "bearing of a vendor's example", RATES,
        "8 balls, 2 on 12 cm, 15°, 25 Hz: FTF, BPFO, BPFI, BSF in Hz",
        "inputs: public copy of a vendor's example; outputs: closed form", "published, recomputed",
        (10.488, 83.901, 116.099, 73.056), lambda: in_hz(8, 2.0, 12.0, 15.0, 25.0), 1e-3,
    ),
    check(
        "bearing ZA-2115", RATES, "16 rollers, 2000 rpm (IMS data): FTF, BPFO, BPFI, BSF in Hz",
        "description of the IMS data set", "from memory, recomputed", (14.78, 236.4, 296.9, 139.9),
        lambda: in_hz(16, 0.331, 2.815, 15.17, 2000.0 / 60.0), 0.05,
    ),
    check(
        "bearing of a simulator script", RATES,
        "16 balls, 8.4 on 71.5 mm, 15.7°: BPFO, BPFI, FTF, BSF per turn",
        "inputs: public script of D'Elia & Cocconcelli; outputs: closed form",
        "published, recomputed", (7.0952, 8.9048, 0.44345, 4.2015),
        lambda: (
            (r := rates(16, 8.4, 71.5, 15.7)).outer_race, r.inner_race, r.cage, r.ball_spin
        ), 1e-4,
    ),
    check(
        "bearing rates in 40 digits", (RATES, f"{DT}.derive_orders"),
        "largest relative difference over 200 drawn bearings", "mpmath, 40 digits", "recomputed",
        0.0, from_mpmath, 1e-13,
        held_by=("tests/car/test_car_drivetrain.py::test_bearing_orders_are_those_of_their_shaft",),
    ),
    check(
        "simulated pit 6205", PIT, "simulated pit without slip: BPFI, BPFO, ball on both races",
        f"{CWRU}; dimensions from memory", "published, from memory, recomputed",
        (5.4152, 3.5848, 4.7135), pits, 1e-4,
        held_by=("tests/simulator/test_simulator_disturbances.py::test_a_bearings_rates",),
    ),
    held(
        "slip of real bearings", "vibecheck.impulses.envelope.envelope_order_spectrum",
        "the rhythm found in six recordings lies within 2 % of BPFO and BPFI (outside data)",
        "MFPT bearing data; slip of 1–2 %: a public README, 1–3 %: another public page",
        "published",
        "tests/test_impulses.py::test_bearing_fault_is_the_strongest_rhythm",
    ),
    check(
        "gear mesh", f"{DT}.derive_orders", "14 teeth at 1800 rpm: mesh in Hz", "z · f",
        "recomputed", 420.0, lambda: mesh_spur_repeat(14, 70, 1800.0)[0], 1e-9,
    ),
    check(
        "assembly phases", f"{DT}.gearing_table",
        "greatest common divisor of 20/80, 13/87, 23/67",
        "Foiles, Gear Frequencies Using the Euclidean Algorithm", "published, recomputed",
        (20, 1, 1),
        lambda: [
            dt.gearing_table(car(*t)).common_divisor for t in ((20, 80), (13, 87), (23, 67))
        ], 1e-9,
    ),
    *(
        check(
            f"tooth repeat {pinion}/{spur}", (f"{DT}.gearing_table", f"{DT}.derive_orders"),
            f"{pinion}/{spur} teeth, pinion {rpm} rpm: mesh, gear, tooth repeat in Hz", TAYLOR,
            "from memory, recomputed", expected,
            lambda p=pinion, s=spur, r=rpm: mesh_spur_repeat(p, s, r), 1e-5, relative=True,
        )
        for pinion, spur, rpm, expected in (
            (23, 67, 1800, (690.0, 10.2985, 0.44776)),
            (20, 80, 1800, (600.0, 7.5, 7.5)),
            (13, 87, 20_000, (4333.33, 49.8084, 3.83142)),
            (29, 81, 30_000, (14_500.0, 179.012, 6.17284)),
        )
    ),
    check(
        "wheel ratio in fractions", (f"{DT}.drivetrain_ratio", f"{DT}.shaft_ratio"),
        "largest relative difference from exact fractions, three gearings",
        "fractions of the Python library", "recomputed", 0.0, ratios_from_fractions, 1e-14,
    ),
    check(
        "simulated wheel ratio", "vibecheck.simulator.parameters.SimulatedCar.wheel_ratio",
        "26/46 teeth and 2.85: wheel turns per motor turn", "closed form", "recomputed", 0.198322,
        drawn_wheel_ratio, 1e-6,
        held_by=(
            "tests/simulator/test_simulator_recording.py::test_a_car_drawn_around_a_given_profile",
        ),
    ),
    check(
        "motor without load", f"{DT}.gearing_table",
        "Kv 3300 on 7.4 V, 4 poles: rpm, turns per second, electrical Hz",
        "Kv × V (real speed somewhat lower)", "from memory, recomputed",
        (24_420.0, 407.0, 814.0),
        lambda: (nominal().motor_rpm, nominal().motor_rpm / 60.0, nominal().electrical_hz), 1e-6,
        relative=True,
    ),
    check(
        "cell voltage", f"{DT}.gearing_table",
        "volts of a full lithium-polymer cell", "common practice, no source", "common practice",
        4.20, lambda: dt.gearing_table(car(20, 80)).charges[1].volts / 2, 1e-9,
    ),
    *(
        check(
            f"tyre {diameter} mm", (f"{DT}.surface_speed_m_s", f"{DT}.centripetal_g"),
            f"{diameter} mm at {rpm} rpm: surface speed m/s, pull g", "π·D·n and ω²·D/2",
            "recomputed", expected,
            lambda d=diameter, r=rpm: (dt.surface_speed_m_s(d, r), dt.centripetal_g(d, r)), 1e-3,
            relative=True,
        )
        for diameter, rpm, expected in (
            (65, 10_000, (34.03, 3634.0)),
            (110, 6000, (34.56, 2214.0)),
            (150, 5000, (39.27, 2097.0)),
        )
    ),
    check(
        "fragment under the eye-protection test", f"{DT}.bench_cap",
        "energy of a 2 g fragment at the cautious surface speed, J, over that of 0.86 g at "
        "45 m/s (0.871 J): under a half", "EN 166:2001, mark F, as two public pages print it",
        "published, recomputed", 0.4 / 0.871,
        lambda: 0.5 * 0.002 * dt.CAUTIOUS_SURFACE_SPEED_M_S**2 / (0.5 * 0.00086 * 45.0**2), 1e-3,
        held_by=(
            "tests/car/test_car_drivetrain.py::"
            "test_cautious_surface_speed_is_below_the_eye_protection_test",
        ),
    ),
    check(
        "highest speed in band", "vibecheck.car.sensing.highest_rpm",
        "rpm with the first order under half of 60, 100, 200, 1000, 3200 Hz", "Nyquist",
        "recomputed", (1800, 3000, 6000, 30_000, 96_000),
        lambda: [highest_rpm(fs) for fs in (60.0, 100.0, 200.0, 1000.0, 3200.0)], 1e-9,
    ),
    check(
        "folded tone", "vibecheck.car.sensing.folded_hz",
        "500 Hz sampled at 60, 200, 416 Hz appears at, Hz", "|f − fs·round(f/fs)|", "recomputed",
        (20.0, 100.0, 84.0),
        lambda: [float(folded_hz(500.0, fs)) for fs in (60.0, 200.0, 416.0)], 1e-9,
    ),
    check(
        "phone accelerometer", "vibecheck.car.sensing.sensor_band",
        "samples per second that a phone's accelerometer gives without asking for more",
        "Android 12 and newer: lint page and a compatibility page", "published", 200.0,
        lambda: sensor_band("accelerometer").sample_rate_hz, 1e-9,
    ),
    check(
        "even band of a phone microphone", "vibecheck.car.sensing.sensor_band",
        "±10 dB from, to, Hz", "Android CDD 5.11, unprocessed source", "published",
        (100.0, 7000.0),
        lambda: (
            (b := sensor_band("microphone")).even_low_hz, b.even_high_hz
        ), 1e-9,
    ),
    held(
        "cautions on the bench", "vibecheck.car.plan.bench_plan",
        "hand check before the spin-up, stand, nobody in the wheels' plane, low throttle, battery",
        "common practice, no source", "common practice",
        "tests/car/test_car_plan.py::test_every_plan_carries_the_cautions",
        "tests/car/test_pre_run.py::test_it_covers_what_an_owner_goes_through",
    ),
    held(
        "near half the rate", ("vibecheck.car.sensing.sensor_band",
                               "vibecheck.quality.band.possible_aliasing"),
        "phone accelerometers have no documented sharp filter: energy near half the rate is "
        "suspect", "no source", "from memory",
        "tests/car/test_car_plan.py::test_sensor_bands",
        "tests/quality/test_quality_band.py::TestAliasing::test_energy_up_to_the_top",
    ),
    held(
        "processing in phones", ("vibecheck.quality.processing.automatic_gain",
                                 "vibecheck.quality.processing.noise_suppression"),
        "gain and noise suppression are on by default in many paths, and are told",
        "platform's page on sound effects; defaults from memory", "published, from memory",
        "tests/quality/test_quality_processing.py::TestAutomaticGain::test_an_evened_out_level",
        "tests/quality/test_quality_processing.py::TestNoiseSuppression::test_muted_pauses",
    ),
)  # fmt: skip
