"""The whole coupled car: linear answer, energy, no impacts without looseness, every zone."""

from __future__ import annotations

import math

import numpy as np
import pytest
from linear_car import LinearCar
from whole_car import WholeCar

from vibecheck.simulator import run
from vibecheck.simulator.draw import draw_car
from vibecheck.simulator.parameters import DECKS, ZONES
from vibecheck.simulator.parts import DECK_AT, DECK_JOINT, DRIVELINE_JOINT, GRAVITY, MOTOR_JOINT
from vibecheck.simulator.states import Conditions, FastenerState

NONE = np.zeros(4)
NONE_2 = np.zeros((4, 2))


def without_drive(car: WholeCar) -> None:
    """Take out all that turns the car or shakes it but the wheels' own unbalance."""
    car.wheels = car.wheels._replace(
        unbalance=NONE_2, couple=NONE_2, growth=NONE, arm_play=NONE, shaft_force=NONE,
        shaft_swing=NONE, hex_uneven=NONE_2, spin_drag=NONE,
    )  # fmt: skip
    car.motor = car.motor._replace(unbalance=0.0, pull=0.0)
    car.sleeve = car.sleeve._replace(force=0.0)
    drive = car.drive
    car.drive = drive._replace(
        resistance=1e12, rotor_table=0.0 * drive.rotor_table, spur_table=0.0 * drive.spur_table,
        wheel_drag=np.zeros(3), spur_drag=np.zeros(2), rotor_drag=np.zeros(2), spur_unbalance=0.0,
    )  # fmt: skip
    # Wheels on the middle of their axles.
    car.state.wheel[:, :3] = 0.0
    car.state.wheel_grip[:] = 0.0
    car.state.hub[:] = 0.0


@pytest.mark.parametrize(("seed", "wheel", "rpm"), [(4, 2, 2500.0), (9, 3, 4000.0)])
def test_a_snug_car_answers_as_the_assembled_linear_system(
    seed: int, wheel: int, rpm: float
) -> None:
    # Linear limit of all 70 degrees of freedom: (K - ω²M + jω(C + G))·q = f, assembled from the
    # drawing in linear_car.py; closed form, no source.
    car = WholeCar(draw_car(seed, "4wd"))
    without_drive(car)
    omega = rpm / 60.0 * 2.0 * math.pi
    car.drive = car.drive._replace(
        mesh_stiffness=0.0, mesh_damping=0.0, line_stiffness=0.0, line_damping=0.0,
        wheel_inertia=1e9, case_lever=0.0,
    )  # fmt: skip
    slow = 0.03 * np.sqrt(car.chassis.spring)
    car.chassis = car.chassis._replace(loss=np.maximum(car.chassis.loss, slow))
    car.state.shaft[7] = omega * car.drive.internal_ratio
    car.run(96_000)
    unbalance = np.zeros((4, 2))
    unbalance[wheel, 0] = 2e-7
    car.wheels = car.wheels._replace(unbalance=unbalance)
    car.run(144_000)
    start = car.state.wheel_angle[wheel]
    keep = round(20 * 2 * math.pi / omega * run.RECORD_RATE_HZ)
    record = car.run(2 * keep).astype(np.float64)
    # A sample is written at the end of its second step.
    phase = start + omega * (2.0 * np.arange(keep) + 1.0) * car.dt
    line = 2.0 * (record * np.exp(-1j * phase)[:, None]).mean(axis=0)

    linear = LinearCar(car, omega)
    force = np.zeros(linear.n, dtype=complex)
    # The unbalance turns z towards x: x leads by sin θ, z by cos θ.
    force[linear.wheel + 5 * wheel] = -1j * 2e-7 * omega**2
    force[linear.wheel + 5 * wheel + 2] = 2e-7 * omega**2
    places = linear.answer(force, omega)
    acceleration = -(omega**2) * places[: linear.n_body]
    decks = linear.deck_forces(places, omega)
    for measured, expected in (
        (line[-linear.n_body :], acceleration),
        (line[DECK_AT : DECK_AT + 18], decks),
    ):
        error = np.abs(np.abs(measured) - np.abs(expected))
        assert np.all(error < 0.015 * np.abs(expected) + 2e-4 * np.abs(expected).max())


