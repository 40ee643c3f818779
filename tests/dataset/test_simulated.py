"""Simulated bench checks: the car of a car file, oddities, files with their truth."""

from __future__ import annotations

import errno
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_up_takes import recording

from vibecheck.car.read import parse_car
from vibecheck.dataset.columns import HARD_NEGATIVES
from vibecheck.dataset.faults import make_fault
from vibecheck.dataset.files import write_file
from vibecheck.dataset.simulated import SimulatedCheck, oddities, write_recording
from vibecheck.dataset.simulated_car import simulated_car
from vibecheck.dataset.simulated_set import (
    file_slug,
    plan_faults,
    refuse_overwriting,
    write_simulated_set,
)
from vibecheck.errors import CallError, InputError, MissingExtraError
from vibecheck.simulator import WHEELS, SimulatedCar

CAR = """name = "Saltflat 8"
layout = "4wd"
[drivetrain]
motor_poles = 4
kv_rpm_per_v = 2650
cells = 6
pinion_teeth = 26
spur_teeth = 46
internal_ratio = 2.85
tyre_diameter_mm = 104
"""


@pytest.fixture(scope="module")
def car() -> SimulatedCar:
    return simulated_car(parse_car(CAR))


def test_a_car_file_always_gives_the_same_car(car: SimulatedCar) -> None:
    again = simulated_car(parse_car(CAR))
    assert again.seed == car.seed
    assert np.array_equal(again.chassis.position, car.chassis.position)
    drivetrain = car.profile["drivetrain"]
    assert (drivetrain["pinion_teeth"], drivetrain["kv_rpm_per_v"]) == (26, 2650)
    # No cap in the file: the one that a bench plan would name.
    assert 500.0 < drivetrain["bench_max_wheel_rpm"] < 5000.0
    other = simulated_car(parse_car(CAR.replace("cells = 6", "cells = 4")))
    assert other.seed != car.seed


def test_the_pitch_of_the_wheel_nuts_is_that_of_the_file() -> None:
    car = simulated_car(
        parse_car(
            CAR + '[[zones]]\nname = "wheel_rear_left"\n[[zones.fasteners]]\nname = "wheel nut"\n'
            'thread = "M12x1.25"\n'
        )
    )
    assert [wheel.thread_pitch for wheel in car.wheels] == pytest.approx(
        [0.8e-3, 0.8e-3, 1.25e-3, 0.8e-3]
    )


def test_a_bare_machine_cannot_be_simulated() -> None:
    machine = parse_car('name = "Rig"\nshaft = "fan"\n[[orders]]\nname = "blades"\nratio = 7\n')
    with pytest.raises(InputError, match="Only a car with a drivetrain can be simulated"):
        simulated_car(machine)


def test_what_the_simulator_cannot_do_without_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_arguments: Any, **_options: Any) -> None:
        raise CallError("drivetrain.cells must be a number.", advice="Add it to the car file.")

    monkeypatch.setattr("vibecheck.dataset.simulated_car.draw_car", refuse)
    with pytest.raises(InputError, match=r"Saltflat 8: drivetrain\.cells must be"):
        simulated_car(parse_car(CAR))


@pytest.mark.parametrize("kind", HARD_NEGATIVES)
def test_every_oddity_changes_something_and_nothing_else(car: SimulatedCar, kind: str) -> None:
    plain = SimulatedCheck(name="a", kind="baseline", seed=7)
    before = oddities(car, plain)
    after = oddities(car, replace(plain, kind=kind, odd=(kind,)))
    changed = [one != other for one, other in zip(before, after, strict=True)]
    assert sum(changed) == 1
    assert after == oddities(car, replace(plain, kind=kind, odd=(kind,)))


