"""Hard negatives: worn bearing, stone in a wheel, rubbing wire, second car.

Analysis here is numpy and scipy only, so that it is independent of the package's own.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, hilbert, sosfiltfilt

from vibecheck.errors import CallError
from vibecheck.simulator import Phone, Surroundings, ThrottleScript, draw_car, simulate_spots
from vibecheck.simulator.disturbance_forces import (
    JointForce,
    add_pulses,
    bearing_force,
    chassis_answer,
    disturbed,
    radial_channels,
    stone_force,
    stone_path,
    wire_force,
)
from vibecheck.simulator.disturbances import (
    DISTURBANCE_KINDS,
    Disturbances,
    RubbingWire,
    SecondCar,
    StoneInWheel,
    WornBearing,
    draw_disturbance,
)
from vibecheck.simulator.parameters import N_FORCE_CHANNELS
from vibecheck.simulator.run import Run
from vibecheck.simulator.second_car import second_car_sound, second_car_speed

RATE = 48_000
CAR = draw_car(7, "4wd", scale="eighth")
SHORT = ThrottleScript(
    0.4, (("run_up", 0.4, 0.9), ("hold", 1.4, 0.9), ("coast_down", 0.2, 0.0)), unsteady=0.0
)


def steady_run(motor_rpm: float, seconds: float = 2.0, idle_s: float = 0.0) -> Run:
    """A run of known speed without forces of its own."""
    n = round(seconds * RATE)
    time_s = np.array([0.0, max(idle_s - 1e-3, 0.0), max(idle_s, 1e-6), seconds])
    rpm = np.array([motor_rpm if idle_s == 0.0 else 0.0] * 2 + [motor_rpm] * 2)
    wheel = np.outer(np.array(CAR.driven, dtype=float), rpm * CAR.wheel_ratio)
    n_flexible = CAR.chassis.mode_frequency_hz.size
    return Run(
        force=np.zeros((n, N_FORCE_CHANNELS), dtype=np.float32),
        acceleration=np.zeros((n, 6 + n_flexible), dtype=np.float32),
        time_s=time_s,
        motor_rpm=rpm,
        wheel_rpm=wheel,
        motor_turns=np.zeros(4),
        phases=(),
        states={},
        seed=1,
    )


def order_envelope(
    signal: np.ndarray, turns: np.ndarray, low: float, high: float
) -> tuple[np.ndarray, np.ndarray]:
    """Orders and amplitudes of a band's envelope against the turns of a shaft."""
    sections = butter(4, (low, high), btype="bandpass", fs=RATE, output="sos")
    envelope = np.abs(hilbert(sosfiltfilt(sections, signal)))
    per_turn = 64
    grid = np.arange(turns[0], turns[-1], 1.0 / per_turn)
    even = np.interp(grid, turns, envelope)
    spectrum = np.abs(np.fft.rfft((even - even.mean()) * np.hanning(even.size)))
    return np.fft.rfftfreq(even.size, 1.0 / per_turn), spectrum


def over_floor(orders: np.ndarray, spectrum: np.ndarray, order: float, within: float) -> float:
    """Highest line near an order over the median of its surroundings."""
    near = np.abs(orders - order) < within * order
    around = np.abs(orders - order) < 0.4 * order
    return float(spectrum[near].max() / np.median(spectrum[around]))


def test_a_bearings_rates() -> None:
    # 6205, 9 balls, 0.3126 in on 1.537 in: outer 3.5848, inner 5.4152, ball on both races
    # 4.7135 per turn. Source: bearing table of the Case Western Reserve University bearing
    # data center (multiples), dimensions from memory.
    pit = WornBearing("motor_mount", balls=9, ball_mm=7.94004, pitch_mm=39.0398, slip=0.0)
    assert pit.impacts_per_turn == pytest.approx(3.5848, abs=1e-4)
    assert replace(pit, part="inner_race").impacts_per_turn == pytest.approx(5.4152, abs=1e-4)
    assert replace(pit, part="ball").impacts_per_turn == pytest.approx(4.7135, abs=2e-4)
    # Outer and inner add to the number of balls, slip or not (identity, no source).
    slipping = replace(pit, slip=0.02)
    both = slipping.impacts_per_turn + replace(slipping, part="inner_race").impacts_per_turn
    assert both == pytest.approx(9.0)


