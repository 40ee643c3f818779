"""A change of gearing, against closed forms."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from vibecheck.car.gear_change import change_gear, disturbed_by, gear_change_to_dict
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.car.zones import Fastener, Zone
from vibecheck.cli.car import car_app
from vibecheck.errors import CallError, InputError

CAR = read_car(shipped_car_path("saltflat8"))


def run(*arguments: str) -> str:
    """Return what is printed; errors are raised."""
    result = CliRunner(env={"COLUMNS": "100", "NO_COLOR": "1"}).invoke(
        car_app, ["gear", *arguments], catch_exceptions=False
    )
    return result.output


def test_figures_by_hand() -> None:
    """Saltflat 8: 26/46, internal 2.85, 104 mm, 2650 rpm/V, 6 cells; recomputed by hand."""
    change = change_gear(CAR, pinion_teeth=30)
    assert change.changed == ("pinion",)
    assert change.gearing_after.gear_ratio == pytest.approx(46 / 30)
    assert change.gearing_after.roll_out_mm == pytest.approx(
        math.pi * 104.0 * 30 / (46 * 2.85), rel=1e-12
    )
    full = change.gearing_after.charges[1]
    assert full.motor_rpm == pytest.approx(2650 * 6 * 4.2)
    assert full.wheel_rpm == pytest.approx(2650 * 6 * 4.2 * 30 / (46 * 2.85))
    assert change.torque_factor == pytest.approx(30 / 26)
    assert change.heat_factor == pytest.approx((30 / 26) ** 2)
    assert change.top_torque_factor == pytest.approx((30 / 26) ** 3)
    assert change.run_time_factor == pytest.approx((26 / 30) ** 2)
    assert change.over_limit_rpm == pytest.approx(full.wheel_rpm - 9000.0)
    assert change.after.drivetrain is not None
    assert change.after.drivetrain.pinion_teeth == 30
    mesh = next(order for order in change.after.orders if order.name == "mesh")
    assert mesh.ratio == 30


@given(st.integers(10, 60), st.integers(30, 120), st.floats(50.0, 200.0), st.floats(1.0, 200.0))
def test_reflected_torque_does_the_work_of_the_pull(
    pinion: int, spur: int, tyre_mm: float, pull_n: float
) -> None:
    """Work per motor turn, 2π T, is the pull over the roll-out: energy balance without losses."""
    drivetrain = CAR.drivetrain
    assert drivetrain is not None
    same = (pinion, spur, tyre_mm) == (26, 46, drivetrain.tyre_diameter_mm)
    if same:
        return
    change = change_gear(CAR, pinion_teeth=pinion, spur_teeth=spur, tyre_diameter_mm=tyre_mm)
    torque = [
        pull_n * side.roll_out_mm * 1e-3 / (2 * math.pi)
        for side in (change.gearing_before, change.gearing_after)
    ]
    assert torque[1] / torque[0] == pytest.approx(change.torque_factor)
    wheel_torque = pull_n * 0.5e-3 * tyre_mm
    assert torque[1] == pytest.approx(wheel_torque / change.gearing_after.final_ratio)
    assert 0.0 < change.run_time_factor <= 1.0


def test_what_a_change_undoes() -> None:
    assert disturbed_by(CAR, ("pinion",)) == (
        ("motor_mount", "motor screw"),
        ("gear_mesh", "pinion set screw"),
    )
    assert disturbed_by(CAR, ("spur",)) == (
        ("motor_mount", "motor screw"),
        ("gear_mesh", "spur screw"),
    )
    wheels = disturbed_by(CAR, ("tyres",))
    assert {zone for zone, _ in wheels} == {zone.name for zone in CAR.zones[:4]}
    assert {zone for zone, _ in disturbed_by(CAR, ("cells",))} == {"battery_hold_down"}


def test_names_of_the_owners_own_are_rather_all_undone_than_none() -> None:
    own = Zone("motor_mount", 3, (Fastener("grub"), Fastener("clamp")))
    zones = tuple(own if zone.name == "motor_mount" else zone for zone in CAR.zones)
    found = disturbed_by(replace(CAR, zones=zones), ("pinion",))
    assert ("motor_mount", "grub") in found
    assert ("motor_mount", "clamp") in found


def test_a_shorter_gear_asks_less_and_keeps_its_run_time() -> None:
    change = change_gear(CAR, pinion_teeth=20)
    assert change.torque_factor < 1.0
    assert change.run_time_factor == 1.0
    assert not any("Tall gearing" in line for line in change.cautions)
    assert any("Tall gearing" in line for line in change_gear(CAR, pinion_teeth=32).cautions)


def test_every_change_defers_to_the_manual() -> None:
    for change in (change_gear(CAR, pinion_teeth=27), change_gear(CAR, cells=4)):
        assert change.cautions[-1] == "The vehicle's manual comes before any figure here."
        assert change.stale


def test_nothing_changed_is_said() -> None:
    with pytest.raises(CallError, match="Nothing changes"):
        change_gear(CAR, pinion_teeth=26)


@pytest.mark.parametrize("pinion", [0, -3])
def test_a_gear_without_teeth_is_refused(pinion: int) -> None:
    with pytest.raises(InputError, match="at least one tooth"):
        change_gear(CAR, pinion_teeth=pinion)


def test_numbers_outside_the_rules_of_the_car_file_are_refused() -> None:
    with pytest.raises(InputError, match="tyre_diameter_mm"):
        change_gear(CAR, tyre_diameter_mm=-1.0)
    with pytest.raises(InputError, match="cells"):
        change_gear(CAR, cells=500)


def test_a_bare_machine_has_no_gears() -> None:
    with pytest.raises(InputError, match=r"no \[drivetrain\]"):
        change_gear(replace(CAR, drivetrain=None), pinion_teeth=20)


def test_the_command_prints_and_writes(tmp_path: Path) -> None:
    target = tmp_path / "changed.toml"
    shown = run(str(shipped_car_path("saltflat8")), "--pinion", "30", "--write", str(target))
    for words in ("15 % more torque", "33 % more", "264 km/h", "paper", "motor mount: motor screw"):
        assert words in shown
    written = read_car(target).drivetrain
    assert written is not None
    assert written.pinion_teeth == 30
    with pytest.raises(InputError, match="already"):
        run(str(target), "--pinion", "31", "--write", str(target))


def test_the_json_is_that_of_the_change() -> None:
    shown = run(str(shipped_car_path("saltflat8")), "--pinion", "30", "--json")
    assert json.loads(shown) == gear_change_to_dict(change_gear(CAR, pinion_teeth=30))


def test_it_logs_what_was_undone(tmp_path: Path) -> None:
    from vibecheck.garage import Garage

    with Garage.open(tmp_path) as garage:
        garage.add_car(shipped_car_path("saltflat8"))
    run(str(shipped_car_path("saltflat8")), "--pinion", "30", "--log", "--data", str(tmp_path))
    with Garage.open(tmp_path) as garage:
        log = garage.car_log("Saltflat 8")
    assert [(one.zone, one.fastener) for one in log.disturbances] == [
        ("motor_mount", "motor screw"),
        ("gear_mesh", "pinion set screw"),
    ]
    assert log.disturbances[0].why == "change of pinion"


def test_data_without_log_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="--data goes with --log"):
        run(str(shipped_car_path("saltflat8")), "--pinion", "30", "--data", str(tmp_path))
