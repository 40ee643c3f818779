"""Findings on other sounds in the room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from quality_signals import CAR, SpinUp, codes, finding, speech, spin_up

from vibecheck.quality import assess_quality
from vibecheck.track import Phase


def knocks(clean: SpinUp, seed: int, per_second: float, mode_hz: float) -> np.ndarray:
    """Ringing knocks at irregular times."""
    rng = np.random.default_rng(seed)
    n = clean.x.size
    hits = (rng.uniform(size=n) < per_second / 48000.0) * rng.uniform(0.3, 1.0, n)
    t = np.arange(4800) / 48000.0
    ring = np.exp(-t / 0.02) * (
        np.sin(2 * np.pi * mode_hz * t) + 0.6 * np.sin(2 * np.pi * 1.7 * mode_hz * t)
    )
    return np.asarray(np.convolve(hits, ring)[:n])


class TestSpeech:
    @pytest.mark.parametrize("seed", [1, 2, 3, 4])
    def test_while_the_motor_is_off(self, clean: SpinUp, seed: int) -> None:
        x = clean.x + 0.004 * speech(seed, 15.0, 48000.0) * (clean.rpm == 0)
        found = finding(assess_quality(clean.with_samples(x), clean.speed, CAR), "speech_present")
        assert found.weight == "limits"
        assert "motor is off" in found.message

    def test_over_a_steady_car(self) -> None:
        made = spin_up(3, level=0.01, broadband=0.2, phases=(("run_up", 3.0), ("hold", 6.0)))
        x = made.x + 0.05 * speech(5, 9.0, 48000.0)
        found = finding(assess_quality(made.with_samples(x), made.speed, CAR), "speech_present")
        assert "while it runs" in found.message

    @pytest.mark.parametrize("seed", [1, 2, 3])
    @pytest.mark.parametrize("mode_hz", [450.0, 900.0, 1800.0])
    def test_knocks_are_not_speech(self, clean: SpinUp, seed: int, mode_hz: float) -> None:
        x = clean.x + 0.05 * knocks(clean, seed, 4.0, mode_hz)
        report = assess_quality(clean.with_samples(x), clean.speed, CAR)
        assert "speech_present" not in codes(report)

    def test_a_beating_car_is_not_speech(self, clean: SpinUp) -> None:
        # Two wheels of nearly the same speed: 4 Hz beats while it holds.
        beat = 1.0 + 0.9 * np.sin(2 * np.pi * 4.0 * clean.time_s)
        x = clean.x * np.where(clean.rpm > 17_000, beat, 1.0)
        report = assess_quality(clean.with_samples(x), clean.speed, CAR)
        assert "speech_present" not in codes(report)

    def test_nobody_speaks(self, clean: SpinUp) -> None:
        assert "speech_present" not in codes(assess_quality(clean.take, clean.speed, CAR))


class TestSecondMotor:
    OTHER = (("idle", 0.5), ("run_up", 3.0), ("hold", 1.0), ("coast_down", 3.0), ("run_up", 7.5))

    @pytest.mark.parametrize("seed", [1, 2, 3])
    def test_another_car_runs_up(self, clean: SpinUp, seed: int) -> None:
        other = spin_up(seed, phases=self.OTHER, top_rpm=15_000.0, broadband=0.1)
        report = assess_quality(clean.with_samples(clean.x + other.x), clean.speed, CAR)
        assert finding(report, "second_motor").weight == "limits"

    @pytest.mark.parametrize("pitch_hz", [87.0, 231.0])
    @pytest.mark.parametrize(("strength", "weight"), [(8e-4, "note"), (0.01, "limits")])
    def test_a_machine_that_runs_steadily(
        self, clean: SpinUp, pitch_hz: float, strength: float, weight: str
    ) -> None:
        lines = sum(np.sin(2 * np.pi * k * pitch_hz * clean.time_s + k) / k for k in range(1, 10))
        report = assess_quality(clean.with_samples(clean.x + strength * lines), clean.speed, CAR)
        found = finding(report, "second_motor")
        assert found.weight == weight
        # The pitch, or a multiple or half of it.
        assert "lines of" in found.message

    def test_hum_is_no_motor(self, clean: SpinUp) -> None:
        lines = sum(np.sin(2 * np.pi * k * 50.0 * clean.time_s + k) / k for k in range(1, 12))
        found = codes(assess_quality(clean.with_samples(clean.x + 1e-3 * lines), clean.speed, CAR))
        assert "mains_hum" in found
        assert "second_motor" not in found

    def test_a_track_that_missed_the_coast_down_makes_no_second_motor(self, clean: SpinUp) -> None:
        off = np.array(clean.speed.rpm)
        off[clean.speed.time_s > 10.0] = 0.0
        phases = (*clean.speed.phases[:3], Phase("idle", 10.0, 15.0))
        late = replace(clean.speed, rpm=off, phases=phases)
        assert "second_motor" not in codes(assess_quality(clean.take, late, CAR))

    def test_the_cars_own_wavering_is_not_another(self) -> None:
        # The hold wavers by 4 %: the car's own lines move, and the speed track with them.
        made = spin_up(4, broadband=0.1)
        t = made.speed.time_s
        waver = 1.0 + 0.04 * np.sin(2 * np.pi * 0.5 * t)
        rpm = np.where(made.speed.in_phase("hold"), made.speed.rpm * waver, made.speed.rpm)
        speed = replace(made.speed, rpm=rpm)
        at = np.interp(made.time_s, t, rpm) * (made.rpm > 0)
        turns = np.cumsum(at) / 60.0 / 48000.0
        own = sum(np.sin(2 * np.pi * k * turns) for k in (13.0, 26.0))
        x = 0.02 * own * (at > 0) + 0.0006 * np.random.default_rng(0).standard_normal(made.x.size)
        report = assess_quality(made.with_samples(x), speed, CAR)
        assert "second_motor" not in codes(report)

    def test_speech_is_no_motor(self, clean: SpinUp) -> None:
        x = clean.x + 0.01 * speech(3, 15.0, 48000.0) * (clean.rpm == 0)
        assert "second_motor" not in codes(assess_quality(clean.with_samples(x), clean.speed, CAR))

    def test_alone(self, clean: SpinUp) -> None:
        assert "second_motor" not in codes(assess_quality(clean.take, clean.speed, CAR))
