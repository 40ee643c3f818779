"""The simulator's mechanics against closed forms: vibration, damping, joints, contact."""

from __future__ import annotations

import math

import numpy as np
from outside_check import Check, check, held

from vibecheck.simulator import elements
from vibecheck.simulator.disturbances import WornBearing
from vibecheck.simulator.noise import transmit
from vibecheck.simulator.ringing import resonator_coefficients, ring
from vibecheck.simulator.run import RECORD_RATE_HZ
from vibecheck.simulator.script import speed_spread
from vibecheck.simulator.sound import SPEED_OF_SOUND

E = "vibecheck.simulator.elements"
RING = ("vibecheck.simulator.ringing.resonator_coefficients",)
TRANSMIT = "vibecheck.simulator.noise.transmit"
RAO = "Rao, Mechanical Vibrations"
TESTS = "tests/simulator/test_simulator_elements.py::"
ZETAS = (0.05, 0.1, 0.25, 0.5)
CURVES = (
    # r, MX/(me) and transmissibility for the four damping ratios
    ("0.5", 0.5, (0.33260, 0.33041, 0.31623, 0.27735), (1.33204, 1.32823, 1.30384, 1.24035)),
    ("1", 1.0, (10.0, 5.0, 2.0, 1.0), (10.04988, 5.09902, 2.23607, 1.41421)),
    ("√2", math.sqrt(2.0), (1.98030, 1.92450, 1.63299, 1.15470), (1.0, 1.0, 1.0, 1.0)),
    ("2", 2.0, (1.33038, 1.32164, 1.26491, 1.10940), (0.33918, 0.35586, 0.44721, 0.62017)),
    ("3", 3.0, (1.12421, 1.12185, 1.10573, 1.05337), (0.13041, 0.14537, 0.22149, 0.37012)),
)
NATURAL_HZ = 60.0


def line_at(answer: np.ndarray, frequency_hz: float) -> float:
    """Magnitude of a transfer function from an impulse response."""
    n = np.arange(answer.size)
    turn = np.exp(-2j * np.pi * frequency_hz / RECORD_RATE_HZ * n)
    return float(abs(answer.astype(np.float64) @ turn))


def impulse(n: int) -> np.ndarray:
    x = np.zeros(n)
    x[0] = 1.0
    return x


def transmissibility(ratio: float) -> list[float]:
    n = 3 * int(RECORD_RATE_HZ)
    return [line_at(transmit(impulse(n), NATURAL_HZ, zeta), ratio * NATURAL_HZ) for zeta in ZETAS]


def ringing(force: np.ndarray, zeta: float, natural_hz: float) -> np.ndarray:
    """Acceleration of one mode of unit mass."""
    made = resonator_coefficients(
        np.array([natural_hz]), np.array([zeta]), np.ones(1), RECORD_RATE_HZ
    )
    out = np.zeros((1, 1, force.size), dtype=np.float32)
    ring(
        force.astype(np.float32)[None, :], made, np.zeros((1, 3)), np.ones((1, 1)),
        np.zeros(1, dtype=np.int64), np.zeros(force.size, dtype=np.float32), out,
    )  # fmt: skip
    return out[0, 0]


def unbalance(ratio: float, zetas: tuple[float, ...] = ZETAS) -> list[float]:
    """q̈·m/F of a mode is the same function of r and ζ as MX/(me)."""
    frequency = ratio * NATURAL_HZ
    n = 3 * int(RECORD_RATE_HZ)
    time = np.arange(n) / RECORD_RATE_HZ
    found = []
    for zeta in zetas:
        answer = ringing(np.cos(2 * np.pi * frequency * time), zeta, NATURAL_HZ)
        whole = round(round(frequency) * RECORD_RATE_HZ / frequency)
        turn = np.exp(-2j * np.pi * frequency * time[-whole:])
        found.append(float(2.0 / whole * abs(answer[-whole:].astype(np.float64) @ turn)))
    return found


