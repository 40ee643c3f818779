"""``vibecheck bench``, the cars of the garage, and ``check --keep``. The analysis is replaced."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bench_files import CAR_FILE, write_wav
from builders import make_result

from vibecheck.cli import main
from vibecheck.garage import Garage
from vibecheck.recording.read import read_take
from vibecheck.risk.log import FastenerFinding

CLEARING = re.compile(r"\b(ok|okay|pass|passed|safe|safely|healthy|all clear)\b", re.IGNORECASE)


@pytest.fixture
def call(bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> Any:
    """Call the program with a garage of its own; returns code, output, messages."""
    monkeypatch.setenv("VIBECHECK_DATA", str(bench / "garage"))

    def run(*words: str) -> tuple[int, str, str]:
        code = main(list(words))
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return code, out, " ".join(err.split())

    return run


def checked_snug(number: str = "1") -> None:
    with Garage.open() as garage:
        sitting = garage.sitting(number)
        car = garage.find_car(sitting.car).car
        garage.log_hand_check(
            sitting.id,
            *(
                FastenerFinding(zone.name, kind.name, "snug", kind.count)
                for zone in car.zones
                for kind in zone.fasteners
            ),
        )
        garage.finish_hand_check(sitting.id)


def test_a_bench_check_from_start_to_close(call: Any) -> None:
    code, out, err = call("bench", "start", "--car", "car.toml", "--tyres", "foam", "--runs", "3")
    assert code == 0
    assert "Bench check 1 of Saltflat 8, open" in out
    assert "pinion 26, spur 46, tyres foam, 6 cells" in out
    assert "vibecheck hand-check" in err
    assert call("bench", "add", "a.wav", "b.wav", "--spot", "motor_mount")[0] == 0
    checked_snug()
    assert call("bench", "add", "snug.wav")[0] == 0
    code, out, _ = call("bench", "note", "Foam looks worn", "--no-go")
    assert "Your decision  no go" in out
    code, out, err = call("bench", "close")
    assert (code, err) == (0, "")
    assert "a.wav (microphone, motor_mount), baseline" in out
    assert "snug.wav (microphone, centre), after the hand check, baseline" in out
    assert "Hand check     of everything, found snug" in out
    assert not CLEARING.search(out)
    code, out, _ = call("bench", "list")
    assert re.search(r"^1 +\S+ +Saltflat 8 +closed +3 +- +found snug +no go$", out, re.MULTILINE)


def test_closing_without_a_hand_check_says_that_it_is_due(call: Any) -> None:
    call("bench", "start", "--car", "car.toml")
    code, out, err = call("bench", "close")
    assert code == 0
    assert "none was logged; it is due before the car goes out" in out
    assert "It is due before the car goes out." in err


def test_finds_are_shown_with_what_was_done(call: Any) -> None:
    call("bench", "start", "--car", "car.toml")
    with Garage.open() as garage:
        found = FastenerFinding(
            "wheel_rear_left", "wheel nut", "took_a_turn", 1, 30.0, ("new_nut", "tightened")
        )
        garage.log_hand_check("1", found)
    _, out, _ = call("bench", "show")
    assert "begun, not finished: go on with vibecheck hand-check" in out
    assert "wheel_rear_left: wheel nut: took a turn, 30 deg; done: new nut, tightened" in out


def test_json_holds_it_all(call: Any, fake_check: Any) -> None:
    fake_check()
    call("bench", "start", "--car", "car.toml")
    call("check", "a.wav", "--car", "car.toml", "--keep")
    code, out, _ = call("bench", "show", "--json")
    shown = json.loads(out)
    assert code == 0
    assert shown["schema"] == "vibecheck.bench/1"
    assert shown["state"] == "open"
    assert shown["verdict"] == shown["result"]["verdict"] == make_result().verdict
    assert [take["file_name"] for take in shown["takes"]] == ["a.wav"]
    assert shown["owner"] == {"decision": None, "note": ""}
    _, out, _ = call("bench", "list", "--json")
    assert [one["number"] for one in json.loads(out)] == [1]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("bench", "show"), "There is no garage yet"),
        (("bench", "add", "a.wav"), "There is no garage yet"),
        (("bench", "list"), "There is no garage yet"),
        (("car", "list"), "There is no garage yet"),
        (("bench", "start", "--car", "Saltflat 8"), 'The garage has no car "Saltflat 8"'),
        (("bench", "start", "--car", "missing.toml"), "cannot be read"),
    ],
)
def test_without_a_garage(call: Any, words: tuple[str, ...], message: str) -> None:
    code, out, err = call(*words)
    assert code in (1, 2)
    assert out == ""
    assert message in err


def test_wrong_calls(call: Any, bench: Path) -> None:
    assert call("bench", "start", "--car", "car.toml")[0] == 0
    (bench / "text.wav").write_text("this is no sound\n" * 40, encoding="utf-8")
    for words, code, message in (
        (("bench", "start", "--car", "car.toml"), 2, "has an open bench check, number 1"),
        (("bench", "start", "--car", "car.toml", "--runs", "-1"), 2, "must be 0 or more"),
        (("bench", "add", "a.wav", "--spot", "motor_mont"), 2, 'Did you mean "motor_mount"'),
        (("bench", "add", "a.wav", "text.wav"), 1, "text.wav"),
        (("bench", "add", "log.npz#3"), 2, "The garage keeps whole files"),
        (("bench", "add", "a.wav", "--check", "7"), 2, 'There is no bench check "7"'),
        (("bench", "note"), 2, "There is nothing to write down"),
    ):
        got, out, err = call(*words)
        assert (got, out) == (code, ""), words
        assert message in err
    # All are read before the first is kept.
    assert json.loads(call("bench", "show", "--json")[1])["takes"] == []


def test_several_open_bench_checks_must_be_told_apart(call: Any, bench: Path) -> None:
    other = CAR_FILE.replace("Saltflat 8", "Greylag 10")
    (bench / "other.toml").write_text(other, encoding="utf-8")
    call("bench", "start", "--car", "car.toml")
    call("bench", "start", "--car", "other.toml")
    code, _, err = call("bench", "close")
    assert code == 2
    assert "2 bench checks are open: 1 of Saltflat 8, 2 of Greylag 10." in err
    assert call("bench", "close", "--car", "greylag 10")[0] == 0
    code, _, err = call("bench", "show", "--check", "2", "--car", "Saltflat 8")
    assert "Bench check 2 is one of Greylag 10." in err
    assert call("bench", "close")[0] == 0
    assert "No bench check is open" in call("bench", "close")[2]
    assert "Bench check 2 of Greylag 10, closed" in call("bench", "show")[1]


def test_cars_are_listed_renamed_and_put_away(call: Any) -> None:
    call("bench", "start", "--car", "car.toml")
    call("bench", "close")
    assert call("car", "list")[1] == "Saltflat 8: 1 run\n"
    assert call("car", "rename", "Saltflat 8", "Old Saltflat")[1] == (
        "Saltflat 8 is now Old Saltflat.\n"
    )
    assert call("car", "hide", "Old Saltflat")[0] == 0
    code, out, err = call("car", "list")
    assert (code, out) == (0, "")
    assert "There is no car, or all were put away: --hidden." in err
    assert call("car", "list", "--hidden")[1] == "Old Saltflat: 1 run  (put away)\n"
    assert "was put away" in call("bench", "start", "--car", "car.toml")[2]
    assert call("car", "hide", "Old Saltflat", "--undo")[1] == "Old Saltflat is back.\n"
    listed = json.loads(call("car", "list", "--json")[1])
    assert [(one["name"], one["runs"], one["hidden"]) for one in listed] == [
        ("Old Saltflat", 1.0, False)
    ]


# ---- check --data and --keep -------------------------------------------------------------------


def of(path: str) -> Any:
    """A result about a file, as the analysis would give it."""
    result = make_result()
    take = read_take(path)
    return replace(result, takes=(replace(result.takes[0], take=take),))


def test_keep_begins_a_bench_check_and_goes_on_with_it(call: Any, fake_check: Any) -> None:
    fake_check(of("a.wav"))
    code, out, err = call("check", "a.wav", "--car", "car.toml", "--keep")
    assert code == 0
    assert "Kept: bench check 1 of Saltflat 8" in err
    assert "The hand check is due" in out
    fake_check(of("b.wav"))
    assert "Kept: bench check 1" in call("check", "b.wav", "--car", "car.toml", "--keep")[2]
    assert "Kept: bench check 1" in call("check", "b.wav", "--car", "car.toml", "--keep")[2]
    with Garage.open() as garage:
        (sitting,) = garage.sittings()
        assert [take.file_name for take in sitting.takes] == ["a.wav", "b.wav"]
        assert {kept.take.file_name for kept in garage.features("Saltflat 8")} == {"a.wav", "b.wav"}


def test_a_known_car_is_judged_with_its_baseline_and_its_log(
    call: Any, fake_check: Any, bench: Path
) -> None:
    fake_check(of("a.wav"))
    call("check", "a.wav", "--car", "car.toml", "--keep")
    checked_snug()
    call("bench", "close")
    calls = fake_check()
    code, _, err = call("check", "b.wav", "--car", "car.toml", "--data", "garage")
    assert code == 0
    assert "Against 1 baseline take of the garage." in err
    assert [take.file for take in calls[-1]["baseline"]] == ["a.wav"]
    log = calls[-1]["history"]
    assert len(log.hand_checks) == 1
    assert log.runs == 2.0  # the bench check that is yet to begin
    # Another spot has no baseline; one that is named takes the place of the garage's.
    call("check", "b.wav", "--car", "car.toml", "--data", "garage", "--spot", "motor_mount")
    assert calls[-1]["baseline"] == ()
    call("check", "b.wav", "--car", "car.toml", "--data", "garage", "--baseline", "snug.wav")
    assert [take.file for take in calls[-1]["baseline"]] == ["snug.wav"]
    with Garage.open() as garage:
        assert len(garage.sittings()) == 1


def test_a_spoilt_baseline_recording_is_left_out(call: Any, fake_check: Any, bench: Path) -> None:
    fake_check(of("a.wav"))
    call("check", "a.wav", "--car", "car.toml", "--keep")
    checked_snug()
    with Garage.open() as garage:
        (take,) = garage.baseline_takes("Saltflat 8")
    write_wav(take.path, seed=99)
    calls = fake_check()
    _, _, err = call("check", "b.wav", "--car", "car.toml", "--data", "garage")
    assert "Left out of the baseline: a.wav. The recording in the garage is no longer" in err
    assert calls[-1]["baseline"] == ()
    take.path.unlink()
    _, _, err = call("check", "b.wav", "--car", "car.toml", "--data", "garage")
    assert "Left out of the baseline: a.wav." in err


def test_an_unknown_car_is_judged_as_any(call: Any, fake_check: Any) -> None:
    calls = fake_check()
    _, _, err = call("check", "a.wav", "--car", "car.toml", "--data", "nowhere")
    assert "There is no garage in nowhere" in err
    assert not Path("nowhere").exists()
    call("bench", "start", "--car", "car.toml")
    call("car", "rename", "Saltflat 8", "Old Saltflat")
    _, _, err = call("check", "a.wav", "--car", "car.toml", "--data", "garage")
    assert "does not know" not in err  # its file had that name
    assert calls[-1]["history"].car == "Old Saltflat"
    other = CAR_FILE.replace("Saltflat 8", "Greylag 10")
    Path("other.toml").write_text(other, encoding="utf-8")
    _, _, err = call("check", "a.wav", "--car", "other.toml", "--data", "garage")
    assert "The garage does not know Greylag 10" in err
    assert calls[-1]["history"] is None


def test_what_cannot_be_kept_is_refused_before_the_analysis(call: Any, fake_check: Any) -> None:
    calls = fake_check(of("a.wav"))
    code, _, err = call("check", "a.wav", "--keep")
    assert (code, "--keep needs a car" in err) == (2, True)
    code, _, err = call("check", "log.npz#1", "--car", "car.toml", "--keep")
    assert (code, "The garage keeps whole files" in err) == (2, True)
    assert calls == []
    call("check", "a.wav", "--car", "car.toml", "--keep")
    call("bench", "close")
    assert len(calls) == 1
    code, _, err = call("check", "a.wav", "--car", "car.toml", "--keep")
    assert (code, "kept already, in bench check 1 of Saltflat 8" in err) == (2, True)
    assert len(calls) == 1
