"""``vibecheck history`` as an owner calls it."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from vibecheck.car.shipped import shipped_car_path
from vibecheck.cli import main
from vibecheck.report.history_json import history_schema

CAR = str(shipped_car_path("saltflat8"))


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
