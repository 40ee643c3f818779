"""The throttle script as it is called out."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import vibecheck
from vibecheck.capture.script import Script, script_of
from vibecheck.car.plan import bench_plan
from vibecheck.car.read import read_car
from vibecheck.errors import CallError

CARS = sorted((Path(vibecheck.__file__).parent / "data" / "cars").glob("*.toml"))
USUAL = script_of(None)


def test_the_plan_of_a_car_becomes_words_to_call_out() -> None:
    plan = bench_plan(read_car(CARS[-1]))
    script = script_of(plan)
    assert script.seconds == pytest.approx(plan.take_s)
    assert [step.big for step in script.steps] == [
        "MOTOR OFF", "RUN UP", "HOLD", "FASTER", "HOLD", "LET GO", "WAIT",
    ]  # fmt: skip
    assert "% throttle" in script.steps[2].words
    assert "Start recording" not in script.steps[0].words


def test_a_sensor_on_the_car_asks_for_rest_not_for_quiet() -> None:
    script = script_of(bench_plan(read_car(CARS[-1]), "accelerometer", sample_rate_hz=3200.0))
    assert "car at rest" in script.steps[0].words
    assert "Touch nothing" in script.steps[-1].words


@pytest.mark.parametrize("car", CARS, ids=lambda path: path.stem)
def test_every_script_begins_and_ends_at_rest(car: Path) -> None:
    for script in (script_of(bench_plan(read_car(car), n_holds=3)), USUAL):
        phases = [step.phase for step in script.steps]
        assert phases[0] == phases[-1] == "idle"
        assert phases[-2] == "coast_down"
        assert all(len(step.big) <= 9 for step in script.steps)


def test_moments_of_the_usual_script() -> None:
    at = USUAL.step_at
    assert (at(-1.0).step.big, at(-1.0).seconds_left) == ("MOTOR OFF", 4.0)
    assert at(0.0).following == USUAL.steps[1]
    assert at(3.999).step.phase == "idle"
    assert (at(4.0).step.phase, at(4.0).seconds_left) == ("run_up", 6.0)
    assert at(17.5).seconds_left == pytest.approx(0.5)
    last = at(27.0)
    assert (last.step.big, last.following, last.is_over) == ("WAIT", None, False)
    over = at(28.0)
    assert (over.index, over.seconds_left, over.is_over) == (4, 0.0, True)


@given(st.floats(0.0, 28.0, exclude_max=True))
def test_time_and_steps_add_up(time_s: float) -> None:
    now = USUAL.step_at(time_s)
    before = sum(step.seconds for step in USUAL.steps[: now.index])
    assert before + now.step.seconds - now.seconds_left == pytest.approx(time_s)
    assert 0.0 < now.seconds_left <= now.step.seconds


@given(st.floats(23.0, 80.0))
def test_holds_share_what_is_asked_for(seconds: float) -> None:
    script = USUAL.lasting(seconds)
    assert script.seconds == pytest.approx(seconds)
    others = [step.seconds for step in script.steps if step.phase != "hold"]
    assert others == [step.seconds for step in USUAL.steps if step.phase != "hold"]


def test_two_holds_keep_their_proportion() -> None:
    script = script_of(bench_plan(read_car(CARS[-1])))
    longer = script.lasting(script.seconds + 10.0)
    held = [step.seconds for step in longer.steps if step.phase == "hold"]
    assert held == pytest.approx([10.0, 10.0])


@pytest.mark.parametrize("seconds", [22.0, 1000.0, float("nan"), -1.0])
def test_a_length_that_leaves_no_hold_is_refused(seconds: float) -> None:
    with pytest.raises(CallError, match="from 23 to 80"):
        USUAL.lasting(seconds)


def test_a_script_without_spare_time_can_grow() -> None:
    assert Script(USUAL.lasting(23.0).steps).lasting(30.0).seconds == pytest.approx(30.0)
