"""``vibecheck hand-check`` as an owner uses it: by lines, and by keys at a real terminal."""

from __future__ import annotations

import io
import os
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from vibecheck.car.shipped import shipped_car_path
from vibecheck.cli import main
from vibecheck.garage import Garage

CAR = str(shipped_car_path("saltflat8"))
WORDS_THAT_CLEAR = re.compile(r"(?<!fail-)\b(safe|passed|healthy|good to go|all clear|OK)\b")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "garage"


def answer(
    monkeypatch: pytest.MonkeyPatch, folder: Path, lines: list[str], *options: str, code: int = 0
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(line + "\n" for line in lines)))
    assert main(["hand-check", "--data", str(folder), *options]) == code


def test_from_the_first_answer_to_the_owners_own_words(
    monkeypatch: pytest.MonkeyPatch, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    loose = ["f", "l", "1", "270", "t l", "s", "s"]  # 1 of 2 motor screws; the other, the mount's
    answer(monkeypatch, folder, [*loose, *["s"] * 12, "n", "second look"], "--car", CAR)
    shown = capsys.readouterr()
    assert "MOTOR MOUNT" in shown.out
    assert "2.5 mm hex driver" in shown.out
    assert (
        "Found:\n  - motor mount: motor screw loose (270°); tightened, thread-locker" in shown.out
    )
    assert "Due again after the first run:\n  - motor mount: motor screw" in shown.out
    assert not WORDS_THAT_CLEAR.search(shown.out + shown.err)
    with Garage.open(folder) as garage:
        (sitting,) = garage.sittings()
        assert sitting.hand_check is not None
        assert sitting.hand_check.complete
        assert sitting.hand_check_done
        assert (sitting.decision, sitting.note) == ("no_go", "second look")
        (found,) = [one for one in sitting.hand_check.findings if one.outcome == "loose"]
        assert (found.zone, found.fastener, found.count) == ("motor_mount", "motor screw", 1)
        assert (found.turned_deg, found.done) == (270.0, ("tightened", "threadlocker"))


def test_it_goes_on_where_it_was_stopped(
    monkeypatch: pytest.MonkeyPatch, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(monkeypatch, folder, ["s", "n", "q"], "--car", CAR, "--runs", "3")
    assert "11 of 13 zones have no answer yet" in capsys.readouterr().err
    answer(monkeypatch, folder, ["s"], "--car", CAR)  # the answers run out: kept all the same
    shown = capsys.readouterr()
    assert "2 of 13 zones have an answer already" in shown.out
    assert "10 of 13 zones have no answer yet" in shown.err
    answer(monkeypatch, folder, [*["s"] * 10, "", ""])
    shown = capsys.readouterr()
    assert "The hand check is not complete" in " ".join(shown.out.split())
    with Garage.open(folder) as garage:
        (sitting,) = garage.sittings()
        assert sitting.runs == 3.0
        assert sitting.hand_check is not None
        assert not sitting.hand_check.complete
        assert (sitting.decision, sitting.note) == (None, "")


def test_back_and_wrong_answers(
    monkeypatch: pytest.MonkeyPatch, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = ["x", "s", "b", "f", "t", "5", "2", "ninety", "90", "z", "", "q"]
    answer(monkeypatch, folder, lines, "--car", CAR)
    shown = capsys.readouterr().out
    assert 'No such answer: "x"' in shown
    assert "That must be a number from 1 to 2" in shown
    assert 'Got "ninety" instead' in shown
    assert 'No such answer: "z"' in shown
    with Garage.open(folder) as garage:
        (sitting,) = garage.sittings()
        found = {
            one.outcome for one in garage.findings(sitting.id) if one.fastener == "motor screw"
        }
    assert found == {"took_a_turn"}, "the second answer took the place of the first"


def test_a_kind_may_be_found_in_several_ways(
    monkeypatch: pytest.MonkeyPatch, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of four mount screws one is loose, one missing, the others snug."""
    lines = ["f", "s", "l", "1", "", "t", "m", "1", "r", "s", "q"]
    answer(monkeypatch, folder, lines, "--car", CAR)
    assert "The other 3:" in capsys.readouterr().out
    with Garage.open(folder) as garage:
        (sitting,) = garage.sittings()
        mount = [one for one in garage.findings(sitting.id) if one.fastener == "mount screw"]
    assert [(one.outcome, one.count, one.done) for one in mount] == [
        ("loose", 1, ("tightened",)),
        ("missing", 1, ("replaced",)),
        ("snug", 2, ()),
    ]


def test_a_stop_within_a_zone_keeps_its_finds(
    monkeypatch: pytest.MonkeyPatch, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(monkeypatch, folder, ["f", "l", "2", "90", "t", "q"], "--car", CAR)
    answer(monkeypatch, folder, ["s", "q"], "--car", CAR)  # the others snug
    shown = capsys.readouterr().out
    assert "Answered: motor mount: 2 × motor screw loose (90°); tightened" in shown
    assert "the others snug" in shown
    assert "1 of 13 zones has" not in shown  # the zone was not whole when it was stopped
    with Garage.open(folder) as garage:
        (sitting,) = garage.sittings()
        found = {one.fastener: one.outcome for one in garage.findings(sitting.id)}
    assert found == {"motor screw": "loose", "mount screw": "snug"}


@pytest.mark.parametrize(
    ("lines", "kept"),
    [
        (["f", "s", "l"], [("loose", 1, None), ("not_checked", 3, None)]),
        (["f", "s", "l", "2", "30"], [("loose", 2, 30.0), ("not_checked", 2, None)]),
        (["f", "s", "l", "2", "30", "t", "q"], [("loose", 2, 30.0), ("not_checked", 2, None)]),
    ],
)
def test_a_stop_within_a_fastener_keeps_the_find(
    monkeypatch: pytest.MonkeyPatch,
    folder: Path,
    lines: list[str],
    kept: list[tuple[str, int, float | None]],
) -> None:
    answer(monkeypatch, folder, lines, "--car", CAR)  # the answers end there
    with Garage.open(folder) as garage:
        (sitting,) = garage.sittings()
        mount = [one for one in garage.findings(sitting.id) if one.fastener == "mount screw"]
    assert [(one.outcome, one.count, one.turned_deg) for one in mount] == kept


def test_after_the_last_zone_nothing_is_left_to_go_on_with(
    monkeypatch: pytest.MonkeyPatch, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(monkeypatch, folder, ["s"] * 13, "--car", CAR)  # the answers end at the decision
    assert "vibecheck bench note" in " ".join(capsys.readouterr().err.split())
    answer(monkeypatch, folder, ["", ""], "--car", CAR)
    assert "was finished already. For a new one" in " ".join(capsys.readouterr().out.split())
    answer(monkeypatch, folder, [], "--car", CAR, "--runs", "2", code=2)
    assert "end it with vibecheck bench close" in " ".join(capsys.readouterr().err.split())


def test_the_list_and_the_page(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "list.html"
    words = ["hand-check", "--car", CAR, "--list", "--print", str(page), "--data", str(folder)]
    words += ["--nut-removals", "3"]
    assert main(words) == 0
    shown = " ".join(capsys.readouterr().out.split())
    for said in (
        "after 3 removals",
        "strip of thin paper",
        "fail-safe",
        "POWER OFF",
        "your own decision",
        "N·m",
    ):
        assert said in shown
    html = page.read_text(encoding="utf-8")
    for said in ("strip of thin paper", "Radio fail-safe", "1 × wheel nut", "overrides them"):
        assert said in html
    assert not re.search(r"(src|href)=.https?:", html), "nothing is loaded from outside"
    for text in (shown, html):
        assert not WORDS_THAT_CLEAR.search(text)
    assert not folder.exists(), "a list makes no garage"


def test_a_list_with_history_is_in_the_order_of_the_finds(
    monkeypatch: pytest.MonkeyPatch, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in range(3):
        with Garage.open(folder) as garage:
            garage.add_car(CAR)
            sitting = garage.start_sitting("Saltflat 8")
            from vibecheck.risk.log import FastenerFinding

            garage.log_hand_check(
                sitting.id,
                FastenerFinding(
                    "wheel_rear_left",
                    "wheel nut",
                    "took_a_turn",
                    turned_deg=30 * (number + 1),
                    done=("tightened",),
                ),
            )
            garage.finish_hand_check(sitting.id)
            garage.close_sitting(sitting.id)
    assert main(["hand-check", "--list", "--data", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert "1 of 13  REAR LEFT WHEEL" in shown
    assert "History: found 3 times in 3" in shown


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--list", "--runs", "2"], "--check and --runs go with a hand check that is logged"),
        ([], "There is no garage yet"),
        (["--nut-removals", "0"], "--nut-removals must be at least 1"),
    ],
)
def test_wrong_calls(
    monkeypatch: pytest.MonkeyPatch,
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    message: str,
) -> None:
    answer(monkeypatch, folder, [], *options, code=2)
    assert message in " ".join(capsys.readouterr().err.split())


def test_runs_of_an_open_check_are_not_changed(
    monkeypatch: pytest.MonkeyPatch, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(monkeypatch, folder, ["q"], "--car", CAR)
    answer(monkeypatch, folder, ["q"], "--car", CAR, "--runs", "2", code=2)
    assert "is open already" in capsys.readouterr().err


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_single_keys_at_a_real_terminal(folder: Path) -> None:
    """Thirteen keys for thirteen snug zones, one for no decision, Enter for no words."""
    import pty

    owner, other = pty.openpty()
    environment = {**os.environ, "COLUMNS": "90", "LINES": "40", "TERM": "xterm"}
    program = subprocess.Popen(
        [sys.executable, "-m", "vibecheck", "hand-check", "--car", CAR, "--data", str(folder)],
        stdin=other,
        stdout=other,
        stderr=other,
        env=environment,
        close_fds=True,
    )
    os.close(other)
    seen = ""

    def wait_for(words: str, times: int = 1) -> None:
        nonlocal seen
        end = time.monotonic() + 60.0
        while seen.count(words) < times:
            assert time.monotonic() < end, f"{words!r} did not come:\n{seen[-2000:]}"
            if select.select([owner], [], [], 0.5)[0]:
                seen += os.read(owner, 65536).decode("utf-8", "replace")

    try:
        for number in range(1, 14):
            wait_for("[q] stop here", number)
            os.write(owner, b"s")
        wait_for("Your own decision")
        os.write(owner, b"\r")
        wait_for("Your own words")
        os.write(owner, b"\r\n")
        wait_for("bench close")
        assert program.wait(30) == 0
    finally:
        program.kill()
        program.wait()
        os.close(owner)
    with Garage.open(folder) as garage:
        (sitting,) = garage.sittings()
        assert sitting.hand_check is not None
        assert sitting.hand_check.complete
        assert {one.outcome for one in sitting.hand_check.findings} == {"snug"}
        assert sitting.decision is None
