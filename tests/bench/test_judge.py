"""The judge of bench checks: the same verdict as the whole chain, each take measured once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import vibecheck as vc
from vibecheck import pipeline
from vibecheck.bench import judge as judging
from vibecheck.bench.judge import Judge
from vibecheck.bench.set_up import fitted_car, next_set_up
from vibecheck.errors import CallError
from vibecheck.garage import Garage, SetUp

ROOT = Path(__file__).resolve().parents[2]
TAKES = sorted((ROOT / "datasets" / "demo" / "takes").glob("amber-pulley-90-0[0-3]-*-mic.flac"))
TAKES_CAR = ROOT / "datasets" / "demo" / "cars" / "amber-pulley-90.toml"


@pytest.fixture
def garage(tmp_path: Path) -> Iterator[Garage]:
    with Garage.open(tmp_path / "garage") as garage:
        garage.add_car(TAKES_CAR)
        yield garage


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the takes that were measured, in order."""
    measured: list[str] = []
    examine = pipeline.examine

    def count(take: Any, car: Any) -> Any:
        measured.append(take.file)
        return examine(take, car)

    monkeypatch.setattr(pipeline, "examine", count)
    return measured


def test_the_judge_says_what_the_whole_chain_says(garage: Garage, counted: list[str]) -> None:
    car = garage.cars()[0]
    sitting = garage.start_sitting(car.id)
    centre, mesh = TAKES[:2]
    garage.add_take(sitting.id, centre, spot="centre")
    judge = Judge(garage)
    extra = vc.read_take(mesh, spot="gear_mesh")
    judged = judge.check(garage.sitting(sitting.id), [extra])
    assert counted == [centre.name, mesh.name]
    whole = vc.check(
        [vc.read_take(centre, spot="centre"), extra], car.car, history=garage.car_log(car.id)
    )
    assert [zone.zone for zone in judged.zones] == [zone.zone for zone in whole.zones]
    assert [zone.probability for zone in judged.zones] == [z.probability for z in whole.zones]
    assert judged.verdict == whole.verdict

    # Once it is kept, the take is not measured again, nor is the one before.
    counted.clear()
    garage.add_take(sitting.id, mesh, spot="gear_mesh")
    again = judge.check(garage.sitting(sitting.id))
    assert [zone.probability for zone in again.zones] == [z.probability for z in whole.zones]
    assert counted == []
    kept = judge.keep(sitting, again)
    assert kept.verdict == whole.verdict


def test_nothing_to_judge_is_said(garage: Garage) -> None:
    sitting = garage.start_sitting(garage.cars()[0].id)
    with pytest.raises(CallError, match="There is no recording to judge"):
        Judge(garage).check(sitting)


def test_a_recording_that_is_gone_is_left_out_and_said(garage: Garage) -> None:
    sitting = garage.start_sitting(garage.cars()[0].id)
    lost = garage.add_take(sitting.id, TAKES[0], spot="centre")
    garage.add_take(sitting.id, TAKES[1], spot="gear_mesh")
    lost.path.unlink()
    said: list[str] = []
    result = Judge(garage).check(garage.sitting(sitting.id), say=said.append)
    assert [one.take.file for one in result.takes] == [TAKES[1].name]
    assert said
    assert said[0].startswith(f"Left out: {TAKES[0].name}")


def test_measured_takes_do_not_pile_up(
    garage: Garage, counted: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judging, "KEPT_MEASURED", 1)
    sitting = garage.start_sitting(garage.cars()[0].id)
    judge = Judge(garage)
    for take in TAKES[:2]:
        judge.check(sitting, [vc.read_take(take)])
    assert len(judge._measured) == 1
    judge.check(sitting, [vc.read_take(TAKES[0])])
    assert counted == [TAKES[0].name, TAKES[1].name, TAKES[0].name]


def test_the_car_is_judged_with_the_gears_that_are_fitted(garage: Garage) -> None:
    stored = garage.cars()[0]
    own = next_set_up(garage, stored)
    assert fitted_car(stored.car, own) is stored.car
    assert fitted_car(stored.car, SetUp()) is stored.car
    assert own.pinion_teeth is not None
    other = fitted_car(stored.car, SetUp(pinion_teeth=own.pinion_teeth + 2))
    mesh = {order.name: order.ratio for order in other.orders}["mesh"]
    assert mesh == own.pinion_teeth + 2  # mesh order of the motor = pinion teeth: kinematics
    sitting = garage.start_sitting(stored.id, set_up=SetUp(pinion_teeth=own.pinion_teeth + 2))
    result = Judge(garage).check(sitting, [vc.read_take(TAKES[0])])
    assert result.car.orders == other.orders


def test_the_phones_own_motion_is_kept_and_never_judged(garage: Garage, tmp_path: Path) -> None:
    motion = tmp_path / "motion-centre.csv"
    rows = "".join(f"{k / 60:.4f},0.0,0.1,{9.8 + 0.1 * (k % 2)}\n" for k in range(900))
    motion.write_text("time_s,x_m/s^2,y_m/s^2,z_m/s^2\n" + rows, encoding="utf-8")
    sitting = garage.start_sitting(garage.cars()[0].id)
    garage.add_take(sitting.id, motion, sensor="accelerometer", spot="centre")
    with pytest.raises(CallError, match="There is no recording to judge"):
        Judge(garage).check(garage.sitting(sitting.id))
    garage.add_take(sitting.id, TAKES[0], spot="centre")
    result = Judge(garage).check(garage.sitting(sitting.id))
    assert [one.take.file for one in result.takes] == [TAKES[0].name]
    assert not result.unfamiliar.is_unfamiliar


def test_the_same_file_read_another_way_is_measured_anew(
    garage: Garage, counted: list[str], tmp_path: Path
) -> None:
    table = tmp_path / "shake.csv"
    rows = "".join(f"{k / 800:.5f},{(k * 37) % 11}\n" for k in range(4000))
    table.write_text("time_s,x\n" + rows, encoding="utf-8")
    sitting = garage.start_sitting(garage.cars()[0].id)
    judge = Judge(garage)
    for unit in ("g", "mg", "mg"):
        take = vc.read_take(table, sensor="accelerometer", unit=unit)
        result = judge.check(sitting, [take], reading={"unit": unit})
        assert result.takes[0].take.samples.max() == take.samples.max()
    assert counted == [table.name, table.name]
