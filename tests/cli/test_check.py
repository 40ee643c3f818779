"""``vibecheck check``: options, outputs, streams, messages. The analysis itself is replaced."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import jsonschema
import pytest
from bench_files import CAR_FILE
from builders import make_result

from vibecheck.cli import main
from vibecheck.cli.check import column_roles, one_each
from vibecheck.errors import CallError, InputError
from vibecheck.result_json import check_schema

# A result never carries a word that clears a car (the words of the brief).
CLEARING = re.compile(r"\b(ok|okay|pass|passed|safe|safely|healthy|all clear)\b", re.IGNORECASE)


def flat(text: str) -> str:
    """Undo the terminal's wrapping."""
    return " ".join(text.split())


def test_a_check_prints_the_card_on_standard_output(bench, fake_check, capsys):
    calls = fake_check()
    code = main(["check", "a.wav", "--car", "car.toml"])
    out, err = capsys.readouterr()
    assert code == 0
    assert err == ""
    text = flat(out)
    assert text.startswith("!! Inspect first: rear left wheel")
    assert "72 % (43 to 94 %)" in text
    assert "Knocks once per wheel turn" in text
    assert "Severity 3 of 3" in text
    assert "The take begins with the motor already running. Begin the next recording" in text
    assert "Could not be heard: body and aero and steering." in text
    assert "trained on simulated recordings" in text
    assert "The hand check is due" in text
    assert "Motor off and battery unplugged before" in text
    (call,) = calls
    assert call["car"].name == "Saltflat 8"
    assert [take.file for take in call["takes"]] == ["a.wav"]
    assert [take.spot for take in call["takes"]] == ["centre"]


@pytest.mark.parametrize("verdict", ["inspect_first", "nothing_stood_out", "cannot_tell"])
def test_no_verdict_clears_a_car(bench, fake_check, capsys, verdict):
    fake_check(make_result(verdict))
    assert main(["check", "a.wav", "--car", "car.toml"]) == 0
    out = capsys.readouterr().out
    assert not CLEARING.search(out)
    assert "The hand check is due" in out


def test_the_words_that_clear_a_car_would_be_noticed():
    assert CLEARING.search("All wheels OK.")
    assert CLEARING.search("safe to run")


def test_zones_are_printed_in_the_order_of_their_rank(bench, fake_check, capsys):
    result = make_result("nothing_stood_out")
    from dataclasses import replace

    fake_check(replace(result, zones=tuple(reversed(result.zones))))
    main(["check", "a.wav", "--car", "car.toml"])
    ranks = re.findall(r"^ ?(\d+)  [a-z]", capsys.readouterr().out, re.MULTILINE)
    assert ranks == [str(k) for k in range(1, 14)]


def test_spots_and_baseline_reach_the_analysis(bench, fake_check, capsys):
    calls = fake_check()
    call = "check a.wav b.wav --car car.toml --spot motor_mount --spot wheel_rear_left"
    code = main([*call.split(), "--baseline", "snug.wav", "--baseline-spot", "motor_mount"])
    assert code == 0
    (call,) = calls
    assert [take.spot for take in call["takes"]] == ["motor_mount", "wheel_rear_left"]
    assert [(t.file, t.spot) for t in call["baseline"]] == [("snug.wav", "motor_mount")]


def test_json_on_standard_output_stands_alone(bench, fake_check, capsys):
    fake_check()
    assert main(["check", "a.wav", "--car", "car.toml", "--json", "-"]) == 0
    out, err = capsys.readouterr()
    jsonschema.Draft202012Validator(check_schema()).validate(json.loads(out))
    assert err == ""


