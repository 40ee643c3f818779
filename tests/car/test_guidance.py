"""Tools, torques and locking rules, against the tables."""

from __future__ import annotations

import math

import pytest

from vibecheck.car.guidance import (
    CAP_KEY_MM,
    LOW_HEAD_KEY_MM,
    NUT_FLATS_MM,
    PREVAILING_NM,
    SET_SCREW_KEY_MM,
    fastener_guide,
    kind_of,
)
from vibecheck.car.joint_strength import proof_load_n, torque_n_m
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.car.threads import Thread, parse_thread
from vibecheck.car.zones import Fastener, default_zones


@pytest.mark.parametrize(
    ("thread", "area"),
    [
        # ISO 898-1 extracts (M3 to M6 confirmed in public copies); M2 and M2.5 recomputed.
        ("M2x0.4", 2.07),
        ("M2.5x0.45", 3.39),
        ("M3x0.5", 5.03),
        ("M4x0.7", 8.78),
        ("M5x0.8", 14.2),
        ("M6x1", 20.1),
    ],
)
def test_stress_areas(thread: str, area: float) -> None:
    assert parse_thread(thread).stress_area_mm2 == pytest.approx(area, rel=3e-3)


@pytest.mark.parametrize(
    ("thread", "load_n"),
    [("M3x0.5", 2920), ("M4x0.7", 5100), ("M5x0.8", 8230), ("M6x1", 11600)],
)
def test_proof_loads(thread: str, load_n: float) -> None:
    """ISO 898-1:2013, class 8.8, coarse thread; three public extracts agree."""
    assert proof_load_n(parse_thread(thread)) == pytest.approx(load_n, rel=0.01)


@pytest.mark.parametrize(
    ("thread", "bearing_mm", "friction", "torque_per_kn"),
    [
        # Motosh's equation, recomputed: N·m per kN of preload.
        ("M3x0.5", 4.35, 0.10, 0.4515),
        ("M3x0.5", 4.35, 0.14, 0.6003),
        ("M4x0.7", 5.65, 0.12, 0.6960),
        ("M5x0.8", 6.90, 0.14, 0.9725),
        ("M6x1", 8.20, 0.12, 1.0218),
    ],
)
def test_the_nut_factor_is_that_of_the_long_equation(
    thread: str, bearing_mm: float, friction: float, torque_per_kn: float
) -> None:
    """T = F [P/2π + μ d2 / (2 cos 30°) + μ D_km / 2]; K = T / (F d) lies in 0.15 … 0.20."""
    made = parse_thread(thread)
    long_n_m = (
        1e3
        * (
            made.pitch_mm / (2 * math.pi)
            + friction * made.pitch_diameter_mm / (2 * math.cos(math.radians(30)))
            + friction * bearing_mm / 2
        )
        * 1e-3
    )
    assert long_n_m == pytest.approx(torque_per_kn, abs=1e-4)
    factor = long_n_m / (1e3 * made.diameter_mm * 1e-3)
    share = 1e3 / proof_load_n(made)
    assert torque_n_m(made, share, factor) == pytest.approx(long_n_m, rel=1e-9)
    assert 0.145 < factor < 0.2005


def test_torques_by_hand() -> None:
    """Half the proof load of an M3 of class 8.8, K = 0.2: 0.2 · 1459 N · 3 mm = 0.875 N·m."""
    steel = fastener_guide(Fastener("motor screw", "M3x0.5", 2, "none", "steel"))
    assert steel.torque_n_m == pytest.approx(0.2 * 0.5 * 580 * 5.0307 * 3e-3, rel=1e-3)
    light = fastener_guide(Fastener("motor screw", "M3x0.5", 2, "none", "aluminium"))
    assert light.torque_n_m is not None
    assert steel.torque_n_m is not None
    assert light.torque_n_m < steel.torque_n_m
    assert "manual overrides" in light.torque


def test_no_number_where_it_would_mislead() -> None:
    plastic = fastener_guide(Fastener("plate screw", "M3x0.5", 16, "none", "plastic"))
    assert plastic.torque_n_m is None
    assert "Stop when the head seats" in plastic.torque
    set_screw = fastener_guide(Fastener("pinion set screw", "M4x0.7", 1, "set_screw_flat"))
    assert set_screw.torque_n_m is None
    assert "never forced" in set_screw.torque
    assert any("flat" in rule for rule in set_screw.locking)


def test_tools_that_fit() -> None:
    """ISO 4762, ISO 7380-1 and 10642, ISO 4026, ISO 4032 and 7040 (values from memory)."""
    screw = fastener_guide(Fastener("tower screw", "M3x0.5"))
    assert "2.5 mm" in screw.tool
    assert "2 mm (button" in screw.tool
    assert "1.5 mm" in fastener_guide(Fastener("cup set screw", "M3x0.5")).tool
    assert "8 mm socket" in fastener_guide(Fastener("wheel nut", "M5x0.8")).tool
    assert "wrench that came" in fastener_guide(Fastener("link ball stud", "M3x0.5")).tool


