"""``vibecheck dataset`` as a user calls it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from vibecheck.cli import main

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "dataset"))

from made_up import write_take  # noqa: E402
from small_set import CAR, small_set  # noqa: E402


def call(*words: object) -> int:
    return main(["dataset", *(str(word) for word in words)])


@pytest.fixture
def takes(tmp_path: Path) -> Path:
    (tmp_path / "car.toml").write_text(CAR.format(name="Dune Runner 3"), encoding="utf-8")
    for k in range(3):
        write_take(tmp_path / f"{k}.wav", 300 + k)
    return tmp_path


def test_from_loose_files_to_a_pack_and_into_a_pool(
    takes: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own, car = takes / "own", ("--car", takes / "car.toml")
    assert call("add", own, takes / "0.wav", *car, "--kind", "baseline") == 0
    words = (takes / "1.wav", takes / "2.wav", *car, "--loose", "motor_mount=loose:90",
             "--spot", "centre", "--spot", "motor_mount", "--check", "may")  # fmt: skip
    assert call("add", own, *words) == 0
    shown = capsys.readouterr().out
    assert "loose: motor_mount, 12 zones not checked" in shown
    assert "The set" in shown
    assert call("add", own / "manifest.csv", *words) == 0
    assert "0 takes added, 2 there already" in capsys.readouterr().out
    assert call("verify", own) == 0
    assert "No problems found in 3 takes of 1 car in 2 bench checks." in capsys.readouterr().out
    pack = takes / "own.zip"
    assert call("pack", own, "--out", pack) == 0
    shown = capsys.readouterr().out
    assert "3 sound takes written anew" in shown
    assert "Listen before you share" in shown
    assert call("pack", own, "--out", pack) == 2
    assert "--force" in capsys.readouterr().err
    assert call("pack", own, "--out", pack, "--as-it-is", "--force", "--json") == 0
    plain = json.loads(capsys.readouterr().out)
    assert [one["treated"] for one in plain["takes"]] == [False] * 3
    pool = takes / "pool"
    assert call("merge", pool, pack, own, "--json") == 0
    plain = json.loads(capsys.readouterr().out)
    assert [(one["added"], one["known"]) for one in plain["sources"]] == [(3, 0), (0, 3)]
    assert call("merge", pool, pack) == 0
    assert "0 takes added, 3 there already" in capsys.readouterr().out


def test_problems_are_listed_and_the_exit_code_says_so(
    takes: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    manifest = small_set(takes / "set")
    (takes / "set" / "rec" / "take 0.wav").write_bytes(b"changed")
    (takes / "set" / "rec" / "take 1.wav").unlink()
    assert call("verify", manifest, "--no-listening") == 1
    shown = capsys.readouterr().out
    assert "2 problems found in 3 takes" in shown
    assert shown.count("  do:    ") == 2
    assert call("verify", manifest, "--json") == 1
    plain = json.loads(capsys.readouterr().out)
    assert [one["code"] for one in plain["problems"]] == ["file", "file"]


def test_suggestions(takes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    manifest = small_set(takes / "set")
    assert call("suggest", manifest, "--no-model") == 0
    shown = capsys.readouterr().out
    assert "1. Snug baseline takes of Dune Runner 3" in shown
    assert "Never loosen anything for it." in " ".join(shown.split())
    assert call("suggest", manifest, "--cache", takes / "cache", "--json") == 0
    plain = json.loads(capsys.readouterr().out)
    assert any("least sure of" in one["what"] for one in plain["suggestions"])
    assert call("suggest", manifest, "--no-model", "--model", "x.npz") == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["0.wav"], "--car must be given with takes"),
        (["0.wav", "--car", "car.toml", "--sensor", "ear"], "must be microphone or accelerometer"),
        (["0.wav", "--car", "car.toml", "--spot", "a", "--spot", "b"], "once for each take (1)"),
        (["0.wav", "--car", "car.toml", "--spot", "roof"], 'The spot "roof" is no zone'),
        (["0.wav", "--car", "car.toml", "--data", "x"], "--data goes with the garage"),
        (["--kind", "loose"], "--kind goes with takes"),
    ],
)
def test_wrong_calls(
    takes: Path,
    words: list[str],
    told: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(takes)
    assert call("add", "own", *words) == 2
    assert told in capsys.readouterr().err
    assert not (takes / "own").exists()


def test_what_is_no_recording_is_refused(takes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (takes / "text.wav").write_text("hello", encoding="utf-8")
    words = ("--car", takes / "car.toml", "--kind", "baseline")
    assert call("add", takes / "own", takes / "0.wav", takes / "text.wav", *words) == 1
    assert call("add", takes / "own", takes / "absent.wav", *words) == 1
    assert "There is no such recording" in capsys.readouterr().err
    assert call("pack", takes / "own", "--out", "x.tar") == 2
    assert not (takes / "own").exists()
