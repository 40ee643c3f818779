"""Findings on what a recording can hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from quality_coded import through_codec
from quality_signals import (
    CAR,
    SpinUp,
    accelerometer,
    brick_wall,
    codes,
    coloured_noise,
    finding,
    spin_up,
)

from vibecheck.quality import assess_quality


class TestBandwidth:
    @pytest.mark.parametrize("cut_hz", [5000.0, 7000.0])
    def test_an_edge_below_what_rattle_needs(self, clean: SpinUp, cut_hz: float) -> None:
        cut = clean.with_samples(brick_wall(clean.x, 48000.0, cut_hz))
        report = assess_quality(cut, clean.speed, CAR)
        found = finding(report, "narrow_bandwidth")
        assert found.weight == "limits"
        assert found.value == pytest.approx(cut_hz, rel=0.06)
        # 18 000 rpm are 300 turns a second; closed form.
        assert report.highest_order == pytest.approx(cut_hz / 300.0, rel=0.07)
        assert "mesh" in found.message
        assert "electrical" not in found.message

    def test_orders_above_the_band_are_named_though_it_is_wide(self) -> None:
        # Mesh at 26 x 24 000 / 60 = 10.4 kHz; the band ends at 9 kHz.
        made = spin_up(1, top_rpm=24000.0)
        cut = made.with_samples(brick_wall(made.x, 48000.0, 9000.0))
        found = finding(assess_quality(cut, made.speed, CAR), "narrow_bandwidth")
        assert "cannot show: mesh" in found.message
        assert found.limit == pytest.approx(10_400.0, rel=0.01)

    def test_what_the_sensor_can_hold_is_believed(self, clean_accelerometer: SpinUp) -> None:
        take = replace(clean_accelerometer.take, bandwidth_hz=600.0)
        report = assess_quality(take, clean_accelerometer.speed, CAR)
        assert finding(report, "narrow_bandwidth").weight == "limits"
        assert report.highest_order == pytest.approx(2.0, rel=0.02)

    def test_an_accelerometer_that_shows_the_shafts_is_usable(
        self, clean_accelerometer: SpinUp
    ) -> None:
        report = assess_quality(clean_accelerometer.take, clean_accelerometer.speed, CAR)
        assert finding(report, "narrow_bandwidth").weight == "note"
        assert report.verdict == "usable"

    def test_a_wide_band(self, clean: SpinUp) -> None:
        report = assess_quality(clean.take, clean.speed, CAR)
        assert "narrow_bandwidth" not in codes(report)
        assert report.highest_order == pytest.approx(24_000 / 300.0, rel=0.01)

    def test_a_dull_car_has_no_edge(self) -> None:
        # Hardly any hiss: lines, and the room's noise that falls by 3 dB per octave.
        made = spin_up(1, broadband=0.001)
        assert "narrow_bandwidth" not in codes(assess_quality(made.take, made.speed, CAR))

    @pytest.mark.parametrize("fall_hz", [5000.0, 6500.0])
    def test_a_car_that_is_silent_above_is_no_band_limit(self, fall_hz: float) -> None:
        # The car's own sound ends sharply, the room's hiss goes on.
        made = spin_up(1, noise=0.0)
        room = 6e-4 * coloured_noise(made.x.size, 48000.0, np.random.default_rng(0))
        x = brick_wall(made.x, 48000.0, fall_hz) + room
        report = assess_quality(made.with_samples(x), made.speed, CAR)
        assert "narrow_bandwidth" not in codes(report)

    def test_an_edge_in_a_room_too_quiet_for_the_format(self) -> None:
        made = spin_up(1, noise=2e-6)
        x = np.round(brick_wall(made.x, 48000.0, 6000.0) * 32768.0) / 32768.0
        report = assess_quality(made.with_samples(x), made.speed, CAR)
        assert finding(report, "narrow_bandwidth").value == pytest.approx(6000.0, rel=0.06)

    def test_the_edge_of_a_codec(self, clean: SpinUp, tmp_path: Path) -> None:
        x = 5.0 * clean.x
        take = through_codec(tmp_path, x, 48000.0, ending="m4a", bit_rate_bps=64_000)
        report = assess_quality(take, clean.speed, CAR)
        # The encoder's own choice at this rate lies between 14 and 18 kHz; value from memory.
        assert 14_000 < report.highest_order * 300.0 < 18_500

    def test_no_speed_no_order(self, clean: SpinUp) -> None:
        assert assess_quality(clean.take).highest_order is None


class TestTelephone:
    def test_eight_kilohertz(self) -> None:
        made = spin_up(1, sample_rate_hz=8000.0)
        report = assess_quality(made.take, made.speed, CAR)
        assert finding(report, "telephone_sound").weight == "limits"
        assert "narrow_bandwidth" not in codes(report)

    def test_telephone_band_in_a_wide_file(self, clean: SpinUp) -> None:
        cut = clean.with_samples(brick_wall(clean.x, 48000.0, 3400.0))
        found = finding(assess_quality(cut, clean.speed, CAR), "telephone_sound")
        assert found.value == pytest.approx(3400.0, rel=0.1)

    def test_a_slow_accelerometer_is_no_telephone(self, clean_accelerometer: SpinUp) -> None:
        report = assess_quality(clean_accelerometer.take, clean_accelerometer.speed, CAR)
        assert "telephone_sound" not in codes(report)

    def test_a_recorder(self, clean: SpinUp) -> None:
        assert "telephone_sound" not in codes(assess_quality(clean.take, clean.speed, CAR))


class TestAliasing:
    def test_energy_up_to_the_top(self) -> None:
        made = spin_up(1, sensor="accelerometer", sample_rate_hz=3200.0, level=6.0, noise=0.03)
        report = assess_quality(made.take, made.speed, CAR)
        assert finding(report, "possible_aliasing").weight == "limits"

    def test_without_idle_it_is_a_note(self) -> None:
        made = spin_up(
            1,
            sensor="accelerometer",
            sample_rate_hz=3200.0,
            level=6.0,
            phases=(("run_up", 4.0), ("hold", 4.0), ("coast_down", 3.0)),
        )
        report = assess_quality(made.take, made.speed, CAR)
        assert finding(report, "possible_aliasing").weight == "note"

    def test_an_anti_alias_filter(self, clean_accelerometer: SpinUp) -> None:
        report = assess_quality(clean_accelerometer.take, clean_accelerometer.speed, CAR)
        assert "possible_aliasing" not in codes(report)

    def test_the_sensors_own_noise_at_the_top_is_not_aliasing(self) -> None:
        made = accelerometer(2)
        hiss = 0.05 * np.random.default_rng(0).standard_normal(made.x.size)
        report = assess_quality(made.with_samples(made.x + hiss), made.speed, CAR)
        assert "possible_aliasing" not in codes(report)

    def test_sound_is_not_judged(self, clean: SpinUp) -> None:
        assert "possible_aliasing" not in codes(assess_quality(clean.take, clean.speed, CAR))


class TestBitRate:
    @pytest.mark.parametrize(
        ("codec", "rate", "channels", "weight"),
        [
            ("aac", 64_200.0, 1, "limits"),
            ("opus", 32_000.0, 1, "limits"),
            ("aac", 128_000.0, 2, "limits"),
            ("aac", 128_300.0, 1, "note"),
            ("mp3", 320_000.0, 1, None),
            ("aac", None, 1, None),
            ("pcm", 705_600.0, 1, None),
        ],
    )
    def test_weights(
        self, clean: SpinUp, codec: str, rate: float | None, channels: int, weight: str | None
    ) -> None:
        take = replace(
            clean.take,
            samples=np.tile(clean.x, (channels, 1)),
            channel_names=(),
            codec=codec,
            bit_rate_bps=rate,
        )
        found = finding(assess_quality(take, clean.speed, CAR), "low_bit_rate")
        assert (found and found.weight) == weight

    def test_of_a_file(self, clean: SpinUp, tmp_path: Path) -> None:
        take = through_codec(tmp_path, 5.0 * clean.x, 48000.0, ending="opus", bit_rate_bps=32_000)
        assert finding(assess_quality(take, clean.speed, CAR), "low_bit_rate").weight == "limits"


class TestClock:
    @pytest.mark.parametrize(
        ("jitter", "weight"), [(None, None), (0.001, None), (0.05, "note"), (0.2, "limits")]
    )
    def test_jitter(
        self, clean_accelerometer: SpinUp, jitter: float | None, weight: str | None
    ) -> None:
        take = replace(clean_accelerometer.take, clock_jitter=jitter)
        found = finding(assess_quality(take, clean_accelerometer.speed, CAR), "clock_jitter")
        assert (found and found.weight) == weight