def test_files_are_written_and_named_on_standard_error(bench, fake_check, capsys):
    fake_check()
    call = ["check", "a.wav", "--car", "car.toml", "--json", "r.json", "--report", "r.html"]
    assert main(call) == 0
    out, err = capsys.readouterr()
    assert "Report: r.html" in err
    assert "Result: r.json" in err
    assert "r.html" not in out
    result = json.loads((bench / "r.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(check_schema()).validate(result)
    assert (bench / "r.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    left = {p.name for p in bench.iterdir()}
    assert left == {"a.wav", "b.wav", "snug.wav", "car.toml", "r.json", "r.html"}


def test_without_a_car_it_says_what_it_cannot_do(bench, fake_check, capsys):
    from vibecheck.car.profile import Car

    blind = Car("unknown machine", None, None, (), shaft="reference")
    calls = fake_check(make_result("cannot_tell", car=blind, zones=()))
    assert main(["check", "a.wav"]) == 0
    out, err = capsys.readouterr()
    assert calls[0]["car"] is None
    assert "No car file given" in err
    assert "Check the whole car by hand." in flat(out)
    assert "it cannot name the rotating parts or rank zones" in flat(out)


WRONG_CALLS = [
    (["--spot", "motor_mount", "--spot", "steering", "--spot", "centre"], "once for each take"),
    (["--spot", "motor_mont"], 'Did you mean "motor_mount"'),
    (["--sensor", "ear"], "--sensor"),
    (["--sample-rate", "0"], "--sample-rate must be a positive number"),
    (["--sample-rate", "nan"], "--sample-rate must be a positive number"),
    (["--sample-rate", "fast"], "--sample-rate"),
    (["--columns", "time"], "--columns must be a role and a column's name"),
    (["--columns", "x=a", "--columns", "x=b"], "--columns must name each role once"),
    (["--json", ""], "--json must name a file"),
    (["--report", "-"], "--report must name a file"),
    (["--json", "missing/r.json"], "There is no such folder"),
    (["--report", "folder"], "This is a folder"),
    (["--json", "same", "--report", "same"], "--json and --report must name two files"),
    (["--report", "a.wav"], "it would be overwritten"),
    (["--json", "car.toml"], "it would be overwritten"),
    (["--baseline", "snug.wav#1", "--json", "snug.wav"], "it would be overwritten"),
    (["--keep", "--data", "a.wav"], "There is a file in the way"),
    (["--baseline", "a.wav"], "The same recording was given twice"),
    (["--baseline", "copy.wav"], "This file holds the same recording as a.wav"),
    (["--unit", "furlong"], "unit must be one of"),
    (["--nonsense"], "No such option"),
]


@pytest.mark.parametrize(("options", "message"), WRONG_CALLS)
def test_a_wrong_call_is_refused_before_the_analysis(bench, fake_check, capsys, options, message):
    calls = fake_check()
    (bench / "folder").mkdir()
    (bench / "copy.wav").write_bytes((bench / "a.wav").read_bytes())
    before = sorted(p.name for p in bench.iterdir())
    code = main(["check", "a.wav", "--car", "car.toml", *options])
    out, err = capsys.readouterr()
    assert code == 2
    assert message in flat(err)
    assert err.startswith("Cannot go on: ")
    assert "Traceback" not in err
    assert out == ""
    assert calls == []
    assert sorted(p.name for p in bench.iterdir()) == before


def test_the_recording_survives_being_named_as_output(bench, fake_check, capsys):
    fake_check()
    before = (bench / "a.wav").read_bytes()
    assert main(["check", "a.wav", "--json", "./a.wav"]) == 2
    assert (bench / "a.wav").read_bytes() == before


def test_a_folder_that_may_not_be_written_is_refused(bench, fake_check, capsys, monkeypatch):
    calls = fake_check()
    monkeypatch.setattr("vibecheck.report.files.os.access", lambda _path, mode: not mode & os.W_OK)
    assert main(["check", "a.wav", "--json", "r.json"]) == 2
    assert "Writing is not allowed there" in capsys.readouterr().err
    assert main(["check", "a.wav", "--car", "car.toml", "--keep", "--data", "kept"]) == 2
    assert "must name a folder that may be written into" in flat(capsys.readouterr().err)
    assert calls == []


BAD_INPUT = [
    (["missing.wav", "--car", "car.toml"], "missing.wav"),
    (["folder", "--car", "car.toml"], "folder"),
    (["empty.wav", "--car", "car.toml"], "empty.wav"),
    (["text.wav", "--car", "car.toml"], "text.wav"),
    (["a.wav", "--car", "missing.toml"], "missing.toml"),
    (["a.wav", "--car", "bad.toml"], "bad.toml"),
    (["a.wav", "--car", "car.toml", "--baseline", "missing.wav"], "missing.wav"),
]


@pytest.mark.parametrize(("call", "name"), BAD_INPUT)
def test_input_that_cannot_be_used_is_named(bench, fake_check, capsys, call, name):
    calls = fake_check()
    (bench / "folder").mkdir()
    (bench / "empty.wav").write_bytes(b"")
    (bench / "text.wav").write_text("this is no sound\n" * 40, encoding="utf-8")
    (bench / "bad.toml").write_text('name = "x"\nlayout = [', encoding="utf-8")
    code = main(["check", *call, "--report", "r.html", "--keep", "--data", "kept"])
    out, err = capsys.readouterr()
    assert code == 1
    assert name in err
    assert "What to do:" in err
    assert "Traceback" not in err
    assert out == ""
    assert calls == []
    assert not (bench / "r.html").exists()
    assert not (bench / "kept").exists()


def test_an_error_of_the_analysis_is_one_block(bench, fake_check, capsys):
    fake_check(error=InputError("It is too short.", where="a.wav", advice="Record longer."))
    assert main(["check", "a.wav", "--car", "car.toml"]) == 1
    assert capsys.readouterr().err == (
        "Cannot go on: It is too short.\nWhere:        a.wav\nWhat to do:   Record longer.\n"
    )


def test_an_unexpected_error_is_one_block_without_traceback(bench, fake_check, capsys, monkeypatch):
    monkeypatch.delenv("VIBECHECK_DEBUG", raising=False)
    fake_check(error=ZeroDivisionError("by\nzero"))
    assert main(["check", "a.wav", "--car", "car.toml"]) == 1
    err = capsys.readouterr().err
    assert "ZeroDivisionError: by zero" in err
    assert "VIBECHECK_DEBUG=1" in err
    assert "Traceback" not in err
    monkeypatch.setenv("VIBECHECK_DEBUG", "1")
    assert main(["check", "a.wav", "--car", "car.toml"]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_a_stop_from_the_keyboard_has_its_own_code(bench, fake_check, capsys):
    fake_check(error=KeyboardInterrupt())
    assert main(["check", "a.wav", "--car", "car.toml", "--json", "r.json"]) == 130
    assert capsys.readouterr().err == "Stopped.\n"
    assert not (bench / "r.json").exists()


def test_odd_numbers_in_the_car_file_are_warned_of(bench, fake_check, capsys):
    fake_check()
    swapped = CAR_FILE.replace("pinion_teeth = 26", "pinion_teeth = 60")
    Path("swapped.toml").write_text(swapped, encoding="utf-8")
    assert main(["check", "a.wav", "--car", "swapped.toml"]) == 0
    warned = flat(capsys.readouterr().err)
    assert "Warning: The pinion (60 teeth) is larger than the spur (46 teeth)" in warned


def test_narrow_terminals_get_narrow_lines(bench, fake_check, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    fake_check(make_result(heavy=True, n_takes=2))
    main(["check", "a.wav", "b.wav", "--car", "car.toml"])
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= 60


def test_one_each_spreads_an_option():
    assert one_each([], 2, "--spot", "take") == ["centre", "centre"]
    assert one_each(["a"], 2, "--spot", "take") == ["a", "a"]
    assert one_each(["a", "b"], 2, "--spot", "take") == ["a", "b"]
    with pytest.raises(CallError, match="once for all, or once for each baseline take"):
        one_each(["a", "b"], 0, "--baseline-spot", "baseline take")


def test_column_roles_are_pairs():
    assert column_roles(["time=t (s)", "x = ax"]) == {"time": "t (s)", "x": "ax"}
    with pytest.raises(CallError, match="must be a role and a column's name"):
        column_roles(["=t"])


def test_outputs_are_whole_or_absent(bench, fake_check, capsys, monkeypatch):
    """A failing rename leaves what was there before, and no temporary file."""
    fake_check()
    (bench / "r.json").write_text("old", encoding="utf-8")

    def fail(*_args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("vibecheck.report.files.os.replace", fail)
    assert main(["check", "a.wav", "--car", "car.toml", "--json", "r.json"]) == 1
    assert "could not be written: No space left on device" in capsys.readouterr().err
    assert (bench / "r.json").read_text(encoding="utf-8") == "old"
    assert [p for p in bench.iterdir() if p.name.startswith(".r.json")] == []


def test_card_names_the_recording_behind_the_evidence(bench, fake_check, capsys):
    fake_check(make_result(n_takes=2))
    main(["check", "a.wav", "b.wav", "--car", "car.toml"])
    assert "(spin.wav)" in capsys.readouterr().out


def test_unfamiliar_sound_is_said(bench, fake_check, capsys):
    from vibecheck.result import Unfamiliar

    fake_check(make_result(unfamiliar=Unfamiliar(9.0, 3.0, True)))
    main(["check", "a.wav", "--car", "car.toml"])
    assert "Unfamiliar sound. These recordings sound unlike" in flat(capsys.readouterr().out)


def test_a_link_stays_a_link(bench, fake_check, capsys):
    fake_check()
    (bench / "real.json").write_text("{}", encoding="utf-8")
    Path("link.json").symlink_to("real.json")
    assert main(["check", "a.wav", "--car", "car.toml", "--json", "link.json"]) == 0
    assert (bench / "link.json").is_symlink()
    assert json.loads((bench / "real.json").read_text(encoding="utf-8"))["verdict"]


def test_a_pipe_made_by_the_shell_is_written_into(bench, fake_check, capsys):
    """As in ``--json >(program)``: no temporary file, no rename."""
    import os
    import threading

    fake_check()
    os.mkfifo(bench / "pipe")
    read: list[str] = []
    reader = threading.Thread(target=lambda: read.append((bench / "pipe").read_text("utf-8")))
    reader.start()
    assert main(["check", "a.wav", "--car", "car.toml", "--json", "pipe"]) == 0
    reader.join(timeout=10)
    assert json.loads(read[0])["schema"] == "vibecheck.check/1"
