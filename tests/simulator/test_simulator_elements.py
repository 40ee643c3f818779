"""The joint laws against closed forms. Each check calls the function that the simulator uses."""

from __future__ import annotations

import math

import numpy as np
import pytest
import simulator_rigs as rigs
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from vibecheck.simulator.elements import (
    bore_force,
    contact,
    coulomb,
    dead_zone_force,
    place_in_turn,
    slip_1d,
    slip_2d,
)


def restitution(damping: float, speed: float) -> float:
    """Solve (1 + e)·d = ln((1 + d)/(1 - e·d)), d = χ·v."""
    d = damping * speed
    return float(
        brentq(lambda e: (1 + e) * d - math.log((1 + d) / (1 - e * d)), 1e-9, min(1, 1 / d) - 1e-9)
    )


@pytest.mark.parametrize("speed", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("damping", [2.0, 10.0, 30.0])
def test_contact_gives_back_the_closed_form_share_of_speed(damping: float, speed: float) -> None:
    # Source: exact first integral of m·v·dv/dd = -K·d^n·(1 + χ·v) (recomputed closed form);
    # the law is Hunt & Crossley 1975 (value from memory).
    left = rigs.drop_on_contact(speed, 0.05, 5e8, damping, 1e12, 2e-8)
    assert left / speed == pytest.approx(restitution(damping, speed), rel=2e-3)


def test_contact_without_damping_gives_all_back_and_never_pulls() -> None:
    assert rigs.drop_on_contact(0.1, 0.05, 5e8, 0.0, 1.0, 2e-8) == pytest.approx(0.1, rel=1e-4)
    # A contact that opens faster than it springs pulls no one.
    assert contact(1e-5, -1e3, 1e9, 50.0, 1e9)[0] == 0.0
    assert contact(-1e-9, 1.0, 1e9, 50.0, 1e9) == (0.0, 0.0)


def test_contact_stiffness_is_the_slope_of_its_force() -> None:
    depth, step = 3e-5, 1e-9
    ahead, _ = contact(depth + step, 0.0, 7e8, 10.0, 5.0)
    behind, _ = contact(depth - step, 0.0, 7e8, 10.0, 5.0)
    assert contact(depth, 0.0, 7e8, 10.0, 5.0)[1] == pytest.approx(
        (ahead - behind) / (2 * step), rel=1e-6
    )


def test_bouncing_ball_touches_down_at_the_closed_form_times() -> None:
    # h = 1 m, e = 0.8, g = 9.80665: total time √(2h/g)·(1+e)/(1-e) = 4.06441 s (recomputed
    # closed form). Impact n comes at √(2h/g)·(1 + 2·Σ e^k), k = 1 … n-1.
    e, height, gravity = 0.8, 1.0, 9.80665
    fall = math.sqrt(2 * height / gravity)
    assert fall * (1 + e) / (1 - e) == pytest.approx(4.06441, abs=1e-5)

    def kept(zeta: float) -> float:
        # Spring-damper that cannot pull: e = exp(-ζ/√(1-ζ²)·(π - atan(2ζ√(1-ζ²)/(1-2ζ²)))).
        # Source: Schwager & Pöschel, Granular Matter 9 (2007) 465 (value from memory).
        root = math.sqrt(1 - zeta**2)
        return math.exp(-zeta / root * (math.pi - math.atan(2 * zeta * root / (1 - 2 * zeta**2))))

    zeta = brentq(lambda z: kept(z) - e, 1e-4, 0.6)
    k = 4e6
    times = np.zeros(8)
    rigs.bounce_times(height, gravity, k, 2 * zeta * math.sqrt(k), 2e-6, times)
    expected = fall * (1 + 2 * np.cumsum(np.concatenate(([0.0], e ** np.arange(1.0, 8.0)))))
    # Each contact lasts about π/√k = 1.6 ms, which the closed form leaves out.
    contacts = np.arange(8) * math.pi / math.sqrt(k)
    assert times == pytest.approx(expected + contacts, rel=2e-3)


def test_jenkins_element_takes_up_the_closed_form_energy() -> None:
    # ΔE = 4·Fs·(X - Fs/k): k = 1e5, Fs = 20, X = 5e-4 → 0.0240 J; most at Fs = kX/2: 0.025 J.
    # Source: value from memory, recomputed closed form.
    n = 20_000

    def loop(limit: float, amplitude: float = 5e-4) -> tuple[float, np.ndarray, np.ndarray]:
        force, place = np.zeros(n), np.zeros(n)
        rigs.slider_loop(amplitude, 1e5, limit, n, 3, force, place)
        step = np.diff(np.concatenate((place[-1:], place)))
        mean = 0.5 * (force + np.roll(force, 1))
        return float((mean * step).sum()), force, place

    energy, force, _ = loop(20.0)
    assert energy == pytest.approx(0.0240, rel=1e-5)
    assert loop(25.0)[0] == pytest.approx(0.025, rel=1e-5)
    assert loop(24.0)[0] < 0.025
    assert loop(26.0)[0] < 0.025
    assert loop(50.1)[0] == pytest.approx(0.0, abs=1e-6)
    # One-harmonic balance: k_eq = 37353.0 N/m and loss stiffness ΔE/(πX²) = 30557.7 N/m.
    phase = 2 * np.pi * (np.arange(n) + 1) / n
    in_phase = 2 / n * (force * np.sin(phase)).sum() / 5e-4
    in_quadrature = 2 / n * (force * np.cos(phase)).sum() / 5e-4
    assert in_phase == pytest.approx(37353.0, rel=1e-3)
    assert in_quadrature == pytest.approx(30557.7, rel=1e-3)


@given(
    st.floats(-50, 50), st.floats(-50, 50), st.floats(-1e-3, 1e-3), st.floats(-1e-3, 1e-3),
    st.floats(0, 30),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_slider_in_a_plane_holds_at_most_its_limit(
    f1: float, f2: float, d1: float, d2: float, limit: float
) -> None:
    new = slip_2d(f1, f2, d1, d2, 1e5, limit)
    assert math.hypot(*new) <= limit * (1 + 1e-9) + 1e-100
    # Along one line it is the plain element.
    alone = slip_2d(min(max(f1, -limit), limit), 0.0, d1, 0.0, 1e5, limit)
    assert alone[0] == pytest.approx(slip_1d(min(max(f1, -limit), limit), d1, 1e5, limit))


def test_dead_zone_oscillator_has_the_closed_form_period() -> None:
    # T = 2π/ω + 4b/V, V = ω(A - b): ω = 1, b = 1, A = 2 → 10.283185 (recomputed closed form).
    assert rigs.gap_periods(2.0, 1.0, 1.0, 1.0, 1e-4, 5) == pytest.approx(10.283185, rel=1e-5)


def test_bilinear_oscillator_has_the_closed_form_frequency() -> None:
    # ω0 = 2·ω1·ω2/(ω1 + ω2): ω1 = 1, ω2 = 3 → 1.5, whatever the amplitude.
    # Source: Shaw & Holmes, J. Sound Vib. 90 (1983) 129 (value from memory, recomputed).
    for amplitude in (0.1, 3.0):
        period = rigs.gap_periods(amplitude, 0.0, 1.0, 9.0, 1e-4, 5)
        assert 2 * math.pi / period == pytest.approx(1.5, rel=1e-5)


@pytest.mark.parametrize(
    ("ratio", "expected"), [(0.1, 0.872889), (0.25, 0.685038), (0.5, 0.391002), (0.9, 0.037386)]
)
def test_dead_zone_describing_function(ratio: float, expected: float) -> None:
    # N(A)/k = 1 - (2/π)[asin(b/A) + (b/A)√(1-(b/A)²)]; Gelb & Vander Velde (value from memory,
    # recomputed closed form). Symmetric gap: odd harmonics only.
    n = 4096
    phase = 2 * np.pi * (np.arange(n) + 0.5) / n
    force = np.array([-dead_zone_force(math.sin(p), 0.0, ratio, 1.0, 0.0) for p in phase])
    first = 2 / n * (force * np.sin(phase)).sum()
    assert first == pytest.approx(expected, abs=1e-6)
    harmonics = np.abs(np.fft.rfft(force)) * 2 / n
    assert harmonics[2] == pytest.approx(0.0, abs=1e-9)
    assert harmonics[4] == pytest.approx(0.0, abs=1e-9)
    if ratio == 0.5:
        assert harmonics[3] / harmonics[1] == pytest.approx(0.352510, abs=1e-5)


def test_one_sided_contact_makes_even_harmonics() -> None:
    # Half-rectified sine: DC 1/π, 1× 1/2, 2× 2/(3π), 3× 0, 4× 2/(15π) (recomputed closed form).
    n = 4096
    phase = 2 * np.pi * (np.arange(n) + 0.5) / n
    force = np.array([-dead_zone_force(max(math.sin(p), 0.0), 0.0, 0.0, 1.0, 0.0) for p in phase])
    level = np.abs(np.fft.rfft(force)) / n
    assert level[0] == pytest.approx(1 / math.pi, abs=1e-6)
    assert 2 * level[1:5] == pytest.approx([0.5, 0.212207, 0.0, 0.042441], abs=1e-6)


def test_dry_friction_takes_the_same_length_off_every_cycle() -> None:
    # Loss of amplitude per full cycle = 4·μN/k (Rao, Mechanical Vibrations: value from memory).
    peaks = np.zeros(5)
    rigs.rub_to_rest(1.0, 1.0, 0.2, 0.1, 1e-5, peaks)
    assert np.diff(peaks) == pytest.approx(np.full(4, -4 * 0.02), rel=1e-3)


@given(st.floats(-2, 2), st.floats(0, 100), st.floats(0, 0.5))
@settings(max_examples=40, deadline=None)
def test_dry_friction_never_drives(slip: float, normal: float, friction: float) -> None:
    force = coulomb(normal, friction, slip, 0.01)
    assert force * slip <= 0.0
    assert abs(force) <= friction * normal + 1e-12


def test_a_bore_carried_round_with_its_axle_does_not_rub() -> None:
    # Centre at distance r, carried round at Ω: v_t = Ω·r in the direction of turning, no slip.
    r, turning = 1.2e-4, 300.0
    # Axis 2 turns towards axis 1: at (0, r) the carried speed is (Ω·r, 0).
    f1, f2 = bore_force(0.0, r, turning * r, 0.0, turning, 1e-4, 1e9, 0.0, 1e9, 0.3)
    assert f1 == pytest.approx(0.0, abs=1e-9)
    assert f2 < 0.0
    # At rest on a turning axle it is dragged forward; the friction is μ·N.
    f1, f2 = bore_force(0.0, r, 0.0, 0.0, 1e5, 1e-4, 1e9, 0.0, 1e9, 0.3)
    assert f1 == pytest.approx(-0.3 * f2, rel=1e-3)
    assert f1 > 0.0
    # Nothing touches within the clearance.
    assert bore_force(0.0, 0.9e-4, 1.0, 1.0, 300.0, 1e-4, 1e9, 1.0, 1e9, 0.3) == (0.0, 0.0)


def test_energy_balance_of_a_rattling_joint() -> None:
    # Work of the shaken frame = energy lost in contacts + in the slider + stored, within 0.5 %
    # (sanity rule of any simulator).
    out = np.zeros(5)
    rigs.shaken_between_stops(
        2_000_000, 2e-6, 5e-4, 2 * math.pi * 40.0, 2e-4, 5e8, 10.0, 1e4, 0.5, out
    )
    given_work, lost, rubbed, stored, hits = out
    assert hits > 1000
    assert lost > 0.0
    assert rubbed > 0.0
    assert lost + rubbed + stored == pytest.approx(given_work, rel=5e-3)


@given(st.floats(-1e4, 1e4), st.integers(2, 5000))
@settings(max_examples=60, deadline=None)
def test_place_in_turn_is_periodic_and_inside_the_table(angle: float, n: int) -> None:
    before, after, share = place_in_turn(angle, n)
    assert 0 <= before < n
    assert after == (before + 1) % n
    assert 0.0 <= share <= 1.0
    turns = (angle / (2 * math.pi)) % 1.0
    distance = abs((before + share) / n - turns) % 1.0
    assert min(distance, 1.0 - distance) < 1e-9
