"""The quality gate on open recordings (their sources are in the SOURCE.md beside each)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import open_data
import pytest
from quality_signals import codes, finding

from vibecheck.quality import assess_quality
from vibecheck.speed import track_speed

pytestmark = pytest.mark.outside_data


class TestBrushlessMotor:
    """Noise suppression in the microphone: silence at digital floor, tones fade in (SOURCE.md)."""

    def test_noise_suppression_and_no_claim_of_gain(self, outside_data: Path) -> None:
        take = open_data.motor_take(outside_data)
        for speed in (None, track_speed(take)):
            found = codes(assess_quality(take, speed))
            assert "noise_suppression" in found
            assert not found & {"automatic_gain", "level_moves", "silence", "clipped"}


class TestRotor:
    def test_one_second_is_short(self, outside_data: Path) -> None:
        for record in open_data.rotor_records(outside_data)[::20]:
            take = replace(record.take, unit="m/s^2")
            report = assess_quality(take, track_speed(take))
            assert finding(report, "too_short").weight == "limits"
            assert "silence" not in codes(report)
            assert report.verdict != "usable"


class TestBearings:
    @pytest.mark.parametrize("name", ["InnerRaceFault_vload_1", "OuterRaceFault_vload_4"])
    def test_steady_speed_only(self, outside_data: Path, name: str) -> None:
        take = open_data.bearing_take(outside_data / "mfpt_bearing" / f"{name}.mat")
        report = assess_quality(take, track_speed(take, orders=[1.0]))
        assert report.verdict != "usable"
        assert "clipped" not in codes(report)
