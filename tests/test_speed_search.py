"""What the speed tracker looks for, from what is known of the machine; and its words of doubt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from speed_signals import CAR, ORDERS, RATE

from vibecheck import speed as speed_of
from vibecheck.car.profile import Car, Order
from vibecheck.dsp.tracking import Tracked
from vibecheck.dsp.tracking_phases import split_phases
from vibecheck.dsp.tracking_readings import Rival
from vibecheck.errors import CallError
from vibecheck.recording.take import Take
from vibecheck.track import OrderAmbiguity

TAKE = Take(np.zeros(4800, np.float32), RATE)
MESH, WHEEL = 26.0, 26 / 46 / 2.85


def search(
    car: Car | None = None, orders: list[Order | float] | None = None, take: Take = TAKE
) -> speed_of.Search:
    return speed_of._search(take, car, orders)


def test_the_orders_of_a_car_are_looked_for() -> None:
    # By hand, of 26 on 46 teeth, 4 poles, internal ratio 2.85: motor 1, electrical 2, mesh 26,
    # spur 26/46, wheel 26/46/2.85; with second and third harmonics.
    looked = {round(line.order, 6): line for line in search(CAR).lines}
    wanted = (1, 2, 3, 4, 26, 52, 78, 26 / 46, WHEEL, 2 * WHEEL)
    assert sorted(looked) == sorted(round(order, 6) for order in wanted)
    assert {round(order, 6) for order in ORDERS} <= set(looked)
    # What falls together (twice the motor, the poles) counts once, with the larger say.
    assert looked[2].weight == looked[1].weight == 1.0
    # A harmonic has less say than its line, the third less than the second.
    assert looked[78].weight < looked[52].weight < looked[26].weight
    assert looked[3].weight < 1.0
    assert looked[round(2 * WHEEL, 6)].weight < looked[round(WHEEL, 6)].weight < 1.0
    # Only wheels may turn at speeds that differ a little.
    slipping = {order for order, line in looked.items() if line.slip > 0.0}
    assert slipping == {round(WHEEL, 6), round(2 * WHEEL, 6)}


def test_more_poles_move_the_electrical_line() -> None:
    assert CAR.drivetrain is not None
    six = replace(CAR, drivetrain=replace(CAR.drivetrain, motor_poles=10))
    orders = {round(line.order, 6): line.weight for line in search(six).lines}
    assert orders[5] == 1.0
    assert 0.0 < orders[10] < 1.0
    assert 0.0 < orders[2] < 1.0


def test_the_range_of_a_car_comes_from_its_motor_and_battery() -> None:
    # By hand: 2650 per volt × 6 cells × 4.2 V / 60 = 1113 turns a second with no load: what the
    # tracker can follow ends first. A slower motor: 1000 × 3 × 4.2 / 60 = 210, and 15 % above it.
    drivetrain = CAR.drivetrain
    assert drivetrain is not None
    fast = replace(CAR, drivetrain=replace(drivetrain, bench_max_wheel_rpm=None))
    assert search(fast).high_hz == pytest.approx(1200.0)
    slow = replace(drivetrain, kv_rpm_per_v=1000, cells=3, bench_max_wheel_rpm=None)
    looked = search(replace(CAR, drivetrain=slow))
    assert looked.high_hz == pytest.approx(1.15 * 210.0)
    assert looked.low_hz == pytest.approx(15.0)
    assert looked.expected_top_hz is None
    assert looked.shaft == "motor"


def test_the_bench_limit_of_a_car_is_expected_and_may_be_overshot() -> None:
    # By hand: 1500 turns of a wheel a minute are 25 a second, times 46/26 × 2.85 at the motor:
    # 126.06.
    assert CAR.drivetrain is not None
    bench = replace(CAR, drivetrain=replace(CAR.drivetrain, bench_max_wheel_rpm=1500.0))
    looked = search(bench)
    assert looked.expected_top_hz == pytest.approx(126.06, abs=0.01)
    assert 1.25 * 126.06 < looked.high_hz < 2.0 * 126.06
    # At least two octaves are looked through: a very low limit moves the lower end.
    low = replace(CAR, drivetrain=replace(CAR.drivetrain, bench_max_wheel_rpm=200.0))
    looked = search(low)
    assert looked.low_hz == pytest.approx(0.25 * looked.high_hz)


def test_given_orders_are_looked_for_as_they_are() -> None:
    looked = search(orders=[Order("blade", 3.0), 7.5, 7.5])
    assert [line.order for line in looked.lines] == [3.0, 7.5]
    assert {line.weight for line in looked.lines} == {1.0}
    assert (looked.shaft, looked.expected_top_hz) == ("reference", None)
    machine = Car("Test rig", None, None, (Order("blade", 3.0),))
    assert search(machine).lines == looked.lines[:1]
    assert search(machine).shaft == machine.shaft


@pytest.mark.parametrize(
    ("lowest", "bandwidth", "high"),
    [(0.5, None, 1000.0), (48.0, None, 450.0), (96.0, None, 225.0), (48.0, 8_000.0, 150.0)],
)
def test_the_lowest_order_must_fit_the_band(
    lowest: float, bandwidth: float | None, high: float
) -> None:
    # By hand: half of 48 kHz holds order 48 up to 500 turns a second, less a tenth.
    take = replace(TAKE, bandwidth_hz=bandwidth)
    looked = search(orders=[lowest, 2.0 * lowest], take=take)
    assert looked.high_hz == pytest.approx(high)
    assert looked.low_hz == pytest.approx(10.0)


def test_without_knowledge_a_series_is_looked_for() -> None:
    looked = search()
    assert [line.order for line in looked.lines] == list(range(1, 9))
    weights = [line.weight for line in looked.lines]
    assert weights == sorted(weights, reverse=True)
    assert weights[0] == 1.0
    assert weights[-1] > 0.0
    # Only the first may not be missing.
    demands = [line.demand for line in looked.lines]
    assert demands[0] > 0.0
    assert all(demand < 0.0 for demand in demands[1:])
    assert (looked.low_hz, looked.high_hz) == (20.0, 1000.0)
    narrow = search(take=replace(TAKE, bandwidth_hz=1_000.0))
    assert narrow.high_hz == pytest.approx(450.0)


def test_a_wrong_call_says_what_to_do() -> None:
    with pytest.raises(CallError, match="a car or a list of orders") as caught:
        search(CAR, [1.0])
    assert "Leave one of them out" in str(caught.value)
    for wrong in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(CallError, match="orders must be positive numbers"):
            search(orders=[1.0, wrong])
    with pytest.raises(CallError, match="at least one order"):
        search(orders=[])


def doubt(ratio: float, *, clear: bool = False, odds: float = 0.5) -> OrderAmbiguity:
    nothing, rival = np.zeros(3), Rival(ratio, odds, clear)
    span = np.zeros(3, np.intp)
    tracked = Tracked(nothing, 0.01, nothing, nothing, nothing, span, rival, 40.0)
    said = speed_of._ambiguity(tracked)
    assert said is not None
    return said


@pytest.mark.parametrize(
    ("ratio", "words"),
    [
        (0.25, "a quarter of"), (1 / 3, "a third of"), (0.5, "half"), (2 / 3, "two thirds of"),
        (0.75, "three quarters of"), (4 / 3, "four thirds of"), (1.5, "one and a half times"),
        (2.0, "twice"), (3.0, "three times"), (4.0, "four times"), (1.2, "1.2 times"),
        (0.8, "0.8 times"), (1.004 * 2.0, "twice"), (1.006 * 2.0, "2.01 times"),
        (0.996 * 2.0, "twice"), (26 / 46, "0.565 times"),
    ],
)  # fmt: skip
def test_another_reading_is_named_in_words(ratio: float, words: str) -> None:
    assert f"turn at {words} the reported speed: check the tooth counts" in doubt(ratio).message
    sure = doubt(ratio, clear=True).message
    assert sure.startswith(f"A shaft speed of {words} the reported one would explain")


def test_another_reading_carries_its_odds_per_second() -> None:
    said = doubt(2.0, odds=0.5)
    assert (said.ratio, said.log_odds, said.resolved) == (2.0, 20.0, False)
    assert doubt(2.0, clear=True).resolved


def test_phases_cover_the_take_from_end_to_end() -> None:
    # A run with neither idle at its begin nor at its end; the take is longer than its frames.
    hop_s, n = 0.01, 300
    speed = np.concatenate([np.linspace(20.0, 100.0, 150), np.full(150, 100.0)])
    time = 0.05 + hop_s * np.arange(n)
    ones = np.ones(n)
    tracked = Tracked(time, hop_s, speed, ones, ones, np.ones(n, np.intp), None, 40.0)
    phases = speed_of._phases(tracked, 3.2)
    assert [part.name for part in phases] == ["run_up", "hold"]
    assert (phases[0].start_s, phases[-1].end_s) == (0.0, 3.2)
    # The border lies between two frames, near where the ramp ends.
    assert phases[0].end_s == phases[1].start_s == pytest.approx(time[150] - 0.005, abs=0.15)
    _, (_, first_of_hold, _) = split_phases(speed, hop_s)
    middle = 0.5 * (time[first_of_hold - 1] + time[first_of_hold])
    assert phases[1].start_s == pytest.approx(middle, abs=1e-9)
    assert speed_of._ambiguity(tracked) is None
