"""``vibecheck history`` as an owner calls it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import jsonschema
import pytest

from vibecheck.car.shipped import shipped_car_path
from vibecheck.cli import main
from vibecheck.garage import Garage
from vibecheck.report.history_json import history_schema
from vibecheck.risk.log import FastenerFinding

CAR = str(shipped_car_path("saltflat8"))
SECOND = str(shipped_car_path("greylag10"))


@pytest.fixture(scope="module")
def garage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A garage with one car, six hand checks and a motor screw found loose in three of them."""
    folder = tmp_path_factory.mktemp("garage")
    days = iter(datetime(2026, 6, 1, tzinfo=UTC) + timedelta(hours=n) for n in range(10_000))
    with Garage.open(folder, now=lambda: next(days)) as store:
        car = store.add_car(CAR)
        for n in range(6):
            sitting = store.start_sitting(car.name)
            for zone in (z for z in car.car.zones if z.name in ("motor_mount", "gear_mesh")):
                for kind in zone.fasteners:
                    loose = kind.name == "motor screw" and n % 2 == 1
                    found = FastenerFinding(
                        zone.name,
                        kind.name,
                        "loose" if loose else "snug",
                        kind.count,
                        done=("tightened",) if loose else (),
                    )
                    store.log_findings(sitting.id, zone.name, kind.name, [found])
            store.finish_hand_check(sitting.id)
            store.close_sitting(sitting.id)
        store.log_disturbances(car.name, [("gear_mesh", "pinion set screw")], "gear change")
    return folder


def call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["history", *words])
    seen = capsys.readouterr()
    return code, seen.out, seen.err