def decrement(zeta: float, cycles: float = 1.0) -> float:
    """Log decrement: the state after so many damped cycles, in one exact step."""
    step = 1.0 / (math.sqrt(1.0 - zeta**2) / cycles)
    made = resonator_coefficients(np.array([1.0]), np.array([zeta]), np.ones(1), 1.0 / step)
    return -math.log(abs(float(made[0, 0])))


def shock_absorber() -> float:
    """Displacement left after half a damped cycle of 2 s."""
    made = resonator_coefficients(
        np.array([3.4338 / (2 * math.pi)]), np.array([0.4037]), np.array([200.0]), 1.0
    )
    return float(made[0, 0])


N = 4096
PHASE = 2 * np.pi * (np.arange(N) + 0.5) / N


def gap_force(ratio: float, motion: np.ndarray) -> np.ndarray:
    return np.array([-elements.dead_zone_force(float(x), 0.0, ratio, 1.0, 0.0) for x in motion])


def describing() -> list[float]:
    return [
        float(2 / N * (gap_force(b, np.sin(PHASE)) @ np.sin(PHASE))) for b in (0.1, 0.25, 0.5, 0.9)
    ]


def symmetric_harmonics() -> list[float]:
    level = np.abs(np.fft.rfft(gap_force(0.5, np.sin(PHASE))))
    return [float(level[k] / level[1]) for k in (2, 3, 4)]


def rectified_harmonics() -> list[float]:
    level = np.abs(np.fft.rfft(gap_force(0.0, np.maximum(np.sin(PHASE), 0.0)))) / N
    return [float(level[0]), *(2.0 * float(v) for v in level[[1, 2, 3, 4, 6]])]


def jenkins(limit: float, amplitude: float = 5e-4) -> list[float]:
    """Loss per cycle, in-phase and quadrature stiffness of the slider's loop."""
    n, force, last, loop = 20_000, 0.0, 0.0, np.zeros(20_000)
    phase = 2 * np.pi * (np.arange(n) + 1) / n
    place = amplitude * np.sin(phase)
    for _ in range(2):
        for k, x in enumerate(place.tolist()):
            force = elements.slip_1d(force, x - last, 1e5, limit)
            last, loop[k] = x, -force
    mean = 0.5 * (loop + np.roll(loop, 1))
    loss = float(mean @ (place - np.roll(place, 1)))
    k_eq = 2 / n / amplitude * float(loop @ np.sin(phase))
    k_loss = 2 / n / amplitude * float(loop @ np.cos(phase))
    return [loss, k_eq, k_loss]


def hertz() -> list[float]:
    """Depth in µm and stiffness in MN/m of a 5 mm steel sphere on a steel flat under 10 N."""
    modulus = 210e9 / (2.0 * (1.0 - 0.3**2))
    stiffness = 4.0 / 3.0 * modulus * math.sqrt(5e-3)
    from vibecheck.simulator.build import rest_depth

    depth = rest_depth(10.0, stiffness)
    force, slope = elements.contact(depth, 0.0, stiffness, 0.0, 1.0)
    return [1e6 * depth, 1e-6 * slope, force]


def differential() -> float:
    spread = speed_spread(2000, 1e-3, 3, (False, False, True, True))
    return float(np.abs(spread[:, 2] + spread[:, 3]).max())


def slipping() -> float:
    made = [
        WornBearing("motor_mount", part, slip=0.02).impacts_per_turn
        for part in ("outer_race", "inner_race")
    ]
    return sum(made)


