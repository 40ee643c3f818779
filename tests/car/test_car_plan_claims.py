"""What a bench plan claims holds for every car, anywhere within the speed tolerance."""

from __future__ import annotations

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from vibecheck.car.drivetrain import bench_cap, derive_orders
from vibecheck.car.plan import BenchPlan, bench_plan
from vibecheck.car.plan_search import SPEED_TOLERANCE, mains_lines, planned_lines
from vibecheck.car.profile import Bearing, Car, Drivetrain
from vibecheck.car.sensing import FOLD_LIMIT_HZ, folded_hz
from vibecheck.car.zones import default_zones
from vibecheck.errors import InputError


@st.composite
def planned_cars(draw: st.DrawFn) -> Car:
    drivetrain = Drivetrain(
        motor_poles=draw(st.sampled_from([2, 4, 6, 10])),
        kv_rpm_per_v=draw(st.floats(800.0, 6000.0)),
        cells=draw(st.integers(2, 8)),
        pinion_teeth=draw(st.integers(10, 45)),
        spur_teeth=draw(st.integers(30, 90)),
        internal_ratio=draw(st.floats(1.0, 4.0)),
        tyre_diameter_mm=draw(st.floats(50.0, 160.0)),
        wheel_max_rpm=draw(st.none() | st.floats(4000.0, 15_000.0)),
        bench_max_wheel_rpm=draw(st.none() | st.floats(1500.0, 12_000.0)),
    )
    bearings = draw(
        st.lists(
            st.builds(
                Bearing,
                st.sampled_from(["motor", "spur", "wheel"]),
                st.integers(6, 10),
                st.floats(1.0, 2.5),
                st.floats(9.0, 14.0),
            ),
            max_size=2,
        ).map(tuple)
    )
    orders = derive_orders(drivetrain, bearings)
    layout = draw(st.sampled_from(["4wd", "rwd", "fwd"]))
    return Car("Any", layout, drivetrain, orders, default_zones(layout), bearings)


@st.composite
def plans(draw: st.DrawFn) -> tuple[Car, BenchPlan, float | None]:
    car = draw(planned_cars())
    mains = draw(st.sampled_from([None, 50.0, 60.0]))
    try:
        plan = bench_plan(
            car,
            draw(st.sampled_from(["microphone", "accelerometer"])),
            order_resolution=draw(st.sampled_from([0.01, 0.02, 0.05])),
            sample_rate_hz=draw(st.sampled_from([None, 200.0, 1000.0, 3200.0, 8000.0, 44_100.0])),
            n_holds=draw(st.integers(1, 4)),
            mains_hz=mains,
        )
    except InputError:
        assume(False)
        raise
    return car, plan, mains


@settings(max_examples=60, deadline=None)
@given(made=plans(), wander=st.floats(-SPEED_TOLERANCE, SPEED_TOLERANCE))
def test_nothing_above_the_cap_or_outside_the_band(
    made: tuple[Car, BenchPlan, float | None], wander: float
) -> None:
    car, plan, _ = made
    assert car.drivetrain is not None
    cap = bench_cap(car.drivetrain)
    assert plan.holds
    speeds = [hold.reference_rpm for hold in plan.holds]
    assert speeds == sorted(set(speeds))
    for hold in plan.holds:
        rpm = hold.reference_rpm * (1.0 + wander)
        assert rpm <= cap.motor_rpm * (1 + 1e-9)
        assert rpm <= 0.7 * car.drivetrain.kv_rpm_per_v * car.drivetrain.cells * 3.7 * (1 + 1e-9)
        if car.drivetrain.wheel_max_rpm is not None:
            wheel_rpm = rpm * car.order("wheel").ratio
            assert wheel_rpm <= car.drivetrain.wheel_max_rpm * (1 + 1e-9)
        slow = car.order(plan.slowest_shaft).ratio * rpm / 60.0
        assert plan.band.low_hz * (1 - 1e-9) <= slow <= plan.band.high_hz * (1 + 1e-9)
        for name in hold.visible:
            tone = car.order(name).ratio * hold.reference_rpm / 60.0
            assert plan.band.low_hz <= tone <= plan.band.high_hz
        assert hold.highest_order * hold.reference_rpm / 60.0 <= plan.band.sample_rate_hz / 2
        assert set(hold.visible) | set(hold.hidden) == {order.name for order in car.orders}
    assert all(step.to_rpm <= cap.motor_rpm for step in plan.script)


@settings(max_examples=100, deadline=None)
@given(made=plans(), wander=st.floats(-SPEED_TOLERANCE, SPEED_TOLERANCE))
def test_tones_are_as_far_apart_as_claimed(
    made: tuple[Car, BenchPlan, float | None], wander: float
) -> None:
    car, plan, mains = made
    close = {frozenset((pair.first, pair.second)) for pair in plan.close_pairs}
    band = plan.band
    lines = planned_lines(car)
    for hold in plan.holds:
        rpm = hold.reference_rpm * (1.0 + wander)
        resolvable = 2.0 * plan.order_resolution * plan.slowest_ratio * rpm / 60.0
        tones = {line.name: line.order * rpm / 60.0 for line in lines}
        shown = {name: f for name, f in tones.items() if band.low_hz <= f <= band.high_hz}
        others = dict(shown)
        if band.sensor == "microphone" or mains is not None:
            others |= {name: frequency for frequency, name in mains_lines(mains)}
        if band.folds:
            for name, tone in tones.items():
                folded = float(folded_hz(tone, band.sample_rate_hz))
                above = band.high_hz < tone <= FOLD_LIMIT_HZ
                if above and band.low_hz <= folded <= band.high_hz:
                    others[f"folded {name}"] = folded
        meets = {frozenset(pair) for pair in hold.meets}
        for name, tone in shown.items():
            for other, frequency in others.items():
                pair = frozenset((name, other))
                if name == other or pair in close:
                    continue
                distance = abs(tone - frequency)
                assert distance >= hold.separation_hz * (1 - 1e-9) - 1e-9, (name, other)
                if pair not in meets:
                    assert distance >= resolvable * (1 - 1e-9) - 1e-9, (name, other)


@settings(max_examples=30, deadline=None)
@given(made=plans())
def test_holds_are_long_enough(made: tuple[Car, BenchPlan, float | None]) -> None:
    car, plan, _ = made
    holds = [step for step in plan.script if step.phase == "hold"]
    for step, hold in zip(holds, plan.holds, strict=True):
        turns = step.seconds * hold.reference_rpm / 60.0 * car.order(plan.slowest_shaft).ratio
        assert turns * plan.order_resolution >= 1.0