def test_without_any_log_the_hand_check_is_ranked(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, _ = call(capsys, "--car", CAR, "--data", str(tmp_path))
    assert code == 0
    assert "No hand check is in the log yet" in out
    assert " 1  " in out
    assert "motor mount" in out
    assert "The hand check is due before every run" in out


def test_json_to_standard_output_and_nothing_else(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, _ = call(capsys, "--car", CAR, "--data", str(tmp_path), "--json", "-")
    assert code == 0
    value = json.loads(out)
    jsonschema.Draft202012Validator(history_schema()).validate(value)
    assert value["car"]["name"] == "Saltflat 8"


def test_a_smaller_miss_probability_is_never_later(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def runs(miss: str) -> list[int]:
        _, out, _ = call(
            capsys, "--car", CAR, "--data", str(tmp_path), "--json", "-",
            "--miss-probability", miss,
        )  # fmt: skip
        return [
            kind["recheck_every_runs"]
            for zone in json.loads(out)["zones"]
            for kind in zone["fasteners"]
        ]

    careful, bold = runs("0.02"), runs("0.2")
    assert all(a <= b for a, b in zip(careful, bold, strict=True))
    assert careful != bold


def test_chosen_zones_keep_their_rank(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    words = ("--car", CAR, "--data", str(tmp_path), "--json", "-")
    _, whole, _ = call(capsys, *words)
    _, part, _ = call(capsys, *words, "--zone", "steering", "--zone", "gear_mesh")
    ranks = {zone["zone"]: zone["rank"] for zone in json.loads(whole)["zones"]}
    chosen = {zone["zone"]: zone["rank"] for zone in json.loads(part)["zones"]}
    assert chosen == {name: ranks[name] for name in ("steering", "gear_mesh")}


def test_the_page_and_the_json_are_written(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page, value = tmp_path / "h.html", tmp_path / "h.json"
    code, out, err = call(
        capsys, "--car", CAR, "--data", str(tmp_path), "--report", str(page), "--json", str(value)
    )
    assert code == 0
    assert str(page) in err
    assert str(value) in err
    assert "Check by hand" in out
    assert "<title>History of Saltflat 8</title>" in page.read_text(encoding="utf-8")
    assert json.loads(value.read_text(encoding="utf-8"))["schema"] == "vibecheck.history/1"


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("--miss-probability", "0"), 2, "--miss-probability must lie between 0 and 1"),
        (("--miss-probability", "nan"), 2, "--miss-probability must lie between 0 and 1"),
        (("--nut-removals", "0"), 2, "--nut-removals must be at least 1"),
        (("--zone", "gear_mash"), 2, 'Did you mean "gear_mesh"?'),
        (("--json", ""), 2, "--json must name a file"),
        (("--report", "-"), 2, "--report must name a file"),
        (("--json", "same.x", "--report", "same.x"), 2, "must name two files"),
        (("--report", "no/such/folder/x.html"), 2, "There is no such folder"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_calls_are_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, words: tuple[str, ...], code: int, told: str
) -> None:
    got, out, err = call(capsys, "--car", CAR, "--data", str(tmp_path), *words)
    assert got == code
    assert told in " ".join(err.split())
    assert out == ""


def test_a_bare_machine_has_no_history(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    bare = tmp_path / "rotor.toml"
    bare.write_text('name = "Rotor"\n[[orders]]\nname = "shaft"\nratio = 1.0\n', encoding="utf-8")
    code, _, err = call(capsys, "--car", str(bare), "--data", str(tmp_path))
    assert code == 2
    assert "has no zones" in err


def test_the_log_of_the_garage_ranks(capsys: pytest.CaptureFixture[str], garage: Path) -> None:
    code, out, _ = call(capsys, "--data", str(garage))
    assert code == 0
    told = " ".join(out.split())
    assert "Saltflat 8: 6 runs, 6 hand checks in the log" in told
    assert "1 front left wheel" in told  # never checked in six runs
    assert "wheel nut: not yet checked since the log began" in told
    assert "motor screw: found 3 times in 5 runs" in told
    assert "pinion set screw: worked at since the last run" in told


def test_a_car_is_found_by_name_and_by_its_file(
    capsys: pytest.CaptureFixture[str], garage: Path
) -> None:
    for wanted in ("Saltflat 8", "saltflat 8", CAR):
        code, out, _ = call(capsys, "--data", str(garage), "--car", wanted, "--json", "-")
        assert code == 0
        value = json.loads(out)
        assert value["hand_checks"] == 6
        (motor,) = (
            kind
            for zone in value["zones"]
            for kind in zone["fasteners"]
            if kind["fastener"] == "motor screw"
        )
        assert motor["finds"] == 3
        assert motor["due_because"] == "settling"


def test_a_car_that_the_garage_does_not_know(
    capsys: pytest.CaptureFixture[str], garage: Path
) -> None:
    code, out, err = call(capsys, "--data", str(garage), "--car", SECOND)
    assert code == 0
    assert "The garage has no log of Greylag 10" in err
    assert "No hand check is in the log yet" in out
    code, out, err = call(capsys, "--data", str(garage), "--car", "Saltflat 9")
    assert code == 2
    assert "Saltflat 8" in err
    assert out == ""


def test_without_a_garage_a_car_must_be_named(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, _, err = call(capsys, "--data", str(tmp_path))
    assert code == 2
    assert "There is no garage yet" in err
    assert not list(tmp_path.iterdir())


def test_one_of_several_cars_must_be_named(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with Garage.open(tmp_path):
        pass
    code, _, err = call(capsys, "--data", str(tmp_path))
    assert code == 2
    assert "The garage has no car yet" in err
    with Garage.open(tmp_path) as store:
        store.add_car(CAR)
        store.add_car(SECOND)
    code, _, err = call(capsys, "--data", str(tmp_path))
    assert code == 2
    assert "The garage has 2 cars: say which one" in " ".join(err.split())


def test_what_is_simulated_is_called_so(
    capsys: pytest.CaptureFixture[str], garage: Path, tmp_path: Path
) -> None:
    page, value = tmp_path / "h.html", tmp_path / "h.json"
    outputs = ("--report", str(page), "--json", str(value))
    _, out, _ = call(capsys, "--data", str(garage), "--simulated", *outputs)
    assert "Simulated: this log" in out
    assert "<b>Simulated.</b>" in page.read_text(encoding="utf-8")
    assert json.loads(value.read_text(encoding="utf-8"))["simulated"] is True
    _, out, _ = call(capsys, "--data", str(garage))
    assert "imulated" not in out
