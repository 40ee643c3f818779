"""Findings on the spin-up itself: phases, length, speed, wheel speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from quality_signals import CAR, FULL, WHEEL_RATIO, SpinUp, codes, finding, spin_up

from vibecheck.quality import assess_quality
from vibecheck.track import OrderAmbiguity, Phase, SpeedTrack

PHASES = ("idle", "run_up", "hold", "coast_down")


class TestPhases:
    @pytest.mark.parametrize("name", PHASES)
    def test_one_missing(self, name: str) -> None:
        made = spin_up(1, phases=tuple(phase for phase in FULL if phase[0] != name))
        report = assess_quality(made.take, made.speed, CAR)
        assert finding(report, f"missing_{name}").weight == "limits"
        assert codes(report) & {f"missing_{other}" for other in PHASES} == {f"missing_{name}"}

    @pytest.mark.parametrize("name", PHASES)
    def test_too_little_of_it_is_missing_too(self, name: str) -> None:
        made = spin_up(1, phases=tuple((n, 0.2 if n == name else s) for n, s in FULL))
        report = assess_quality(made.take, made.speed, CAR)
        assert finding(report, f"missing_{name}").value <= 0.4

    def test_all_there(self, clean: SpinUp) -> None:
        report = assess_quality(clean.take, clean.speed, CAR)
        assert not {code for code in codes(report) if code.startswith("missing")}

    def test_not_judged_without_a_speed(self, clean: SpinUp) -> None:
        take = clean.take.cut(6.5, 12.0)
        assert not {code for code in codes(assess_quality(take)) if code.startswith("missing")}


class TestLength:
    def test_in_seconds(self) -> None:
        made = spin_up(1, phases=(("run_up", 1.0), ("hold", 1.0)))
        found = finding(assess_quality(made.take, made.speed), "too_short")
        assert found.weight == "limits"
        assert found.value == pytest.approx(2.0)

    def test_in_turns_of_the_wheel(self) -> None:
        # 600 rpm for 6 s: 60 turns of the motor, 11.9 of the wheels (26/(46 x 2.85) each).
        made = spin_up(1, top_rpm=600.0, phases=(("hold", 6.0),))
        found = finding(assess_quality(made.take, made.speed, CAR), "too_short")
        assert found.value == pytest.approx(60.0 * WHEEL_RATIO, rel=0.02)
        assert "wheels" in found.message
        assert "too_short" not in codes(assess_quality(made.take, made.speed))

    def test_far_too_short_is_refused(self) -> None:
        made = spin_up(1, phases=(("hold", 0.2),))
        assert assess_quality(made.take, made.speed, CAR).verdict == "unusable"
        made = spin_up(1, top_rpm=60.0, phases=(("hold", 4.0),))
        assert finding(assess_quality(made.take, made.speed), "too_short").weight == "refuses"

    def test_two_samples(self) -> None:
        made = spin_up(1, phases=(("hold", 4.0),))
        report = assess_quality(made.with_samples(made.x[:2]))
        assert report.verdict == "unusable"

    def test_long_enough(self, clean: SpinUp) -> None:
        assert "too_short" not in codes(assess_quality(clean.take, clean.speed, CAR))


class TestSpeed:
    def test_none_found(self, clean: SpinUp) -> None:
        off = replace(clean.speed, rpm=0.0 * clean.speed.rpm, phases=(Phase("idle", 0.0, 15.0),))
        report = assess_quality(clean.take, off, CAR)
        assert finding(report, "speed_not_found").weight == "refuses"
        assert report.verdict == "unusable"
        assert report.highest_order is None

    def test_an_empty_track(self, clean: SpinUp) -> None:
        nothing = np.zeros(0)
        track = SpeedTrack(nothing, nothing, nothing, nothing)
        assert "speed_not_found" in codes(assess_quality(clean.take, track, CAR))

    def test_uncertain(self, clean: SpinUp) -> None:
        unsure = replace(clean.speed, confidence=0.4 * clean.speed.confidence)
        report = assess_quality(clean.take, unsure, CAR)
        assert finding(report, "speed_not_found").weight == "limits"

    @pytest.mark.parametrize("resolved", [True, False])
    def test_two_readings(self, clean: SpinUp, resolved: bool) -> None:
        other = OrderAmbiguity(2.0, 0.1, resolved, "The shaft may turn twice as fast.")
        report = assess_quality(clean.take, replace(clean.speed, order_ambiguity=other), CAR)
        found = finding(report, "speed_ambiguous")
        assert (found is None) == resolved
        if found:
            assert found.message == "The shaft may turn twice as fast."

    def test_found_and_sure(self, clean: SpinUp) -> None:
        report = assess_quality(clean.take, clean.speed, CAR)
        assert not codes(report) & {"speed_not_found", "speed_ambiguous"}


class TestOverSpeed:
    # Cap 4000 wheel rpm, tyres trusted to 9000 (the test car); motor rpm = wheel rpm / ratio.
    def test_above_the_bench_cap(self) -> None:
        made = spin_up(1, top_rpm=4400.0 / WHEEL_RATIO)
        found = finding(assess_quality(made.take, made.speed, CAR), "over_speed")
        assert found.limit == 4000.0
        assert found.value == pytest.approx(4400.0, rel=0.01)
        assert "Do not repeat" in found.advice
        assert found.weight == "note"

    def test_above_what_the_tyres_stand(self) -> None:
        made = spin_up(1, top_rpm=9500.0 / WHEEL_RATIO)
        found = finding(assess_quality(made.take, made.speed, CAR), "over_speed")
        assert found.limit == 9000.0
        assert "tyres" in found.message

    def test_an_uncertain_glimpse_is_no_reason_to_worry(self, clean: SpinUp) -> None:
        rpm = np.array(clean.speed.rpm)
        rpm[300] = 60_000.0
        confidence = np.array(clean.speed.confidence)
        confidence[300] = 0.1
        speed = replace(clean.speed, rpm=rpm, confidence=confidence)
        assert "over_speed" not in codes(assess_quality(clean.take, speed, CAR))

    def test_a_short_slip_of_the_track_is_not_enough(self, clean: SpinUp) -> None:
        rpm = np.array(clean.speed.rpm)
        rpm[300:310] = 60_000.0
        speed = replace(clean.speed, rpm=rpm)
        assert "over_speed" not in codes(assess_quality(clean.take, speed, CAR))

    def test_a_doubtful_speed_is_said_to_be_one(self) -> None:
        made = spin_up(1, top_rpm=4400.0 / WHEEL_RATIO)
        other = OrderAmbiguity(0.5, 0.1, False, "The shaft may turn at half the speed.")
        report = assess_quality(made.take, replace(made.speed, order_ambiguity=other), CAR)
        assert "if the speed was read right" in finding(report, "over_speed").message

    def test_under_the_cap(self, clean: SpinUp) -> None:
        assert "over_speed" not in codes(assess_quality(clean.take, clean.speed, CAR))

    def test_no_limits_in_the_car_file(self) -> None:
        made = spin_up(1, top_rpm=30_000.0)
        drivetrain = replace(CAR.drivetrain, wheel_max_rpm=None, bench_max_wheel_rpm=None)
        car = replace(CAR, drivetrain=drivetrain)
        assert "over_speed" not in codes(assess_quality(made.take, made.speed, car))
        assert "over_speed" not in codes(assess_quality(made.take, made.speed))


def test_where_no_speed_was_found_off_is_not_idle() -> None:
    # 3000 rpm: lines at 50 and 100 Hz. No hum, though the track calls all of it off.
    made = spin_up(3, top_rpm=3000.0, phases=(("hold", 8.0),))
    off = replace(made.speed, rpm=0.0 * made.speed.rpm, phases=(Phase("idle", 0.0, 8.0),))
    found = codes(assess_quality(made.take, off, CAR))
    assert "speed_not_found" in found
    assert not found & {"low_level_over_noise", "mains_hum", "handling_knocks"}
