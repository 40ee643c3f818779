"""The garage: cars, bench checks, takes, hand checks, and what follows from them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from garage_cars import CAR_FILE, KINDS, Clock, add_car, made_up_file, snug
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vibecheck.errors import CallError, InputError
from vibecheck.garage import Garage, SetUp, garage_folder
from vibecheck.risk.log import DONE, OUTCOMES, FastenerFinding

CAR = "Saltflat 8"


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def garage(tmp_path: Path, clock: Clock) -> Any:
    with Garage.open(tmp_path / "garage", now=clock) as opened:
        add_car(opened)
        yield opened


def reopened(garage: Garage) -> Garage:
    garage.close()
    return Garage.open(garage.folder, now=garage._now)


# ---- where it is -------------------------------------------------------------------------------


def test_its_folder_is_named_or_in_the_environment_or_the_users(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VIBECHECK_DATA", str(tmp_path / "env"))
    assert garage_folder(tmp_path / "named") == tmp_path / "named"
    assert garage_folder() == tmp_path / "env"
    monkeypatch.delenv("VIBECHECK_DATA")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))
    assert "vibecheck" in str(garage_folder())


# ---- cars --------------------------------------------------------------------------------------


def test_every_version_of_a_car_file_is_kept(garage: Garage) -> None:
    first = garage.find_car(CAR)
    changed = CAR_FILE.replace("pinion_teeth = 26", "pinion_teeth = 28")
    assert garage.add_car_text(CAR_FILE).id == first.id
    assert garage.add_car_text(changed).id == first.id
    assert [text for _, text in garage.car_versions(CAR)] == [CAR_FILE, changed]
    drivetrain = garage.find_car(CAR).car.drivetrain
    assert drivetrain is not None
    assert drivetrain.pinion_teeth == 28


def test_a_renamed_car_keeps_its_history_and_its_file_finds_it(
    garage: Garage, tmp_path: Path
) -> None:
    sitting = garage.start_sitting(CAR)
    garage.log_hand_check(sitting.id, *snug())
    before = garage.find_car(CAR)
    garage.rename_car("saltflat 8", "Old Saltflat")
    (tmp_path / "car.toml").write_text(CAR_FILE, encoding="utf-8")
    for name in ("Old Saltflat", CAR, before.id, str(tmp_path / "car.toml")):
        found = garage.find_car(name)
        assert (found.id, found.name, found.car.name) == (before.id, *["Old Saltflat"] * 2)
    assert garage.add_car(tmp_path / "car.toml").id == before.id
    assert len(garage.car_log("Old Saltflat").hand_checks) == 1
    assert garage.sitting("1").car == "Old Saltflat"


def test_a_name_that_is_or_was_anothers_is_refused(garage: Garage) -> None:
    add_car(garage, "Greylag 10")
    garage.rename_car(CAR, "Old Saltflat")
    for name in ("Old Saltflat", CAR):
        with pytest.raises(CallError, match="Another car of the garage has, or had"):
            garage.rename_car("Greylag 10", name)
    with pytest.raises(InputError, match="name must be one line"):
        garage.rename_car(CAR, "  ")
    assert [car.name for car in garage.cars()] == ["Greylag 10", "Old Saltflat"]


def test_a_hidden_car_keeps_its_history_and_gets_no_bench_check(garage: Garage) -> None:
    sitting = garage.start_sitting(CAR)
    garage.log_hand_check(sitting.id, *snug())
    garage.close_sitting(sitting.id)
    garage.hide_car(CAR)
    assert garage.cars() == ()
    assert [car.hidden for car in garage.cars(hidden=True)] == [True]
    assert len(garage.car_log(CAR).hand_checks) == 1
    with pytest.raises(CallError, match="was put away"):
        garage.start_sitting(CAR)
    garage.hide_car(CAR, hidden=False)
    assert garage.start_sitting(CAR).runs == 2.0


def test_an_unknown_car_is_refused_with_a_suggestion(garage: Garage) -> None:
    with pytest.raises(CallError, match='Did you mean "Saltflat 8"'):
        garage.find_car("Saltflat 9")
    with pytest.raises(InputError, match="The car file cannot be read"):
        garage.add_car("nowhere.toml")
    with pytest.raises(InputError, match="not valid TOML"):
        garage.add_car_text("name = ")


# ---- bench checks ------------------------------------------------------------------------------


def test_an_interrupted_bench_check_goes_on(garage: Garage, tmp_path: Path) -> None:
    set_up = SetUp(28, 46, "foam", 4)
    begun = garage.start_sitting(CAR, set_up=set_up, runs_since_last=3.0)
    take = garage.add_take(begun.id, made_up_file(tmp_path, 1), spot="motor_mount")
    garage.log_hand_check(begun.id, snug()[0])
    garage = reopened(garage)
    found = garage.open_sitting(CAR)
    assert found is not None
    assert (found.id, found.set_up, found.runs, found.takes) == (begun.id, set_up, 3.0, (take,))
    assert garage.findings(found.id) == (snug()[0],)
    assert not found.hand_check_done
    with pytest.raises(CallError, match="has an open bench check, number 1"):
        garage.start_sitting(CAR)


def test_runs_are_counted_over_bench_checks(garage: Garage) -> None:
    for runs in (1.0, 4.0, 0.0):
        garage.close_sitting(garage.start_sitting(CAR, runs_since_last=runs).id)
    assert [one.runs for one in garage.sittings(CAR, newest_first=False)] == [1.0, 5.0, 5.0]
    assert garage.find_car(CAR).runs == garage.car_log(CAR).runs == 5.0
    for wrong in (-1.0, float("nan"), float("inf")):
        with pytest.raises(CallError, match="must be 0 or more"):
            garage.start_sitting(CAR, runs_since_last=wrong)


def test_the_set_up_follows_the_car_file_and_the_last_tyres(garage: Garage) -> None:
    garage.close_sitting(garage.start_sitting(CAR, set_up=SetUp(26, 46, "foam", 6)).id)
    garage.add_car_text(CAR_FILE.replace("pinion_teeth = 26", "pinion_teeth = 28"))
    assert garage.start_sitting(CAR).set_up == SetUp(28, 46, "foam", 6)
    with pytest.raises(ValueError, match="pinion_teeth must be at least 1"):
        SetUp(0)


def test_the_decision_is_the_owners_alone(garage: Garage) -> None:
    sitting = garage.start_sitting(CAR)
    garage.set_result(sitting.id, {"verdict": "nothing_stood_out", "takes": []})
    garage.log_hand_check(sitting.id, *snug())
    garage.finish_hand_check(sitting.id)
    assert garage.close_sitting(sitting.id).decision is None
    noted = garage.note_decision(sitting.id, "no_go", "Mesh feels notchy.")
    assert (noted.decision, noted.note) == ("no_go", "Mesh feels notchy.")
    with pytest.raises(CallError, match="A decision is go or no_go"):
        garage.note_decision(sitting.id, "perhaps")  # type: ignore[arg-type]


def test_a_closed_bench_check_takes_nothing_more(garage: Garage, tmp_path: Path) -> None:
    sitting = garage.start_sitting(CAR)
    garage.close_sitting(sitting.id)
    for change in (
        lambda: garage.add_take(sitting.id, made_up_file(tmp_path, 1)),
        lambda: garage.log_hand_check(sitting.id, *snug()),
        lambda: garage.finish_hand_check(sitting.id),
        lambda: garage.set_result(sitting.id, {}),
    ):
        with pytest.raises(CallError, match="is closed"):
            change()
    assert garage.sitting(sitting.id).takes == ()


def test_a_bench_check_is_found_by_number_id_or_its_beginning(garage: Garage) -> None:
    sitting = garage.start_sitting(CAR)
    for key in ("1", sitting.id, sitting.id[:10]):
        assert garage.sitting(key).id == sitting.id
    # A number that is not there is not taken for the beginning of an id.
    for key in ("", "2", "no-such", sitting.id[:4]):
        with pytest.raises(CallError, match="There is no bench check"):
            garage.sitting(key)


# ---- takes and results -------------------------------------------------------------------------


def test_a_take_is_kept_once_whole_and_under_its_hash(garage: Garage, tmp_path: Path) -> None:
    sitting = garage.start_sitting(CAR)
    file = made_up_file(tmp_path, 1)
    reading = {"unit": "g", "columns": {"time": "t"}}
    take = garage.add_take(sitting.id, file, sensor="accelerometer", reading=reading)
    again = garage.add_take(sitting.id, file, sensor="accelerometer")
    assert again == take
    assert take.reading == reading
    assert take.path.read_bytes() == file.read_bytes()
    assert take.path.stem == take.sha256
    kept = [path for path in (garage.folder / "recordings").rglob("*") if path.is_file()]
    assert kept == [take.path]
    assert garage.take_of_content(take.sha256) == take
    assert garage.take_of_content("00") is None


def test_a_spoilt_recording_is_put_back_by_adding_it_again(garage: Garage, tmp_path: Path) -> None:
    sitting = garage.start_sitting(CAR)
    file = made_up_file(tmp_path, 1)
    take = garage.add_take(sitting.id, file)
    take.path.write_bytes(b"half")
    garage.add_take(sitting.id, file)
    assert take.path.read_bytes() == file.read_bytes()


def test_a_recording_belongs_to_one_bench_check_sensor_and_spot(
    garage: Garage, tmp_path: Path
) -> None:
    file = made_up_file(tmp_path, 1)
    first = garage.start_sitting(CAR)
    garage.add_take(first.id, file)
    with pytest.raises(CallError, match="kept already, in bench check 1 of Saltflat 8 as micro"):
        garage.add_take(first.id, file, spot="motor_mount")
    garage.close_sitting(first.id)
    second = garage.start_sitting(CAR)
    with pytest.raises(CallError, match="kept already, in bench check 1"):
        garage.add_take(second.id, file)
    with pytest.raises(CallError, match=r'no spot "motor_mont".*Did you mean "motor_mount"'):
        garage.add_take(second.id, made_up_file(tmp_path, 2), spot="motor_mont")
    with pytest.raises(CallError, match='There is no sensor "ear"'):
        garage.add_take(second.id, made_up_file(tmp_path, 2), sensor="ear")
    with pytest.raises(InputError, match="The recording cannot be read"):
        garage.add_take(second.id, tmp_path / "missing.wav")
    assert garage.sitting(second.id).takes == ()


def test_unfinished_copies_of_a_killed_process_are_swept_away(
    garage: Garage, tmp_path: Path
) -> None:
    import os

    garage.add_take(garage.start_sitting(CAR).id, made_up_file(tmp_path, 1))
    old, new = (garage.folder / "recordings" / f"{name}.part" for name in ("old", "new"))
    old.write_bytes(b"x")
    new.write_bytes(b"x")
    os.utime(old, (1e9, 1e9))
    reopened(garage).close()
    assert not old.exists()
    assert new.exists()  # another process may be at it


def test_a_result_and_its_features_come_back(garage: Garage, tmp_path: Path) -> None:
    sitting = garage.start_sitting(CAR, runs_since_last=2.0)
    take = garage.add_take(sitting.id, made_up_file(tmp_path, 1))
    result = {
        "verdict": "inspect_first",
        "catalogue_version": "2",
        "takes": [
            {"sha256": take.sha256, "features": {"a": 1.5, "b": None, "c": -2.0}},
            {"sha256": "other", "features": {"a": 0.0}},
            {"sha256": take.sha256, "features": None},
        ],
    }
    assert garage.result(sitting.id) is None
    assert garage.set_result(sitting.id, result).verdict == "inspect_first"
    garage = reopened(garage)
    assert garage.result(sitting.id) == result
    (kept,) = garage.features(CAR)
    assert kept.features == {"a": 1.5, "b": None, "c": -2.0}
    assert (kept.take, kept.runs, kept.catalogue_version) == (take, 2.0, "2")


# ---- hand checks -------------------------------------------------------------------------------


def test_a_hand_check_is_complete_when_all_was_checked(garage: Garage) -> None:
    sitting = garage.start_sitting(CAR)
    garage.log_hand_check(sitting.id, *snug(except_for="mount screw"))
    assert not garage.finish_hand_check(sitting.id).complete
    part = FastenerFinding("motor_mount", "mount screw", "snug", 3)
    garage.log_findings(sitting.id, "motor_mount", "mount screw", [part])
    assert not garage.finish_hand_check(sitting.id).complete
    rest = FastenerFinding("motor_mount", "mount screw", "loose", 1, 90.0, ("tightened",), "hot")
    # Logged after the end of the hand check: a slip that is put right.
    garage.log_findings(sitting.id, "motor_mount", "mount screw", [part, rest])
    found = garage.sitting(sitting.id).hand_check
    assert found is not None
    assert found.complete
    assert set(found.findings) == {*snug(except_for="mount screw"), part, rest}
    unseen = FastenerFinding("motor_mount", "set screw", "not_checked")
    garage.log_findings(sitting.id, "motor_mount", "set screw", [unseen])
    assert not garage.car_log(CAR).hand_checks[0].complete


def test_wrong_findings_are_refused_and_nothing_of_the_call_is_kept(garage: Garage) -> None:
    sitting = garage.start_sitting(CAR)
    with pytest.raises(CallError, match='no zone "motor_mont"'):
        garage.log_hand_check(sitting.id, *snug(), FastenerFinding("motor_mont", "x", "snug"))
    with pytest.raises(CallError, match=r'no fastener "wheel nuts".*Did you mean "wheel nut"'):
        garage.log_findings(sitting.id, "wheel_front_left", "wheel nuts", [])
    with pytest.raises(CallError, match="All findings must be of"):
        garage.log_findings(sitting.id, *KINDS[0][:2], snug()[1:])
    assert garage.findings(sitting.id) == ()
    assert not garage.finish_hand_check(sitting.id).complete


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    answers=st.lists(
        st.tuples(
            st.sampled_from(KINDS),
            st.sampled_from(OUTCOMES),
            st.sets(st.sampled_from(DONE)),
            st.text(max_size=20),
            st.floats(0, 1e4),
        ),
        max_size=6,
    )
)
def test_the_log_gives_back_what_was_logged(garage: Garage, answers: Any) -> None:
    sitting = garage.open_sitting(CAR)
    if sitting is not None:
        garage.close_sitting(sitting.id)
    sitting = garage.start_sitting(CAR)
    last: dict[str, FastenerFinding] = {}
    for (zone, name, count), outcome, done, note, turned in answers:
        degrees = turned if outcome in ("took_a_turn", "loose") else None
        finding = FastenerFinding(zone, name, outcome, count, degrees, tuple(done), note)
        garage.log_findings(sitting.id, zone, name, [finding])
        last[name] = finding
    log = garage.car_log(CAR)
    found = next((one.findings for one in log.hand_checks if one.id == sitting.id), ())
    assert {one.fastener: one for one in found} == last
    assert len(found) == len(last)


def test_disturbances_are_in_the_log(garage: Garage) -> None:
    garage.start_sitting(CAR, runs_since_last=7.0)
    garage.log_disturbances(CAR, [("motor_mount", "mount screw")], "gear change")
    (one,) = garage.car_log(CAR).disturbances
    assert (one.zone, one.fastener, one.runs, one.why) == (
        *("motor_mount", "mount screw"), 7.0, "gear change",
    )  # fmt: skip
    with pytest.raises(CallError, match='no fastener "screw"'):
        garage.log_disturbances(CAR, [("motor_mount", "screw")], "gear change")


# ---- baseline ----------------------------------------------------------------------------------


def one_check(garage: Garage, folder: Path, number: int, *findings: FastenerFinding) -> list[str]:
    """Do a bench check with a take before and one after the hand check; return baseline files."""
    sitting = garage.start_sitting(CAR)
    garage.add_take(sitting.id, made_up_file(folder, 2 * number))
    garage.log_hand_check(sitting.id, *findings)
    garage.finish_hand_check(sitting.id)
    garage.add_take(sitting.id, made_up_file(folder, 2 * number + 1))
    garage.close_sitting(sitting.id)
    return [take.file_name for take in garage.sitting(sitting.id).baseline_takes]


def mount(outcome: Any, *done: str) -> FastenerFinding:
    return FastenerFinding("motor_mount", "mount screw", outcome, 4, None, done)


@pytest.mark.parametrize(
    ("found", "baseline"),
    [
        (mount("snug"), ["take-2.wav", "take-3.wav"]),
        (mount("snug", "new_nut"), ["take-3.wav"]),
        (mount("took_a_turn"), ["take-3.wav"]),  # tightened by the very check
        (mount("loose", "tightened"), ["take-3.wav"]),
        (mount("loose"), []),
        (mount("missing"), []),
        (mount("missing", "refitted"), ["take-3.wav"]),
        (mount("not_checked"), []),
    ],
)
def test_baseline_takes_go_with_a_complete_hand_check(
    garage: Garage, tmp_path: Path, found: FastenerFinding, baseline: list[str]
) -> None:
    rest = snug(except_for="mount screw")
    assert one_check(garage, tmp_path, 1, *rest, found) == baseline
    assert [take.file_name for take in garage.baseline_takes(CAR)] == baseline


def test_another_set_up_has_another_baseline(garage: Garage, tmp_path: Path) -> None:
    one_check(garage, tmp_path, 1, *snug())
    before = garage.sittings(CAR)[0].set_up
    garage.add_car_text(CAR_FILE.replace("pinion_teeth = 26", "pinion_teeth = 28"))
    sitting = garage.start_sitting(CAR)
    assert garage.baseline_takes(CAR) == ()
    assert len(garage.baseline_takes(CAR, before)) == 2
    assert sitting.set_up != before


# ---- the clock ---------------------------------------------------------------------------------


def test_a_clock_that_went_backwards_is_refused(garage: Garage, clock: Clock) -> None:
    sitting = garage.start_sitting(CAR)
    right = clock.moment
    clock.moment -= timedelta(days=400)
    with pytest.raises(InputError, match="The clock of this computer says 2030-"):
        garage.log_hand_check(sitting.id, *snug())
    assert garage.findings(sitting.id) == ()
    clock.moment = right - timedelta(minutes=3)  # set right by a little
    garage.log_hand_check(sitting.id, *snug())
    assert len(garage.findings(sitting.id)) == 3


def test_an_owner_whose_clock_was_ahead_can_go_on(garage: Garage, clock: Clock) -> None:
    clock.moment += timedelta(days=3650)
    garage.close_sitting(garage.start_sitting(CAR).id)
    clock.moment -= timedelta(days=3650)
    with pytest.raises(InputError, match="clock-is-right"):
        garage.start_sitting(CAR)
    sitting = garage.start_sitting(CAR, clock_is_right=True)
    garage.log_hand_check(sitting.id, *snug())
    assert garage.finish_hand_check(sitting.id).complete
    # The order of the bench checks is that in which they were made, not that of the clock.
    assert garage.car_log(CAR).hand_checks[-1].runs == garage.find_car(CAR).runs == 2.0


def test_dates_are_kept_in_utc(tmp_path: Path) -> None:
    from datetime import timezone

    east = datetime(2031, 5, 4, 12, 0, tzinfo=timezone(timedelta(hours=5)))
    with Garage.open(tmp_path / "g", now=lambda: east) as garage:
        add_car(garage)
        assert garage.start_sitting(CAR).date == datetime(2031, 5, 4, 7, 0, tzinfo=UTC)
