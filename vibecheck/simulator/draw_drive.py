"""Draw the drivetrain of an invented car: gearing, gear mesh and what follows the spur."""

from __future__ import annotations

from typing import Any

import numpy as np

from vibecheck.simulator.parameters import Array, DrivelineParameters, MeshParameters
from vibecheck.simulator.ranges import Draw


def draw_mesh(draw: Draw, big: bool, teeth: tuple[int, int]) -> MeshParameters:
    module = 1.0e-3 if big else draw.one_of((0.5e-3, 0.529e-3, 0.6e-3, 0.8e-3))
    pinion_radius = 0.5 * module * teeth[0]
    first = draw.log(0.35e-6, 5e-6)
    order = np.arange(1.0, 5.0)
    profile: Array = first * order**-1.2 * np.concatenate(([1.0], draw.rng.uniform(0.25, 1.1, 3)))
    return MeshParameters(
        module=module,
        pinion_teeth=teeth[0],
        spur_teeth=teeth[1],
        line_angle=draw.flat(-0.5, 3.6),
        stiffness=draw.log(1.2e6, 7e6) if big else draw.log(0.5e6, 3.5e6),
        stiffness_swing=draw.flat(0.04, 0.2),
        damping_ratio=draw.log(0.06, 0.3),
        backlash=draw.flat(0.08e-3, 0.22e-3) * (1.3 if big else 0.8),
        # What a mesh set far too tight lacks: backlash below 0 by so much.
        press=draw.log(12e-6, 60e-6),
        # The contact ratio falls about linearly with the centre distance and is gone within
        # about a module (value from memory), so tooth error and stiffness swing grow.
        opening_growth=draw.flat(1.0, 4.0),
        profile_error=profile,
        pitch_error=(draw.log(0.15e-6, 1.2e-6), draw.log(0.3e-6, 2.2e-6)),
        eccentricity=(draw.log(2e-6, 14e-6), draw.log(6e-6, 45e-6)),
        table_seed=int(draw.rng.integers(2**31)),
        spur_unbalance=draw.log(2e-7, 2.5e-6),
        pinion_inertia=max(2.0e-7, 3.0e-7 * (pinion_radius / 0.007) ** 3),
        spur_inertia=draw.log(1.5e-5, 4e-5) if big else draw.log(3e-6, 9e-6),
        screw_stiffness=draw.log(40.0, 110.0),
        screw_limit=draw.log(0.8, 3.0),
        screw_pitch=0.7e-3 if big else 0.5e-3,
        screw_flat=draw.flat(1.2e-3, 2.0e-3),
        screw_clearance=draw.log(8e-6, 40e-6),
        tooth_friction=draw.flat(0.04, 0.15),
        coast_time_s=draw.log(0.8, 2.6),
    )


def draw_driveline(draw: Draw, big: bool, internal_ratio: float) -> DrivelineParameters:
    """Draw what follows the spur: gears or a belt, and a sleeve on a set screw."""
    belt = not big and draw.rng.random() < 0.35
    mass = draw.log(0.010, 0.035) if big else draw.log(0.006, 0.02)
    size = 1.0 if big else 0.5
    return DrivelineParameters(
        belt=belt,
        sleeve_mass=mass,
        # A cup or sleeve of 5 to 8 mm radius of gyration and some of its shaft.
        sleeve_inertia=mass * draw.flat(0.005, 0.009) ** 2,
        sleeve_clearance=draw.log(15e-6, 90e-6),
        sleeve_force=draw.log(0.05, 1.5) * size,
        screw_preload=draw.log(150.0, 700.0),
        screw_friction=draw.flat(0.12, 0.3),
        screw_pitch=0.7e-3 if big else 0.5e-3,
        screw_flat=draw.flat(1.5e-3, 2.8e-3),
        screw_stiffness=draw.log(40.0, 160.0),
        screw_limit=draw.log(0.6, 3.0),
        grip_stiffness=draw.log(0.6e6, 3e6),
        grip_damping=draw.log(2e-6, 8e-6),
        bore_stiffness=draw.log(2e8, 1.2e9),
        bore_damping=draw.log(5.0, 35.0),
        bore_cap=draw.log(5.0, 40.0),
        line_stiffness=draw.log(4.0, 20.0) if belt else draw.log(12.0, 100.0),
        line_damping_ratio=draw.log(0.05, 0.2) if belt else draw.log(0.03, 0.1),
        line_play=draw.log(0.0005, 0.003) if belt else draw.log(0.003, 0.04),
        inner_teeth=draw.whole(12, 24) if belt else draw.whole(9, 20),
        inner_force=draw.log(0.05, 0.8) * size if belt else draw.log(0.08, 3.0) * size,
        inner_share=draw.flat(0.2, 0.9),
        case_lever=internal_ratio * draw.flat(0.2, 1.0) / draw.flat(0.03, 0.07),
    )


def draw_drivetrain(draw: Draw, big: bool) -> dict[str, Any]:
    """Gearing within the bench's bounds: motor up to 22 000 rpm, wheels up to 4 000 rpm."""
    if big:
        pinion, spur = draw.whole(14, 26), draw.whole(42, 50)
        internal = round(draw.flat(2.7, 3.5), 2)
        cells = draw.one_of((3, 4, 4, 6))
    else:
        pinion, spur = draw.whole(17, 32), draw.whole(64, 90)
        internal = round(draw.flat(1.8, 2.7), 2)
        cells = draw.one_of((2, 2, 2, 3))
    ratio = spur / pinion * internal
    bench_wheel = float(round(min(draw.flat(2200.0, 4000.0), 22000.0 / ratio), -1))
    # The motor must reach the bench cap with throttle to spare.
    kv = float(round(bench_wheel * ratio / (3.7 * cells) * draw.flat(1.3, 2.4), -1))
    return {
        "motor_poles": draw.one_of((4, 4, 6) if big else (2, 4, 4, 4, 6)),
        "kv_rpm_per_v": kv,
        "cells": cells,
        "pinion_teeth": pinion,
        "spur_teeth": spur,
        "internal_ratio": internal,
        "bench_max_wheel_rpm": bench_wheel,
    }
