"""The program with nothing replaced: shipped takes, shipped car, shipped model, as a process."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import wave
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from bench_files import CAR_FILE

from vibecheck import demo
from vibecheck.result_json import check_schema

CLEARING = re.compile(r"\b(ok|okay|pass|passed|safe|safely|healthy|all clear)\b", re.IGNORECASE)


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "vibecheck", *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        env={**os.environ, "COLUMNS": "100", "VIBECHECK_DEBUG": ""},
        timeout=120,
    )


def test_the_demo_runs_as_it_is_shipped(tmp_path):
    done = run(tmp_path, "demo", "--out", "pages")
    assert done.returncode == 0, done.stderr
    assert "simulated" in done.stdout
    assert "The hand check is due" in done.stdout
    assert not CLEARING.search(done.stdout)
    story = demo.read_story()
    pages = sorted(page.name for page in (tmp_path / "pages").iterdir())
    assert len(pages) == len(story.chapters) + 1
    for page in pages:
        html = (tmp_path / "pages" / page).read_text(encoding="utf-8")
        assert demo.SIMULATED in html
        assert "https:" not in html
        assert len(html.encode()) <= 1_500_000 * max(1, *(len(c.files) for c in story.chapters))


def test_a_shipped_take_is_checked_from_end_to_end(tmp_path):
    story = demo.read_story()
    folder = Path(str(story.folder))
    first, later = story.chapters[0], story.chapters[1]
    call = ["check", str(folder / later.files[0]), "--spot", later.spots[0]]
    call += ["--car", str(folder / story.car_file)]
    for file, spot in zip(first.files, first.spots, strict=True):
        call += ["--baseline", str(folder / file), "--baseline-spot", spot]
    done = run(tmp_path, *call, "--json", "r.json", "--report", "r.html")
    assert done.returncode == 0, done.stderr
    result = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(check_schema()).validate(result)
    assert [zone["rank"] for zone in result["zones"]] == list(range(1, len(result["zones"]) + 1))
    assert result["takes"][0]["speed"]["rpm"]
    assert result["takes"][0]["features"]
    assert result["model"]["trained_on"] == "simulated"
    html = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert html.count("<figure") == 5, "four of the take, one of what moved the zones"
    assert "trained on simulated recordings" in html
    assert "Check by hand in this order" in done.stdout


@pytest.mark.parametrize("with_car", [True, False])
def test_silence_is_answered_with_cannot_tell(tmp_path, with_car):
    with wave.open(str(tmp_path / "silence.wav"), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(48000)
        out.writeframes(np.zeros(48000 * 8, "<i2").tobytes())
    (tmp_path / "car.toml").write_text(CAR_FILE, encoding="utf-8")
    car = ["--car", "car.toml"] if with_car else []
    done = run(tmp_path, "check", "silence.wav", *car, "--json", "-")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    jsonschema.Draft202012Validator(check_schema()).validate(result)
    assert result["verdict"] == "cannot_tell"
    assert ("No car file given" in done.stderr) is not with_car
    assert bool(result["zones"]) is with_car
