"""The laws of single joints: contact, friction, clearance, dead zone, resonator.

Every moving part of the simulator is built from these few functions, and the closed-form tests
call the same ones. Forces in N, lengths in m, speeds in m/s.
"""

from __future__ import annotations

import math

from vibecheck.simulator.compiled import compiled


@compiled
def contact(
    depth: float, speed: float, stiffness: float, damping: float, damping_cap: float
) -> tuple[float, float]:
    """Return the push of a one-sided contact, which never pulls, and its stiffness.

    F = K·d^1.5 + χ·min(K·d^1.5, F_cap)·ḋ, and 0 where that is negative (Hunt and Crossley,
    J. Appl. Mech. 42 (1975) 440, with Hertz's exponent). The stiffness 1.5·K·√d grows with the
    preload, as in real joints. The cap keeps a preloaded joint lightly damped while small
    impacts lose energy: below the cap the restitution e follows
    (1 + e)·χv = ln((1 + χv)/(1 - e·χv)) exactly.

    Parameters
    ----------
    depth : float
        Overlap of the two surfaces, > 0 in contact.
    speed : float
        Rate of the overlap.
    stiffness : float
        K in N/m^1.5.
    damping : float
        χ in s/m.
    damping_cap : float
        Elastic force above which the damper grows no further.

    Returns
    -------
    force, stiffness : float
    """
    if depth <= 0.0:
        return 0.0, 0.0
    root = stiffness * math.sqrt(depth)
    elastic = root * depth
    force = elastic + damping * min(elastic, damping_cap) * speed
    return max(force, 0.0), 1.5 * root


@compiled
def slip_1d(force: float, step: float, stiffness: float, limit: float) -> float:
    """Return the next force of a Jenkins element (a spring in series with a dry slider).

    The force follows -stiffness·step and is held at ±limit. Over one closed cycle of
    amplitude X > limit/k it takes up 4·limit·(X - limit/k).
    """
    force -= stiffness * step
    if force > limit:
        return limit
    if force < -limit:
        return -limit
    return force


@compiled
def slip_2d(
    force_1: float, force_2: float, step_1: float, step_2: float, stiffness: float, limit: float
) -> tuple[float, float]:
    """Return the next force pair of a Jenkins element that slides in a plane."""
    force_1 -= stiffness * step_1
    force_2 -= stiffness * step_2
    square = force_1 * force_1 + force_2 * force_2
    if square > limit * limit:
        scale = limit / math.sqrt(square)
        return force_1 * scale, force_2 * scale
    return force_1, force_2


@compiled
def coulomb(normal_force: float, friction: float, slip_speed: float, soft_speed: float) -> float:
    """Return dry friction against the *relative* tangential velocity of the two surfaces.

    -μ·N·v/√(v² + v₀²): regularised, so that it vanishes with the slip. It never pushes along
    with the motion, hence it cannot feed a whirl.
    """
    return -friction * normal_force * slip_speed / math.sqrt(slip_speed**2 + soft_speed**2)


@compiled
def bore_force(
    across_1: float,
    across_2: float,
    speed_1: float,
    speed_2: float,
    turning: float,
    clearance: float,
    stiffness: float,
    damping: float,
    damping_cap: float,
    friction: float,
) -> tuple[float, float]:
    """Return the force on a bore that sits with clearance on a shaft, both turning alike.

    Parameters
    ----------
    across_1, across_2 : float
        Displacement of the bore's centre from the shaft's centre. Positive turning carries
        axis 2 towards axis 1.
    speed_1, speed_2 : float
        Its rate.
    turning : float
        Angular speed of both parts, rad/s. Where the bore's centre is carried round with the
        shaft (tangential speed = turning · distance) the surfaces do not slip.
    clearance : float
        Radial clearance.
    """
    square = across_1 * across_1 + across_2 * across_2
    if square <= clearance * clearance:
        return 0.0, 0.0
    distance = math.sqrt(square)
    depth = distance - clearance
    n_1 = across_1 / distance
    n_2 = across_2 / distance
    closing = speed_1 * n_1 + speed_2 * n_2
    push, _ = contact(depth, closing, stiffness, damping, damping_cap)
    slip_speed = speed_1 * n_2 - speed_2 * n_1 - turning * distance
    rub = coulomb(push, friction, slip_speed, 0.01)
    return -push * n_1 + rub * n_2, -push * n_2 - rub * n_1


@compiled
def dead_zone_force(stretch: float, rate: float, half_gap: float, k: float, c: float) -> float:
    """Return the restoring force of a spring with a symmetric gap: 0 inside ±half_gap.

    The damper acts in contact only and may not turn the push into a pull.
    """
    if stretch > half_gap:
        return -max(k * (stretch - half_gap) + c * rate, 0.0)
    if stretch < -half_gap:
        return max(-k * (stretch + half_gap) - c * rate, 0.0)
    return 0.0


@compiled
def spin_step(
    rate_1: float, rate_2: float, push_1: float, push_2: float, turn: float
) -> tuple[float, float]:
    """Return the next tilt rates of a spinning body of equal transverse inertias.

    It·α̈ = M₁ + Ip·Ω·γ̇ and It·γ̈ = M₂ - Ip·Ω·α̇, the spin's part at the mean of old and new
    rates: it turns them and does no work, however long the run (from the old rates alone it
    would feed them).

    Parameters
    ----------
    push_1, push_2 : float
        dt·M/It.
    turn : float
        dt·Ip·Ω/It.
    """
    half = 0.5 * turn
    next_1 = rate_1 + push_1 + half * (2.0 * rate_2 + push_2) - half * half * rate_1
    next_1 /= 1.0 + half * half
    return next_1, rate_2 + push_2 - half * (rate_1 + next_1)


@compiled
def place_in_turn(angle: float, n: int) -> tuple[int, int, float]:
    """Return the two neighbouring rows of a table over one turn, and the share of the second."""
    turns = angle / (2.0 * math.pi)
    place = (turns - math.floor(turns)) * n
    before = int(place)
    share = place - before
    if before >= n:
        before = 0
    after = before + 1
    if after == n:
        after = 0
    return before, after, share
