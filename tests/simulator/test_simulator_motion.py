"""The equations of motion against closed forms, on the functions that simulate the takes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import simulator_rigs as rigs

from vibecheck.simulator import build, build_drive, run
from vibecheck.simulator.draw import draw_car
from vibecheck.simulator.parts import GRAVITY, Chassis, State, Wheels
from vibecheck.simulator.script import ThrottleScript
from vibecheck.simulator.states import Conditions, FastenerState, Sitting, draw_sitting

CAR = draw_car(7, "4wd", scale="eighth")


def at_rest(sitting: Sitting, wheels: Wheels) -> State:
    return build.rest_state(CAR, sitting, wheels, build_drive.build_sleeve(CAR, sitting))


def one_mass(mass: float, rate: float, zeta: float) -> tuple[Chassis, State]:
    """A rigid chassis of one joint at its centre; every degree of freedom alike."""
    chassis = Chassis(
        inverse_mass=np.full(6, 1.0 / mass),
        loss=np.full(6, 2.0 * zeta * rate),
        spring=np.full(6, rate**2),
        rest_drive=np.zeros(6),
        joint_map=np.ascontiguousarray(build.rigid_map(np.zeros((1, 3)))),
    )
    sitting = draw_sitting({}, Conditions(), 1)
    rest = at_rest(sitting, build.build_wheels(CAR, sitting))
    state = rest._replace(
        body=np.zeros((2, 6)), base=np.zeros((2, 3)), force=np.zeros(3), acceleration=np.zeros(6)
    )
    return chassis, state


@pytest.mark.parametrize(
    ("ratio", "zeta", "expected"),
    [
        (0.5, 0.05, 0.33260), (0.5, 0.25, 0.31623), (1.0, 0.05, 10.0), (1.0, 0.1, 5.0),
        (1.0, 0.25, 2.0), (math.sqrt(2), 0.1, 1.92450), (2.0, 0.05, 1.33038),
        (2.0, 0.5, 1.10940), (3.0, 0.1, 1.12185), (3.0, 0.5, 1.05337),
    ],
)  # fmt: skip
def test_rotating_unbalance_follows_the_textbook_curve(
    ratio: float, zeta: float, expected: float
) -> None:
    # MX/(me) = r²/√((1-r²)² + (2ζr)²); Rao, Mechanical Vibrations, ch. 3 (value from memory,
    # recomputed closed form, table to 5 digits).
    mass, me, natural = 1.5, 4e-6, 2 * math.pi * 60.0
    omega = ratio * natural
    dt = 1.0 / run.INTERNAL_RATE_HZ
    chassis, state = one_mass(mass, natural, zeta)
    keep = round(2 * math.pi / omega / dt)
    settle = round(12.0 / (zeta * natural) / dt)
    out = rigs.empty(keep)
    rigs.shake_chassis(chassis, state, me * omega**2, omega, 2, dt, settle + keep, keep, out)
    amplitude = np.abs(out[:, 0]).max()
    assert mass * amplitude / me == pytest.approx(expected, rel=4e-3)


def test_a_nearly_free_car_moves_at_me_omega_over_mass() -> None:
    # me = 4 g·mm on 1.5 kg at 10 000 rpm: 2.792 mm/s peak (recomputed closed form).
    omega = 10_000 / 60 * 2 * math.pi
    chassis, state = one_mass(1.5, 2 * math.pi * 4.0, 0.2)
    dt = 1.0 / run.INTERNAL_RATE_HZ
    out = rigs.empty(round(2 * math.pi / omega / dt))
    rigs.shake_chassis(chassis, state, 4e-6 * omega**2, omega, 2, dt, 200_000, out.shape[0], out)
    assert np.ptp(out[:, 1]) / 2 == pytest.approx(2.792e-3, rel=2e-3)


def test_joints_move_as_points_of_a_rigid_body() -> None:
    # u = d + φ × p
    places = np.array([[0.1, -0.2, 0.05], [-0.3, 0.1, 0.0]])
    body = np.array([1e-3, -2e-3, 3e-3, 0.01, -0.02, 0.03])
    moved = (body @ build.rigid_map(places)).reshape(2, 3)
    assert moved == pytest.approx(body[:3] + np.cross(body[3:], places), abs=1e-15)


def plain_wheel(clearance: float = 1.0, **changes: np.ndarray):
    """Wheels without couple, drive shaft forces or offsets, so that x and z stand alone."""
    sitting = replace(draw_sitting({}, Conditions(), 1), seat_place=np.zeros((4, 2)))
    wheels = build.build_wheels(CAR, sitting)
    zero = np.zeros(4)
    wheels = wheels._replace(
        couple=np.zeros((4, 2)),
        growth=zero,
        arm_play=zero,
        shaft_force=zero,
        shaft_swing=zero,
        hex_uneven=np.zeros((4, 2)),
        face_offset=zero,
        bore_offset=np.tile([-0.004, 0.004], (4, 1)),
        bore_clearance=np.full((4, 2), clearance),
        **changes,
    )
    return wheels, at_rest(sitting, wheels)


@pytest.mark.parametrize("rpm", [2000.0, 5000.0, 9000.0])
def test_a_snug_wheel_answers_its_unbalance_as_two_masses_on_springs(rpm: float) -> None:
    # Linear limit: hub (m1, arm k, c) and wheel (m2) joined by the friction grip of the face.
    # Complex 2x2 system solved here; closed form, no source.
    wheels, state = plain_wheel()
    i, omega = 0, rpm / 60 * 2 * math.pi
    dt = 1.0 / run.INTERNAL_RATE_HZ
    # Over 100 turns of settling, then whole turns kept.
    keep = round(20 * 2 * math.pi / omega / dt)
    out = rigs.empty(keep, 6)
    rigs.spin_wheel(wheels, state, i, omega, dt, 300_000 + keep, keep, out)
    depth_in, depth_out = wheels.seat_depth[i], wheels.nut_depth[i]
    grip = (
        wheels.grip_ratio[i]
        * 1.5
        * (
            wheels.seat_stiffness[i] * math.sqrt(depth_in)
            + wheels.nut_stiffness[i] * math.sqrt(depth_out)
        )
    )
    # The grip's damper lives in the turning frame: forward circular motion at Ω is still there.
    arm = wheels.arm_stiffness[i, 0] + 1j * omega * wheels.arm_damping[i, 0]
    arm_z = wheels.arm_stiffness[i, 2] + 1j * omega * wheels.arm_damping[i, 2]
    unbalance = float(np.hypot(*wheels.unbalance[i]))
    for column, k in ((0, arm), (2, arm_z)):
        system = np.array(
            [
                [k + grip - omega**2 * wheels.hub_mass[i], -grip],
                [-grip, grip - omega**2 * wheels.mass[i]],
            ]
        )
        expected = abs(np.linalg.solve(system, [0.0, unbalance * omega**2])[1])
        steps = np.arange(keep) * dt * omega
        line = abs((out[:, column] * np.exp(-1j * steps)).mean()) * 2
        assert line == pytest.approx(expected, rel=0.02)


def test_a_snug_wheel_never_lets_go_and_a_loose_one_does() -> None:
    # No looseness ⇒ no impacts.
    sitting = draw_sitting({}, Conditions(), 3)
    wheels = build.build_wheels(CAR, sitting)
    state = at_rest(sitting, wheels)
    dt = 1.0 / run.INTERNAL_RATE_HZ
    out = rigs.empty(100_000, 6)
    rigs.spin_wheel(wheels, state, 3, 380.0, dt, 150_000, out.shape[0], out)
    # The face stays pressed on both sides at its rim, and the bore never meets the axle.
    reach = np.abs(out[:, 1]) + out[:, 5] * wheels.face_radius[3]
    assert reach.max() < min(wheels.seat_depth[3], wheels.nut_depth[3])
    assert out[:, 3].max() < wheels.bore_clearance[3].min()
    assert _kurtosis(out[:, 4]) < 3.0

    sitting = draw_sitting({"wheel_rear_right": FastenerState(0.0, 0.75)}, Conditions(), 3)
    wheels = build.build_wheels(CAR, sitting)
    state = at_rest(sitting, wheels)
    rigs.spin_wheel(wheels, state, 3, 380.0, dt, 150_000, out.shape[0], out)
    assert out[:, 3].max() > wheels.bore_clearance[3, 0]
    assert _kurtosis(out[:, 4]) > 6.0


def _kurtosis(x: np.ndarray) -> float:
    x = x - x.mean()
    return float((x**4).mean() / (x**2).mean() ** 2)


def test_a_wheel_with_play_lifts_where_the_unbalance_passes_its_weight() -> None:
    # Rattle onset at e·ω² = g (bench physics, closed form): a wheel that hangs on its axle lifts
    # off once per turn. The bore is wide, so that swinging in it is slow against the turning.
    wheels, state = plain_wheel(
        clearance=8e-3,
        seat_depth=np.full(4, -1e-3),
        nut_depth=np.full(4, -1e-3),
        bore_friction=np.zeros(4),
    )
    i = 0
    stiff = wheels.arm_stiffness.copy()
    stiff[i] = 2e6
    loss = 2 * 0.3 * np.sqrt(stiff * (wheels.hub_mass + wheels.mass)[:, None])
    e = 0.3e-3
    wheels = wheels._replace(
        arm_stiffness=stiff,
        arm_damping=loss,
        unbalance=np.tile([e * wheels.mass[i], 0.0], (4, 1)),
        bore_stiffness=np.full(4, 1e9),
    )
    onset = math.sqrt(GRAVITY / e)
    dt = 1.0 / run.INTERNAL_RATE_HZ

    def least_force(omega: float) -> float:
        start = State(*(part.copy() for part in state))
        start.wheel[i, 2] = -8e-3
        start.hub[i, 2] = 0.0
        out = rigs.empty(100_000, 6)
        rigs.spin_wheel(wheels, start, i, omega, dt, 400_000, out.shape[0], out)
        # The bore pushes the wheel up; the joint force on the hub is the opposite.
        return float(out[:, 4].min()) / (wheels.mass[i] * GRAVITY)

    assert least_force(0.95 * onset) > 0.02
    assert least_force(0.5 * onset) == pytest.approx(0.75, abs=0.05)
    assert least_force(1.05 * onset) <= 0.0


SHORT = ThrottleScript(0.3, (("run_up", 0.5, 0.9), ("hold", 0.5, 0.9)))


def _levels(result: run.Run) -> np.ndarray:
    first = round(0.85 * run.RECORD_RATE_HZ)
    force = result.force[first:].astype(np.float64)
    spectrum = np.abs(np.fft.rfft(force - force.mean(axis=0), axis=0)) ** 2
    frequency = np.fft.rfftfreq(force.shape[0], 1.0 / run.RECORD_RATE_HZ)
    low = frequency < 3000.0
    return np.array([np.sqrt(spectrum[low, channel].sum()) for channel in (0, 6, 24, 25, 30)])


def test_a_finer_step_changes_little(monkeypatch: pytest.MonkeyPatch) -> None:
    # Step-size convergence of the whole car: forces below 3 kHz at 96, 192 and 384 kHz.
    levels = []
    for factor in (1, 2, 4):
        monkeypatch.setattr(run, "INTERNAL_RATE_HZ", 96_000 * factor)
        monkeypatch.setattr(run, "STEPS_PER_CONTROL", 128 * factor)
        levels.append(_levels(run.run_car(CAR, {}, SHORT, 5)))
    coarse = np.abs(levels[0] / levels[2] - 1.0)
    fine = np.abs(levels[1] / levels[2] - 1.0)
    assert coarse.max() < 0.05
    assert fine.max() < 0.03


def test_one_seed_gives_one_run_and_another_seed_another() -> None:
    first = run.run_car(CAR, {}, SHORT, 5)
    again = run.run_car(CAR, {}, SHORT, 5)
    other = run.run_car(CAR, {}, SHORT, 6)
    assert np.array_equal(first.force, again.force)
    assert np.array_equal(first.motor_rpm, again.motor_rpm)
    assert not np.array_equal(first.force, other.force)


def test_speeds_obey_the_gearing() -> None:
    result = run.run_car(CAR, {}, SHORT, 5)
    bench = CAR.profile["drivetrain"]["bench_max_wheel_rpm"] / CAR.wheel_ratio
    assert result.motor_rpm[-1] == pytest.approx(0.9 * bench, rel=0.1)
    ratio = result.wheel_rpm[:, -200:].mean() / result.motor_rpm[-200:].mean()
    assert ratio == pytest.approx(CAR.wheel_ratio, rel=0.01)
    # An open differential turns its case at the mean of its wheels (identity).
    left, right = result.wheel_rpm[0, -1], result.wheel_rpm[1, -1]
    rear = result.wheel_rpm[2:, -1].mean()
    assert (left + right) / 2 == pytest.approx(rear, rel=0.05)
    # The angle is the integral of the speed.
    speed = np.interp(np.arange(0.35, 1.25, 1e-4), result.time_s, result.motor_rpm) / 60
    turns = np.interp([0.35, 1.25], result.time_s, result.motor_turns)
    assert speed.sum() * 1e-4 == pytest.approx(turns[1] - turns[0], rel=2e-3)


def test_a_car_that_has_stopped_falls_silent() -> None:
    script = ThrottleScript(
        0.1, (("run_up", 0.4, 0.3), ("hold", 0.2, 0.3), ("coast_down", 2.8, 0.0))
    )
    loose = {zone: FastenerState(0.0, 0.5) for zone in ("wheel_rear_left", "motor_mount")}
    for states in ({}, loose):
        result = run.run_car(CAR, states, script, 5)
        rate = run.RECORD_RATE_HZ
        moving = result.force[round(0.5 * rate) : round(0.7 * rate)].std(axis=0)
        still = result.force[-round(0.2 * rate) :].std(axis=0)
        assert abs(result.motor_rpm[-1]) < 1.0
        # What is left is the car rocking on its stand at a few Hz.
        assert np.all(still < 0.02 * moving + 2e-3)


def test_wheels_without_drive_stand_still() -> None:
    car = draw_car(11, "rwd")
    result = run.run_car(car, {}, SHORT, 5)
    assert np.all(result.wheel_rpm[:2] == 0.0)
    assert result.wheel_rpm[2:].max() > 1000.0


def test_motor_mount_gets_softer_as_its_screws_lose_preload() -> None:
    tight = build.build_motor(CAR, draw_sitting({}, Conditions(), 1))
    slack = build.build_motor(
        CAR, draw_sitting({"motor_mount": FastenerState(0.1)}, Conditions(), 1)
    )
    loose = build.build_motor(
        CAR, draw_sitting({"motor_mount": FastenerState(0.0, 0.5)}, Conditions(), 1)
    )
    # K·d^1.5 = F ⇒ the stiffness 1.5·K·√d goes with the cube root of the preload.
    assert np.sqrt(slack.seat_depth / tight.seat_depth) == pytest.approx(
        np.full(4, 0.1 ** (1 / 3)), rel=1e-6
    )
    assert loose.head_depth == pytest.approx(-0.5 * np.full(4, CAR.motor.thread_pitch))
    one = build.build_motor(
        CAR, draw_sitting({"motor_mount": FastenerState(0.0, 0.5, 0.5)}, Conditions(), 1)
    )
    assert sorted((one.head_depth < 0).tolist()) == [False, False, True, True]


def test_motion_without_bound_is_refused() -> None:
    wild = replace(
        CAR,
        wheels=tuple(replace(w, arm_damping_ratio=-9 * w.arm_damping_ratio) for w in CAR.wheels),
    )
    with pytest.raises(run.CallError, match="grew without bound"):
        run.run_car(wild, {}, SHORT, 1)
