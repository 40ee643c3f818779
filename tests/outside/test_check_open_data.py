"""The table of open recordings: what it says where a set, or the whole folder, is absent."""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import open_data
import pytest
import scipy.io

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture(scope="module")
def script() -> ModuleType:
    sys.path.insert(0, str(SCRIPTS))
    try:
        import check_open_data
    finally:
        sys.path.remove(str(SCRIPTS))
    return check_open_data


def test_without_a_folder_it_says_how_to_name_one(
    script: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv(open_data.VARIABLE, raising=False)
    assert script.main([]) == 0
    assert "name the folder with --data or VIBECHECK_OUTSIDE_DATA" in capsys.readouterr().out


def test_a_folder_that_is_not_there(
    script: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert script.main(["--data", str(tmp_path / "gone")]) == 0
    assert capsys.readouterr().out.startswith("Skipped: there is no folder")


def test_sets_that_are_not_there_are_named(
    script: ModuleType,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv(open_data.VARIABLE, str(tmp_path))
    assert script.main([]) == 0
    out = capsys.readouterr().out
    for name in ("rotor_coastdown", "uav_motor_spinup_audio", "mfpt_bearing"):
        assert f"Skipped: {name} is not in the folder." in out
    assert "0 of 0 targets met" in out


def test_a_made_bearing_is_read_and_judged(
    script: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Knocks at the published rate (simulated): a target met; without a tonal shaft one missed."""
    rate = 48_828.0
    rng = np.random.default_rng(1)
    t = np.arange(int(3.0 * rate)) / rate
    since = t % (1.0 / open_data.BEARING_HZ["Outer"])
    x = 0.3 * rng.standard_normal(t.size) + 3.0 * np.exp(-900.0 * since) * np.sin(
        2 * np.pi * 9000.0 * since
    )
    folder = tmp_path / "mfpt_bearing"
    folder.mkdir()
    scipy.io.savemat(folder / "OuterRaceFault_vload_1.mat", {"bearing": {"gs": x, "sr": rate}})
    assert script.main(["--data", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    (row,) = [line for line in lines if line.startswith("| bearing, outer race")]
    assert row.endswith("| 1 of 1 (81.1 Hz) | met |")
    assert not any(line.startswith("| bearing, inner race") for line in lines)


def test_a_missed_target_is_shown_with_its_number(script: ModuleType) -> None:
    assert script.at_most("a", 0.127, 0.10, "t", "turns/s").verdict == "**missed by 0.027 turns/s**"
    assert script.at_least("a", 0.847, 0.90, "t").verdict == "**missed by 5.3 points**"
    assert script.at_least("a", 0.90, 0.90, "t").verdict == "met"
    assert script.near("a", 0.05, 0.17, 0.03, "s", "t").verdict == "**missed by 0.09 s**"
    assert script.near("a", float("nan"), 1.0, 0.1, "s", "t").verdict == "**missed**"
    assert script.counted("a", 2, 10, 10, "t").verdict == "**missed by 8**"
    assert script.told("a", "t", False, "told").ours == "not told"
    low = script.plateaus("a", (105.7, 190.0, 105.5))
    assert low.verdict.startswith("**missed by 3.2 %")


@pytest.mark.outside_data
def test_the_readme_shows_what_comes_out(
    script: ModuleType, outside_data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert script.main(["--data", str(outside_data)]) == 0
    table = [line for line in capsys.readouterr().out.splitlines() if line.startswith("|")]
    page = script.README.read_text(encoding="utf-8")
    shown = page.partition("<!-- open-recordings -->")[2].partition("<!-- /open-recordings -->")[0]
    assert [line for line in shown.splitlines() if line.startswith("|")] == table
