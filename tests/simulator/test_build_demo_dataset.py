"""The script that builds the labelled demo recordings: rows, resuming, same bytes."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from vibecheck.car.read import read_car
from vibecheck.car.zones import ZONE_NAMES
from vibecheck.dataset.columns import KINDS
from vibecheck.dataset.demo_build import counts_table, is_whole, stray_takes
from vibecheck.dataset.demo_plan import draw_cars, plan_set
from vibecheck.dataset.manifest import read_manifest, verify_files

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = ROOT / "scripts" / "build_demo_dataset.py"
STORY = ROOT / "vibecheck" / "data" / "demo"


OPTIONS = ("--cars", "1", "--checks", "2", "--workers", "1", "--seed", "3", "--duration", "8")


def call(out: Path) -> list[str]:
    return [sys.executable, str(SCRIPT), str(out), *OPTIONS]


def build(out: Path) -> str:
    done = subprocess.run(call(out), capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return done.stdout


def content(out: Path) -> dict[str, str]:
    return {
        str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("dataset")
    assert "simulated takes of 1 invented cars, 2 bench checks" in build(out)
    return out


def test_every_row_describes_a_take_that_is_there(built: Path) -> None:
    rows = read_manifest(built / "manifest.csv")
    verify_files(rows)
    assert [row.kind for row in {row.check: row for row in rows}.values()] == ["baseline", "loose"]
    assert {row.origin for row in rows} == {"simulated"}
    assert {row.licence for row in rows} == {"CC0-1.0"}
    assert tuple(rows[0].state) == ZONE_NAMES
    for row in rows:
        assert read_car(row.car_file).name == row.car
        truth = json.loads((built / "truth" / f"{row.check}.truth.json").read_text("utf-8"))
        assert truth["origin"] == "simulated"
        state = {zone: (s["preload"], s["turns"]) for zone, s in truth["states"].items()}
        assert state == dict(row.state)
        if row.sensor == "microphone":
            info = soundfile.info(row.file)
            assert (info.channels, info.subtype) == (1, "PCM_16")
            assert info.samplerate == row.sample_rate_hz
            assert info.duration == pytest.approx(8.0, abs=0.01)
    for check in {row.check for row in rows}:
        spots = [row.spot for row in rows if row.check == check and row.sensor == "microphone"]
        assert len(spots) == 3
        assert "centre" in spots


def notes(folder: Path) -> list[Path]:
    """Notes of finished bench checks; one that is being written still has its temporary name."""
    return [note for note in folder.glob("parts/*.json") if ".part." not in note.name]


def test_a_killed_build_goes_on_and_ends_with_the_same_bytes(built: Path, tmp_path: Path) -> None:
    with subprocess.Popen(
        call(tmp_path), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    ) as process:
        try:
            deadline = time.monotonic() + 200
            while not notes(tmp_path) and time.monotonic() < deadline:
                assert process.poll() is None
                time.sleep(0.02)
        finally:
            os.killpg(process.pid, signal.SIGKILL)
    (note,) = notes(tmp_path)
    assert not (tmp_path / "manifest.csv").exists()
    # Half a take, as a kill leaves it, and a take that was spoilt afterwards: one check is whole.
    (tmp_path / "takes" / "x.1.part.flac").write_bytes(b"half")
    whole = [tmp_path / row["file"] for row in json.loads(note.read_text("utf-8"))["rows"]]
    times = {path: path.stat().st_mtime_ns for path in whole}
    build(tmp_path)
    assert content(tmp_path) == content(built)
    assert times
    assert all(path.stat().st_mtime_ns == before for path, before in times.items())


def test_a_spoilt_take_or_another_plan_is_noticed(built: Path) -> None:
    plan = plan_set(draw_cars(1, 3), 2, 3)[0].lasting(8.0)
    check = plan.checks[1]
    assert is_whole(built, plan, check)
    assert not is_whole(built, plan, replace(check, seed=check.seed + 1))
    assert stray_takes(built, read_manifest(built / "manifest.csv")) == []
    for folder in ("takes", "truth"):
        victim = sorted((built / folder).glob("*-01*"))[0]
        whole = victim.read_bytes()
        victim.write_bytes(whole[:1000])
        assert not is_whole(built, plan, check)
        victim.unlink()
        assert not is_whole(built, plan, check)
        victim.write_bytes(whole)
    note = built / "parts" / f"{check.name}.json"
    text = note.read_text(encoding="utf-8")
    note.write_text("[]", encoding="utf-8")
    assert not is_whole(built, plan, check)
    note.write_text(text, encoding="utf-8")
    assert is_whole(built, plan, check)
    (built / "takes" / "other.flac").write_bytes(b"")
    rows = read_manifest(built / "manifest.csv")
    assert [path.name for path in stray_takes(built, rows)] == ["other.flac"]
    (built / "takes" / "other.flac").unlink()


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
    rows = read_manifest(folder / "manifest.csv")
    verify_files(rows)
    assert stray_takes(folder, rows) == []
    assert len(rows) >= 24
    assert {"baseline", "loose"} < {row.kind for row in rows}
    assert {row.sensor for row in rows} == {"microphone", "accelerometer"}
    assert sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) < 25e6
    card = (folder / "README.md").read_text(encoding="utf-8")
    assert "Every recording here is simulated" in card
    assert counts_table(rows) in card
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as stream:
        header = next(csv.reader(stream))
    plain = {name for name in header if not name.endswith(("_preload", "_turns"))}
    assert all(f"`{name}`" in card for name in (*plain, *KINDS, *ZONE_NAMES))
