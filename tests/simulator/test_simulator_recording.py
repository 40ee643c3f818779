"""From motion to recordings: resonators, sound, phone, accelerometer, and the calls."""

from __future__ import annotations

import math
import subprocess
import sys
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from vibecheck.errors import CallError, MissingExtraError
from vibecheck.simulator import (
    WHEELS,
    ZONES,
    Accelerometer,
    Conditions,
    FastenerState,
    Phone,
    Surroundings,
    ThrottleScript,
    draw_accelerometer,
    draw_car,
    draw_phone,
    draw_script,
    draw_surroundings,
    profile_toml,
    simulate,
    simulate_spots,
)
from vibecheck.simulator.accelerometer import record_with_accelerometer
from vibecheck.simulator.knocks import draw_knocks, knock_motion, knock_sound
from vibecheck.simulator.noise import pressure, shaped_noise
from vibecheck.simulator.phone import record_with_phone
from vibecheck.simulator.ringing import resonator_coefficients, ring
from vibecheck.simulator.room import add_room
from vibecheck.simulator.run import run_car
from vibecheck.simulator.sound import spot_position

RATE = 48_000
CAR = draw_car(7, "4wd", scale="eighth")
SHORT = ThrottleScript(0.5, (("run_up", 0.6, 0.9), ("hold", 0.8, 0.9), ("coast_down", 0.3, 0.0)))


def ring_once(frequency: float, zeta: float, mass: float, force: np.ndarray) -> np.ndarray:
    coefficients = resonator_coefficients(
        np.array([frequency]), np.array([zeta]), np.array([mass]), RATE
    )
    out = np.zeros((1, 1, force.size), dtype=np.float32)
    ring(
        force.astype(np.float32)[None, :], coefficients, np.zeros((1, 3)), np.ones((1, 1)),
        np.zeros(1, dtype=np.int64), np.zeros(force.size, dtype=np.float32), out,
    )  # fmt: skip
    return out[0, 0].astype(np.float64)