@pytest.mark.parametrize("part", ["outer_race", "inner_race", "ball"])
def test_impacts_come_at_the_ball_pass_rate_with_slip_and_jitter(part) -> None:
    bearing = WornBearing("gear_mesh", part, roughness_n=0.0, slip=0.015, jitter=0.015)
    run = steady_run(12_000.0, 4.0)
    force = bearing_force(CAR, run, bearing, 3)
    assert force.joint == "gear_mesh"
    size = np.hypot(*force.radial)
    # Upward crossings of a small level count impacts, strong and weak.
    level = 1e-6 * size.max()
    starts = np.flatnonzero((size[1:] > level) & (size[:-1] <= level))
    spur_hz = 200.0 * CAR.mesh.pinion_teeth / CAR.mesh.spur_teeth
    expected = spur_hz * bearing.impacts_per_turn
    if part == "outer_race":
        assert starts.size == pytest.approx(4.0 * expected, rel=0.01)
        intervals = np.diff(starts) / RATE * expected
        assert intervals.std() == pytest.approx(0.015, rel=0.25)
    else:
        # Some fall outside the loaded zone: 1 - load_zone is left of them.
        assert 0.5 * 4.0 * expected < starts.size <= 4.04 * expected
    faster = bearing_force(CAR, steady_run(24_000.0, 4.0), bearing, 3).radial
    assert np.abs(faster).max() > 1.8 * np.abs(force.radial).max()


def test_an_inner_race_is_loud_once_a_turn() -> None:
    bearing = WornBearing("motor_mount", "inner_race", roughness_n=0.0, jitter=0.0, load_zone=1.0)
    run = steady_run(6000.0, 4.0)
    size = np.hypot(*bearing_force(CAR, run, bearing, 3).radial)
    line = np.abs(np.fft.rfft(size - size.mean()))
    hz = np.fft.rfftfreq(size.size, 1 / RATE)
    turn = line[np.abs(hz - 100.0) < 1.0].max()
    assert turn > 5.0 * np.median(line[(hz > 60.0) & (hz < 140.0)])


def test_a_half_sine_pulse_has_its_impulse_wherever_it_starts() -> None:
    # ∫ A·sin(πt/T) dt = 2·A·T/π (closed form, no source).
    for start in (10.0, 10.3, 10.9):
        target = np.zeros(60)
        add_pulses(target, np.array([start]), np.array([3.0]), 0.5e-3)
        assert target.sum() / RATE == pytest.approx(2 * 3.0 * 0.5e-3 / math.pi, rel=0.01)


def test_a_worn_bearings_rate_stands_in_the_envelope_of_a_take() -> None:
    # As strong as the strongest that is drawn: a loud car's gears drown a faint pit.
    bearing = WornBearing("motor_mount", impact_n=50.0, balls=8, ball_mm=3.0, pitch_mm=12.0)
    common = {"phone": Phone("plain"), "surroundings": Surroundings(noise_db=30.0)}
    spots = [("microphone", "centre"), ("accelerometer", "motor_mount")]
    plain = simulate_spots(CAR, {}, SHORT, spots, 9, **common)
    worn = simulate_spots(
        CAR, {}, SHORT, spots, 9, disturbances=Disturbances(bearing=bearing), **common
    )
    truth = worn[0].truth
    assert truth.disturbances.kinds == ("worn_bearing",)
    assert np.array_equal(truth.motor_turns, plain[0].truth.motor_turns)
    window = slice(round(1.0 * RATE), round(2.1 * RATE))
    turns = np.interp(np.arange(worn[0].samples.size) / RATE, truth.time_s, truth.motor_turns)
    strength = []
    for take in (worn[0], plain[0]):
        signal = take.samples[0, window].astype(np.float64)
        orders, spectrum = order_envelope(signal, turns[window], 6000.0, 16_000.0)
        strength.append(over_floor(orders, spectrum, bearing.impacts_per_turn, 0.01))
    assert strength[0] > 6.0
    assert strength[0] > 1.5 * strength[1]
    # An accelerometer feels it too.
    assert not np.array_equal(worn[1].samples, plain[1].samples)


