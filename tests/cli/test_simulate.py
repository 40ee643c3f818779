"""``vibecheck simulate``: the real path once, and every call that it refuses before any work."""

from __future__ import annotations

import json
import os
import re
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "dataset"))

from made_up_takes import recording

from vibecheck.cli import main
from vibecheck.dataset.manifest import read_manifest, verify_files


def test_takes_of_a_new_car_file_can_be_checked(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call = ["car", "new", "new.toml", "--name", "Gravel 10", "--layout", "rwd"]
    call += ["--motor-poles", "4", "--kv-rpm-per-v", "3000", "--cells", "2"]
    call += ["--pinion-teeth", "22", "--spur-teeth", "72", "--internal-ratio", "2.4"]
    assert main([*call, "--tyre-diameter-mm", "66"]) == 0
    capsys.readouterr()
    call = ["simulate", "new.toml", "--duration", "8", "--out", "sim", "--seed", "3"]
    call += ["--spot", "centre", "--spot", "wheel_rear_left"]
    call += ["--sensor", "microphone", "--sensor", "accelerometer"]
    call += ["--loose", "wheel_rear_left=0.5", "--odd", "speech"]
    assert main(call) == 0
    said = capsys.readouterr().out
    assert said.startswith("Simulated: ")
    assert "loose: wheel_rear_left 0.5 turns; speech" in said
    rows = read_manifest("sim/manifest.csv")
    verify_files(rows)
    assert [(row.sensor, row.spot) for row in rows] == [
        ("microphone", "centre"),
        ("accelerometer", "wheel_rear_left"),
    ]
    assert rows[0].loose_zones == ("wheel_rear_left",)
    assert {row.origin for row in rows} == {"simulated"}
    names = {path.name for path in Path("sim").iterdir()}
    takes = {row.file.name for row in rows}
    truths = {f"{name.rpartition('.')[0]}.truth.json" for name in takes}
    assert names == takes | truths | {"manifest.csv", "new.toml"}
    assert Path("sim/new.toml").read_text() == Path("new.toml").read_text()
    truth = json.loads(Path("sim", sorted(truths)[0]).read_text(encoding="utf-8"))
    assert max(truth["speed"]["motor_rpm"]) > 3000.0

    # What it says to do next can be done, and finds the speed that was simulated.
    line = re.search(r"^Next: vibecheck (check .*)$", said, re.MULTILINE)
    assert line is not None
    assert main([*line[1].split(), "--json", "result.json"]) == 0
    result = json.loads(Path("result.json").read_text(encoding="utf-8"))
    top = max(result["takes"][0]["speed"]["rpm"])
    assert top == pytest.approx(max(truth["speed"]["motor_rpm"]), rel=0.03)

    # The same call is refused, and what is there stays as it was.
    before = {path.name: path.read_bytes() for path in Path("sim").iterdir()}
    capsys.readouterr()
    assert main(call) == 2
    assert "There is such a file already" in capsys.readouterr().err
    assert before == {path.name: path.read_bytes() for path in Path("sim").iterdir()}


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Nothing is simulated: the checks that would have been are noted, and a fault is raised."""
    seen: list[Any] = []

    def simulate(car: Any, check: Any) -> Any:
        seen.append((car, check))
        raise KeyboardInterrupt

    monkeypatch.setattr("vibecheck.dataset.simulated_set.simulate_check", simulate)
    return seen


@pytest.mark.parametrize(
    ("call", "code", "words"),
    [
        ([], 2, "Give a car file or --invent"),
        (["car.toml", "--invent", "3"], 2, "which car is meant"),
        (["absent.toml"], 1, "There is no such file"),
        (["car.toml", "--loose", "weel_rear_left=1"], 2, 'Did you mean "wheel_rear_left"'),
        (["car.toml", "--loose", "steering=lots"], 2, "must hold a number"),
        (["car.toml", "--mesh", "tigt"], 2, 'Did you mean "tight"'),
        (["car.toml", "--odd", "speach"], 2, 'Did you mean "speech"'),
        (["car.toml", "--unbalance", "steering=2"], 2, 'no wheel "steering"'),
        (["car.toml", "--spot", "center"], 2, 'Did you mean "centre"'),
        (["car.toml", "--spot", "centre", "--spot", "centre"], 2, "is given twice"),
        (["car.toml", "--sensor", "microfone"], 2, 'Did you mean "microphone"'),
        (
            ["car.toml", *["--spot", "centre"], *["--spot", "steering"] * 2]
            + ["--sensor", "microphone"] * 2,
            2,
            "--sensor must be given once for all, or once for each spot (3)",
        ),
        (["car.toml", "--takes", "0"], 2, "--takes must be from 1 to 1000"),
        (["car.toml", "--duration", "7"], 2, "--duration must be from 8 to 60"),
        (["car.toml", "--duration", "nan"], 2, "--duration must be from 8 to 60"),
        (["car.toml", "--seed", "-1"], 2, "--seed must be from 0"),
        (["--invent", "-1"], 2, "--invent must be from 0"),
        (["car.toml", "--faults", "f.csv", "--mesh", "tight"], 2, "--mesh cannot be given with"),
        (["car.toml", "--faults", "f.csv", "--takes", "2"], 2, "--takes cannot be given with"),
        (["car.toml", "--faults", "absent.csv"], 1, "fault list cannot be read"),
        (["machine.toml"], 1, "Only a car with a drivetrain can be simulated"),
        (["car.toml", "--out", "a.wav"], 2, "There is a file in the way"),
    ],
)
def test_a_call_that_cannot_be_meant_is_refused_at_once(
    bench: Path, capsys: pytest.CaptureFixture[str], quick: list[Any], call: list[str], code: int,
    words: str,
) -> None:  # fmt: skip
    (bench / "machine.toml").write_text(
        'name = "Rig"\nshaft = "fan"\n[[orders]]\nname = "blades"\nratio = 7\n', encoding="utf-8"
    )
    before = {path.name for path in bench.iterdir()}
    assert main(["simulate", *call]) == code
    said = capsys.readouterr()
    assert said.out == ""
    assert words in " ".join(said.err.split())
    assert not quick
    assert {path.name for path in bench.iterdir()} == before


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_folder_that_may_not_be_written_is_refused(bench: Path, quick: list[Any]) -> None:
    bench.chmod(0o500)
    try:
        assert main(["simulate", "car.toml", "--out", "sim"]) == 2
    finally:
        bench.chmod(0o700)
    assert not quick


@pytest.mark.parametrize(
    ("module", "call", "words"),
    [
        ("numba", [], "The simulator needs an optional part"),
        ("pyarrow", ["--sensor", "accelerometer"], "accelerometer's table needs an optional part"),
    ],
)
def test_an_absent_extra_is_named_before_any_work(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
    quick: list[Any], module: str, call: list[str], words: str,
) -> None:  # fmt: skip
    import importlib.util

    find = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name == module else find(name)
    )
    assert main(["simulate", "car.toml", *call]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert "pip install" in said
    assert not quick


def test_a_stopped_run_leaves_nothing_behind(
    bench: Path, capsys: pytest.CaptureFixture[str], quick: list[Any]
) -> None:
    before = {path.name for path in bench.iterdir()}
    assert main(["simulate", "car.toml"]) == 130
    assert {path.name for path in bench.iterdir()} == before
    assert quick[0][1].kind == "baseline"
    assert quick[0][1].spots == (("microphone", "centre"),)


def test_force_and_invent_and_lists(bench: Path, quick: list[Any]) -> None:
    (bench / "f.toml").write_text(
        '[[checks]]\nname = "nut"\nloose = { wheel_rear_left = 0.5 }\n', encoding="utf-8"
    )
    assert main(["simulate", "car.toml", "--faults", "f.toml", "--out", "."]) == 130
    assert quick[-1][1].name.endswith("-nut")
    # The car file itself is there already, and is left alone.
    assert (bench / "car.toml").is_file()
    (bench / "manifest.csv").write_text("mine", encoding="utf-8")
    assert main(["simulate", "car.toml", "--out", "."]) == 2
    assert main(["simulate", "car.toml", "--out", ".", "--force"]) == 130
    assert (bench / "manifest.csv").read_text(encoding="utf-8") == "mine"
    assert main(["simulate", "--invent", "7", "--out", "x"]) == 130
    assert main(["simulate", "--invent", "7", "--out", "x"]) == 130
    assert quick[-1][0].name == quick[-2][0].name
    assert quick[-1][0].seed == quick[-2][0].seed


def test_json_for_a_program(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "vibecheck.dataset.simulated_set.simulate_check",
        lambda car, check: tuple(recording(car, check, *spot) for spot in check.spots),
    )
    (bench / "f.csv").write_text("loose,takes\n,2\nsteering=1,1\n", encoding="utf-8")
    call = ["simulate", "car.toml", "--faults", "f.csv", "--spot", "steering", "--json"]
    assert main(call) == 0
    plain = json.loads(capsys.readouterr().out)
    assert (plain["schema"], plain["origin"]) == ("vibecheck.simulated/1", "simulated")
    assert [take["kind"] for take in plain["takes"]] == ["baseline", "baseline", "loose"]
    assert plain["takes"][2]["loose_zones"] == ["steering"]
    for take in plain["takes"]:
        assert Path(take["file"]).is_file()
        assert Path(take["truth"]).is_file()
    assert Path(plain["manifest"]).is_file()
    words = plain["next"]
    assert words[:2] == ["vibecheck", "check"]
    assert words.count("--baseline") == words.count("--baseline-spot") == 2
    assert words[words.index("--spot") + 1] == "steering"