def conservative(car: WholeCar) -> None:
    """No contact damping, no friction, no damper; what is left keeps its energy."""
    w, m, s, d = car.wheels, car.motor, car.sleeve, car.decks
    car.wheels = w._replace(
        face_damping=NONE, face_friction=NONE, grip_damping=NONE, bore_damping=NONE,
        bore_friction=NONE, arm_damping=np.zeros((4, 3)), hex_damping=NONE,
    )  # fmt: skip
    car.motor = m._replace(
        face_damping=0.0, face_friction=0.0, grip_damping=0.0, hole_damping=0.0,
        plate_damping=np.zeros(3),
    )  # fmt: skip
    car.sleeve = s._replace(limit=0.0, grip_damping=0.0, bore_damping=0.0, bore_friction=0.0)
    none = np.zeros(d.mass.size)
    car.decks = d._replace(damping=none, friction=none, grip_damping=none)
    car.drive = car.drive._replace(
        pinion_table=0.0 * car.drive.pinion_table, mesh_damping=0.0, tooth_friction=0.0,
        tooth_loss=0.0, screw_damping=0.0, sleeve_damping=0.0, line_damping=0.0, screw_limit=0.0,
        sleeve_limit=0.0,
    )  # fmt: skip
    car.chassis = car.chassis._replace(loss=0.0 * car.chassis.loss)


def hertz(depth: float, stiffness: float) -> float:
    """Energy of F = K·d^1.5: 0.4·K·d^2.5."""
    return 0.4 * stiffness * max(float(depth), 0.0) ** 2.5


def dead_zone(stretch: float, half_gap: float, stiffness: float) -> float:
    return 0.5 * stiffness * max(abs(float(stretch)) - half_gap, 0.0) ** 2