def wheel_at(rate: float, seconds: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    clock = np.arange(round(seconds * RATE)) / RATE
    return rate * clock / (2 * math.pi), np.full(clock.size, rate)


def test_a_stone_is_pinned_from_where_centrifugal_force_carries_its_weight() -> None:
    # ω²·r = g: the critical speed of a tumbling mill, 42.3/√D rpm with D in m (common practice).
    radius = 0.035
    critical = 42.3 / math.sqrt(2 * radius) * 2 * math.pi / 60.0
    assert critical == pytest.approx(math.sqrt(9.80665 / radius), rel=1e-3)
    _, rests, landings = stone_path(*wheel_at(1.005 * critical), radius)
    assert rests.all()
    assert landings == []
    _, rests, landings = stone_path(*wheel_at(0.99 * critical), radius)
    assert not rests.all()
    assert len(landings) >= 3


@pytest.mark.parametrize("share", [0.4, 0.7, 0.9])
def test_a_tumbling_stone_flies_as_daviss_parabola(share: float) -> None:
    # Leaves at cos α = ω²r/g, flies 4·v·sin α/g, lands at 3α past the top: closed form of a
    # projectile in a circle (Davis, Trans. AIME 61 (1919) 250-296, value from memory).
    radius = 0.04
    rate = share * math.sqrt(9.80665 / radius)
    angle, rests, landings = stone_path(*wheel_at(rate, 3.0), radius)
    alpha = math.acos(rate**2 * radius / 9.80665)
    flight = 4.0 * rate * radius * math.sin(alpha) / 9.80665
    first, second = landings[1], landings[2]
    leave = first[0] + int((~rests[first[0] :]).argmax())
    assert math.cos(angle[leave - 1]) == pytest.approx(math.cos(alpha), abs=1e-3)
    assert (second[0] - leave) / RATE == pytest.approx(flight, abs=2.5e-4)
    # On the rim it is carried over the rest of the turn.
    assert second[1] % (2 * math.pi) == pytest.approx((3.0 * alpha) % (2 * math.pi), abs=5e-3)
    carried = rate * (leave - first[0]) / RATE
    assert carried == pytest.approx(2 * math.pi - 4.0 * alpha, abs=5e-3)


def test_a_pinned_stone_is_an_unbalance() -> None:
    run = steady_run(2000.0 / CAR.wheel_ratio, 1.0)
    stone = StoneInWheel("wheel_rear_left", mass_g=0.5, radius_share=0.6)
    force = stone_force(CAR, run, stone)
    # m·r·ω² (closed form), turning with the wheel.
    rate = 2000.0 * 2 * math.pi / 60.0
    expected = 0.5e-3 * 0.6 * CAR.wheels[2].radius * rate**2
    assert np.hypot(*force.radial) == pytest.approx(np.full(run.n_samples, expected), rel=1e-6)
    added = disturbed(CAR, run, Disturbances(stone=stone), 1)
    first, second = radial_channels("wheel_rear_left")
    assert (added.force[:, [first, second]] != 0.0).any(axis=0).all()
    assert np.flatnonzero((added.force != 0.0).any(axis=0)).tolist() == [first, second]
    # Nothing turns, nothing is heard.
    still = stone_force(CAR, replace(run, wheel_rpm=np.zeros((4, 4))), stone)
    assert not still.radial.any()


def test_the_chassis_answers_as_a_body_on_its_stand() -> None:
    # Far above the stand's and below the flexible modes' frequencies: a = F/M up to the share
    # of the modes; here at a single stiff mode bank's static limit (closed form, no source).
    chassis = replace(
        CAR.chassis,
        mode_frequency_hz=np.full_like(CAR.chassis.mode_frequency_hz, 8000.0),
    )
    car = replace(CAR, chassis=chassis)
    clock = np.arange(RATE) / RATE
    wave = np.sin(2 * np.pi * 300.0 * clock)
    answer = chassis_answer(car, JointForce("gear_mesh", np.stack((0.0 * wave, wave))))
    tail = answer[RATE // 2 :, 2].astype(np.float64)
    line = 2 * abs((tail * np.exp(-2j * np.pi * 300.0 * clock[RATE // 2 :])).mean())
    stand = float(chassis.stand_frequency_hz[2])
    expected = 1.0 / (chassis.mass * abs(1.0 - (stand / 300.0) ** 2))
    assert line == pytest.approx(expected, rel=0.02)


def test_a_wire_scratches_in_its_band_once_a_turn_and_only_at_speed() -> None:
    wire = RubbingWire("gear_mesh", 0.5, 2000.0, 5000.0, touches_per_turn=2, depth=1.0)
    run = steady_run(12_000.0, 3.0, idle_s=1.0)
    force = wire_force(CAR, run, wire, 3).radial[0]
    assert np.abs(force[: RATE - 100]).max() == 0.0
    moving = force[RATE + 100 :]
    spectrum = np.abs(np.fft.rfft(moving)) ** 2
    hz = np.fft.rfftfreq(moving.size, 1 / RATE)
    inside = spectrum[(hz > 1500.0) & (hz < 6500.0)].sum() / spectrum.sum()
    assert inside > 0.7  # the band's edges are soft, 12 dB an octave
    spur_hz = 200.0 * CAR.mesh.pinion_teeth / CAR.mesh.spur_teeth
    line = np.abs(np.fft.rfft(moving**2 - (moving**2).mean()))
    found = hz[1:2000][line[1:2000].argmax()]
    assert found == pytest.approx(2 * spur_hz, rel=0.01)
    slow = wire_force(CAR, steady_run(300.0, 1.0), replace(wire, start_rpm=900.0), 3).radial
    assert np.abs(slow).max() < 1e-3 * np.abs(moving).max()
    half = wire_force(CAR, steady_run(12_000.0, 8.0), replace(wire, presence=0.4), 3).radial[0]
    quiet = np.abs(half).reshape(-1, RATE // 10).max(axis=1) < 0.2 * np.abs(half).max()
    assert 0.3 < quiet.mean() < 0.9


def test_a_second_cars_lines_lie_at_its_own_speed_and_level() -> None:
    other = SecondCar(level_db=70.0, distance_m=2.0, pinion_teeth=21, tonal=0.9)
    n = 6 * RATE
    sound = second_car_sound(other, n, 5).astype(np.float64)
    time_s, rpm = second_car_speed(other, 6.0, 5)
    turns = np.cumsum(np.interp(np.arange(n) / RATE, time_s, rpm)) / 60.0 / RATE
    grid = np.arange(0.0, turns[-1], 1.0 / 128)
    even = np.interp(grid, turns, sound)
    spectrum = np.abs(np.fft.rfft(even * np.hanning(even.size)))
    orders = np.fft.rfftfreq(even.size, 1.0 / 128)
    assert over_floor(orders, spectrum, 21.0, 0.001) > 20.0
    assert over_floor(orders, spectrum, 22.6, 0.001) < 10.0
    # 6 dB less at twice the distance; never over its level at 1 m and top speed.
    far = second_car_sound(replace(other, distance_m=4.0), n, 5)
    assert far.std() == pytest.approx(0.5 * sound.std(), rel=1e-3)
    assert 20 * math.log10(sound.std() / 20e-6) < 70.0
    late = replace(other, start_s=2.0)
    assert not second_car_sound(late, n, 5)[: round(1.9 * RATE)].any()


def test_without_disturbances_a_take_is_unchanged_and_one_seed_gives_one_recording() -> None:
    script = ThrottleScript(0.2, (("run_up", 0.3, 0.6), ("hold", 0.3, 0.6)))
    spots = [("microphone", "gear_mesh"), ("accelerometer", "centre")]

    def take(disturbances: Disturbances | None) -> list[bytes]:
        done = simulate_spots(CAR, {}, script, spots, 3, disturbances=disturbances)
        return [recording.samples.tobytes() for recording in done]

    plain = take(None)
    assert plain == take(Disturbances())
    everything = Disturbances(
        WornBearing("motor_mount"), StoneInWheel("wheel_rear_left"), RubbingWire("gear_mesh"),
        SecondCar(start_s=-1.0),
    )  # fmt: skip
    loud = take(everything)
    assert loud == take(everything)
    assert all(a != b for a, b in zip(loud, plain, strict=True))
    # A second car is heard, not felt.
    beside = take(Disturbances(second_car=SecondCar()))
    assert beside[0] != plain[0]
    assert beside[1] == plain[1]


@pytest.mark.parametrize("kind", DISTURBANCE_KINDS)
def test_drawn_disturbances_are_of_their_kind(kind: str) -> None:
    drawn = [draw_disturbance(kind, CAR, seed) for seed in range(12)]
    assert {one.kinds for one in drawn} == {(kind,)}
    assert draw_disturbance(kind, CAR, 3) == drawn[3]
    assert len(set(drawn)) == 12
    assert all(one.shakes_the_car == (kind != "second_car") for one in drawn)
    rear = draw_car(3, "rwd")
    for seed in range(12):
        one = draw_disturbance(kind, rear, seed)
        for part in (one.bearing, one.wire):
            assert part is None or not part.joint.startswith("wheel_front")
        assert one.stone is None or one.stone.wheel.startswith("wheel_rear")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: draw_disturbance("worn_bearings", CAR, 1), 'Did you mean "worn_bearing"'),
        (lambda: WornBearing("gear_mess"), 'no joint "gear_mess". Did you mean "gear_mesh"'),
        (lambda: WornBearing("gear_mesh", "cage"), 'part must be "outer_race"'),
        (lambda: WornBearing("gear_mesh", balls=0), "balls over 0. Got 0"),
        (lambda: WornBearing("gear_mesh", pitch_mm=2.0), "pitch_mm must be over ball_mm"),
        (lambda: WornBearing("gear_mesh", slip=0.5), "slip must be between 0 and 0.05"),
        (lambda: StoneInWheel("gear_mesh"), 'stone in a wheel has no joint "gear_mesh"'),
        (lambda: StoneInWheel("wheel_rear_left", mass_g=0.0), "mass_g over 0"),
        (lambda: StoneInWheel("wheel_rear_left", radius_share=2.0), "radius_share must be"),
        (lambda: RubbingWire("gear_mesh", low_hz=7000.0), "low_hz and high_hz must rise"),
        (lambda: RubbingWire("gear_mesh", presence=0.0), "presence over 0"),
        (lambda: SecondCar(distance_m=0.0), "distance_m over 0"),
        (lambda: SecondCar(tonal=2.0), "tonal must be between 0 and 1"),
    ],
)
def test_wrong_disturbances_say_what_to_do(call, message: str) -> None:
    with pytest.raises(CallError, match=message):
        call()
