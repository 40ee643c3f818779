"""What looks odd about a car, and is used anyway: one finding each, with what to do.

The limits are the range of common model cars, from memory and common practice (no source).
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator

from vibecheck.car.drivetrain import bench_cap, gearing_table
from vibecheck.car.profile import Car, Drivetrain
from vibecheck.car.zones import ZONE_NAMES, driven_wheels
from vibecheck.findings import Finding

# code: (low, high, what, key)
_USUAL = (
    ("tyre_diameter_unusual", "tyre_diameter_mm", 30.0, 250.0, "A tyre of {:g} mm"),
    ("kv_unusual", "kv_rpm_per_v", 200.0, 12_000.0, "A Kv of {:g} rpm/V"),
    ("cells_unusual", "cells", 1.0, 12.0, "A battery of {:g} cells in series"),
    ("poles_unusual", "motor_poles", 2.0, 16.0, "A motor of {:g} poles"),
)
_USUAL_FINAL_RATIO = (1.5, 30.0)
_FASTEST_KM_H = 450.0

CODES = (
    "pinion_larger_than_spur",
    *(row[0] for row in _USUAL),
    "final_ratio_unusual",
    "speed_unusual",
    "bench_cap_missing",
    "bench_cap_above_tyre",
    "bench_cap_above_motor",
    "tyre_overspeed_unloaded",
    "threadlocker_on_plastic",
    "zone_name_close",
    "zone_without_fasteners",
)
"""Every code that `car_warnings` can give."""


def car_warnings(car: Car) -> tuple[Finding, ...]:
    """Return what looks odd about a car. Nothing here keeps the car from being used.

    Returns
    -------
    tuple of Finding
        With weight ``"limits"`` for a likely slip, ``"note"`` for a default that was filled in or
        something to keep in mind. Codes are listed in ``docs/car-file.md``.
    """
    findings: list[Finding] = []
    if car.drivetrain is not None:
        findings += _of_drivetrain(car, car.drivetrain)
    findings += _of_zones(car)
    return tuple(findings)


def _of_drivetrain(car: Car, drivetrain: Drivetrain) -> Iterator[Finding]:
    pinion, spur = drivetrain.pinion_teeth, drivetrain.spur_teeth
    if pinion > spur:
        yield Finding(
            "pinion_larger_than_spur",
            f"The pinion ({pinion} teeth) is larger than the spur ({spur} teeth): the spur turns "
            "faster than the motor.",
            "That is possible, but rare: check that the two counts are not swapped.",
            float(pinion),
            float(spur),
        )
    for code, key, low, high, words in _USUAL:
        value = float(getattr(drivetrain, key))
        if not low <= value <= high:
            yield Finding(
                code,
                f"{words.format(value)} is unusual for a model car ({low:g} to {high:g}).",
                f"Check {key} in the car file.",
                value,
                high if value > high else low,
            )
    table = gearing_table(car)
    low, high = _USUAL_FINAL_RATIO
    if not low <= table.final_ratio <= high:
        yield Finding(
            "final_ratio_unusual",
            f"{table.final_ratio:.3g} motor turns per wheel turn is unusual for a model car "
            f"({low:g} to {high:g}).",
            "Check the tooth counts and internal_ratio in the car file.",
            table.final_ratio,
            high if table.final_ratio > high else low,
        )
    full = table.charges[-1]
    if full.speed_km_h > _FASTEST_KM_H:
        yield Finding(
            "speed_unusual",
            f"The gearing gives {full.speed_km_h:.0f} km/h on a full battery: hard to believe.",
            "Check Kv, cells, tooth counts, internal_ratio and tyre diameter in the car file.",
            full.speed_km_h,
            _FASTEST_KM_H,
        )
    yield from _of_bench_cap(drivetrain, full.wheel_rpm)


def _of_bench_cap(drivetrain: Drivetrain, full_wheel_rpm: float) -> Iterator[Finding]:
    cap = bench_cap(drivetrain)
    limit = drivetrain.wheel_max_rpm
    given = drivetrain.bench_max_wheel_rpm
    if given is None:
        yield Finding(
            "bench_cap_missing",
            f"The car file gives no bench_max_wheel_rpm; {cap.wheel_rpm:.0f} rpm is taken, "
            f"{cap.reason.split(', because')[0]}.",
            "Set bench_max_wheel_rpm to what the vehicle's and the tyre's manual allow.",
            cap.wheel_rpm,
            None,
            "note",
        )
    elif limit is not None and given > limit:
        yield Finding(
            "bench_cap_above_tyre",
            f"bench_max_wheel_rpm ({given:.0f} rpm) is above wheel_max_rpm ({limit:.0f} rpm); the "
            "lower one is used.",
            "Lower bench_max_wheel_rpm: a spin-up needs far less than the tyre's limit.",
            given,
            limit,
        )
    elif given > full_wheel_rpm:
        yield Finding(
            "bench_cap_above_motor",
            f"bench_max_wheel_rpm ({given:.0f} rpm) is above what a full battery can reach with "
            f"no load ({full_wheel_rpm:.0f} rpm), so it limits nothing.",
            "Lower it: a spin-up never needs full throttle.",
            given,
            full_wheel_rpm,
        )
    if limit is not None and full_wheel_rpm > limit:
        yield Finding(
            "tyre_overspeed_unloaded",
            f"With the wheels off the ground, full throttle on a full battery could turn them at "
            f"up to {full_wheel_rpm:.0f} rpm, above wheel_max_rpm ({limit:.0f} rpm).",
            "Never give full throttle with the wheels off the ground: tyres grow and can burst.",
            full_wheel_rpm,
            limit,
            "note",
        )


def _of_zones(car: Car) -> Iterator[Finding]:
    for zone in car.zones:
        # Closer than for a key: a zone of the owner's own is nothing odd, a slip of a letter is.
        near = difflib.get_close_matches(zone.name, ZONE_NAMES, n=1, cutoff=0.85)
        if near and zone.name not in ZONE_NAMES:
            yield Finding(
                "zone_name_close",
                f'The zone "{zone.name}" is taken as one of your own.',
                f'If it is not, write "{near[0]}".',
                weight="note",
            )
        if not zone.fasteners:
            yield Finding(
                "zone_without_fasteners",
                f'The zone "{zone.name}" lists no fasteners.',
                "Add a [[zones.fasteners]] for each kind, so that a hand check can list them.",
                weight="note",
            )
        for fastener in zone.fasteners:
            if fastener.locking == "threadlocker" and fastener.into == "plastic":
                yield Finding(
                    "threadlocker_on_plastic",
                    f'Threadlocker on "{fastener.name}" in {zone.name}, which goes into plastic.',
                    "Common threadlockers are for metal on metal and can craze plastic: ask the "
                    "maker's data sheet.",
                )


def undriven_zones(car: Car) -> tuple[str, ...]:
    """Return the car's wheel zones whose wheels do not turn on the bench."""
    if car.layout is None:
        return ()
    driven = driven_wheels(car.layout)
    return tuple(
        zone.name for zone in car.zones if zone.name in ZONE_NAMES[:4] and zone.name not in driven
    )
