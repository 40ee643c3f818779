"""Threads, loads, torques and locking nuts: values from outside."""

from __future__ import annotations

from outside_check import Check, Other, check, held

from vibecheck.car import guidance
from vibecheck.car import joint_strength as js
from vibecheck.car.threads import Thread, parse_thread
from vibecheck.car.zones import Fastener

TH = "vibecheck.car.threads.Thread"
JS = "vibecheck.car.joint_strength"
CLASSES: tuple[js.PropertyClass, ...] = ("8.8", "10.9", "12.9")
GEOMETRY = (
    # thread, d2, D1, area, lead angle
    ("M2x0.4", 1.740, 1.567, 2.07, 4.18),
    ("M2.5x0.45", 2.208, 2.013, 3.39, 3.71),
    ("M3x0.5", 2.675, 2.459, 5.03, 3.40),
    ("M4x0.7", 3.545, 3.242, 8.78, 3.60),
    ("M5x0.8", 4.480, 4.134, 14.2, 3.25),
    ("M6x1", 5.350, 4.917, 20.1, 3.40),
)
LOADS = (
    ("M3x0.5", (2920, 4180, 4880), (4020, 5230, 6140)),
    ("M4x0.7", (5100, 7290, 8520), (7020, 9130, 10_700)),
    ("M5x0.8", (8230, 11_800, 13_800), (11_350, 14_800, 17_300)),
    ("M6x1", (11_600, 16_700, 19_500), (16_100, 20_900, 24_500)),
)
RING_MM = {"M3x0.5": 4.35, "M4x0.7": 5.65, "M5x0.8": 6.90, "M6x1": 8.20}
PER_KN = (
    ("M3x0.5", (0.4515, 0.5259, 0.6003)),
    ("M4x0.7", (0.5986, 0.6960, 0.7935)),
    ("M5x0.8", (0.7310, 0.8517, 0.9725)),
    ("M6x1", (0.8781, 1.0218, 1.1656)),
)
# Class 8.8, friction 0.12, 90 % of yield: preload kN, torque N·m as the guideline prints it.
GUIDELINE = (("M4x0.7", 4.4, 3.0, 3.04), ("M5x0.8", 7.2, 5.9, 6.07), ("M6x1", 10.2, 10.1, 10.27))
DRAG = {
    3.0: (0.43, 0.12, 0.08), 4.0: (0.90, 0.18, 0.12), 5.0: (1.60, 0.29, 0.20),
    6.0: (3.00, 0.45, 0.30),
}  # fmt: skip
LOADS_SOURCE = "ISO 898-1:2013, three public extracts agree"


def torque_per_kn(name: str, friction: float) -> float:
    thread = parse_thread(name)
    return js.nut_factor(thread, friction, RING_MM[name]) * thread.diameter_mm


def split() -> list[float]:
    shares = []
    for name, ring in RING_MM.items():
        parts = js.torque_parts_mm(parse_thread(name), 0.12, ring)
        shares.append([part / sum(parts) for part in parts])
    return [100.0 * sum(one[k] for one in shares) / len(shares) for k in range(3)]


def both_forms() -> float:
    """Our long form against VDI 2230's rounded one, largest relative difference."""
    worst = 0.0
    for name, ring in RING_MM.items():
        t = parse_thread(name)
        for mu in (0.1, 0.12, 0.14):
            vdi = 0.16 * t.pitch_mm + 0.58 * t.pitch_diameter_mm * mu + 0.5 * ring * mu
            worst = max(worst, abs(torque_per_kn(name, mu) / vdi - 1.0))
    return worst


def half_proof() -> list[float]:
    steel = guidance.fastener_guide(Fastener("motor screw", "M3x0.5", 2, "none", "steel"))
    assert steel.torque_n_m is not None
    return [js.torque_n_m(parse_thread("M3x0.5"), 0.5), steel.torque_n_m]


