"""The bench plan keeps what it claims: apart, in the band, under the cap, long enough."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from vibecheck.car.plan import bench_plan
from vibecheck.car.plan_search import mains_lines
from vibecheck.car.profile import Car, Order
from vibecheck.car.read import read_car
from vibecheck.car.sensing import folded_hz, highest_rpm, sensor_band
from vibecheck.car.shipped import shipped_car_path, shipped_cars
from vibecheck.errors import CallError, InputError


def demo_car() -> Car:
    return read_car(shipped_car_path())


def rotor(*orders: Order) -> Car:
    return Car("Rotor", None, None, orders or (Order("rotor", 1.0, "shaft"),), shaft="rotor")


# What a sensor can show


@pytest.mark.parametrize(
    ("sample_rate_hz", "rpm"),
    # Half the sample rate, once per turn: recomputed closed form.
    [(60, 1800), (100, 3000), (200, 6000), (1000, 30_000), (3200, 96_000)],
)
def test_highest_rpm_with_the_first_order_visible(sample_rate_hz: float, rpm: float) -> None:
    assert highest_rpm(sample_rate_hz) == pytest.approx(rpm)
    assert highest_rpm(sample_rate_hz, order=3.0) == pytest.approx(rpm / 3)


@pytest.mark.parametrize(
    ("rate", "appears_at"),
    # 500 Hz sampled at 60, 200 and 416 Hz: |f − fs round(f / fs)|, recomputed closed form.
    [(60, 20), (200, 100), (416, 84)],
)
def test_folded_tones(rate: float, appears_at: float) -> None:
    assert folded_hz(500.0, rate) == pytest.approx(appears_at)
    # The same from a sampled sine, without the formula.
    n = np.arange(40 * rate)
    spectrum = np.abs(np.fft.rfft(np.cos(2 * np.pi * 500.0 * n / rate)))
    assert np.argmax(spectrum) / 40.0 == pytest.approx(appears_at)


def test_sensor_bands() -> None:
    microphone = sensor_band("microphone")
    assert (microphone.sample_rate_hz, microphone.assumed, microphone.folds) == (48e3, True, False)
    # Even from 100 Hz to 7 kHz: Android CDD 5.11.
    assert (microphone.even_low_hz, microphone.even_high_hz) == (100.0, 7000.0)
    assert microphone.high_hz < 24_000.0
    telephone = sensor_band("microphone", 8000)
    assert telephone.high_hz == 3600.0
    assert telephone.even_high_hz == 3600.0
    # 200 Hz: what Android 12 and later gives an app that does not ask for more.
    phone = sensor_band("accelerometer")
    assert (phone.sample_rate_hz, phone.high_hz, phone.folds) == (200.0, 80.0, True)
    assert "100 Hz" in phone.note


def test_sensor_that_is_not_known() -> None:
    with pytest.raises(CallError, match=r'Got "microfone" instead. Did you mean "microphone"'):
        sensor_band("microfone")
    with pytest.raises(CallError, match=r'Got "mic" instead. Did you mean "microphone"'):
        sensor_band("mic")
    for bad in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(CallError, match="sample_rate_hz must be a number from 10 to 1000000"):
            sensor_band("microphone", bad)


# The plan of the demo car


def test_the_plan_of_the_demo_car() -> None:
    plan = bench_plan(demo_car())
    assert plan.cap_wheel_rpm == pytest.approx(4000.0)
    assert plan.slowest_shaft == "wheel"
    assert len(plan.holds) == 2
    assert all(hold.score >= 1.0 and hold.meets == () for hold in plan.holds)
    assert plan.needed_turns == 50.0
    for hold in plan.holds:
        assert hold.wheel_rpm is not None
        assert hold.throttle_share is not None
        # 50 wheel turns, and the share of Kv × 22.2 V, by hand.
        assert hold.needed_s == pytest.approx(50.0 / (hold.wheel_rpm / 60.0))
        assert hold.throttle_share == pytest.approx(hold.reference_rpm / 58830.0)
        # The highest order: 20 kHz over the motor's turns per second.
        assert hold.highest_order == pytest.approx(20_000.0 / (hold.reference_rpm / 60.0))
    # The electrical order of a 4-pole motor is the motor's second harmonic at every speed.
    assert [(p.first, p.second, p.needed_turns) for p in plan.close_pairs] == [
        ("2 × motor", "electrical", None)
    ]


def test_the_script_tells_the_whole_spin_up() -> None:
    plan = bench_plan(demo_car(), n_holds=3)
    phases = [step.phase for step in plan.script]
    assert phases == ["idle", *["run_up", "hold"] * 3, "coast_down", "idle"]
    assert plan.script[0].seconds >= 3.0
    assert plan.script[-1].seconds >= 3.0
    assert plan.take_s == pytest.approx(sum(step.seconds for step in plan.script))
    for first, second in zip(plan.script[:-1], plan.script[1:], strict=True):
        assert first.to_rpm == second.from_rpm
    for step in plan.script:
        if step.phase == "run_up":
            assert (step.to_rpm - step.from_rpm) / step.seconds <= 3000.0
    holds = [step for step in plan.script if step.phase == "hold"]
    for step, hold in zip(holds, plan.holds, strict=True):
        assert step.seconds >= hold.needed_s
    assert plan.least_take_s <= plan.take_s


def test_a_finer_resolution_needs_a_longer_take() -> None:
    coarse = bench_plan(demo_car(), order_resolution=0.05)
    fine = bench_plan(demo_car(), order_resolution=0.002)
    assert fine.needed_turns == pytest.approx(500.0)
    assert fine.least_take_s > coarse.least_take_s
    assert fine.take_s > coarse.take_s
    assert len(coarse.close_pairs) > len(fine.close_pairs)


def test_close_pairs_say_how_many_turns_would_part_them() -> None:
    plan = bench_plan(demo_car(), order_resolution=0.05)
    pairs = {(p.first, p.second): p for p in plan.close_pairs}
    pair = pairs["bearing_wheel_inner_race", "motor"]
    # Two bins (Hann, −6 dB bandwidth 2.0 bins: Harris 1978) within 1 − 5 · 0.19832 orders.
    spacing = 1.0 - 5.0 * 260 / 1311
    assert pair.spacing_orders == pytest.approx(spacing)
    assert pair.needed_turns == pytest.approx(2.0 / spacing)


def test_a_slow_sensor_sees_little_and_says_so() -> None:
    plan = bench_plan(demo_car(), "accelerometer")
    for hold in plan.holds:
        assert "wheel" in hold.visible
        assert {"motor", "electrical", "mesh"} <= set(hold.hidden)
        assert hold.highest_order < 1.0
    assert any("cannot show these orders" in note for note in plan.notes)
    assert any("200 samples a second are assumed" in note for note in plan.notes)
    faster = bench_plan(demo_car(), "accelerometer", sample_rate_hz=3200)
    assert all("motor" in hold.visible for hold in faster.holds)
    assert not any("assumed" in note for note in faster.notes)


def test_a_very_slow_sensor_holds_slower() -> None:
    # 60 Hz, as in a browser: the wheels must stay below 24 turns a second.
    plan = bench_plan(demo_car(), "accelerometer", sample_rate_hz=60)
    assert all(hold.wheel_rpm is not None and hold.wheel_rpm <= 24 * 60 for hold in plan.holds)


def test_undriven_wheels_get_no_take() -> None:
    plan = bench_plan(read_car(shipped_car_path("greylag10")))
    spots = [spot.name for spot in plan.spots]
    assert spots == ["centre", "motor_mount", "wheel_rear_left", "wheel_rear_right"]
    assert any("stand still on the bench" in note for note in plan.notes)
    assert all(spot.distance_cm == 30.0 for spot in plan.spots)


def test_spots_go_round_the_car_once() -> None:
    plan = bench_plan(demo_car(), "accelerometer")
    assert [spot.name for spot in plan.spots] == [
        "centre",
        "motor_mount",
        "wheel_front_left",
        "wheel_rear_left",
        "wheel_rear_right",
        "wheel_front_right",
    ]
    assert all(spot.distance_cm is None for spot in plan.spots)


@pytest.mark.parametrize("name", shipped_cars())
@pytest.mark.parametrize("sensor", ["microphone", "accelerometer"])
def test_every_plan_carries_the_cautions(name: str, sensor: str) -> None:
    plan = bench_plan(read_car(shipped_car_path(name)), sensor)
    before = " ".join(plan.before).lower()
    assert plan.before[0].startswith("The manuals of the vehicle")
    for words in (
        "local rules",
        "hand-check",
        "stand",
        "plane of the wheels",
        "tyres grow",
        "eye protection",
        "battery",
    ):
        assert words in before
    during = " ".join(plan.during)
    assert "never full throttle" in during
    assert "Never above" in during
    after = " ".join(plan.after)
    assert "cool" in after
    assert "full hand check" in after
    assert plan.cautions == (*plan.before, *plan.during, *plan.after)


def test_no_words_of_clearance() -> None:
    for name in shipped_cars():
        plan = bench_plan(read_car(shipped_car_path(name)))
        words = " ".join((*plan.cautions, *plan.notes, *(s.words for s in plan.script))).lower()
        for word in (" safe", " ok ", " pass ", "healthy", "all clear"):
            assert word not in words


# A bare machine


def test_a_bare_machine_needs_a_cap() -> None:
    with pytest.raises(CallError, match=r"--max-rpm: A machine without a drivetrain.*rotor shaft"):
        bench_plan(rotor())
    plan = bench_plan(rotor(), "accelerometer", sample_rate_hz=952, max_rpm=5000)
    assert plan.cap_rpm == 5000.0
    assert plan.cap_wheel_rpm is None
    assert [spot.name for spot in plan.spots] == ["centre"]
    assert all(hold.throttle_share is None and hold.wheel_rpm is None for hold in plan.holds)
    assert "rotor shaft" in plan.during[0]


def test_a_machine_with_one_tone_has_nothing_to_keep_apart() -> None:
    car = rotor(Order("rotor", 1.0, "shaft"))
    plan = bench_plan(car, "accelerometer", sample_rate_hz=100_000, max_rpm=5000, n_holds=1)
    assert plan.holds[0].closest == ("rotor", "2 × rotor")
    # At 100 samples a second only the first harmonic fits below 40 Hz at 2300 rpm.
    alone = bench_plan(car, "accelerometer", sample_rate_hz=100, max_rpm=2400, n_holds=1)
    assert alone.holds[0].visible == ("rotor",)


def test_orders_without_a_shaft_are_planned_too() -> None:
    plan = bench_plan(rotor(Order("blades", 2.0)), max_rpm=6000)
    assert plan.slowest_shaft == "blades"


def test_no_shaft_in_the_band() -> None:
    with pytest.raises(InputError, match=r"Below 300 rpm no shaft turns fast enough.*20 to 20000"):
        bench_plan(rotor(), max_rpm=300)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"order_resolution": 0.0}, "order_resolution must be a number from 0.001 to 0.5. Got 0"),
        ({"order_resolution": math.nan}, "order_resolution must be.*Got nan"),
        ({"n_holds": 0}, "n_holds must be a whole number from 1 to 4. Got 0"),
        ({"n_holds": 5}, "n_holds must be a whole number from 1 to 4. Got 5"),
        ({"mains_hz": 55.0}, "mains_hz must be 50 or 60. Got 55"),
        ({"max_rpm": -1.0}, "max_rpm must be a number above 0. Got -1"),
        ({"max_rpm": math.inf}, "max_rpm must be a number above 0. Got inf"),
        ({"sensor": "ear"}, 'sensor must be microphone or accelerometer. Got "ear"'),
    ],
)
def test_calls_that_make_no_sense(arguments: dict[str, float], message: str) -> None:
    with pytest.raises(CallError, match=message) as info:
        bench_plan(demo_car(), **arguments)  # type: ignore[arg-type]
    assert info.value.exit_code == 2


def test_the_cap_is_never_passed_even_where_the_file_allows_more() -> None:
    car = demo_car()
    assert car.drivetrain is not None
    wild = replace(
        car, drivetrain=replace(car.drivetrain, bench_max_wheel_rpm=15_000, wheel_max_rpm=None)
    )
    plan = bench_plan(wild)
    assert plan.cap_rpm == pytest.approx(0.7 * 58830.0)
    assert "70% of what the motor could reach" in plan.cap_reason
    lower = bench_plan(car, max_rpm=9000)
    assert lower.cap_rpm == 9000.0
    assert lower.cap_reason == "asked for"


def test_mains_hum_is_kept_clear_of_where_it_can_be() -> None:
    names = [name for _, name in mains_lines(50)]
    assert names == [f"mains hum {50 * k} Hz" for k in range(1, 7)]
    assert {60.0, 120.0, 50.0, 100.0} <= {frequency for frequency, _ in mains_lines(None)}
    # A rotor alone in the world: every hold must keep its two tones off the hum.
    plan = bench_plan(rotor(), max_rpm=12_000, mains_hz=50, n_holds=4)
    for hold in plan.holds:
        assert hold.score >= 1.0
        for harmonic in (1, 2):
            tone = harmonic * hold.reference_rpm / 60.0
            assert min(abs(tone - 50.0 * k) for k in range(1, 7)) >= hold.separation_hz
