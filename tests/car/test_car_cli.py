"""``vibecheck car new | show | plan`` from the owner's side."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from vibecheck.car.fields import DRIVETRAIN_FIELDS
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.cli import car as car_cli
from vibecheck.cli.car import car_app
from vibecheck.errors import CallError, InputError

FLAGS = {
    "--name": "Test 8",
    "--layout": "4wd",
    "--motor-poles": "4",
    "--kv-rpm-per-v": "2650",
    "--cells": "6",
    "--pinion-teeth": "26",
    "--spur-teeth": "46",
    "--internal-ratio": "2.85",
    "--tyre-diameter-mm": "104",
}


def flags(**changes: str) -> list[str]:
    given = {**FLAGS, **{"--" + key.replace("_", "-"): value for key, value in changes.items()}}
    return [part for pair in given.items() for part in pair]


def run(*arguments: str, answers: str | None = None) -> Result:
    return CliRunner(env={"COLUMNS": "100", "NO_COLOR": "1"}).invoke(
        car_app, list(arguments), input=answers
    )


@pytest.fixture
def at_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(car_cli, "_can_ask", lambda: True)


def test_new_from_flags(tmp_path: Path) -> None:
    path = tmp_path / "test8.toml"
    result = run("new", str(path), *flags(bench_max_wheel_rpm="4000"))
    assert result.exit_code == 0
    assert result.stdout.strip() == str(path)
    assert "correct the fasteners" in result.stderr
    car = read_car(path)
    assert car.name == "Test 8"
    assert car.drivetrain is not None
    assert car.drivetrain.bench_max_wheel_rpm == 4000.0


def test_new_takes_its_file_name_from_the_car(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("new", *flags(name="Ölig & Schnell 8!")).stdout.strip() == "lig-schnell-8.toml"
    assert run("new", *flags(name="速い")).stdout.strip() == "car.toml"
    assert read_car("car.toml").name == "速い"


def test_new_says_what_looks_odd(tmp_path: Path) -> None:
    result = run("new", str(tmp_path / "x.toml"), *flags(pinion_teeth="50"))
    assert result.exit_code == 0
    assert "Warning: The pinion (50 teeth) is larger than the spur" in result.stderr
    assert "Note: The car file gives no bench_max_wheel_rpm" in result.stderr


def test_new_never_asks_without_a_terminal(tmp_path: Path) -> None:
    result = run("new", str(tmp_path / "x.toml"), "--name", "X", "--cells", "6", answers="4wd\n")
    assert isinstance(result.exception, CallError)
    assert result.exception.exit_code == 2
    message = str(result.exception)
    for flag in set(FLAGS) - {"--name", "--cells"}:
        assert flag in message
    assert "--cells" not in message
    assert "--wheel-max-rpm" not in message
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("pinion_teeth", "0", r"--pinion-teeth: pinion_teeth must be a whole number.*Got 0"),
        ("motor_poles", "3", r"--motor-poles: motor_poles must be an even whole number"),
        ("internal_ratio", "nan", r"--internal-ratio: internal_ratio must be.*Got nan"),
        ("cells", "six", r"--cells: cells must be a whole number from 1 to 30. Got \"six\""),
        ("tyre_diameter_mm", "", r"--tyre-diameter-mm: tyre_diameter_mm must be a number"),
        ("layout", "awd", r"--layout: layout must be one of 4wd, rwd, fwd. Got \"awd\""),
        ("name", "", r"--name: name must be one line"),
    ],
)
def test_new_with_a_bad_flag(tmp_path: Path, key: str, value: str, message: str) -> None:
    result = run("new", str(tmp_path / "x.toml"), *flags(**{key: value}))
    assert isinstance(result.exception, CallError)
    with pytest.raises(CallError, match=message):
        raise result.exception
    assert list(tmp_path.iterdir()) == []


def test_new_takes_a_decimal_comma(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    assert run("new", str(path), *flags(internal_ratio="2,85")).exit_code == 0
    car = read_car(path)
    assert car.drivetrain is not None
    assert car.drivetrain.internal_ratio == 2.85


def test_new_does_not_overwrite(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("mine", encoding="utf-8")
    result = run("new", str(path), *flags())
    assert isinstance(result.exception, InputError)
    assert path.read_text(encoding="utf-8") == "mine"
    assert run("new", str(path), *flags(), "--force").exit_code == 0
    assert read_car(path).name == "Test 8"


@pytest.mark.usefixtures("at_a_terminal")
def test_new_asks_and_says_at_once_what_is_wrong(tmp_path: Path) -> None:
    path = tmp_path / "asked.toml"
    answers = [
        "",  # no name
        "Asked 10",
        "awd",
        "rwd",
        "",  # motor_poles: the default, 4
        "",  # kv_rpm_per_v has no default: it stands on the motor
        "3600",
        "3",
        "zero",
        "0",
        "31",
        "72",
        "2,6",  # a decimal comma
        "66",
        "",  # wheel_max_rpm: not known
        "5500",
    ]
    result = run("new", str(path), answers="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.splitlines()[-1] == str(path)  # the runner echoes the answers before it
    assert "name must be one line" in result.stderr
    assert "layout must be one of" in result.stderr
    assert 'pinion_teeth must be a whole number from 1 to 500. Got "zero"' in result.stderr
    assert "Got 0 instead" in result.stderr
    car = read_car(path)
    assert (car.name, car.layout) == ("Asked 10", "rwd")
    assert car.drivetrain is not None
    assert car.drivetrain.motor_poles == 4
    assert car.drivetrain.internal_ratio == 2.6
    assert car.drivetrain.wheel_max_rpm is None
    assert car.drivetrain.bench_max_wheel_rpm == 5500.0


@pytest.mark.usefixtures("at_a_terminal")
def test_new_asks_only_for_what_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "asked.toml"
    given = flags()
    del given[given.index("--cells") : given.index("--cells") + 2]
    result = run("new", str(path), *given, answers="5\n\n\n")
    assert result.exit_code == 0
    car = read_car(path)
    assert car.drivetrain is not None
    assert car.drivetrain.cells == 5
    assert "pinion_teeth:" not in result.stderr


@pytest.mark.usefixtures("at_a_terminal")
def test_an_interrupted_question_leaves_nothing_behind(tmp_path: Path) -> None:
    result = run("new", str(tmp_path / "x.toml"), answers="Half\n4wd\n")
    assert result.exit_code == 1
    assert list(tmp_path.iterdir()) == []


def test_every_number_of_the_drivetrain_has_a_flag_and_a_question() -> None:
    text = run("new", "--help").stdout
    for field in DRIVETRAIN_FIELDS:
        assert "--" + field.key.replace("_", "-") in text
        assert field.meaning


def test_show() -> None:
    result = run("show", str(shipped_car_path()))
    assert result.exit_code == 0
    for words in (
        "Saltflat 8 (4wd)",
        "bearing_wheel_outer_race",
        "wheel bearing: a ball over the outer race",
        "0.198322",  # 260 / 1311
        "64.80 mm",
        "58830 rpm",
        "229 km/h",
        "real speed is lower",
        "4000 wheel rpm",
        "wheel nut, M5x0.8, into steel, nylon insert",
        "Severity: 1 a nuisance",
    ):
        assert words in result.stdout, words
    assert "Never give full throttle" in result.stderr
    assert "\x1b[" not in result.stdout


def test_show_json() -> None:
    result = run("show", str(shipped_car_path("lanternfish12")), "--json")
    value = json.loads(result.stdout)
    assert value["schema"] == "vibecheck.car/1"
    assert value["car"]["name"] == "Lanternfish 12"
    assert value["car"]["drivetrain"]["pinion_teeth"] == 22
    assert value["gearing"]["charges"][0]["charge"] == "nominal"
    assert [warning["code"] for warning in value["warnings"]] == ["bench_cap_missing"]


def test_show_a_bare_machine(tmp_path: Path) -> None:
    path = tmp_path / "rotor.toml"
    path.write_text(
        'name = "[bold]Rotor[/bold]"\n[[orders]]\nname = "rotor"\nratio = 1\n', encoding="utf-8"
    )
    result = run("show", str(path))
    assert result.exit_code == 0
    assert "[bold]Rotor[/bold]" in result.stdout  # a name is never markup
    assert "Gearing" not in result.stdout
    assert json.loads(run("show", str(path), "--json").stdout)["gearing"] is None


def test_plan_puts_the_cautions_where_they_are_due() -> None:
    result = run("plan", str(shipped_car_path()))
    assert result.exit_code == 0
    places = [
        result.stdout.index(words)
        for words in (
            "Before power is on",
            "hand-check everything that could leave",
            "Speeds to hold",
            "While it turns",
            "never full throttle",
            "Throttle script",
            "Where the sensor goes",
            "After each take",
            "full hand check",
        )
    ]
    assert places == sorted(places)
    assert "The sensor shows 20 to 20000 Hz" in result.stdout
    assert "2 × motor and electrical are one tone at every speed." in result.stdout


def test_plan_json() -> None:
    result = run(
        "plan",
        str(shipped_car_path()),
        "--sensor",
        "accelerometer",
        "--sample-rate",
        "3200",
        "--holds",
        "3",
        "--json",
    )
    value = json.loads(result.stdout)
    assert value["schema"] == "vibecheck.plan/1"
    assert value["band"]["sample_rate_hz"] == 3200
    assert len(value["holds"]) == 3
    assert value["cautions"][0].startswith("The manuals of the vehicle")
    assert [step["phase"] for step in value["script"]][:3] == ["idle", "run_up", "hold"]


def test_plan_tells_which_tones_meet() -> None:
    result = run("plan", str(shipped_car_path()), "--sensor", "accelerometer")
    assert result.exit_code == 0
    assert "may meet folded" in result.stdout
    assert "more such pairs near that speed" in result.stdout
    assert "not all apart" in result.stdout
    fine = run("plan", str(shipped_car_path()), "--resolution", "0.2")
    assert "are too close for this resolution" in fine.stdout


@pytest.mark.parametrize(
    ("arguments", "message", "code"),
    [
        (["--sensor", "microfone"], "Did you mean .microphone", 2),
        (["--holds", "9"], "n_holds must be", 2),
        (["--mains", "55"], "mains_hz must be 50 or 60", 2),
        (["--max-rpm", "10"], "Below 10 rpm no shaft turns fast enough", 1),
    ],
)
def test_plan_with_a_bad_call(arguments: list[str], message: str, code: int) -> None:
    result = run("plan", str(shipped_car_path()), *arguments)
    assert isinstance(result.exception, InputError | CallError)
    assert result.exception.exit_code == code
    with pytest.raises(type(result.exception), match=message):
        raise result.exception
    assert result.stdout == ""


@pytest.mark.parametrize("command", ["show", "plan"])
def test_a_file_that_is_not_there(command: str) -> None:
    result = run(command, "nowhere.toml")
    assert isinstance(result.exception, InputError)
    assert "nowhere.toml: There is no such file." in str(result.exception)


@pytest.mark.parametrize("command", ["new", "show", "plan"])
def test_help_teaches_by_example(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert "Examples:" in result.stdout
    assert f"vibecheck car {command}" in result.stdout


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom vibecheck.cli.car import car_app\n"
        "heavy = {'numpy', 'scipy', 'rich.table'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, env=os.environ
    )
    assert done.returncode == 0, done.stderr
