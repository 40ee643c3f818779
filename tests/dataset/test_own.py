"""Own takes: from what a hand check says to labels, from the garage and by hand."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_up import write_take
from small_set import CAR

from vibecheck.car.read import parse_car
from vibecheck.cli import main
from vibecheck.dataset.columns import LOOSE_PRELOAD
from vibecheck.dataset.from_garage import takes_of_garage
from vibecheck.dataset.labelled_set import read_set
from vibecheck.dataset.own import labels_by_hand, labels_of, size_of, words_of
from vibecheck.dataset.verify import verify_set
from vibecheck.errors import CallError, InputError
from vibecheck.garage import Garage, SetUp
from vibecheck.risk.log import FIND_OUTCOMES, FastenerFinding, HandCheck

TEXT = CAR.format(name="Dune Runner 3")
PROFILE = parse_car(TEXT)
NOW = datetime(2026, 5, 1, 12, tzinfo=UTC)


def hand_check(*changes: FastenerFinding, complete: bool = True) -> HandCheck:
    """Everything snug but what is given (which replaces its kind)."""
    changed = {(one.zone, one.fastener) for one in changes}
    snug = [
        FastenerFinding(zone.name, kind.name, "snug", kind.count)
        for zone in PROFILE.zones
        for kind in zone.fasteners
        if (zone.name, kind.name) not in changed
    ]
    return HandCheck("h", NOW, 3.0, (*snug, *changes), complete)


def test_all_snug_is_a_baseline() -> None:
    labels = labels_of(hand_check(), PROFILE)
    assert labels.kind == "baseline"
    assert set(labels.state.values()) == {(1.0, 0.0)}
    assert set(labels.state) == {zone.name for zone in PROFILE.zones}
    assert labels.found == ""


def test_a_find_labels_its_zone_and_leaves_the_others() -> None:
    find = FastenerFinding("motor_mount", "motor screw", "loose", 2, turned_deg=90.0)
    labels = labels_of(hand_check(find), PROFILE)
    assert labels.kind == "loose"
    assert labels.state["motor_mount"] == (0.0, 0.25)
    assert {state for zone, state in labels.state.items() if zone != "motor_mount"} == {(1.0, 0.0)}
    assert labels.found == "motor_mount, motor screw: loose 90 deg (2 of them)"


def test_what_was_not_checked_stays_open() -> None:
    one = FastenerFinding("steering", "servo arm screw", "not_checked")
    labels = labels_of(hand_check(one, complete=False), PROFILE)
    assert labels.kind == "part_checked"
    assert labels.state["steering"] is None
    # Three of four checked is not all of them.
    few = FastenerFinding("driveline", "gearbox screw", "snug", 3)
    assert labels_of(hand_check(few), PROFILE).state["driveline"] is None
    # A find settles a zone of which not all was looked at.
    find = FastenerFinding("steering", "servo screw", "took_a_turn", turned_deg=20.0)
    assert labels_of(hand_check(one, find), PROFILE).state["steering"] == (0.3, 0.0)


@pytest.mark.parametrize(
    ("outcome", "degrees", "state"),
    [
        ("took_a_turn", None, (0.3, 0.0)),
        ("took_a_turn", 90.0, (0.3, 0.0)),
        ("took_a_turn", 270.0, (0.0, 0.5)),
        ("loose", 180.0, (0.0, 0.5)),
        ("loose", 0.0, (0.0, 0.0)),
        ("loose", None, (0.0, 0.0)),
        ("loose", 1e6, (0.0, 20.0)),
        ("missing", None, (0.0, 0.0)),
    ],
)
def test_words_and_degrees_become_states(
    outcome: str, degrees: float | None, state: tuple[float, float]
) -> None:
    assert size_of(outcome, degrees) == state


@given(outcome=st.sampled_from(FIND_OUTCOMES), degrees=st.none() | st.floats(0.0, 1e5))
def test_every_find_counts_as_loose(outcome: str, degrees: float | None) -> None:
    preload, turns = size_of(outcome, None if outcome == "missing" else degrees)
    assert turns > 0.0 or preload < LOOSE_PRELOAD
    assert preload == 0.0 or turns == 0.0
    assert 0.0 <= turns <= 20.0


def test_the_worst_of_a_zone_is_its_state() -> None:
    finds = [
        FastenerFinding("motor_mount", "motor screw", "took_a_turn", turned_deg=10.0),
        FastenerFinding("motor_mount", "mount screw", "loose", turned_deg=36.0),
    ]
    assert labels_of(hand_check(*finds), PROFILE).state["motor_mount"] == (0.0, 0.1)
    assert words_of(finds[0]) == "motor_mount, motor screw: took_a_turn 10 deg"


# ---- by hand ------------------------------------------------------------------------------------


def test_labels_by_hand() -> None:
    labels = labels_by_hand(PROFILE, "", ["motor_mount=loose:90", "steering=took_a_turn"])
    assert labels.kind == "loose"
    assert labels.state["motor_mount"] == (0.0, 0.25)
    assert labels.state["driveline"] is None, "not named is not looked at"
    rest = labels_by_hand(PROFILE, "loose", ["steering=missing"], ["driveline"], rest_snug=True)
    assert rest.state["driveline"] is None
    assert rest.state["motor_mount"] == (1.0, 0.0)
    part = labels_by_hand(PROFILE, "part_checked", [], ["driveline"], rest_snug=True)
    assert [zone for zone, state in part.state.items() if state is None] == ["driveline"]
    assert set(labels_by_hand(PROFILE, "baseline").state.values()) == {(1.0, 0.0)}


@pytest.mark.parametrize(
    ("kind", "loose", "open_zones", "rest", "words"),
    [
        ("", [], [], False, 'one of the known words. Got ""'),
        ("lose", [], [], False, 'Did you mean "loose"'),
        ("loose", [], [], False, "must come with what was loose"),
        ("baseline", ["steering=loose"], [], False, "nothing was loose"),
        ("speech", [], ["steering"], False, "nothing was loose"),
        ("part_checked", ["steering=loose"], [], False, "nothing was found"),
        ("part_checked", [], [], True, "must leave some zone open"),
        ("", ["steerin=loose"], [], False, 'no zone "steerin".*Did you mean "steering"'),
        ("", ["steering"], [], False, "must be ZONE=FOUND"),
        ("", ["steering=lose"], [], False, 'Did you mean "loose"'),
        ("", ["steering=loose:many"], [], False, "must be a number from 0 to 7200"),
        ("", ["steering=loose:nan"], [], False, "must be a number from 0 to 7200"),
        ("", ["steering=missing:90"], [], False, "must be a number from 0 to 7200"),
        ("", ["steering=loose"], ["steering"], False, "loose and as not checked"),
        ("part_checked", [], ["roof"], False, 'no zone "roof"'),
    ],
)
def test_words_that_contradict_each_other(
    kind: str, loose: list[str], open_zones: list[str], rest: bool, words: str
) -> None:
    with pytest.raises(CallError, match=words):
        labels_by_hand(PROFILE, kind, loose, open_zones, rest_snug=rest)


# ---- from the garage ----------------------------------------------------------------------------


@pytest.fixture
def garage(tmp_path: Path) -> Path:
    """One car, four sittings: a find left snug, no hand check, a part of one, another pinion."""
    for k in range(7):
        write_take(tmp_path / f"{k}.wav", 100 + k)
    folder = tmp_path / "garage"
    with Garage.open(folder, now=lambda: NOW) as garage:
        car = garage.add_car_text(TEXT).name
        first = garage.start_sitting(car).id
        garage.add_take(first, tmp_path / "0.wav")
        garage.add_take(first, tmp_path / "1.wav", spot="motor_mount")
        find = FastenerFinding(
            "motor_mount", "motor screw", "loose", 2, turned_deg=90.0, done=("tightened",)
        )
        garage.log_hand_check(first, *hand_check(find).findings)
        garage.finish_hand_check(first)
        garage.add_take(first, tmp_path / "2.wav")
        garage.close_sitting(first)
        second = garage.start_sitting(car).id
        garage.add_take(second, tmp_path / "3.wav")
        garage.close_sitting(second)
        third = garage.start_sitting(car).id
        garage.add_take(third, tmp_path / "4.wav")
        garage.log_hand_check(third, FastenerFinding("steering", "servo screw", "snug", 4))
        garage.finish_hand_check(third)
        garage.close_sitting(third)
        fourth = garage.start_sitting(car, set_up=SetUp(pinion_teeth=24, spur_teeth=50)).id
        garage.add_take(fourth, tmp_path / "5.wav")
        garage.log_hand_check(fourth, *hand_check().findings)
        garage.finish_hand_check(fourth)
        garage.close_sitting(fourth)
    return folder


def test_hand_checks_label_the_takes_before_them(
    garage: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "own"
    assert main(["dataset", "add", str(own), "--data", str(garage), "--licence", "CC0-1.0"]) == 0
    shown = capsys.readouterr()
    assert "4 takes added" in shown.out
    assert "bench check 2 of Dune Runner 3: its hand check is not finished" in shown.err
    assert "24 teeth where the car file now says 20" in shown.err
    rows = read_set(own)
    assert [row.kind for row in rows] == ["loose", "loose", "baseline", "part_checked"]
    assert {row.origin for row in rows} == {"own"}
    assert rows[0].state["motor_mount"] == (0.0, 0.25)
    assert rows[0].state["driveline"] == (1.0, 0.0)
    assert rows[0].check == rows[1].check != rows[2].check
    assert rows[1].spot == "motor_mount"
    assert rows[3].unknown_zones, "what nobody looked at is not snug"
    assert rows[3].licence == "CC0-1.0"
    assert verify_set(own).problems == ()
    # Again, by the car's name: nothing new.
    assert main(["dataset", "add", str(own), "--data", str(garage), "--car", "Dune Runner 3",
                 "--json"]) == 0  # fmt: skip
    plain = json.loads(capsys.readouterr().out)
    assert (plain["added"], plain["known"], plain["n_takes"]) == ([], 4, 4)


def test_what_a_manifest_cannot_say_is_named(garage: Path, tmp_path: Path) -> None:
    with Garage.open(garage, now=lambda: NOW) as store:
        sitting = store.start_sitting("Dune Runner 3").id
        store.add_take(sitting, tmp_path / "6.wav", reading={"unit": "g"})
        loose = FastenerFinding("steering", "servo screw", "loose", 4)
        store.log_hand_check(sitting, *hand_check(loose).findings)
        store.finish_hand_check(sitting)
        write_take(tmp_path / "7.wav", 107)
        store.add_take(sitting, tmp_path / "7.wav")
        path = next(take.path for take in store.sittings()[-1].takes)
    path.chmod(0o644)
    path.write_bytes(b"changed")
    _, skipped = takes_of_garage(garage)
    told = "\n".join(skipped)
    assert "needs to be told how it is read (unit)" in told
    assert "did not leave everything snug" in told
    assert len(skipped) == 5


def test_no_garage_and_no_such_car(garage: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="There is no garage yet"):
        takes_of_garage(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()
    with pytest.raises(CallError, match='has no car "Salt"'):
        takes_of_garage(garage, "Salt")