@pytest.mark.parametrize("frequency", [60.0, 150.0, 900.0, 2500.0])
def test_a_mode_answers_as_the_analytic_frequency_response(frequency: float) -> None:
    # q̈/F = -ω²/(m·(ω0² - ω² + 2jζω0ω)); closed form, no source. Far below the mode the
    # answer is weak (150 Hz: 0.02 of F/m), and must still be right.
    mode, zeta, mass = 1000.0, 0.03, 0.1
    clock = np.arange(RATE) / RATE
    answer = ring_once(mode, zeta, mass, np.cos(2 * np.pi * frequency * clock))
    tail = answer[RATE // 2 :]
    line = 2 * (tail * np.exp(-2j * np.pi * frequency * clock[RATE // 2 :])).mean()
    w, w0 = 2 * math.pi * frequency, 2 * math.pi * mode
    expected = abs(-(w**2) / (mass * (w0**2 - w**2 + 2j * zeta * w0 * w)))
    assert abs(line) == pytest.approx(expected, rel=0.01)


def test_a_struck_mode_dies_away_with_its_logarithmic_decrement() -> None:
    # δ = 2πζ/√(1-ζ²): ζ = .05 → 0.314553 (recomputed closed form).
    frequency, zeta = 400.0, 0.05
    force = np.zeros(RATE // 4)
    force[0] = 1.0
    answer = ring_once(frequency, zeta, 0.1, force)[1:]
    period = RATE / (frequency * math.sqrt(1 - zeta**2))
    places = np.arange(answer.size)
    peaks = []
    for k in range(2, 8):
        first = int(k * period)
        piece = answer[first : first + int(period) + 2]
        top = int(piece.argmax()) + first
        # Parabola through the top.
        a, b, c = answer[top - 1 : top + 2]
        peaks.append(b - 0.125 * (a - c) ** 2 / (a - 2 * b + c))
    assert places.size > 0
    assert np.mean(-np.diff(np.log(peaks))) == pytest.approx(0.314553, rel=2e-3)


def test_sound_pressure_levels() -> None:
    # 94 dB re 20 µPa = 1.0024 Pa (definition).
    assert pressure(94.0) == pytest.approx(1.00237, rel=1e-4)
    noise = shaped_noise(np.random.default_rng(1), 20_000, 100.0, 8000.0, 1.0)
    assert noise.std() == pytest.approx(1.0, rel=1e-5)


def test_a_sine_at_the_phones_limit_just_reaches_full_scale() -> None:
    phone = Phone("plain", full_scale_db=100.0, noise_db=0.0)
    clock = np.arange(RATE) / RATE
    tone = np.sin(2 * np.pi * 1000.0 * clock).astype(np.float32) * math.sqrt(2) * pressure(100.0)
    stored = record_with_phone(tone, phone, 1)
    middle = stored[RATE // 4 : 3 * RATE // 4]
    assert np.abs(middle).max() == pytest.approx(1.0, abs=0.01)
    grid = stored.astype(np.float64) * 32768.0
    assert np.array_equal(grid, np.round(grid))
    louder = record_with_phone(4.0 * tone, phone, 1)
    assert np.mean(np.abs(louder) > 0.999) > 0.5
    assert louder.max() == pytest.approx(32767 / 32768)


def test_a_phones_band_rate_and_automatic_gain() -> None:
    clock = np.arange(2 * RATE) / RATE
    low = np.sin(2 * np.pi * 25.0 * clock).astype(np.float32)
    high = np.sin(2 * np.pi * 1000.0 * clock).astype(np.float32)
    phone = Phone("narrow", low_cut_hz=100.0, noise_db=0.0)
    assert record_with_phone(low, phone, 1).std() < 0.1 * record_with_phone(high, phone, 1).std()
    other_rate = replace(phone, sample_rate_hz=44_100)
    assert record_with_phone(high, other_rate, 1).size == 2 * 44_100
    # Automatic gain: a step of 30 dB is stored as a smaller one.
    step = high * np.where(clock < 1.0, 0.03, 1.0).astype(np.float32)
    plain = record_with_phone(step, phone, 1)
    flattened = record_with_phone(step, replace(phone, agc=0.6), 1)

    def rise(x: np.ndarray) -> float:
        return 20 * math.log10(x[int(1.8 * RATE) :].std() / x[int(0.5 * RATE) : RATE].std())

    assert rise(plain) == pytest.approx(30.5, abs=0.5)
    assert 8.0 < rise(flattened) < 18.0


def test_the_room_adds_noise_hum_a_second_motor_and_speech() -> None:
    silence = np.zeros(4 * RATE, dtype=np.float32)
    quiet = Surroundings(noise_db=30.0)
    base = add_room(silence, quiet, 1)
    assert 20 * math.log10(base.std() / 20e-6) == pytest.approx(30.0, abs=0.1)
    frequency = np.fft.rfftfreq(silence.size, 1 / RATE)

    def near(x: np.ndarray, f: float) -> float:
        spectrum = np.abs(np.fft.rfft(x))
        return float(spectrum[np.abs(frequency - f) < 2.0].max())

    hum = add_room(silence, replace(quiet, hum_hz=50.0, hum_db=45.0), 1)
    assert near(hum, 50.0) > 10 * near(base, 50.0)
    motor = add_room(silence, replace(quiet, second_motor_rpm=6000, second_motor_db=60.0), 1)
    assert 20 * math.log10(motor.std() / 20e-6) == pytest.approx(60.0, abs=0.5)
    speech = add_room(silence, replace(quiet, speech_db=60.0), 1)
    assert speech.std() > 3 * base.std()


def test_an_accelerometer_counts_clips_folds_and_keeps_time() -> None:
    clock = np.arange(2 * RATE) / RATE
    motion = np.zeros((3, clock.size), dtype=np.float32)
    motion[0] = 5.0 * np.sin(2 * np.pi * 2000.0 * clock)
    sensor = Accelerometer(
        "folding", output_rate_hz=3200.0, anti_alias_hz=0.0, step_m_s2=0.01, clock_jitter=1e-4
    )
    time_s, folded = record_with_accelerometer(motion, sensor, 1)
    assert np.allclose(folded / 0.01, np.round(folded / 0.01), atol=1e-6)
    assert np.diff(time_s).mean() == pytest.approx(1 / 3200.0, rel=0.02)
    # Alias of 2000 Hz at 3200 Hz: |f - fs·round(f/fs)| = 1200 Hz (recomputed closed form).
    rate = 1 / np.diff(time_s).mean()
    spectrum = np.abs(np.fft.rfft(folded[0] * np.hanning(folded.shape[1])))
    peak = spectrum.argmax() * rate / folded.shape[1]
    assert peak == pytest.approx(rate - 2000.0, abs=3.0)
    _, filtered = record_with_accelerometer(motion, replace(sensor, anti_alias_hz=1200.0), 1)
    assert filtered[0].std() < 0.25 * folded[0].std()
    _, clipped = record_with_accelerometer(motion, replace(sensor, range_m_s2=2.0), 1)
    assert np.abs(clipped).max() == pytest.approx(2.0)
    # Noise density times √bandwidth.
    still = np.zeros((3, 2 * RATE), dtype=np.float32)
    _, noise = record_with_accelerometer(still, replace(sensor, step_m_s2=1e-6), 1)
    assert noise.std() == pytest.approx(sensor.noise_m_s2_rthz * math.sqrt(1600.0), rel=0.03)


def test_a_take_tells_its_own_truth() -> None:
    recordings = simulate_spots(
        CAR,
        {"wheel_rear_right": FastenerState(0.0, 0.75)},
        SHORT,
        [("microphone", "centre"), ("microphone", "wheel_rear_right"), ("accelerometer", "centre")],
        9,
        phone=Phone("plain"),
        surroundings=Surroundings(),
    )
    sound, near, felt = recordings
    assert sound.samples.shape == (1, round(SHORT.duration_s * RATE))
    assert sound.unit == "full_scale"
    assert felt.unit == "m/s^2"
    assert felt.samples.shape[0] == 3
    assert felt.time_s is not None
    assert felt.time_s.size == felt.samples.shape[1]
    assert not np.array_equal(sound.samples, near.samples)
    truth = sound.truth
    assert truth.states["wheel_rear_right"] == FastenerState(0.0, 0.75)
    assert truth.states["motor_mount"] == FastenerState()
    assert [phase.name for phase in truth.phases] == ["idle", "run_up", "hold", "coast_down"]
    assert not sound.samples.flags.writeable
    # Idle is the room alone; the hold stands well over it.
    idle = sound.samples[0, : int(0.45 * RATE)].std()
    hold = sound.samples[0, int(1.2 * RATE) : int(1.9 * RATE)]
    assert 20 * math.log10(hold.std() / idle) > 20.0
    # The mesh line lies at teeth × true motor speed.
    start, stop = 1.4, 1.8
    piece = sound.samples[0, int(start * RATE) : int(stop * RATE)].astype(np.float64)
    speed = np.interp(np.arange(start, stop, 1e-3), truth.time_s, truth.motor_rpm).mean() / 60
    spectrum = np.abs(np.fft.rfft(piece * np.hanning(piece.size)))
    frequency = np.fft.rfftfreq(piece.size, 1 / RATE)
    mesh = CAR.mesh.pinion_teeth * speed
    window = np.abs(frequency - mesh) < 3.0 * speed
    found = frequency[window][spectrum[window].argmax()]
    assert found == pytest.approx(mesh, rel=0.01)
    # Gravity on the vertical axis while the motor is off.
    quiet = felt.samples[:, felt.time_s < 0.4]
    assert np.linalg.norm(quiet.mean(axis=1)) == pytest.approx(9.80665, rel=0.02)


def test_the_same_seed_gives_the_same_bytes() -> None:
    first = simulate(CAR, {}, SHORT, 4)
    again = simulate(CAR, {}, SHORT, 4)
    assert first.samples.tobytes() == again.samples.tobytes()
    assert simulate(CAR, {}, SHORT, 5).samples.tobytes() != first.samples.tobytes()


def test_an_accelerometer_take_of_one_spot() -> None:
    take = simulate(CAR, {}, SHORT, 4, sensor="accelerometer", spot="motor_mount")
    assert take.sensor == "accelerometer"
    assert take.device == draw_accelerometer(4).name


@pytest.mark.parametrize("seed", range(6))
def test_drawn_cars_stay_within_the_benchs_bounds(seed: int) -> None:
    car = draw_car(seed)
    drivetrain = car.profile["drivetrain"]
    assert drivetrain["bench_max_wheel_rpm"] <= 4000.0
    top = drivetrain["bench_max_wheel_rpm"] / car.wheel_ratio
    assert 4000.0 < top < 22_100.0
    assert drivetrain["kv_rpm_per_v"] * 3.7 * drivetrain["cells"] > 1.25 * top
    again = draw_car(seed)
    assert again.profile == car.profile
    assert np.array_equal(again.modes.frequency_hz, car.modes.frequency_hz)
    text = tomllib.loads(profile_toml(car))
    assert text == car.profile


def test_a_car_drawn_around_a_given_profile() -> None:
    profile = {
        "name": "Given",
        "layout": "rwd",
        "drivetrain": {
            "motor_poles": 4, "kv_rpm_per_v": 2650, "cells": 6, "pinion_teeth": 26,
            "spur_teeth": 46, "internal_ratio": 2.85, "tyre_diameter_mm": 104,
            "bench_max_wheel_rpm": 4000,
        },
    }  # fmt: skip
    car = draw_car(1, profile=profile)
    assert car.name == "Given"
    assert car.layout == "rwd"
    assert car.mesh.spur_teeth == 46
    assert car.scale == "eighth"
    assert car.wheels[0].radius == pytest.approx(0.052)
    # Wheel order = pinion/(spur·internal): 26/(46·2.85) = 0.198322 (recomputed closed form).
    assert car.wheel_ratio == pytest.approx(0.198322, abs=1e-6)
    short = {**profile, "drivetrain": {**profile["drivetrain"], "cells": 0}}
    with pytest.raises(CallError, match=r"drivetrain\.cells must be a number over 0"):
        draw_car(1, profile=short)


def test_drawn_scripts_phones_and_rooms_vary_within_bounds() -> None:
    scripts = [draw_script(seed) for seed in range(120)]
    for seed, script in enumerate(scripts):
        assert 9.0 <= script.duration_s <= 16.0
        assert 0.8 <= script.idle_s <= 2.6
        throttle = script.throttle(np.arange(0.0, script.duration_s, 2e-3), seed)
        assert throttle.min() >= 0.0
        assert throttle.max() < 1.15
        assert throttle[0] < 0.02
        assert throttle.max() > 0.6
        names = [phase.name for phase in script.phases()]
        assert names[0] == "idle"
        assert names[-1] == "coast_down"
        assert {"run_up", "hold"} <= set(names)
        assert draw_phone(seed).agc < 1.0
        room = draw_surroundings(seed)
        assert 26.0 <= room.noise_db <= 48.0
        assert 0.1 <= room.reverberation_s <= 0.9
    # Most begin with 2 s of silence; some do not. Hands differ.
    assert 0.7 < np.mean([script.idle_s >= 2.0 for script in scripts]) < 0.98
    assert np.mean([script.duration_s > 12.0 for script in scripts]) > 0.05
    twice = [sum(p.name == "coast_down" for p in script.phases()) > 1 for script in scripts]
    assert 0.05 < np.mean(twice) < 0.5
    assert 0.05 < np.mean([script.stutters > 0 for script in scripts]) < 0.4
    assert 0.03 < np.mean([script.brake_a > 0.0 for script in scripts]) < 0.3
    assert draw_script(1, 14.0).duration_s == pytest.approx(14.0)
    assert all(draw_script(s, 8.0).duration_s == pytest.approx(8.0) for s in range(40))


def test_a_stuttering_start_jerks_and_a_second_run_up_rises() -> None:
    parts = (("run_up", 2.0, 0.8), ("coast_down", 1.0, 0.0), ("run_up", 1.0, 0.9))
    script = ThrottleScript(1.0, parts, unsteady=0.0, stutters=3, stutter_s=0.6)
    clock = np.arange(0.0, 4.0, 1e-3)
    value = script.throttle(clock, 5)
    start = value[:600]
    peaks = (start[1:-1] > start[:-2]) & (start[1:-1] >= start[2:]) & (start[1:-1] > 0.02)
    assert peaks.sum() == 3
    smooth = replace(script, stutters=0).throttle(clock, 5)
    assert np.all(np.diff(smooth[:1900]) >= 0.0)
    assert smooth[2900] < 0.01
    # The trigger meets the motor where it may still turn, and rises from there.
    assert smooth[3150] > 0.3
    assert np.all(np.diff(smooth[3200:3990]) > 0.0)


def test_a_drag_brake_stops_the_motor_sooner() -> None:
    script = ThrottleScript(0.2, (("run_up", 0.4, 0.5), ("coast_down", 0.5, 0.0)))
    coast = run_car(CAR, {}, script, 3)
    brake = run_car(CAR, {}, replace(script, brake_a=20.0), 3)
    assert brake.motor_rpm[-1] < 0.8 * coast.motor_rpm[-1]
    assert brake.motor_rpm.max() == pytest.approx(coast.motor_rpm.max(), rel=0.02)


def test_a_knock_is_heard_and_felt_at_one_moment() -> None:
    room = Surroundings(knocks_per_min=60.0, knock_db=80.0)
    knocks = draw_knocks(room, 4 * RATE, 2)
    assert knocks == draw_knocks(room, 4 * RATE, 2)
    assert knocks
    assert draw_knocks(Surroundings(), 4 * RATE, 2) == ()
    sound = knock_sound(knocks, 4 * RATE, 2)
    motion = knock_motion(knocks, 4 * RATE)
    first = min(knock.at for knock in knocks)
    for signal in (sound, motion):
        assert not signal[:first].any()
        assert signal[first : first + 200].any()
    one = replace(knocks[0], at=RATE, click=0.0, peak_m_s2=2.0, fade_s=1.0, bench_hz=50.0)
    assert np.abs(knock_motion((one,), 2 * RATE)).max() == pytest.approx(2.0, rel=0.02)


def test_a_far_sound_comes_with_more_of_the_room() -> None:
    # Direct sound falls with distance, the diffuse field does not (common practice, no source).
    click = np.zeros(RATE, dtype=np.float32)
    click[100] = 1.0
    quiet = Surroundings(noise_db=-60.0, reverberant_db=-12.0, reverberation_s=0.4)
    silence = np.zeros(RATE, dtype=np.float32)
    near, far = (add_room(silence, quiet, 1, click, distance) for distance in (0.25, 2.5))
    late = slice(1000, None)
    ratio = far[late].std() / near[late].std()
    assert 20 * math.log10(ratio) == pytest.approx(20.0, abs=0.2)
    assert near[100] == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: FastenerState(preload=-0.1), "preload must be between 0 and 2. Got -0.1"),
        (lambda: FastenerState(preload=0.0, turns=9.0), "turns must be between 0 and 5. Got 9.0"),
        (lambda: FastenerState(preload=0.5, turns=1.0), "preload must be 0 where turns are"),
        (lambda: FastenerState(share=0.0), "share must be over 0 and up to 1. Got 0.0"),
        (lambda: draw_car(1, "awd"), "layout must be"),  # type: ignore[arg-type]
        (lambda: draw_car(1, scale="fifth"), "scale must be"),
        (lambda: ThrottleScript(-1.0, ()), "idle_s must not be negative"),
        (lambda: ThrottleScript(1.0, (), stutters=-1), "stutters, stutter_s and brake_a must not"),
        (lambda: ThrottleScript(1.0, (("boost", 1.0, 1.0),)), 'A part must be "run_up"'),
        (lambda: ThrottleScript(1.0, (("hold", 0.0, 1.0),)), "must last over 0 s"),
        (lambda: draw_script(1, 5.0), "duration_s must be at least 8"),
        (lambda: spot_position(CAR, "whel_rear_left", 1), 'Did you mean "wheel_rear_left"'),
        (
            lambda: simulate(CAR, {"motor_mont": FastenerState(0.5)}, SHORT, 1),
            'no zone "motor_mont". Did you mean "motor_mount"',
        ),
        (
            lambda: simulate(CAR, {}, SHORT, 1, sensor="ear"),  # type: ignore[arg-type]
            'sensor must be "microphone" or "accelerometer"',
        ),
    ],
)
def test_wrong_calls_say_what_to_do(call, message: str) -> None:
    with pytest.raises(CallError, match=message):
        call()


def test_conditions_reach_the_joints() -> None:
    heavy = simulate(CAR, {}, SHORT, 4, sensor="accelerometer",
                     conditions=Conditions(wheel_unbalance=(6.0, 1.0, 1.0, 1.0)))  # fmt: skip
    plain = simulate(CAR, {}, SHORT, 4, sensor="accelerometer")
    assert heavy.samples.std(axis=1).max() > plain.samples.std(axis=1).max()


def test_zones_are_the_cars_zones() -> None:
    from vibecheck.car.zones import WHEEL_ZONES, ZONE_NAMES

    assert WHEELS == WHEEL_ZONES
    assert ZONES == ZONE_NAMES


def test_without_numba_the_missing_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    from vibecheck.simulator.compiled import compiled

    monkeypatch.setitem(sys.modules, "numba", None)
    with pytest.raises(MissingExtraError, match=r"vibecheck\[simulator\]"):
        compiled(lambda: None)


def test_importing_the_simulator_compiles_nothing() -> None:
    code = (
        "import sys, vibecheck.simulator as s; s.draw_car(1); "
        "print([m for m in ('numba', 'scipy.signal', 'soxr') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
