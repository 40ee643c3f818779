"""The quality gate on open recordings (their sources are in the SOURCE.md beside each)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.io
from quality_signals import codes, finding

from vibecheck.quality import assess_quality
from vibecheck.recording.take import Take
from vibecheck.speed import track_speed

pytestmark = pytest.mark.outside_data


class TestBrushlessMotor:
    """Noise suppression in the microphone: silence at digital floor, tones fade in (SOURCE.md)."""

    def test_noise_suppression_and_no_claim_of_gain(self, outside_data: Path) -> None:
        path = outside_data / "uav_motor_spinup_audio" / "sonido_motor_1.mat"
        take = Take(scipy.io.loadmat(path)["x"].ravel(), 44_100.0)
        for speed in (None, track_speed(take)):
            found = codes(assess_quality(take, speed))
            assert "noise_suppression" in found
            assert not found & {"automatic_gain", "level_moves", "silence", "clipped"}


class TestRotor:
    def test_one_second_is_short(self, outside_data: Path) -> None:
        records = np.load(outside_data / "rotor_coastdown" / "rotor.npz")["accel"]
        for record in records[::20]:
            take = Take(record.astype(float), 952.0, sensor="accelerometer", unit="m/s^2")
            report = assess_quality(take, track_speed(take))
            assert finding(report, "too_short").weight == "limits"
            assert "silence" not in codes(report)
            assert report.verdict != "usable"


class TestBearings:
    @pytest.mark.parametrize("name", ["InnerRaceFault_vload_1", "OuterRaceFault_vload_4"])
    def test_steady_speed_only(self, outside_data: Path, name: str) -> None:
        path = outside_data / "mfpt_bearing" / f"{name}.mat"
        bearing = scipy.io.loadmat(path, squeeze_me=True, struct_as_record=False)["bearing"]
        take = Take(
            9.80665 * np.asarray(bearing.gs, float),
            float(bearing.sr),
            sensor="accelerometer",
            unit="m/s^2",
        )
        report = assess_quality(take, track_speed(take, orders=[1.0]))
        assert report.verdict != "usable"
        assert "clipped" not in codes(report)
