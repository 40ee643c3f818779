"""Small rigs that call the simulator's own compiled functions, step after step.

Nothing of the simulator is copied here: each rig holds a mass, or one part of the car, and
asks `elements`, `motion` and `motion_wheel` for the forces.
"""

from __future__ import annotations

import math

import numpy as np

from vibecheck.simulator.compiled import compiled
from vibecheck.simulator.elements import contact, coulomb, dead_zone_force, slip_1d
from vibecheck.simulator.motion import move_base, step_chassis
from vibecheck.simulator.motion_wheel import step_wheel


@compiled
def drop_on_contact(speed, mass, stiffness, damping, cap, dt):
    """Throw a mass at a contact; return its speed when it leaves, without gravity."""
    x = 0.0
    v = speed
    for _ in range(100_000_000):
        force, _ = contact(x, v, stiffness, damping, cap)
        v -= dt * force / mass
        x += dt * v
        if x <= 0.0:
            return -v
    return 0.0


@compiled
def bounce_times(height, gravity, k, c, dt, times):
    """Drop a unit mass on a spring with a damper that cannot pull; note when it touches down."""
    x = height
    v = 0.0
    found = 0
    for step in range(100_000_000):
        depth = -x
        force = -dead_zone_force(depth, -v, 0.0, k, c) if depth > 0.0 else 0.0
        v += dt * (-gravity + force)
        before = x
        x += dt * v
        if before > 0.0 and x <= 0.0:
            times[found] = (step + 1) * dt
            found += 1
            if found == times.shape[0]:
                return
    return


@compiled
def slider_loop(amplitude, stiffness, limit, n_steps, n_cycles, force, place):
    """Move a Jenkins element to and fro; keep the last cycle."""
    last = 0.0
    pull = 0.0
    for step in range(n_steps * n_cycles):
        x = amplitude * math.sin(2.0 * math.pi * (step + 1) / n_steps)
        pull = slip_1d(pull, x - last, stiffness, limit)
        last = x
        force[step % n_steps] = -pull
        place[step % n_steps] = x


@compiled
def gap_periods(start, half_gap, k_left, k_right, dt, n_periods):
    """Free vibration of a unit mass behind gaps; return the mean period."""
    x = start
    v = 0.0
    last = 0.0
    first = 0.0
    found = 0
    for step in range(100_000_000):
        k = k_right if x > 0.0 else k_left
        force = dead_zone_force(x, v, half_gap, k, 0.0)
        before = v
        v += dt * force
        x += dt * v
        if before > 0.0 and v <= 0.0:
            share = before / (before - v)
            last = (step + share) * dt
            if found == 0:
                first = last
            found += 1
            if found > n_periods:
                return (last - first) / n_periods
    return 0.0


@compiled
def rub_to_rest(start, stiffness, normal, friction, dt, peaks):
    """A unit mass on a spring, rubbing dry; note its turning points on the positive side."""
    x = start
    v = 0.0
    found = 0
    for _ in range(100_000_000):
        before = v
        v += dt * (-stiffness * x + coulomb(normal, friction, v, 1e-6))
        x += dt * v
        if before > 0.0 and v <= 0.0:
            peaks[found] = x
            found += 1
            if found == peaks.shape[0]:
                return
    return


@compiled
def shaken_between_stops(n_steps, dt, amplitude, rate, gap, stiffness, damping, grip, limit, out):
    """A unit mass between two stops of a shaken frame, held by a dry slider as well.

    `out` gets: work done by the frame, energy lost in the contacts (damper part of the force
    times its speed), energy lost in the slider, and the energy stored at the end.
    """
    x = 0.0
    v = 0.0
    pull = 0.0
    given = 0.0
    lost = 0.0
    rubbed = 0.0
    hits = 0
    frame_last = 0.0
    relative_last = 0.0
    stored = 0.0
    for step in range(n_steps):
        frame = amplitude * math.sin(rate * step * dt)
        frame_speed = amplitude * rate * math.cos(rate * step * dt)
        d = x - frame
        s = v - frame_speed
        right, _ = contact(d - gap, s, stiffness, damping, 1e12)
        left, _ = contact(-d - gap, -s, stiffness, damping, 1e12)
        before = pull
        pull = slip_1d(pull, d - relative_last, grip, limit)
        # The slider moves by what the spring does not stretch.
        slid = (d - relative_last) + (pull - before) / grip
        rubbed += abs(pull) * abs(slid)
        relative_last = d
        force = left - right + pull
        elastic_right = stiffness * max(d - gap, 0.0) ** 1.5
        elastic_left = stiffness * max(-d - gap, 0.0) ** 1.5
        lost += (right - elastic_right) * s * dt - (left - elastic_left) * s * dt
        if right > 0.0 or left > 0.0:
            hits += 1
        # The frame pushes with -force on itself; its work is force on the mass times its speed.
        given += force * frame_speed * dt
        v += dt * force
        x += dt * v
        frame_last = frame
        stored = 0.5 * v * v + 0.5 * pull * pull / grip
    d = x - frame_last
    stored += 0.4 * stiffness * max(d - gap, 0.0) ** 2.5
    stored += 0.4 * stiffness * max(-d - gap, 0.0) ** 2.5
    out[0] = given
    out[1] = lost
    out[2] = rubbed
    out[3] = stored
    out[4] = hits


@compiled
def shake_chassis(chassis, state, force, rate, joint_axis, dt, n_steps, keep, out):
    """Drive one joint with force·cos(rate·t); keep the last places of the joint's axis."""
    first = n_steps - keep
    for step in range(n_steps):
        move_base(chassis, state)
        for axis in range(state.force.shape[0]):
            state.force[axis] = 0.0
        state.force[joint_axis] = force * math.cos(rate * step * dt)
        step_chassis(chassis, state, dt)
        if step >= first:
            out[step - first, 0] = state.body[0, joint_axis % 3]
            out[step - first, 1] = state.body[1, joint_axis % 3]


@compiled
def spin_wheel(wheels, state, i, turning, dt, n_steps, keep, out):
    """Turn wheel `i` on a base at rest; keep its last places, the bore's distance and its force.

    Columns of `out`: wheel x, y, z, distance of the bore's centre from the axle in the inner
    plane, vertical joint force, largest tilt.
    """
    first = n_steps - keep
    for step in range(n_steps):
        state.wheel_angle[i] += dt * turning
        step_wheel(i, wheels, state, turning, dt)
        if step >= first:
            row = out[step - first]
            dx = state.wheel[i, 0] - state.hub[i, 0]
            dz = state.wheel[i, 2] - state.hub[i, 2]
            arm = wheels.bore_offset[i, 0]
            row[0] = state.wheel[i, 0]
            row[1] = state.wheel[i, 1] - state.hub[i, 1]
            row[2] = state.wheel[i, 2]
            row[3] = math.hypot(dx - state.wheel[i, 4] * arm, dz + state.wheel[i, 3] * arm)
            row[4] = -state.joint_force[6 * i + 2]
            row[5] = max(abs(state.wheel[i, 3]), abs(state.wheel[i, 4]))


def empty(n: int, columns: int = 2) -> np.ndarray:
    return np.zeros((n, columns))