def test_sizes_grow_with_the_thread_and_a_set_screw_has_the_smallest() -> None:
    for table in (CAP_KEY_MM, LOW_HEAD_KEY_MM, SET_SCREW_KEY_MM, NUT_FLATS_MM):
        sizes = [table[d] for d in sorted(table)]
        assert sizes == sorted(sizes)
    for d, low in LOW_HEAD_KEY_MM.items():
        assert SET_SCREW_KEY_MM[d] < low < CAP_KEY_MM[d] < NUT_FLATS_MM[d]


def test_prevailing_torque_falls_with_re_use_and_is_small() -> None:
    """ISO 2320 (value from memory): monotone with re-use, far under the tightening torque."""
    for diameter, (on, first, fifth) in PREVAILING_NM.items():
        assert on > first > fifth > 0.0
        pitch = {3.0: 0.5, 4.0: 0.7, 5.0: 0.8, 6.0: 1.0}[diameter]
        assert first < 0.25 * torque_n_m(Thread(diameter, pitch), 0.5)


def test_every_fastener_of_every_layout_and_shipped_car_has_a_guide() -> None:
    zones = [zone for layout in ("4wd", "rwd", "fwd") for zone in default_zones(layout)]
    zones += read_car(shipped_car_path("saltflat8")).zones
    for zone in zones:
        for fastener in zone.fasteners:
            guide = fastener_guide(fastener)
            assert guide.tool
            assert guide.torque
            assert guide.locking
            for words in (guide.tool, guide.torque, *guide.locking):
                assert "safe" not in words


def test_kinds_are_told_by_name_and_locking() -> None:
    assert kind_of(Fastener("wheel nut")) == "nut"
    assert kind_of(Fastener("grub", locking="set_screw_flat")) == "set_screw"
    assert kind_of(Fastener("servo screw")) == "screw"
    assert kind_of(Fastener("link ball stud")) == "ball_stud"


def test_unknown_sizes_are_said_in_words() -> None:
    odd = fastener_guide(Fastener("odd screw", "M7x1"))
    assert odd.tool == "the driver that fits fully"
    assert odd.torque_n_m is not None
    assert "wrench" in fastener_guide(Fastener("odd nut", "M7x1")).tool
    assert "fits fully" in fastener_guide(Fastener("odd grub", "M7x1")).tool
    assert "hex driver" in fastener_guide(Fastener("tiny screw", "M2x0.4")).tool
    for locking in ("spring_washer", "serrated", "threadlocker", "none"):
        assert fastener_guide(Fastener("screw", locking=locking)).locking


def test_the_owner_sets_how_often_a_nut_is_used_again() -> None:
    nut = Fastener("wheel nut", "M5x0.8", 1, "nylon_insert")
    assert "after 3 removals" in " ".join(fastener_guide(nut, nut_removals=3).locking)
    assert "after the first removal" in " ".join(fastener_guide(nut, nut_removals=1).locking)
    with pytest.raises(ValueError, match="nut_removals must be at least 1"):
        fastener_guide(nut, nut_removals=0)


def test_thread_locker_wants_clean_threads_and_time_and_no_plastic() -> None:
    metal = fastener_guide(Fastener("motor screw", "M3x0.5", 2, "threadlocker", "aluminium"))
    assert "clean" in " ".join(metal.locking)
    assert "cure" in " ".join(metal.locking)
    plastic = fastener_guide(Fastener("plate screw", "M3x0.5", 2, "threadlocker", "plastic"))
    assert "off plastic" in " ".join(plastic.locking)


def test_a_wheel_nut_gets_no_number_since_it_clamps_a_rim() -> None:
    nut = fastener_guide(Fastener("wheel nut", "M5x0.8", 1, "nylon_insert", "steel"))
    assert nut.torque_n_m is None
    assert "must not be crushed" in nut.torque
    mount = fastener_guide(Fastener("shock mount nut", "M3x0.5", 2, "nylon_insert", "steel"))
    assert mount.torque_n_m is not None
    assert "drag in the nylon comes on top" in mount.torque


def test_wet_threads_take_less_torque_for_the_same_preload() -> None:
    """K of 0.15 with locker in the thread against 0.20 dry (common practice, no source)."""
    dry = fastener_guide(Fastener("screw", "M3x0.5", 1, "none", "steel")).torque_n_m
    wet = fastener_guide(Fastener("screw", "M3x0.5", 1, "threadlocker", "steel")).torque_n_m
    assert dry is not None
    assert wet == pytest.approx(0.75 * dry)


def test_a_screw_with_a_lock_nut_needs_two_tools() -> None:
    tool = fastener_guide(Fastener("wing screw", "M3x0.5", 2, "nylon_insert", "plastic")).tool
    assert "2.5 mm hex driver" in tool
    assert "5.5 mm spanner on its lock nut" in tool
