"""Fabricated check results for tests of the faces: nothing here comes from an analysis.

The sound is a made-up sum of orders and bursts, good enough to draw. It is not a recording and
not a simulation, and no test of the analysis may use it.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from typing import Any

import numpy as np

from vibecheck.advice import CHECK_CAUTIONS, HAND_CHECK
from vibecheck.car.profile import Car, Drivetrain, Order
from vibecheck.car.zones import ZONE_NAMES, default_zones
from vibecheck.features.vector import FeatureVector
from vibecheck.findings import Finding, QualityReport
from vibecheck.recording.take import Take
from vibecheck.result import (
    CheckedTake,
    CheckResult,
    Evidence,
    HistoryRemark,
    ModelCard,
    Unfamiliar,
    Vibration,
    ZoneHistory,
    ZoneRisk,
)
from vibecheck.track import OrderAmbiguity, Phase, SpeedTrack


def make_car() -> Car:
    """Return an invented car."""
    drivetrain = Drivetrain(4, 2650.0, 6, 26, 46, 2.85, 104.0, 9000.0, 4000.0)
    spur = 26 / 46
    orders = (
        Order("motor", 1.0, "shaft"),
        Order("electrical", 2.0, "electrical"),
        Order("mesh", 26.0, "mesh"),
        Order("spur", spur, "shaft"),
        Order("wheel", spur / 2.85, "shaft"),
    )
    return Car("Saltflat 8", "4wd", drivetrain, orders, default_zones("4wd"), file="saltflat8.toml")


def make_speed(duration_s: float, step_s: float = 0.02, top_rpm: float = 18000.0) -> SpeedTrack:
    """Return a spin-up: idle, run-up, hold, coast-down."""
    marks = duration_s * np.array([0.0, 0.1, 0.4, 0.65, 0.9, 1.0])
    time_s = np.arange(0.0, duration_s, step_s)
    rpm = np.interp(time_s, marks, [0.0, 1500.0, top_rpm, top_rpm, 1200.0, 1200.0])
    rpm[(time_s < marks[1]) | (time_s > marks[4])] = 0.0
    phases = (
        Phase("idle", 0.0, marks[1]),
        Phase("run_up", marks[1], marks[2]),
        Phase("hold", marks[2], marks[3]),
        Phase("coast_down", marks[3], marks[4]),
        Phase("idle", marks[4], duration_s),
    )
    return SpeedTrack(
        time_s,
        rpm,
        np.where(rpm > 0, 12.0, 0.0),
        np.full(time_s.size, 0.97),
        phases,
        order_ambiguity=OrderAmbiguity(2.0, 3.5, True, "Twice the speed was ruled out."),
    )


def make_take(
    speed: SpeedTrack,
    duration_s: float,
    *,
    sample_rate_hz: float = 16000.0,
    file: str = "spin.wav",
    spot: str = "centre",
    sensor: str = "microphone",
    knocking: float = 0.05,
    seed: int = 1,
) -> Take:
    """Return a made-up recording with the orders of `make_car` and bursts once per wheel turn."""
    rng = np.random.default_rng(seed)
    n = round(duration_s * sample_rate_hz)
    t = np.arange(n) / sample_rate_hz
    rpm = speed.rpm_at(t)
    turns = np.cumsum(rpm / 60.0) / sample_rate_hz
    running = rpm > 0
    x = 0.001 * rng.standard_normal(n) * (1.0 + 4.0 * rpm / 18000.0)
    for order, amplitude in (
        (1.0, 0.02),
        (2.0, 0.01),
        (26 / 46, 0.006),
        (0.1983, 0.01),
        (26, 0.03),
    ):
        alive = running & (order * rpm / 60.0 < 0.45 * sample_rate_hz)
        x += amplitude * alive * np.sin(2 * np.pi * order * turns)
    gate = (0.1983 * turns) % 1.0 < 0.06
    x += knocking * (running & gate) * rng.standard_normal(n)
    three = np.stack([x, 0.5 * x, 0.2 * x]) * 50.0
    return Take(
        (three if sensor == "accelerometer" else x[np.newaxis]).astype(np.float32),
        sample_rate_hz,
        sensor=sensor,  # type: ignore[arg-type]
        unit="m/s^2" if sensor == "accelerometer" else "full_scale",
        spot=spot,
        channel_names=("x", "y", "z") if sensor == "accelerometer" else ("mono",),
        file=file,
        sha256=hashlib.sha256(x.tobytes()).hexdigest(),
    )


def make_features(bump: float = 0.0) -> FeatureVector:
    """Return three invented features, one of them missing."""
    return FeatureVector(
        ("impact_wheel_rate", "mesh_sideband_db", "rattle_onset_rpm"),
        np.array([3.2 + bump, -18.0, 0.0]),
        np.array([False, False, True]),
        "test",
    )


def make_history(place: int) -> ZoneHistory:
    """Return an invented history: the first zone a repeat offender, the second one new."""
    if place == 1:
        return ZoneHistory(0.05, 3, 1)
    remark = HistoryRemark(
        "repeat_offender", "wheel nut", "wheel nut: found 3 times in 12 runs. Look for the cause."
    )
    return ZoneHistory(
        0.05,
        3,
        1,
        low=0.01,
        high=0.2,
        usual=0.04,
        rate_per_run=0.05,
        rate_low=0.01,
        rate_high=0.1,
        recheck_every_runs=4,
        recheck_due_in_runs=1,
        remarks=(remark,) if place == 0 else (),
    )


def make_zones(verdict: str, *, heavy: bool = False) -> tuple[ZoneRisk, ...]:
    """Return one risk for each zone of `make_car`."""
    zones = []
    known = {zone.name: zone for zone in default_zones("4wd")}
    for place, name in enumerate(
        ("wheel_rear_left", *(z for z in ZONE_NAMES if z != "wheel_rear_left"))
    ):
        heard = name not in ("steering", "body_and_aero")
        probability = 0.11 / (1 + place)
        if place == 0 and verdict == "inspect_first":
            probability = 0.72
        evidence: list[Evidence] = []
        if verdict == "inspect_first" and (place == 0 or (heavy and place < 6)):
            evidence = [
                Evidence(
                    "impact_wheel_rate",
                    9.1,
                    3.2,
                    4.4,
                    "Knocks once per wheel turn, 4 times as strong as when the car was snug.",
                    "spin.wav",
                ),
                Evidence(
                    "rattle_onset_rpm",
                    4100.0,
                    None,
                    float("nan"),
                    "The rattle begins at 4 100 rpm on the way up and stops at 3 600 rpm on the "
                    "way down, as a part with play does.",
                    "spin.wav",
                ),
            ] * (2 if heavy else 1)
        severity = known[name].severity
        zones.append(
            ZoneRisk(
                name,
                probability,
                probability * 0.6,
                min(1.0, probability * 1.3),
                severity,
                probability * severity,
                place + 1,
                tuple(evidence),
                make_history(place),
                heard=heard,
                how_to_check=known[name].how_to_check,
                vibration=Vibration(1.5 - place, 0.5 - place, 2.5 - place) if heard else None,
            )
        )
    return tuple(zones)


def make_findings(heavy: bool = False) -> tuple[Finding, ...]:
    """Return one finding, or many."""
    first = Finding(
        "no_idle",
        "The take begins with the motor already running.",
        "Begin the next recording two seconds before you touch the trigger.",
        0.2,
        1.0,
    )
    if not heavy:
        return (first,)
    more = tuple(
        Finding(
            f"finding_{k}",
            f"The loudest parts were clipped in {k + 1} % of the run, so knocks may read too weak.",
            "Move the phone further away or turn the recording level down, then record again.",
            float(k),
            0.1,
        )
        for k in range(5)
    )
    return (first, *more)


def make_result(
    verdict: str = "inspect_first",
    *,
    n_takes: int = 1,
    duration_s: float = 6.0,
    sample_rate_hz: float = 16000.0,
    with_baseline: bool = True,
    heavy: bool = False,
    file: str = "spin.wav",
    car_name: str | None = None,
    sensor: str = "microphone",
    **changes: Any,
) -> CheckResult:
    """Return a fabricated result of the wanted shape."""
    speed = make_speed(duration_s)
    spots = ("centre", "wheel_rear_left", "motor_mount", "gear_mesh", "steering", "driveline")
    takes = tuple(
        CheckedTake(
            make_take(
                speed,
                duration_s,
                sample_rate_hz=sample_rate_hz,
                file=file if k == 0 else f"take{k}.wav",
                spot=spots[k % len(spots)],
                sensor=sensor,
                seed=k,
            ),
            QualityReport("limited", make_findings(heavy), 60.0),
            speed,
            make_features(5.0),
            make_features() if with_baseline else None,
        )
        for k in range(n_takes)
    )
    baseline = tuple(
        CheckedTake(
            make_take(
                speed,
                duration_s,
                sample_rate_hz=sample_rate_hz,
                file=f"snug{k}.wav",
                sensor=sensor,
                knocking=0.004,
                seed=100 + k,
            ),
            QualityReport("usable"),
            speed,
            make_features(),
        )
        for k in range(2 if with_baseline else 0)
    )
    car = make_car()
    if car_name is not None:
        from dataclasses import replace

        car = replace(car, name=car_name)
    values: dict[str, Any] = {
        "created": datetime(2031, 5, 4, 9, 30, tzinfo=UTC),
        "car": car,
        "model": ModelCard("fabricated", "0", "simulated", 0),
        "takes": takes,
        "zones": make_zones(verdict, heavy=heavy),
        "verdict": verdict,
        "unfamiliar": Unfamiliar(1.2, 3.0, False),
        "hand_check": HAND_CHECK,
        "cautions": CHECK_CAUTIONS,
        "baseline_takes": baseline,
        "notes": ("One take was too short to follow its coast-down.",) if heavy else (),
    }
    return CheckResult(**(values | changes))