CHECKS: tuple[Check, ...] = (
    *(
        check(
            f"{name} diameters", (f"{TH}.pitch_diameter_mm", f"{TH}.minor_diameter_mm",
                                  "vibecheck.car.threads.parse_thread"),
            f"{name}: pitch and minor diameter, mm",
            "ISO 724 and ISO 262; formulas: public help of a design program; minor diameters of "
            "M2 to M4: public dimension file", "published, recomputed", (d2, d1),
            lambda n=name: [parse_thread(n).pitch_diameter_mm, parse_thread(n).minor_diameter_mm],
            1e-3,
        )
        for name, d2, d1, _, _ in GEOMETRY
    ),
    *(
        check(
            f"{name} area", (f"{TH}.stress_area_mm2", f"{TH}.core_diameter_mm"),
            f"{name}: stress area, mm²",
            "ISO 898-1, public extracts" if name in RING_MM else "closed form",
            "published, recomputed" if name in RING_MM else "recomputed", area,
            lambda n=name: parse_thread(n).stress_area_mm2, 3e-3, relative=True,
        )
        for name, _, _, area, _ in GEOMETRY
    ),
    check(
        "lead angles", f"{JS}.lead_angle_deg", "M2 to M6, degrees", "atan(P/(π·d2))",
        "recomputed", tuple(row[4] for row in GEOMETRY),
        lambda: [js.lead_angle_deg(parse_thread(row[0])) for row in GEOMETRY], 0.006,
    ),
    *(
        check(
            f"{name} proof load", f"{JS}.proof_load_n", f"{name}: classes 8.8, 10.9, 12.9, N",
            LOADS_SOURCE, "published, recomputed", proof,
            lambda n=name: [js.proof_load_n(parse_thread(n), c) for c in CLASSES], 0.01,
            relative=True,
        )
        for name, proof, _ in LOADS
    ),
    *(
        check(
            f"{name} ultimate load", f"{JS}.tensile_load_n", f"{name}: classes 8.8, 10.9, 12.9, N",
            LOADS_SOURCE, "published, recomputed", ultimate,
            lambda n=name: [js.tensile_load_n(parse_thread(n), c) for c in CLASSES], 0.01,
            relative=True,
            also=(Other(91_130, "class 10.9 in one public copy, a typing error"),)
            if name == "M4x0.7" else (),
        )
        for name, _, ultimate in LOADS
    ),
    *(
        check(
            f"{name} torque per kN", (f"{JS}.nut_factor", f"{JS}.torque_parts_mm"),
            f"{name}, bearing ring {RING_MM[name]} mm, friction 0.10, 0.12, 0.14: N·m per kN",
            "Motosh's equation", "recomputed", values,
            lambda n=name: [torque_per_kn(n, mu) for mu in (0.10, 0.12, 0.14)], 1e-4,
        )
        for name, values in PER_KN
    ),
    check(
        "torque in VDI's rounded form", f"{JS}.nut_factor",
        "largest relative difference from F(0.16P + 0.58·d2·μ + D·μ/2), M3 to M6",
        "VDI 2230-1", "from memory", 0.0, both_forms, 0.005,
    ),
    *(
        check(
            f"{name} at 90 % of yield", f"{JS}.nut_factor",
            f"{name}, class 8.8, friction 0.12, {preload} kN: N·m", "VDI 2230-1:2015, table A1",
            "from memory", torque,
            lambda n=name, f=preload: torque_per_kn(n, 0.12) * f, 0.05, relative=True,
            also=(Other(computed, "with the guideline's own formula, recomputed"),),
        )
        for name, preload, torque, computed in GUIDELINE
    ),
    check(
        "where the torque goes", f"{JS}.torque_parts_mm",
        "friction 0.12, M3 to M6: pitch, thread, head, % (“about 10/40/50”)",
        "Motosh's equation", "recomputed", (15.0, 35.5, 49.0), split, 1.0,
    ),
    check(
        "torque for half the proof load", (f"{JS}.torque_n_m",
                                           "vibecheck.car.guidance.fastener_guide"),
        "M3, class 8.8, dry, K = 0.2: N·m, of the formula and of the guidance",
        "T = K·F·d with half of the proof load 2920 N", "published, recomputed", (0.876, 0.876),
        half_proof, 0.01, relative=True,
        held_by=("tests/car/test_guidance.py::test_torques_by_hand",),
    ),
    *(
        check(
            f"M{d:g} locking nut", "vibecheck.car.guidance.fastener_guide",
            f"M{d:g}, class 8: first on (most), first off, fifth off (least), N·m",
            "ISO 2320 (2008/2015), nylon insert (of the same series, M10 and M12 seen in a public "
            "table)", "from memory", values,
            lambda d=d: guidance.PREVAILING_NM[d], 1e-9,
        )
        for d, values in DRAG.items()
    ),
    check(
        "locking nuts wear", "vibecheck.car.guidance.fastener_guide",
        "first removal over the tightening torque at half the proof load, M3 to M6: largest, "
        "under a quarter", "ISO 2320 falls with re-use and is far under the tightening torque",
        "from memory", 0.125,
        lambda: max(
            v[1] / js.torque_n_m(Thread(d, p), 0.5)
            for (d, v), p in zip(guidance.PREVAILING_NM.items(), (0.5, 0.7, 0.8, 1.0), strict=True)
        ), 0.125,
    ),
    held(
        "driver sizes", "vibecheck.car.guidance.fastener_guide",
        "hexagons of cap, button and set screws, flats of nuts",
        "ISO 4762, ISO 7380-1, ISO 10642, ISO 4026, ISO 4032, ISO 7040", "from memory",
        "tests/car/test_guidance.py::test_tools_that_fit",
        "tests/car/test_guidance.py::"
        "test_sizes_grow_with_the_thread_and_a_set_screw_has_the_smallest",
    ),
    held(
        "snug in plastic", "vibecheck.car.guidance.fastener_guide",
        "no number: stop when the head seats; set screws never forced",
        "common practice, no source", "common practice",
        "tests/car/test_guidance.py::test_no_number_where_it_would_mislead",
    ),
    held(
        "thread-locker", "vibecheck.car.guidance.fastener_guide",
        "metal to metal only, clean, time to cure, off plastic; a wet thread takes less torque",
        "public data sheets of a maker; the rest common practice, no source",
        "published, common practice",
        "tests/car/test_guidance.py::"
        "test_thread_locker_wants_clean_threads_and_time_and_no_plastic",
        "tests/car/test_guidance.py::test_wet_threads_take_less_torque_for_the_same_preload",
    ),
)  # fmt: skip