def test_an_unbalance_that_was_asked_for_is_kept(car: SimulatedCar) -> None:
    check = plan_faults(
        car,
        [make_fault(odd=["out_of_balance"], unbalance=["wheel_rear_right=3"])],
        [("microphone", "centre")],
        1,
    )[0]
    assert oddities(car, check)[0].wheel_unbalance == (1.0, 1.0, 1.0, 3.0)
    drawn = replace(check, conditions=replace(check.conditions, wheel_unbalance=(1.0,) * 4))
    factors = oddities(car, drawn)[0].wheel_unbalance
    assert sorted(factors)[:3] == [1.0] * 3
    assert 2.0 <= max(factors) <= 4.5


def test_an_unknown_oddity_is_refused(car: SimulatedCar) -> None:
    with pytest.raises(CallError, match=r'Unknown oddity "speach"\. Did you mean "speech"'):
        oddities(car, SimulatedCheck(name="a", kind="baseline", seed=1, odd=("speach",)))


def test_bench_checks_of_a_fault_list(car: SimulatedCar) -> None:
    faults = [
        make_fault(name="Snug, day 1", takes=2),
        make_fault(mesh="tight"),
        make_fault(mesh="loose", loose=["steering=1"]),
    ]
    checks = plan_faults(car, faults, [("microphone", "centre")], 3, 9.0)
    assert [check.name for check in checks] == [
        "saltflat-8-01-snug-day-1", "saltflat-8-02-snug-day-1", "saltflat-8-03", "saltflat-8-04"
    ]  # fmt: skip
    assert [check.kind for check in checks] == ["baseline", "baseline", "mesh_tight", "loose"]
    assert len({check.seed for check in checks}) == 4
    assert {check.duration_s for check in checks} == {9.0}
    assert [check.conditions.backlash == 1.0 for check in checks] == [True, True, False, False]
    assert checks[2].conditions.backlash < 0.2
    assert checks[3].conditions.backlash > 2.0
    assert set(checks[3].states) == {"steering"}
    assert file_slug("Übung / 3__x") == "bung-3__x"


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Made-up takes instead of equations of motion."""
    monkeypatch.setattr(
        "vibecheck.dataset.simulated_set.simulate_check",
        lambda car, check: tuple(recording(car, check, *spot) for spot in check.spots),
    )


SPOTS = (("microphone", "centre"), ("accelerometer", "motor_mount"))


def test_a_folder_holds_takes_truth_car_and_manifest(
    car: SimulatedCar, tmp_path: Path, quick: None
) -> None:
    from vibecheck.dataset.manifest import read_manifest, verify_files

    checks = plan_faults(
        car, [make_fault(), make_fault(loose=["steering=1"], odd=["speech"])], SPOTS, 1
    )
    said: list[str] = []
    out = tmp_path / "a" / "b"
    takes = write_simulated_set(out, car, "car.toml", CAR, checks, said.append)
    assert len(said) == 2
    rows = read_manifest(out / "manifest.csv")
    verify_files(rows)
    assert rows == [take.row for take in takes]
    assert [row.kind for row in rows] == ["baseline", "baseline", "loose", "loose"]
    assert [row.loose_zones for row in rows] == [(), (), ("steering",), ("steering",)]
    assert rows[2].other["disturbance"] == "speech"
    for take in takes:
        truth = json.loads(take.truth.read_text(encoding="utf-8"))
        assert (truth["file"], truth["sha256"]) == (take.row.file.name, take.row.sha256)
        assert truth["origin"] == "simulated"
        speed = truth["speed"]
        assert len(speed["time_s"]) == len(speed["motor_rpm"]) == 400
        assert set(speed["wheel_rpm"]) == set(WHEELS)
        assert np.diff(speed["time_s"]) == pytest.approx(0.02)
        assert speed["motor_rpm"][100] == pytest.approx(1000.0 * speed["time_s"][100])
    assert truth["surroundings"]["speech_db"] > 0.0
    assert truth["states"]["steering"] == {"preload": 0.0, "turns": 1.0, "share": 1.0}

    from vibecheck.recording.read import read_take

    heard = read_take(rows[0].file, sensor="microphone", spot="centre")
    expected = recording(car, checks[0], *SPOTS[0]).samples
    assert np.abs(heard.samples - expected).max() < 1e-4
    felt = read_take(rows[1].file, sensor="accelerometer", spot="motor_mount")
    assert felt.samples.shape[0] == 3


def test_nothing_is_overwritten_unasked(car: SimulatedCar, tmp_path: Path, quick: None) -> None:
    checks = plan_faults(car, [make_fault()], SPOTS, 1)
    refuse_overwriting(tmp_path, checks, ["car.toml"], "--out")
    write_simulated_set(tmp_path, car, "car.toml", CAR, checks)
    (tmp_path / "manifest.csv").unlink()
    for name in ("saltflat-8-01-centre-mic.flac", "saltflat-8-01-motor_mount-acc.truth.json"):
        with pytest.raises(CallError, match="There is such a file already"):
            refuse_overwriting(tmp_path, checks, [], "--out")
        (tmp_path / name).unlink()
    with pytest.raises(CallError, match=r"car\.toml"):
        refuse_overwriting(tmp_path, [], ["car.toml"], "--out")


@pytest.mark.parametrize("error", [KeyboardInterrupt(), CallError("The motion grew.")])
def test_a_run_that_stops_takes_its_files_away_again(
    car: SimulatedCar, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    def simulate(car: SimulatedCar, check: SimulatedCheck) -> Any:
        if check.name.endswith("02"):
            raise error
        return (recording(car, check, "microphone", "centre"),)

    monkeypatch.setattr("vibecheck.dataset.simulated_set.simulate_check", simulate)
    (tmp_path / "car.toml").write_text("mine", encoding="utf-8")
    checks = plan_faults(car, [make_fault(takes=2)], SPOTS[:1], 1)
    with pytest.raises(type(error)):
        write_simulated_set(tmp_path, car, "car.toml", None, checks)
    assert [path.name for path in tmp_path.iterdir()] == ["car.toml"]
    assert (tmp_path / "car.toml").read_text(encoding="utf-8") == "mine"


def test_a_folder_is_made_before_any_work_and_taken_away_again(
    car: SimulatedCar, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def simulate(car: SimulatedCar, check: SimulatedCheck) -> Any:
        assert (tmp_path / "a" / "b").is_dir()
        raise CallError("The motion grew.")

    monkeypatch.setattr("vibecheck.dataset.simulated_set.simulate_check", simulate)
    checks = plan_faults(car, [make_fault()], SPOTS[:1], 1)
    with pytest.raises(CallError, match="The motion grew"):
        write_simulated_set(tmp_path / "a" / "b", car, "car.toml", CAR, checks)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(InputError, match="The folder could not be made"):
        write_simulated_set(tmp_path / "file" / "b", car, "car.toml", CAR, checks)


def test_a_full_disk_leaves_nothing_half(tmp_path: Path) -> None:
    def fill(path: Path) -> None:
        path.write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")

    (tmp_path / "a.flac").write_bytes(b"before")
    with pytest.raises(InputError, match="could not be written: No space left"):
        write_file(tmp_path / "a.flac", fill)
    assert [path.name for path in tmp_path.iterdir()] == ["a.flac"]
    assert (tmp_path / "a.flac").read_bytes() == b"before"


def test_a_take_in_a_folder_that_is_not_there_is_refused(car: SimulatedCar, tmp_path: Path) -> None:
    check = SimulatedCheck(name="a", kind="baseline", seed=1)
    with pytest.raises(InputError, match="could not be written"):
        write_recording(recording(car, check, "microphone", "centre"), tmp_path / "x" / "a.flac")


def test_without_pyarrow_it_says_what_to_install(
    car: SimulatedCar, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    check = SimulatedCheck(name="a", kind="baseline", seed=1)
    with pytest.raises(MissingExtraError, match="accelerometer's table needs"):
        write_recording(recording(car, check, "accelerometer", "centre"), tmp_path / "a.parquet")
