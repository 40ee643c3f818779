"""Draw an invented car from ranges.

The ranges describe model cars of about 1:10 and 1:8 and rest on workshop experience and on
handbook stiffnesses (common practice, no source, unless said).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from vibecheck.errors import CallError
from vibecheck.simulator.draw_modes import draw_modes
from vibecheck.simulator.names import invented_name
from vibecheck.simulator.parameters import (
    JOINTS,
    WHEELS,
    Array,
    ChassisParameters,
    DeckParameters,
    Layout,
    MeshParameters,
    MotorParameters,
    SimulatedCar,
    WheelParameters,
)
from vibecheck.simulator.ranges import Draw


def _stiffness_at(preload: float, normal_stiffness: float) -> float:
    """K of F = K·d^1.5 whose stiffness at the preload is `normal_stiffness`.

    k = 1.5·F/d, hence d = 1.5·F/k and K = F/d^1.5.
    """
    depth = 1.5 * preload / normal_stiffness
    return float(preload / depth**1.5)


def _draw_wheel(draw: Draw, big: bool, common: dict[str, float]) -> WheelParameters:
    mass = common["mass"] * draw.flat(0.97, 1.03)
    radius = common["radius"]
    polar = common["polar_share"] * mass * radius**2
    hub_mass = common["hub_mass"]
    preload = common["preload"] * draw.flat(0.85, 1.15)
    normal = common["normal_stiffness"]
    return WheelParameters(
        mass=mass,
        radius=radius,
        polar_inertia=polar,
        transverse_inertia=polar * common["transverse_share"],
        # 0.3 to 2 g at the tyre's tread for glued tyres.
        unbalance=draw.log(0.06e-3, 1.0e-3) * (1.6 if big else 0.8) * radius,
        couple=draw.log(0.0008, 0.008) * polar * 0.5,
        growth=draw.flat(0.0, 2.0e-6),
        hub_mass=hub_mass,
        arm_stiffness=np.array([common["arm_x"], common["arm_y"], common["arm_z"]])
        * draw.rng.uniform(0.9, 1.1, 3),
        arm_damping_ratio=np.array([common["arm_loss"], common["arm_loss"], common["arm_loss_z"]]),
        arm_play=common["arm_play"] * draw.flat(0.3, 1.0),
        thread_pitch=common["thread_pitch"],
        preload=preload,
        face_radius=common["face_radius"],
        face_offset=common["face_offset"],
        seat_stiffness=_stiffness_at(common["preload"], normal),
        nut_stiffness=_stiffness_at(common["preload"], normal * common["nut_share"]),
        face_damping=common["contact_damping"] * draw.flat(0.8, 1.25),
        face_cap=common["face_cap"],
        face_friction=draw.flat(0.15, 0.3),
        grip_ratio=draw.flat(0.5, 0.8),
        grip_damping=draw.log(0.8e-6, 4e-6),
        bore_offset=np.array(
            [
                common["face_offset"] + draw.flat(0.0, 0.002),
                common["face_offset"] + common["bore_length"],
            ]
        ),
        bore_clearance=common["bore_clearance"] * draw.rng.uniform(0.6, 1.6, 2),
        bore_stiffness=common["bore_stiffness"],
        bore_damping=common["contact_damping"] * draw.flat(0.7, 1.4),
        bore_cap=draw.log(20.0, 80.0),
        bore_friction=draw.flat(0.12, 0.35),
        shaft_force=draw.log(0.05, 1.5),
        # A cardan joint at angle β swings by β²/2 twice per turn; two joints cancel in part.
        shaft_swing=common["shaft_swing"] * draw.flat(0.7, 1.3),
        hex_play=common["hex_gap"] * draw.flat(0.6, 1.5) / common["hex_half"],
        hex_stiffness=common["hex_stiffness"],
        hex_uneven=draw.rng.normal(0.0, 0.35, 2) / common["hex_half"],
        spin_drag=common["spin_drag"],
    )


def _draw_wheels(draw: Draw, big: bool, radius: float | None) -> tuple[WheelParameters, ...]:
    preload = draw.log(450.0, 1400.0) if big else draw.log(200.0, 600.0)
    common: dict[str, float] = {
        "mass": draw.flat(0.13, 0.26) if big else draw.flat(0.045, 0.1),
        "radius": draw.flat(0.049, 0.059) if big else draw.flat(0.030, 0.044),
        "polar_share": draw.flat(0.6, 0.8),
        "transverse_share": draw.flat(0.55, 0.7),
        "hub_mass": draw.flat(0.05, 0.11) if big else draw.flat(0.022, 0.045),
        "preload": preload,
        "normal_stiffness": draw.log(0.8e7, 2.2e7) if big else draw.log(0.4e7, 1.0e7),
        "nut_share": draw.flat(0.5, 1.0),
        "arm_x": draw.log(1.0e5, 5e5) if big else draw.log(0.5e5, 2.5e5),
        "arm_y": draw.log(1.5e5, 7e5) if big else draw.log(0.7e5, 3.5e5),
        "arm_z": draw.log(2.0e4, 1.2e5) if big else draw.log(1e4, 5e4),
        "arm_loss": draw.log(0.03, 0.12),
        "arm_loss_z": draw.log(0.12, 0.4),
        "arm_play": 0.0 if draw.rng.random() < 0.5 else draw.log(2e-6, 3e-5),
        "thread_pitch": draw.one_of((1.0e-3, 1.25e-3, 1.0e-3)) if big else 0.7e-3,
        "face_radius": draw.flat(0.0075, 0.010) if big else draw.flat(0.005, 0.0068),
        "face_offset": -draw.flat(0.0, 0.008) if big else -draw.flat(0.0, 0.005),
        "bore_length": draw.flat(0.005, 0.010) if big else draw.flat(0.004, 0.008),
        "bore_clearance": draw.log(0.03e-3, 0.14e-3),
        "bore_stiffness": draw.log(2e8, 1.5e9),
        "shaft_swing": draw.log(0.001, 0.015),
        "hex_gap": draw.log(0.03e-3, 0.15e-3),
        "hex_half": 0.0085 if big else 0.006,
        "hex_stiffness": draw.log(150.0, 600.0) if big else draw.log(40.0, 200.0),
        "spin_drag": draw.log(0.001, 0.008) * (1.0 if big else 0.3),
        "contact_damping": draw.log(6.0, 35.0),
        "face_cap": draw.log(0.8, 3.0),
    }
    if radius is not None:
        common["radius"] = radius
    return tuple(_draw_wheel(draw, big, common) for _ in WHEELS)


def _draw_motor(draw: Draw, big: bool, along: bool, poles: int) -> MotorParameters:
    preload = draw.log(250.0, 900.0)
    return MotorParameters(
        along_car=along,
        mass=draw.flat(0.30, 0.46) if big else draw.flat(0.15, 0.24),
        radius=draw.flat(0.0195, 0.0215) if big else draw.flat(0.0175, 0.0185),
        length=draw.flat(0.060, 0.078) if big else draw.flat(0.046, 0.056),
        plate_mass=draw.flat(0.04, 0.10),
        plate_stiffness=draw.log(1.0e6, 8e6) * draw.rng.uniform(0.5, 1.5, 3),
        plate_damping_ratio=draw.log(0.015, 0.06),
        screw_radius=0.0125,
        screw_angle=draw.flat(-0.6, 0.6),
        screw_spread=draw.flat(0.0030, 0.0050),
        screw_preload=preload,
        thread_pitch=0.5e-3 if not big else draw.one_of((0.5e-3, 0.7e-3)),
        face_stiffness=_stiffness_at(0.5 * preload, draw.log(0.4e7, 1.4e7)),
        face_damping=draw.log(6.0, 30.0),
        face_cap=draw.log(0.8, 3.0),
        face_friction=draw.flat(0.12, 0.25),
        grip_ratio=draw.flat(0.5, 0.8),
        grip_damping=draw.log(2e-6, 8e-6),
        hole_clearance=draw.log(0.06e-3, 0.3e-3),
        hole_stiffness=draw.log(4e8, 2e9),
        rotor_inertia=draw.log(0.7e-5, 1.6e-5) if big else draw.log(1.6e-6, 4.5e-6),
        # ISO 21940-11 grades of about G2.5 to G16 for 60-130 g rotors (value from memory).
        unbalance=draw.log(0.8e-7, 1.2e-6) * (1.4 if big else 0.8),
        pull=draw.log(0.03, 0.8),
        poles=poles,
        slots=draw.one_of((6, 9, 12, 12)),
        cogging=draw.log(0.4e-3, 5e-3) * (1.5 if big else 0.7),
        ripple=draw.flat(0.04, 0.14),
        resistance=draw.log(0.006, 0.025),
        current_max=draw.flat(40.0, 90.0),
        current_brake=0.0 if draw.rng.random() < 0.7 else draw.flat(0.3, 1.5),
    )


def _draw_mesh(draw: Draw, big: bool, teeth: tuple[int, int]) -> MeshParameters:
    module = 1.0e-3 if big else draw.one_of((0.5e-3, 0.529e-3, 0.6e-3, 0.8e-3))
    pinion_radius = 0.5 * module * teeth[0]
    first = draw.log(0.5e-6, 4e-6)
    order = np.arange(1.0, 5.0)
    profile: Array = first * order**-1.2 * np.concatenate(([1.0], draw.rng.uniform(0.25, 1.1, 3)))
    return MeshParameters(
        module=module,
        pinion_teeth=teeth[0],
        spur_teeth=teeth[1],
        line_angle=draw.flat(-0.5, 3.6),
        stiffness=draw.log(1.5e6, 6e6) if big else draw.log(0.6e6, 3e6),
        stiffness_swing=draw.flat(0.04, 0.2),
        damping_ratio=draw.log(0.08, 0.25),
        backlash=draw.flat(0.08e-3, 0.22e-3) * (1.3 if big else 0.8),
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
        line_stiffness=draw.log(15.0, 80.0),
        line_play=draw.log(0.003, 0.03),
        coast_time_s=draw.log(0.8, 2.6),
        inner_teeth=draw.whole(10, 20),
        inner_force=draw.log(0.1, 2.5) * (1.0 if big else 0.5),
    )


def _draw_deck(draw: Draw, big: bool) -> DeckParameters:
    preload = draw.log(250.0, 900.0)
    return DeckParameters(
        mass=draw.log(0.05, 0.2) if big else draw.log(0.025, 0.1),
        preload=preload,
        thread_pitch=0.5e-3,
        stiffness=_stiffness_at(preload, draw.log(0.2e7, 1.0e7)),
        damping=draw.log(6.0, 30.0),
        cap=draw.log(2.0, 8.0),
        friction=draw.flat(0.12, 0.25),
        grip_ratio=draw.flat(0.5, 0.8),
        grip_damping=draw.log(0.8e-6, 4e-6),
        hole_clearance=draw.log(0.06e-3, 0.3e-3),
        hole_stiffness=draw.log(4e8, 2e9),
    )


def _positions(draw: Draw, big: bool) -> Array:
    base = draw.flat(0.30, 0.35) if big else draw.flat(0.25, 0.275)
    track = draw.flat(0.27, 0.32) if big else draw.flat(0.165, 0.21)
    height = draw.flat(-0.02, 0.01)
    shift = draw.flat(-0.02, 0.02)
    x, y = 0.5 * base, 0.5 * track
    motor = np.array([draw.flat(-0.10, 0.02), draw.flat(-0.03, 0.03), draw.flat(0.0, 0.02)])
    gear = motor + np.array([draw.flat(-0.04, 0.04), draw.flat(-0.01, 0.03), 0.01])
    deck = np.array([draw.flat(0.02, 0.10), draw.flat(-0.03, 0.03), draw.flat(0.01, 0.03)])
    corners = [[x, y], [x, -y], [-x, y], [-x, -y]]
    rows = [[cx + shift, cy, height] for cx, cy in corners]
    return np.array([*rows, motor, gear, deck])


def _draw_chassis(draw: Draw, big: bool) -> ChassisParameters:
    mass = draw.flat(1.9, 3.2) if big else draw.flat(0.9, 1.6)
    position = _positions(draw, big)
    length = 2.2 * abs(position[0, 0] - position[2, 0]) / 2
    width = 0.5 * abs(position[0, 1] - position[1, 1])
    inertia = mass * np.array([width**2 / 3, length**2 / 12 * 1.5, length**2 / 12 * 1.8])
    heave = draw.log(6.0, 30.0)
    stand = np.array(
        [
            heave * draw.flat(0.5, 0.9),
            heave * draw.flat(0.5, 0.9),
            heave,
            heave * draw.flat(0.8, 1.4),
            heave * draw.flat(0.8, 1.4),
            heave * draw.flat(0.5, 0.9),
        ]
    )
    n_modes = 6
    frequency = np.sort(np.exp(draw.rng.uniform(math.log(110.0), math.log(1600.0), n_modes)))
    frequency[0] = draw.log(70.0, 220.0)
    shape = draw.rng.normal(0.0, 1.0, (n_modes, len(JOINTS), 3))
    shape *= np.array([0.35, 0.35, 1.0])
    shape[:, 6:] *= 1.4  # a deck hangs over a flexible part
    return ChassisParameters(
        mass=mass,
        inertia=inertia,
        stand_frequency_hz=stand,
        stand_damping=draw.rng.uniform(0.05, 0.2, 6),
        position=position,
        mode_frequency_hz=frequency,
        mode_damping=np.exp(draw.rng.uniform(math.log(0.01), math.log(0.05), n_modes)),
        mode_mass=mass * draw.rng.uniform(0.12, 0.6, n_modes),
        mode_shape=shape,
    )


def _draw_drivetrain(draw: Draw, big: bool) -> dict[str, Any]:
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


def draw_car(
    seed: int,
    layout: Layout | None = None,
    *,
    scale: str | None = None,
    profile: Mapping[str, Any] | None = None,
) -> SimulatedCar:
    """Draw one invented car.

    Parameters
    ----------
    seed : int
        The same seed gives the same car.
    layout : {"4wd", "rwd", "fwd"}, optional
        Drawn where absent.
    scale : {"tenth", "eighth"}, optional
        Drawn where absent.
    profile : mapping, optional
        What a car file holds (``name``, ``layout``, ``drivetrain``): gearing, motor and tyres
        are taken from it and the rest is drawn around them.

    Returns
    -------
    SimulatedCar

    Raises
    ------
    CallError
        If the layout or the scale is unknown, or the profile lacks a number it needs.
    """
    if profile is not None:
        layout = layout or profile.get("layout")
    if layout not in (None, "4wd", "rwd", "fwd"):
        raise CallError(f'layout must be "4wd", "rwd" or "fwd". Got {layout!r} instead.')
    if scale not in (None, "tenth", "eighth"):
        raise CallError(f'scale must be "tenth" or "eighth". Got {scale!r} instead.')
    draw = Draw(np.random.default_rng([seed, 1]))
    drawn: Layout = draw.one_of(("4wd", "4wd", "4wd", "rwd", "rwd", "fwd"))
    chosen = layout or drawn
    big = draw.rng.random() < 0.5
    radius = None
    given: Mapping[str, Any] = {}
    if profile is not None:
        given = profile.get("drivetrain", {})
        radius = 0.0005 * _needed(given, "tyre_diameter_mm")
        big = radius >= 0.046
    if scale is not None:
        big = scale == "eighth"
    drivetrain = _draw_drivetrain(draw, big)
    for key in drivetrain:
        if profile is not None:
            drivetrain[key] = _needed(given, key)
    along = chosen == "4wd" and draw.rng.random() < 0.5
    wheels = _draw_wheels(draw, big, radius)
    motor = _draw_motor(draw, big, along, int(drivetrain["motor_poles"]))
    teeth = (int(drivetrain["pinion_teeth"]), int(drivetrain["spur_teeth"]))
    name = invented_name(seed) if profile is None else str(profile.get("name", "car"))
    drivetrain["tyre_diameter_mm"] = round(2000.0 * wheels[0].radius, 1)
    return SimulatedCar(
        name=name,
        layout=chosen,
        scale="eighth" if big else "tenth",
        seed=seed,
        chassis=_draw_chassis(draw, big),
        wheels=wheels,
        motor=motor,
        mesh=_draw_mesh(draw, big, teeth),
        deck=_draw_deck(draw, big),
        modes=draw_modes(draw, big),
        profile={"name": name, "layout": chosen, "drivetrain": drivetrain},
    )


def _needed(drivetrain: Mapping[str, Any], key: str) -> float:
    value = drivetrain.get(key)
    if not isinstance(value, int | float) or not value > 0:
        raise CallError(
            f"drivetrain.{key} must be a number over 0 to simulate a car. Got {value!r} instead.",
            advice="Add it to the car file.",
        )
    return value
