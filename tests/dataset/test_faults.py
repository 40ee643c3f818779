"""Fault lists: from options, TOML and CSV, refused by entry where they cannot be meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from vibecheck.dataset.faults import Fault, make_fault, parse_loose, read_faults
from vibecheck.errors import CallError, InputError
from vibecheck.simulator import FastenerState


@pytest.mark.parametrize(
    ("text", "zone", "state"),
    [
        ("wheel_rear_left=0.5", "wheel_rear_left", FastenerState(0.0, 0.5)),
        (" gear_mesh = preload:0.3 ", "gear_mesh", FastenerState(0.3)),
        ("motor_mount=0.5@0.5", "motor_mount", FastenerState(0.0, 0.5, 0.5)),
        ("motor_mount=preload:0@0.5", "motor_mount", FastenerState(0.0, 0.0, 0.5)),
        ("steering=0", "steering", FastenerState()),
    ],
)
def test_a_loose_fastener_is_read(text: str, zone: str, state: FastenerState) -> None:
    assert parse_loose(text) == (zone, state)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        ({"loose": ["sterring=1"]}, 'no zone "sterring". Did you mean "steering"'),
        ({"loose": ["steering"]}, 'loose "steering" must hold a number'),
        ({"loose": ["steering=lots"]}, 'loose "steering=lots" must hold a number'),
        ({"loose": ["steering=nan"]}, "must hold a number"),
        ({"loose": ["steering=preload:"]}, "must hold a number"),
        ({"loose": ["steering=pre:0.3"]}, 'is not understood: "pre"'),
        ({"loose": ["steering=9"]}, "turns must be between 0 and 5"),
        ({"loose": ["steering=-1"]}, "turns must be between 0 and 5"),
        ({"loose": ["steering=preload:3"]}, "preload must be between 0 and 2"),
        ({"loose": ["steering=1@0"]}, "share must be over 0"),
        ({"loose": ["steering=1", "steering=2"]}, "The zone steering is given twice"),
        ({"mesh": "tigt"}, 'no mesh setting "tigt". Did you mean "tight"'),
        ({"odd": ["speach"]}, 'no oddity "speach". Did you mean "speech"'),
        ({"odd": ["speech", "speech"]}, "The same oddity is given twice"),
        ({"unbalance": ["wheel_left=2"]}, 'no wheel "wheel_left"'),
        ({"unbalance": ["wheel_rear_left"]}, "must hold a number"),
        ({"unbalance": ["wheel_rear_left=-2"]}, "unbalance must be between 0 and 20"),
        ({"takes": 0}, "takes must be a whole number from 1 to 1000"),
    ],
)  # fmt: skip
def test_a_fault_that_cannot_be_meant_is_refused(call: dict, words: str) -> None:
    with pytest.raises(CallError, match=words):
        make_fault(**call)


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        (make_fault(), "baseline"),
        (make_fault(loose=["steering=0"]), "baseline"),
        (make_fault(unbalance=["wheel_rear_left=1"]), "baseline"),
        (make_fault(unbalance=["wheel_rear_left=3"]), "out_of_balance"),
        (make_fault(odd=["speech", "second_car"], unbalance=["wheel_rear_left=3"]), "speech"),
        (make_fault(mesh="tight", odd=["speech"]), "mesh_tight"),
        (make_fault(mesh="loose", loose=["steering=preload:0.2"]), "loose"),
    ],
)
def test_what_is_loose_names_the_kind_first(fault: Fault, kind: str) -> None:
    assert fault.kind == kind


TOML = """
[[checks]]
name = "snug"
takes = 3
[[checks]]
loose = { wheel_rear_left = 0.5, motor_mount = { preload = 0.3, share = 0.5 } }
odd = "speech"
[[checks]]
mesh = "tight"
odd = ["speech", "second_car"]
unbalance = { wheel_front_left = 2.5 }
loose = { steering = { turns = 1 } }
"""
CSV = """name,loose,mesh,odd,unbalance,takes
snug,,,,,3

,wheel_rear_left=0.5 motor_mount=preload:0.3@0.5,,speech,,
,steering=1,tight,speech second_car,wheel_front_left=2.5,1
"""


@pytest.mark.parametrize(("name", "text"), [("faults.toml", TOML), ("faults.csv", CSV)])
def test_a_list_is_the_same_in_both_forms(tmp_path: Path, name: str, text: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    assert read_faults(path) == (
        make_fault(name="snug", takes=3),
        make_fault(loose=["wheel_rear_left=0.5", "motor_mount=preload:0.3@0.5"], odd=["speech"]),
        make_fault(
            loose=["steering=1"],
            mesh="tight",
            odd=["speech", "second_car"],
            unbalance=["wheel_front_left=2.5"],
        ),
    )


@pytest.mark.parametrize(
    ("name", "text", "words", "where"),
    [
        ("a.txt", "", "is a .toml or .csv file", ""),
        ("a.toml", "x = ", "This is not TOML", ""),
        ("a.toml", "", "holds no entry", ""),
        ("a.toml", "check = 1", 'Unknown key "check". Did you mean "checks"', ""),
        ("a.toml", "checks = 1", "checks must be a list of tables", ""),
        ("a.toml", "[[checks]]\nlose = 1", 'Unknown key "lose". Did you mean "loose"', "entry 1"),
        ("a.toml", "[[checks]]\n[[checks]]\nloose = 3", "loose must be a table", "entry 2"),
        ("a.toml", "[[checks]]\nloose = {steerin = 3}", 'no zone "steerin"', "entry 1"),
        ("a.toml", "[[checks]]\nloose = {steering = true}", "must hold a number", "entry 1"),
        ("a.toml", "[[checks]]\nloose = {steering = {turn = 1}}", 'no key "turn"', "entry 1"),
        (
            "a.toml",
            "[[checks]]\nloose = {steering = {turns = 1, preload = 0.5}}",
            "preload must be 0 where turns",
            "entry 1",
        ),
        ("a.toml", "[[checks]]\nodd = [1]", "odd must be a word or a list", "entry 1"),
        ("a.toml", "[[checks]]\nname = 3", "name and mesh must be text", "entry 1"),
        ("a.toml", "[[checks]]\ntakes = 1.5", "takes must be a whole number", "entry 1"),
        ("a.toml", "[[checks]]\nunbalance = {steering = 2}", 'no wheel "steering"', "entry 1"),
        ("a.csv", "", "holds no entry", ""),
        ("a.csv", "name,loose\n", "holds no entry", ""),
        ("a.csv", "name,loose\na,b,c\n", "3 cells where the header has 2", "line 2"),
        ("a.csv", 'name\n"a\n', "This is not CSV", ""),
        ("a.csv", "nam\na\n", 'Unknown key "nam". Did you mean "name"', "line 2"),
        ("a.csv", "name,loose\na,\nb,steering=x\n", "must hold a number", "line 3"),
        ("a.csv", "takes\nmany\n", "takes must hold a number", "line 2"),
    ],
)
def test_a_bad_list_is_refused_by_its_entry(
    tmp_path: Path, name: str, text: str, words: str, where: str
) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words) as caught:
        read_faults(path)
    assert caught.value.where == (f"{path}, {where}" if where else str(path))
    assert caught.value.advice


def test_a_list_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read: No such file"):
        read_faults(tmp_path / "absent.toml")
    (tmp_path / "a.csv").write_bytes(b"\xff\xff")
    with pytest.raises(InputError, match="it is no text in UTF-8"):
        read_faults(tmp_path / "a.csv")
