"""Findings on level: each provoked, and each absent where it must be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from quality_coded import through_codec
from quality_signals import CAR, SpinUp, codes, finding, low_pass, spin_up

from vibecheck.quality import assess_quality
from vibecheck.recording.take import Take


def hum(clean: SpinUp, mains_hz: float, strength: float) -> np.ndarray:
    t = clean.time_s
    return clean.x + strength * sum(
        np.sin(2 * np.pi * k * mains_hz * t + k) / k for k in (1, 2, 3, 4, 5)
    )


class TestSilence:
    @pytest.mark.parametrize("level", [0.0, 1e-6, 2e-5])
    def test_a_muted_recording_is_refused(self, level: float) -> None:
        x = level * np.random.default_rng(1).standard_normal(480_000)
        report = assess_quality(Take(x, 48000.0))
        assert finding(report, "silence").weight == "refuses"
        assert report.verdict == "unusable"

    def test_a_resting_accelerometer_is_refused(self) -> None:
        x = np.full((3, 8000), [[0.0], [0.0], [9.81]])
        report = assess_quality(Take(x, 800.0, sensor="accelerometer", unit="m/s^2"))
        assert report.verdict == "unusable"
        assert "silence" in codes(report)

    def test_a_quiet_spin_up_is_not_silent(self) -> None:
        quiet = spin_up(3, level=0.003, noise=3e-5)
        assert "silence" not in codes(assess_quality(quiet.take, quiet.speed, CAR))


class TestClipped:
    @pytest.mark.parametrize("broadband", [0.1, 0.5, 1.5])
    @pytest.mark.parametrize("drive", [1.5, 3.0])
    def test_cut_at_full_scale(self, broadband: float, drive: float) -> None:
        made = spin_up(4, broadband=broadband)
        x = made.x / np.abs(made.x).max()
        report = assess_quality(made.with_samples(np.clip(drive * x, -1, 1)), made.speed, CAR)
        share = np.mean(np.abs(drive * x) >= 1.0)
        found = finding(report, "clipped")
        assert found.weight in ("limits", "refuses")
        # The share is counted, not guessed: it is the share that was cut. Own arithmetic.
        assert found.value == pytest.approx(share, rel=0.05)

    def test_the_takes_own_ceiling_below_full_scale(self, clean: SpinUp) -> None:
        cut = clean.with_samples(np.clip(clean.x, -0.11, 0.12))
        found = finding(assess_quality(cut, clean.speed, CAR), "clipped")
        assert found.weight == "limits"
        assert "0.12 of full scale" in found.message

    def test_one_axis_of_an_accelerometer(self, clean_accelerometer: SpinUp) -> None:
        x = clean_accelerometer.x
        axes = np.stack([0.3 * x, np.clip(0.9 * x, -8.0, 18.0), 1.2 * x])
        take = replace(clean_accelerometer.take, samples=axes, channel_names=("x", "y", "z"))
        assert "clipped" in codes(assess_quality(take, clean_accelerometer.speed, CAR))

    def test_gross_overload_is_refused(self, clean: SpinUp) -> None:
        gross = clean.with_samples(np.clip(60 * clean.x, -1, 1))
        assert assess_quality(gross, clean.speed, CAR).verdict == "unusable"

    @pytest.mark.parametrize(("ending", "rate"), [("m4a", 128_000), ("opus", 64_000)])
    def test_cut_before_compression(
        self, clean: SpinUp, tmp_path: Path, ending: str, rate: int
    ) -> None:
        x = 2.0 * clean.x / np.abs(clean.x).max()
        take = through_codec(tmp_path, x, 48000.0, ending=ending, bit_rate_bps=rate)
        found = finding(assess_quality(take, clean.speed, CAR), "clipped")
        assert found.weight == "limits"
        assert "compressed" in found.message

    @pytest.mark.parametrize(("ending", "rate"), [("m4a", 128_000), ("opus", 32_000)])
    def test_a_full_but_uncut_compressed_recording(
        self, clean: SpinUp, tmp_path: Path, ending: str, rate: int
    ) -> None:
        x = 0.9 * clean.x / np.abs(clean.x).max()
        take = through_codec(tmp_path, x, 48000.0, ending=ending, bit_rate_bps=rate)
        assert "clipped" not in codes(assess_quality(take, clean.speed, CAR))

    @pytest.mark.parametrize("tone_hz", [50.0, 997.0, 6000.0])
    def test_a_pure_tone_is_not_clipped(self, tone_hz: float) -> None:
        t = np.arange(480_000) / 48000.0
        take = Take(0.7 * np.sin(2 * np.pi * tone_hz * t), 48000.0)
        assert "clipped" not in codes(assess_quality(take))

    def test_coarse_steps_are_not_clipped(self, clean_accelerometer: SpinUp) -> None:
        # 0.1 m/s² steps, as browsers give.
        x = np.round(clean_accelerometer.x, 1)
        take = clean_accelerometer.with_samples(x)
        assert "clipped" not in codes(assess_quality(take, clean_accelerometer.speed, CAR))


class TestLowLevel:
    def test_a_car_as_loud_as_the_room(self) -> None:
        made = spin_up(5, level=0.0006, noise=0.0006)
        found = finding(assess_quality(made.take, made.speed, CAR), "low_level_over_noise")
        assert found.weight == "limits"
        assert found.value < 6.0

    def test_part_of_the_band_buried_is_a_note(self) -> None:
        made = spin_up(5, level=0.02, noise=0.0003)
        rng = np.random.default_rng(0)
        rumble = low_pass(rng.standard_normal(made.x.size), 48000.0, 350.0)
        found = finding(
            assess_quality(made.with_samples(made.x + 0.3 * rumble), made.speed, CAR),
            "low_level_over_noise",
        )
        assert found.weight == "note"
        assert "100 Hz to 400 Hz" in found.message

    def test_without_a_speed_the_quiet_and_loud_parts_stand_in(self, clean: SpinUp) -> None:
        rng = np.random.default_rng(0)
        rumble = low_pass(rng.standard_normal(clean.x.size), 48000.0, 350.0)
        thin = clean.x - low_pass(clean.x.astype(float), 48000.0, 500.0)
        buried = clean.with_samples(thin + 0.05 * rumble)
        assert "100 Hz to 400 Hz" in finding(assess_quality(buried), "low_level_over_noise").message
        assert "low_level_over_noise" not in codes(assess_quality(clean.take))

    def test_a_loud_car(self, clean: SpinUp) -> None:
        assert "low_level_over_noise" not in codes(assess_quality(clean.take, clean.speed, CAR))


class TestMainsHum:
    @pytest.mark.parametrize("mains_hz", [49.95, 60.02])
    def test_hum_is_named(self, clean: SpinUp, mains_hz: float) -> None:
        take = clean.with_samples(hum(clean, mains_hz, 4e-4))
        found = finding(assess_quality(take, clean.speed, CAR), "mains_hum")
        assert found.weight == "note"
        assert f"{mains_hz:.0f} Hz" in found.message

    def test_strong_hum_limits(self, clean: SpinUp) -> None:
        take = clean.with_samples(hum(clean, 50.0, 0.02))
        assert finding(assess_quality(take, clean.speed, CAR), "mains_hum").weight == "limits"

    def test_without_an_idle_part(self) -> None:
        made = spin_up(2, phases=(("run_up", 5.0), ("hold", 3.0), ("coast_down", 5.0)))
        take = made.with_samples(hum(made, 50.0, 4e-3))
        assert "mains_hum" in codes(assess_quality(take, made.speed, CAR))
        assert "mains_hum" not in codes(assess_quality(made.take, made.speed, CAR))

    def test_a_motor_at_a_multiple_of_the_mains_is_no_hum(self) -> None:
        made = spin_up(2, top_rpm=6000.0)
        assert "mains_hum" not in codes(assess_quality(made.take, made.speed, CAR))


class TestDropouts:
    def test_zeros(self, clean: SpinUp) -> None:
        x = clean.x
        for start in (350_000, 400_000, 420_000):
            x[start : start + 480] = 0.0
        found = finding(assess_quality(clean.with_samples(x), clean.speed, CAR), "dropouts")
        assert found.weight == "limits"
        # Three holes of 10 ms, seen in blocks of 5 ms.
        assert found.value == pytest.approx(0.030, abs=0.015)

    @pytest.mark.parametrize("buffer", [256, 480, 1024])
    def test_repeated_buffers(self, clean: SpinUp, buffer: int) -> None:
        x = clean.x
        x[400_123 : 400_123 + buffer] = x[400_123 - buffer : 400_123]
        found = finding(assess_quality(clean.with_samples(x), clean.speed, CAR), "dropouts")
        assert found is not None
        assert found.value == pytest.approx(buffer / 48000.0, rel=0.15)

    def test_a_hole_in_compressed_sound(self, clean: SpinUp, tmp_path: Path) -> None:
        x = 5.0 * clean.x
        x[400_000:403_000] = 0.0
        take = through_codec(tmp_path, x, 48000.0, ending="m4a", bit_rate_bps=128_000)
        assert "dropouts" in codes(assess_quality(take, clean.speed, CAR))

    def test_switching_the_motor_off_is_no_dropout(self) -> None:
        made = spin_up(3, phases=(("idle", 2.0), ("run_up", 4.0), ("hold", 3.0), ("idle", 3.0)))
        assert "dropouts" not in codes(assess_quality(made.take, made.speed, CAR))

    def test_a_pure_digital_tone_does_not_stutter(self) -> None:
        t = np.arange(480_000) / 48000.0
        take = Take(0.5 * np.sin(2 * np.pi * 375.0 * t), 48000.0)
        assert "dropouts" not in codes(assess_quality(take))


class TestOtherLevels:
    def test_dead_channel(self, clean: SpinUp) -> None:
        stereo = replace(
            clean.take,
            samples=np.stack([np.zeros_like(clean.x), clean.x]),
            channel_names=("left", "right"),
        )
        report = assess_quality(stereo, clean.speed, CAR)
        assert finding(report, "dead_channel").message.startswith("Nothing came through on: left")
        assert report.verdict == "usable"

    def test_two_live_channels(self, clean: SpinUp) -> None:
        stereo = replace(
            clean.take, samples=np.stack([0.1 * clean.x, clean.x]), channel_names=("l", "r")
        )
        assert "dead_channel" not in codes(assess_quality(stereo, clean.speed, CAR))

    def test_dc_offset(self, clean: SpinUp) -> None:
        report = assess_quality(clean.with_samples(clean.x + 0.03), clean.speed, CAR)
        assert finding(report, "dc_offset").value == pytest.approx(0.03, rel=1e-3)
        assert "dc_offset" not in codes(assess_quality(clean.take, clean.speed, CAR))

    def test_gravity_is_no_dc_offset(self, clean_accelerometer: SpinUp) -> None:
        report = assess_quality(clean_accelerometer.take, clean_accelerometer.speed, CAR)
        assert "dc_offset" not in codes(report)

    def test_knocks(self, clean: SpinUp) -> None:
        x = clean.x
        ring = np.exp(-np.arange(2400) / 240.0) * np.sin(np.arange(2400) * 0.3)
        for start in (8_000, 25_000, 45_000):
            x[start : start + 2400] += 0.1 * ring.astype(np.float32)
        report = assess_quality(clean.with_samples(x), clean.speed, CAR)
        assert finding(report, "handling_knocks").value == 3.0
        assert "handling_knocks" not in codes(assess_quality(clean.take, clean.speed, CAR))
