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
from vibecheck.simulator.draw_chassis import draw_chassis
from vibecheck.simulator.draw_decks import draw_decks
from vibecheck.simulator.draw_drive import draw_driveline, draw_drivetrain, draw_mesh
from vibecheck.simulator.draw_modes import draw_modes
from vibecheck.simulator.names import invented_name
from vibecheck.simulator.parameters import (
    WHEELS,
    Layout,
    MeshParameters,
    MotorParameters,
    SimulatedCar,
    WheelParameters,
)
from vibecheck.simulator.ranges import Draw, stiffness_at


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
        # 0.04 to 2 g at the tyre's tread for glued tyres.
        unbalance=draw.log(0.05e-3, 1.2e-3) * (1.6 if big else 0.8) * radius,
        couple=draw.log(0.0005, 0.01) * polar * 0.5,
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
        seat_stiffness=stiffness_at(common["preload"], normal),
        nut_stiffness=stiffness_at(common["preload"], normal * common["nut_share"]),
        face_damping=common["contact_damping"] * draw.flat(0.8, 1.25),
        face_cap=common["face_cap"],
        face_friction=draw.flat(0.15, 0.3),
        grip_ratio=draw.flat(0.5, 0.8),
        grip_damping=draw.log(0.6e-6, 6e-6),
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
        "normal_stiffness": draw.log(0.6e7, 2.4e7) if big else draw.log(0.3e7, 1.2e7),
        "nut_share": draw.flat(0.5, 1.0),
        "arm_x": draw.log(0.7e5, 6e5) if big else draw.log(0.35e5, 3e5),
        "arm_y": draw.log(1.0e5, 9e5) if big else draw.log(0.5e5, 4.5e5),
        "arm_z": draw.log(1.5e4, 1.5e5) if big else draw.log(0.7e4, 7e4),
        "arm_loss": draw.log(0.03, 0.12),
        "arm_loss_z": draw.log(0.12, 0.4),
        "arm_play": 0.0 if draw.rng.random() < 0.5 else draw.log(2e-6, 5e-5),
        "thread_pitch": draw.one_of((1.0e-3, 1.25e-3, 1.0e-3)) if big else 0.7e-3,
        "face_radius": draw.flat(0.0075, 0.010) if big else draw.flat(0.005, 0.0068),
        "face_offset": -draw.flat(0.0, 0.008) if big else -draw.flat(0.0, 0.005),
        "bore_length": draw.flat(0.005, 0.010) if big else draw.flat(0.004, 0.008),
        "bore_clearance": draw.log(0.025e-3, 0.18e-3),
        "bore_stiffness": draw.log(2e8, 1.5e9),
        "shaft_swing": draw.log(0.0007, 0.02),
        "hex_gap": draw.log(0.02e-3, 0.2e-3),
        "hex_half": 0.0085 if big else 0.006,
        "hex_stiffness": draw.log(150.0, 600.0) if big else draw.log(40.0, 200.0),
        "spin_drag": draw.log(0.001, 0.008) * (1.0 if big else 0.3),
        "contact_damping": draw.log(4.0, 45.0),
        "face_cap": draw.log(0.8, 3.0),
    }
    if radius is not None:
        common["radius"] = radius
    return tuple(_draw_wheel(draw, big, common) for _ in WHEELS)


def _draw_motor(
    draw: Draw, big: bool, along: bool, poles: int, mesh: MeshParameters
) -> MotorParameters:
    preload = draw.log(250.0, 900.0)
    return MotorParameters(
        along_car=along,
        mass=draw.flat(0.30, 0.46) if big else draw.flat(0.15, 0.24),
        radius=draw.flat(0.0195, 0.0215) if big else draw.flat(0.0175, 0.0185),
        length=draw.flat(0.060, 0.078) if big else draw.flat(0.046, 0.056),
        plate_mass=draw.flat(0.04, 0.10),
        plate_stiffness=draw.log(0.7e6, 10e6) * draw.rng.uniform(0.5, 1.5, 3),
        plate_damping_ratio=draw.log(0.015, 0.06),
        screw_radius=0.0125,
        screw_angle=draw.flat(-0.6, 0.6),
        screw_spread=draw.flat(0.0030, 0.0050),
        screw_preload=preload,
        thread_pitch=0.5e-3 if not big else draw.one_of((0.5e-3, 0.7e-3)),
        face_stiffness=stiffness_at(0.5 * preload, draw.log(0.4e7, 1.4e7)),
        face_damping=draw.log(6.0, 30.0),
        face_cap=draw.log(0.8, 3.0),
        face_friction=draw.flat(0.12, 0.25),
        grip_ratio=draw.flat(0.5, 0.8),
        grip_damping=draw.log(2e-6, 8e-6),
        hole_clearance=draw.log(0.06e-3, 0.3e-3),
        hole_stiffness=draw.log(4e8, 2e9),
        # The mesh is set by sliding the motor: away until the teeth would part, towards the spur
        # until they bind.
        slot_open=min(draw.log(0.3e-3, 1.5e-3), draw.flat(0.6, 0.8) * mesh.module),
        slot_close=draw.flat(0.5, 1.0) * mesh.backlash / (2.0 * math.tan(math.radians(20.0))),
        rotor_inertia=draw.log(0.7e-5, 1.6e-5) if big else draw.log(1.6e-6, 4.5e-6),
        # ISO 21940-11 grades of about G2.5 to G16 for 60-130 g rotors (value from memory).
        unbalance=draw.log(0.5e-7, 1.6e-6) * (1.4 if big else 0.8),
        pull=draw.log(0.02, 1.0),
        poles=poles,
        slots=draw.one_of((6, 9, 12, 12)),
        cogging=draw.log(0.3e-3, 7e-3) * (1.5 if big else 0.7),
        ripple=draw.log(0.02, 0.18),
        resistance=draw.log(0.006, 0.025),
        current_max=draw.flat(40.0, 90.0),
        current_brake=0.0 if draw.rng.random() < 0.7 else draw.flat(0.3, 1.5),
    )


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
    drivetrain = draw_drivetrain(draw, big)
    for key in drivetrain:
        if profile is not None:
            drivetrain[key] = _needed(given, key)
    along = draw.rng.random() < (0.5 if chosen == "4wd" else 0.2)
    wheels = _draw_wheels(draw, big, radius)
    teeth = (int(drivetrain["pinion_teeth"]), int(drivetrain["spur_teeth"]))
    mesh = draw_mesh(draw, big, teeth)
    motor = _draw_motor(draw, big, along, int(drivetrain["motor_poles"]), mesh)
    driveline = draw_driveline(draw, big, float(drivetrain["internal_ratio"]))
    decks = draw_decks(draw, big, chosen)
    chassis = draw_chassis(draw, big, decks)
    name = invented_name(seed) if profile is None else str(profile.get("name", "car"))
    drivetrain["tyre_diameter_mm"] = round(2000.0 * wheels[0].radius, 1)
    return SimulatedCar(
        name=name,
        layout=chosen,
        scale="eighth" if big else "tenth",
        seed=seed,
        chassis=chassis,
        wheels=wheels,
        motor=motor,
        mesh=mesh,
        driveline=driveline,
        decks=decks,
        modes=draw_modes(draw, big, chassis.position),
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
