"""The script that builds the labelled demo recordings: rows, resuming, same bytes."""

from __future__ import annotations

import csv
import hashlib
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = ROOT / "scripts" / "build_demo_dataset.py"
STORY = ROOT / "vibecheck" / "data" / "demo"


def build(out: Path) -> None:
    done = subprocess.run(
        [sys.executable, SCRIPT, out, "--cars", "1", "--checks", "2", "--workers", "1",
         "--seed", "3"],
        capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def content(out: Path) -> dict[str, str]:
    return {
        str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("dataset")
    build(out)
    return out


def test_every_row_describes_a_take_that_is_there(built: Path) -> None:
    with (built / "manifest.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) >= 4
    for row in rows:
        path = built / row["file"]
        assert hashlib.sha256(path.read_bytes()).hexdigest() == row["sha256"]
        assert row["origin"] == "simulated"
        assert row["licence"] == "CC0-1.0"
        assert 0.0 <= float(row["wheel_rear_right_preload"]) <= 1.0
        assert float(row["motor_mount_turns"]) >= 0.0
        car = tomllib.loads((built / row["car_file"]).read_text(encoding="utf-8"))
        assert car["name"] == row["car"]
        if row["sensor"] == "microphone":
            info = soundfile.info(path)
            assert info.channels == 1
            assert info.subtype == "PCM_16"
            assert info.samplerate == float(row["sample_rate_hz"])
            assert info.duration == pytest.approx(float(row["duration_s"]), abs=0.01)
    assert len({row["spot"] for row in rows if row["sensor"] == "microphone"}) == 2


def test_a_broken_build_is_mended_with_the_same_bytes(built: Path) -> None:
    before = content(built)
    victim = sorted((built / "takes").glob("*.flac"))[0]
    victim.write_bytes(victim.read_bytes()[:1000])
    (built / "manifest.csv").unlink()
    times = {path: path.stat().st_mtime_ns for path in (built / "takes").glob("*")}
    build(built)
    assert content(built) == before
    # The check that was whole was not made again.
    kept = [path for path, time in times.items() if path.stat().st_mtime_ns == time]
    assert kept
    assert victim not in kept


def test_a_wrong_option_is_refused(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, SCRIPT, tmp_path / "x", "--cars", "0"], capture_output=True, text=True
    )
    assert done.returncode == 2
    assert "--cars and --workers must be at least 1" in done.stderr
    assert not (tmp_path / "x").exists()


def test_the_demo_story_is_whole() -> None:
    story = tomllib.loads((STORY / "story.toml").read_text(encoding="utf-8"))
    assert story["origin"] == "simulated"
    assert [check["name"] for check in story["checks"]] == [
        "baseline",
        "something loose",
        "after tightening",
    ]
    assert story["checks"][1]["truth"] == {"wheel_rear_right": {"preload": 0.0, "turns": 0.75}}
    for check in story["checks"]:
        assert [take["spot"] for take in check["takes"]] == ["centre", "wheel_rear_right"]
        for take in check["takes"]:
            data = (STORY / take["file"]).read_bytes()
            assert hashlib.sha256(data).hexdigest() == take["sha256"]
            samples, rate = soundfile.read(STORY / take["file"])
            assert rate == take["sample_rate_hz"] == 48_000
            assert 12.0 <= samples.size / rate <= 15.0
            assert np.abs(samples).max() < 0.99


def test_the_shipped_sample_is_what_its_manifest_says() -> None:
    folder = ROOT / "datasets" / "demo"
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 30
    files = {str(path.relative_to(folder)) for path in (folder / "takes").iterdir()}
    assert files == {row["file"] for row in rows}
    size = 0
    for row in rows:
        data = (folder / row["file"]).read_bytes()
        size += len(data)
        assert hashlib.sha256(data).hexdigest() == row["sha256"]
    assert size < 25e6
    card = (folder / "README.md").read_text(encoding="utf-8")
    assert "Every recording here is simulated" in card
    plain = {name for name in rows[0] if not name.endswith(("_preload", "_turns"))}
    assert all(f"`{name}`" in card for name in plain)