CHECKS: tuple[Check, ...] = (
    *(
        check(
            f"rotating unbalance, r = {words}", RING, f"MX/(me) at r = {words}, ζ = .05, .1, .25, "
            ".5", f"{RAO}, ch. 3; Den Hartog, Mechanical Vibrations, ch. 2",
            "from memory, recomputed", moved, lambda r=r: unbalance(r), 2e-4, relative=True,
            held_by=(
                "tests/simulator/test_simulator_motion.py::"
                "test_rotating_unbalance_follows_the_textbook_curve",
            ) if words == "1" else (),
        )
        for words, r, moved, _ in CURVES
    ),
    check(
        "rotating unbalance, peak", RING, "MX/(me) at r = 1/√(1 − 2ζ²), ζ = .05, .1, .2",
        "1/(2ζ√(1 − ζ²))", "recomputed", (10.01252, 5.025189, 2.551552),
        lambda: [
            unbalance(r, (z,))[0] for r, z in ((1.002509, 0.05), (1.010153, 0.1), (1.042572, 0.2))
        ], 2e-4, relative=True,
    ),
    *(
        check(
            f"transmissibility, r = {words}", TRANSMIT,
            f"at r = {words}, ζ = .05, .1, .25, .5" + (" (1 for every ζ)" if words == "√2" else ""),
            f"{RAO}, ch. 3; Den Hartog, Mechanical Vibrations, ch. 2", "from memory, recomputed",
            passed, lambda r=r: transmissibility(r), 2e-4, relative=True,
        )
        for words, r, _, passed in CURVES
    ),
    held(
        "nearly free car", ("vibecheck.simulator.motion.integrate",),
        "4 g·mm on 1.5 kg at 10 000 rpm: 2.792 mm/s; the force me·ω² behind it", "closed form",
        "recomputed",
        "tests/simulator/test_simulator_motion.py::test_a_nearly_free_car_moves_at_me_omega_over_mass",
        "tests/simulator/test_simulator_motion.py::"
        "test_a_snug_wheel_answers_its_unbalance_as_two_masses_on_springs",
    ),
    check(
        "log decrement", RING, "ζ = .01, .02, .05, .1, .2", "2πζ/√(1 − ζ²)", "recomputed",
        (0.062835, 0.125689, 0.314553, 0.631484, 1.282550),
        lambda: [decrement(z) for z in (0.01, 0.02, 0.05, 0.1, 0.2)], 1e-6,
        held_by=(
            "tests/simulator/test_simulator_recording.py::"
            "test_a_struck_mode_dies_away_with_its_logarithmic_decrement",
        ),
    ),
    check(
        "cycles to half amplitude", RING, "ζ = .01, .02, .05", "≈ 0.1103/ζ", "recomputed",
        (11.03, 5.516, 2.206), lambda: [math.log(2) / decrement(z) for z in (0.01, 0.02, 0.05)],
        0.005, relative=True,
    ),
    check(
        "shock absorber", RING, "ω = 3.4338 rad/s, ζ = 0.4037: displacement after half a cycle "
        "(1 s), as a share of the first", f"{RAO}, ch. 2 example", "from memory, recomputed",
        -0.25, shock_absorber, 1e-3, relative=True,
    ),
    held(
        "Coulomb decay", f"{E}.coulomb", "loss of amplitude per cycle 4μN/k", f"{RAO}, ch. 2",
        "from memory", f"{TESTS}test_dry_friction_takes_the_same_length_off_every_cycle",
    ),
    held(
        "bilinear oscillator", f"{E}.dead_zone_force",
        "ω1 = 1, ω2 = 3: 1.5, whatever the amplitude",
        "Shaw & Holmes, J. Sound Vib. 90 (1983) 129–155: citation published, formula from memory",
        "published, from memory, recomputed",
        f"{TESTS}test_bilinear_oscillator_has_the_closed_form_frequency",
    ),
    held(
        "gap oscillator", f"{E}.dead_zone_force", "ω = 1, b = 1, A = 2: period 10.283185",
        "2π/ω + 4b/V", "recomputed", f"{TESTS}test_dead_zone_oscillator_has_the_closed_form_period",
    ),
    check(
        "describing function of a gap", f"{E}.dead_zone_force", "b/A = .1, .25, .5, .9",
        "Gelb & Vander Velde", "from memory, recomputed",
        (0.872889, 0.685038, 0.391002, 0.037386), describing, 1e-6,
    ),
    check(
        "harmonics of a symmetric gap", f"{E}.dead_zone_force",
        "b/A = .5: 2nd, 3rd, 4th over 1st (odd only)", "Gelb & Vander Velde",
        "from memory, recomputed", (0.0, 0.352510, 0.0), symmetric_harmonics, 1e-6,
    ),
    check(
        "harmonics of a one-sided contact", f"{E}.dead_zone_force",
        "half-rectified sine: mean, 1×, 2×, 3×, 4×, 6×", "1/π, 1/2, 2/(3π), 0, 2/(15π), …",
        "recomputed", (1 / math.pi, 0.5, 0.212207, 0.0, 0.042441, 0.018189), rectified_harmonics,
        1e-6,
    ),
    held(
        "bouncing ball", (f"{E}.contact", f"{E}.dead_zone_force"),
        "h = 1 m, e = 0.8: touches down at √(2h/g)·(1 + 2Σe^k), 4.06441 s in all", "closed form",
        "recomputed", f"{TESTS}test_bouncing_ball_touches_down_at_the_closed_form_times",
        f"{TESTS}test_contact_gives_back_the_closed_form_share_of_speed",
    ),
    check(
        "Jenkins element, loss", f"{E}.slip_1d",
        "k = 1e5 N/m, 0.5 mm: loss per cycle with 20 N, and the most (25 N), J", "4·Fs·(X − Fs/k)",
        "from memory, recomputed", (0.0240, 0.025), lambda: [jenkins(20.0)[0], jenkins(25.0)[0]],
        1e-6,
        held_by=(f"{TESTS}test_jenkins_element_takes_up_the_closed_form_energy",),
    ),
    check(
        "Jenkins element, one harmonic", f"{E}.slip_1d",
        "20 N: equivalent and loss stiffness, N/m", "harmonic balance", "recomputed",
        (37_353.0, 30_557.7), lambda: jenkins(20.0)[1:], 2e-4, relative=True,
    ),
    check(
        "Hertz contact", (f"{E}.contact", "vibecheck.simulator.build.rest_depth"),
        "5 mm steel sphere on a flat, 10 N: depth µm, stiffness MN/m, force N",
        "Johnson, Contact Mechanics", "from memory, recomputed", (0.94541, 15.8662, 10.0), hertz,
        1e-4, relative=True,
    ),
    held(
        "energy balance", (f"{E}.contact", f"{E}.slip_1d", "vibecheck.simulator.motion.integrate"),
        "work in = losses + energy stored, within 0.5 %", "sanity rule of any simulator",
        "common practice", f"{TESTS}test_energy_balance_of_a_rattling_joint",
        "tests/simulator/test_simulator_whole_car.py::test_power_in_is_power_out_and_energy_stored",
    ),
    check(
        "open differential", "vibecheck.simulator.script.speed_spread",
        "left and right differ oppositely from the case: largest sum", "ω_case = (ω_L + ω_R)/2",
        "from memory, recomputed", 0.0, differential, 1e-12,
    ),
    check(
        "pit with slip",
        ("vibecheck.simulator.disturbances.WornBearing.impacts_per_turn",
         "vibecheck.simulator.disturbances.WornBearing.cage_per_turn"),
        "8 balls, 2 % slip: outer and inner strikes add to", "identity", "recomputed", 8.0,
        slipping, 1e-12,
    ),
    check(
        "speed of sound", "vibecheck.simulator.sound.radiate", "at 20 °C, m/s",
        "331.3·√(1 + T/273.15)", "recomputed", 343.2, lambda: SPEED_OF_SOUND, 0.3,
    ),
)  # fmt: skip