def energy(car: WholeCar) -> tuple[float, float]:
    """Kinetic and potential energy of the whole car, from its state alone."""
    c, w, m, v, h, d = car.chassis, car.wheels, car.motor, car.drive, car.sleeve, car.decks
    s = car.state
    base = s.body[0] @ c.joint_map
    shift = np.array(base)
    at = 3 * DECK_JOINT
    for out, own, gain in zip(d.path_joint, d.path_deck, d.path_gain, strict=True):
        shift[out] += gain * (s.deck[own // 3, own % 3] - base[at + own])
    mass = 1.0 / c.inverse_mass
    kinetic = 0.5 * float(mass @ s.body[1] ** 2)
    potential = 0.5 * float((mass * c.spring) @ s.body[0] ** 2) - float(c.rest_drive @ s.body[0])
    for i in range(4):
        hub, wheel = s.hub[i], s.wheel[i]
        kinetic += 0.5 * w.hub_mass[i] * float(hub[3:] @ hub[3:])
        kinetic += 0.5 * w.mass[i] * float(wheel[5:8] @ wheel[5:8])
        kinetic += 0.5 * w.transverse_inertia[i] * float(wheel[8:] @ wheel[8:])
        kinetic += 0.5 * w.polar_inertia[i] * s.wheel_spin[i, 1] ** 2
        potential += GRAVITY * (w.hub_mass[i] * hub[2] + w.mass[i] * wheel[2])
        stretch = hub[:3] - shift[3 * i : 3 * i + 3]
        potential += 0.5 * float(w.arm_stiffness[i] @ stretch**2)
        dx, dy, dz = wheel[:3] - hub[:3]
        al, ga = wheel[3] - s.body[0, 3], wheel[4] - s.body[0, 5]
        r = w.face_radius[i]
        for px, pz in ((r, 0.0), (-r, 0.0), (0.0, r), (0.0, -r)):
            along = w.outboard[i] * (dy - al * pz + ga * px)
            potential += hertz(w.seat_depth[i] - along, 0.25 * w.seat_stiffness[i])
            potential += hertz(w.nut_depth[i] + along, 0.25 * w.nut_stiffness[i])
        for plane in range(2):
            arm = w.bore_offset[i, plane]
            depth = math.hypot(dx - ga * arm, dz + al * arm) - w.bore_clearance[i, plane]
            potential += hertz(depth, w.bore_stiffness[i])
        potential += dead_zone(s.wheel_spin[i, 0], w.hex_play[i], w.hex_stiffness[i])
    # Motor and plate.
    local = m.axes @ base[3 * MOTOR_JOINT : 3 * MOTOR_JOINT + 3]
    turn = s.motor[3:6] - m.axes @ s.body[0, 3:6]
    kinetic += 0.5 * m.plate_mass * float(s.plate[3:] @ s.plate[3:])
    kinetic += 0.5 * m.mass * float(s.motor[6:9] @ s.motor[6:9])
    kinetic += 0.5 * float(m.inertia @ s.motor[9:12] ** 2)
    potential += 0.5 * float(m.plate_stiffness @ (s.plate[:3] - local) ** 2)
    potential += GRAVITY * (m.plate_mass * s.plate[1] + m.mass * s.motor[1])
    for point in range(4):
        moved = s.motor[:3] - s.plate[:3] + np.cross(turn, m.points[point])
        potential += hertz(m.seat_depth[point] + moved[2], m.seat_stiffness)
        potential += hertz(m.head_depth[point] - moved[2], m.head_stiffness)
    for pair in (0, 2):
        middle = 0.5 * (m.points[pair] + m.points[pair + 1])
        moved = s.motor[:3] - s.plate[:3] + np.cross(turn, middle)
        along = float(moved[:2] @ m.slot_line)
        across = float(moved[1] * m.slot_line[0] - moved[0] * m.slot_line[1])
        along -= min(max(along, -m.slot_open), m.slot_close)
        potential += hertz(math.hypot(along, across) - m.hole_clearance, m.hole_stiffness)
    # Drivetrain.
    inertia = np.array(
        [m.rotor_inertia, v.pinion_inertia, v.spur_inertia, v.wheel_inertia, v.sleeve_inertia]
    )
    speed = s.shaft[[4, 5, 6, 7, 9]]
    kinetic += 0.5 * float(inertia @ speed**2)
    rotor, pinion, spur, wheels, sleeve = s.shaft[[0, 1, 2, 3, 8]]
    potential += dead_zone(rotor - pinion, v.screw_play, v.screw_stiffness)
    potential += dead_zone(spur - sleeve, v.sleeve_play, v.sleeve_stiffness)
    case = s.deck[3, 2] - base[at + 11]
    potential += dead_zone(sleeve - wheels + v.case_lever * case, v.line_play, v.line_stiffness)
    arm = m.pinion_arm
    tip = s.motor[:2] + arm * np.array([s.motor[4], -s.motor[3]])
    tip = tip - (m.axes @ shift[15:18])[:2]
    overlap = v.pinion_radius * pinion - v.spur_radius * spur
    overlap += tip[1] * v.line[0] - tip[0] * v.line[1]
    half = 0.5 * v.backlash - v.pressure_tangent * float(tip @ v.line)
    for side in (overlap, -overlap):
        potential += 0.5 * v.mesh_stiffness * max(side - half, 0.0) ** 2
    # Sleeve and decks.
    place = s.sleeve[:2] - (m.axes @ shift[3 * DRIVELINE_JOINT : 3 * DRIVELINE_JOINT + 3])[:2]
    kinetic += 0.5 * h.mass * float(s.sleeve[2:] @ s.sleeve[2:])
    potential += hertz(float(np.hypot(*place)) - h.clearance, h.bore_stiffness)
    potential += GRAVITY * h.mass * s.sleeve[1]
    for k in range(d.mass.size):
        moved = s.deck[k, :3] - base[at + 3 * k : at + 3 * k + 3]
        d1, d2, d3 = moved[d.order[k]]
        kinetic += 0.5 * d.mass[k] * float(s.deck[k, 3:] @ s.deck[k, 3:])
        potential += GRAVITY * d.mass[k] * s.deck[k, 2]
        potential += hertz(d.seat_depth[k] - d3, d.seat_stiffness[k])
        potential += hertz(d.head_depth[k] + d3, d.head_stiffness[k])
        potential += hertz(math.hypot(d1, d2) - d.hole_clearance[k], d.hole_stiffness[k])
    return kinetic, potential


def kick(car: WholeCar, seed: int) -> float:
    """Push every part; return the energy given."""
    rng, s = np.random.default_rng(seed), car.state
    before = energy(car)[0]
    s.body[1, :6] = rng.normal(0.0, 0.02, 6) * np.array([1.0, 1.0, 1.0, 3.0, 3.0, 3.0])
    s.hub[:, 3:] = rng.normal(0.0, 0.05, (4, 3))
    s.wheel[:, 5:8] = rng.normal(0.0, 0.1, (4, 3))
    s.wheel[:, 8:] = rng.normal(0.0, 3.0, (4, 2))
    s.motor[6:9] = rng.normal(0.0, 0.1, 3)
    s.motor[9:12] = rng.normal(0.0, 3.0, 3)
    s.deck[:, 3:] = rng.normal(0.0, 0.1, (len(DECKS), 3))
    s.sleeve[2:] = rng.normal(0.0, 0.1, 2)
    # Parts of the drivetrain against each other.
    s.shaft[[4, 5, 6, 9]] *= np.array([1.0, 1.01, 1.02, 0.98])
    return energy(car)[0] - before


@pytest.mark.parametrize("loose", [False, True])
def test_a_car_without_losses_keeps_its_energy(loose: bool) -> None:
    # Energy balance within 0.5 % (sanity rule of any simulator), every zone loose at once.
    states = {zone: FastenerState(0.0, 0.5) for zone in ZONES} if loose else {}
    car = WholeCar(draw_car(6, "4wd"), states, oversampling=8)
    without_drive(car)
    conservative(car)
    car.set_turning(1900.0)
    given = kick(car, 1)
    start = sum(energy(car))
    for _ in range(6):
        car.run(96 * 8 * 5)
        assert sum(energy(car)) == pytest.approx(start, abs=5e-3 * given)


def test_power_in_is_power_out_and_energy_stored() -> None:
    # The motor pulls, unbalance shakes, dampers and drags take up: work in - work out = energy
    # gained, within 0.5 % of the work (sanity rule of any simulator). All zones loose; contact
    # damping and dry friction have energy checks of their own (test_simulator_elements.py).
    states = {zone: FastenerState(0.0, 0.5) for zone in ZONES}
    model = draw_car(6, "4wd")
    whole = WholeCar(model, states, oversampling=4)
    kept = whole.wheels, whole.motor, whole.chassis, whole.drive
    car = WholeCar(model, states, oversampling=4)
    without_drive(car)
    conservative(car)
    wheels, motor, chassis, drive = kept
    car.wheels = car.wheels._replace(
        unbalance=5.0 * wheels.unbalance, couple=wheels.couple, arm_damping=wheels.arm_damping
    )
    car.motor = car.motor._replace(unbalance=motor.unbalance, plate_damping=motor.plate_damping)
    car.chassis = chassis
    amps = 8.0
    car.drive = car.drive._replace(
        resistance=1e-9, current_max=amps, wheel_drag=drive.wheel_drag,
        spur_unbalance=drive.spur_unbalance,
    )  # fmt: skip
    car.set_turning(1900.0)
    kick(car, 2)
    w, m, v, c, d, s = car.wheels, car.motor, car.drive, car.chassis, car.decks, car.state

    def speeds() -> dict[str, np.ndarray]:
        base = s.body[1] @ c.joint_map
        shift = np.array(base)
        for out, own, gain in zip(d.path_joint, d.path_deck, d.path_gain, strict=True):
            k, axis = divmod(int(own), 3)
            shift[out] += gain * (s.deck[k, 3 + axis] - base[3 * DECK_JOINT + own])
        return {
            "body": s.body[1].copy(),
            "arms": s.hub[:, 3:] - shift[:12].reshape(4, 3),
            "plate": s.plate[3:] - m.axes @ base[12:15],
            "wheel": s.wheel[:, 5:].copy(),
            "motor": s.motor[6:8].copy(),
            "case": s.motor[11:12].copy(),
            "shaft": s.shaft.copy(),
            "gearbox": (m.axes @ shift[15:18])[:2],
        }

    def shaken() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        turning = s.shaft[7] / v.internal_ratio
        sine, cosine = np.sin(s.wheel_angle), np.cos(s.wheel_angle)
        out = np.zeros((4, 5))
        for column, (one, two) in ((0, w.unbalance.T), (3, w.couple.T)):
            out[:, column] = turning**2 * (one * sine + two * cosine)
            out[:, column + 2 - column // 3] = turning**2 * (one * cosine - two * sine)
        rotor = m.unbalance * s.shaft[4] ** 2 * np.array([np.sin(s.shaft[0]), np.cos(s.shaft[0])])
        spur = v.spur_unbalance * s.shaft[6] ** 2
        return out, rotor, spur * np.array([np.sin(s.shaft[2]), np.cos(s.shaft[2])])

    work = lost = 0.0
    start = sum(energy(car))
    before, push = speeds(), shaken()
    mass = 1.0 / c.inverse_mass
    for _ in range(3000):
        car.run(1, 20.0)
        after, later = speeds(), shaken()
        mean = {key: 0.5 * (before[key] + after[key]) for key in before}
        force = [0.5 * (a + b) for a, b in zip(push, later, strict=True)]
        # The motor's torque turns its case the other way (axis 3 of its own axes).
        work += car.dt * v.back_emf * amps * float(mean["shaft"][4] - mean["case"][0])
        work += car.dt * float((force[0] * mean["wheel"]).sum())
        work += car.dt * float(force[1] @ mean["motor"] + force[2] @ mean["gearbox"])
        lost += car.dt * float((mass * c.loss) @ mean["body"] ** 2)
        lost += car.dt * float((w.arm_damping * mean["arms"] ** 2).sum())
        lost += car.dt * float(m.plate_damping @ mean["plate"] ** 2)
        spin = mean["shaft"][7]
        drag = v.wheel_drag[0] * spin / math.sqrt(spin**2 + 4.0)
        drag += (v.wheel_drag[1] + v.wheel_drag[2] * abs(spin)) * spin
        lost += car.dt * drag * spin
        before, push = after, later
    gained = sum(energy(car)) - start
    assert lost > 0.02 * work
    assert work - lost == pytest.approx(gained, abs=5e-3 * work)


SNUG_CARS = (1, 5, 10)


@pytest.mark.parametrize("seed", SNUG_CARS)
def test_no_looseness_means_no_impacts_in_any_zone(seed: int) -> None:
    # No clamped face opens, no clearance is used up, no set screw slips.
    car = WholeCar(draw_car(seed))
    volts = car.set_turning(0.95 * car.car.profile["drivetrain"]["bench_max_wheel_rpm"])
    car.run(30_000, volts)
    worst = car.watch(0.04, volts)
    assert set(worst) == set(ZONES)
    assert max(worst.values()) < 0.95, worst


@pytest.mark.parametrize("zone", [zone for zone in ZONES if "wheel_front" not in zone])
def test_every_loose_joint_lets_go(zone: str) -> None:
    car = WholeCar(draw_car(5), {zone: FastenerState(0.0, 0.5)})
    volts = car.set_turning(0.95 * car.car.profile["drivetrain"]["bench_max_wheel_rpm"])
    car.run(30_000, volts)
    worst = car.watch(0.02, volts)
    # A slider is held at its limit: exactly 1.
    assert worst[zone] >= 1.0 - 1e-9
    others = {other: size for other, size in worst.items() if other != zone}
    assert max(others.values()) < 1.0, others


def test_a_loose_motor_slides_no_further_than_its_slots() -> None:
    model = draw_car(5)
    car = WholeCar(model, {"motor_mount": FastenerState(0.0, 0.5)})
    volts = car.set_turning(2000.0)
    car.run(40_000, volts)
    moved = (car.state.motor[:2] - car.state.plate[:2]) @ car.motor.slot_line
    # Some of the way is the motor's tilt about its screws.
    reach = model.motor.slot_open + model.motor.hole_clearance
    assert -reach - 0.3e-3 < moved < model.motor.slot_close + model.motor.hole_clearance + 0.3e-3
    snug = WholeCar(model)
    snug.run(40_000, snug.set_turning(2000.0))
    held = (snug.state.motor[:2] - snug.state.plate[:2]) @ snug.motor.slot_line
    assert abs(held) < 0.05 * abs(moved)


def test_a_mesh_pressed_together_bears_on_both_flanks() -> None:
    def mean_separating_force(backlash: float) -> float:
        car = WholeCar(draw_car(4), conditions=Conditions(backlash=backlash))
        volts = car.set_turning(2000.0)
        car.run(20_000, volts)
        return float(car.run(9600, volts)[:, 31].mean())

    assert mean_separating_force(0.02) > 2.0 * mean_separating_force(1.0)


def test_screws_that_stay_tight_keep_a_deck_clamped() -> None:
    model = draw_car(4)
    half = WholeCar(model, {"shock_tower_rear": FastenerState(0.0, 1.0, share=0.5)}).decks
    full = WholeCar(model, {"shock_tower_rear": FastenerState(0.0, 1.0)}).decks
    tight = WholeCar(model).decks
    # F goes with d^1.5: half the preload leaves (1/2)^(2/3) of the depth.
    assert half.seat_depth[1] == pytest.approx(tight.seat_depth[1] * 0.5 ** (2 / 3))
    assert half.head_depth[1] > 0.0
    assert full.head_depth[1] == pytest.approx(-model.decks[1].thread_pitch)
