"""The demo: its story, its pages, its words. The analysis itself is replaced."""

from __future__ import annotations

import re
import sys
import types
from pathlib import Path
from typing import Any

import pytest
from bench_files import CAR_FILE, write_wav
from builders import make_result

from vibecheck import demo
from vibecheck.cli import main
from vibecheck.errors import InputError

STORY = """\
car_file = "car.toml"
[[checks]]
name = "Fresh from the hand check"
sentence = "Everything was put on its mark."
[[checks.takes]]
file = "one.wav"
spot = "centre"
[[checks]]
name = "After two <fast> runs"
sentence = "Something came loose."
[[checks.takes]]
file = "two.wav"
spot = "centre"
[[checks.takes]]
file = "three.wav"
spot = "motor_mount"
[[checks]]
name = "After tightening"
sentence = "It was put back on its mark."
[[checks.takes]]
file = "four.wav"
spot = "centre"
"""


@pytest.fixture
def story_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "story"
    folder.mkdir()
    (folder / "story.toml").write_text(STORY, encoding="utf-8")
    (folder / "car.toml").write_text(CAR_FILE, encoding="utf-8")
    for seed, name in enumerate(("one", "two", "three", "four")):
        write_wav(folder / f"{name}.wav", 1.0, seed)
    return folder


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch, story_folder: Path) -> list[dict[str, Any]]:
    """Install the story and an analysis that answers loosely the second time; returns its calls."""
    calls: list[dict[str, Any]] = []

    def check(takes: Any, car: Any, **options: Any) -> Any:
        calls.append({"takes": takes, "car": car, **options})
        verdict = "inspect_first" if len(calls) == 2 else "nothing_stood_out"
        return make_result(verdict, duration_s=3.0, with_baseline=len(calls) > 1)

    pipeline = types.ModuleType("vibecheck.pipeline")
    pipeline.check = check  # type: ignore[attr-defined]
    store = types.ModuleType("vibecheck.model.store")
    store.load_model = lambda path=None: "the shipped model"  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "vibecheck.pipeline", pipeline)
    monkeypatch.setitem(sys.modules, "vibecheck.model.store", store)
    real = demo.read_story
    monkeypatch.setattr(demo, "read_story", lambda: real(story_folder))
    return calls


def test_the_demo_tells_the_story_and_writes_its_pages(told, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    assert main(["demo", "--no-open"]) == 0
    out, err = capsys.readouterr()
    text = " ".join(out.split())
    assert "3 bench checks" in text
    for sentence in ("Everything was put on its mark.", "Something came loose."):
        assert sentence in text
    assert text.count("Nothing stood out in what could be heard") == 2
    assert text.count("Inspect first: rear left wheel") == 1
    assert "Knocks once per wheel turn" in text
    assert "simulated" in text
    assert "The hand check is due" in text
    assert re.search(r"Begin here: .*vibecheck-demo.index\.html", err)
    pages = sorted(p.name for p in (tmp_path / "vibecheck-demo").iterdir())
    assert pages == [
        "1-fresh-from-the-hand-check.html",
        "2-after-two-fast-runs.html",
        "3-after-tightening.html",
        "index.html",
    ]


def test_the_first_takes_are_the_baseline_of_the_later_checks(told, tmp_path):
    assert main(["demo", "--no-open", "--out", str(tmp_path / "out")]) == 0
    heard = [([t.file for t in c["takes"]], [t.file for t in c["baseline"]]) for c in told]
    assert heard == [
        (["one.wav"], []),
        (["two.wav", "three.wav"], ["one.wav"]),
        (["four.wav"], ["one.wav"]),
    ]
    assert [t.spot for t in told[1]["takes"]] == ["centre", "motor_mount"]
    assert {c["model"] for c in told} == {"the shipped model"}


def test_the_pages_link_each_other_and_say_simulated(told, tmp_path):
    folder = tmp_path / "out"
    main(["demo", "--no-open", "--out", str(folder)])
    for page in folder.iterdir():
        html = page.read_text(encoding="utf-8")
        assert demo.SIMULATED in html
        assert "<fast>" not in html
        for link in re.findall(r'href="([^":]*)"', html):
            assert (folder / link).is_file(), link
    middle = (folder / "2-after-two-fast-runs.html").read_text(encoding="utf-8")
    assert 'href="1-fresh-from-the-hand-check.html"' in middle
    assert 'href="3-after-tightening.html"' in middle
    assert 'href="index.html"' in middle
    index = (folder / "index.html").read_text(encoding="utf-8")
    assert index.count("Open the page of this bench check") == 3


def test_the_steps_are_counted_in_advance(told, story_folder, tmp_path):
    """One step for each take read, each take heard (baselines again), and each page drawn."""
    seen: list[str] = []
    story = demo.read_story()
    demo.run_story(story, tmp_path / "out", progress=seen.append)
    # The replaced analysis reports no steps: 4 takes read, 3 pages drawn.
    assert len(seen) == 4 + 3
    assert story.n_steps == 4 + (4 + 2 * 1) + 3


def test_no_browser_without_a_terminal(told, tmp_path, monkeypatch):
    opened: list[str] = []
    monkeypatch.setattr("webbrowser.open", opened.append)
    assert main(["demo", "--out", str(tmp_path / "out")]) == 0
    assert opened == []


def test_a_browser_at_a_terminal_unless_told_not_to(told, tmp_path, monkeypatch):
    opened: list[str] = []
    monkeypatch.setattr("webbrowser.open", opened.append)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    assert main(["demo", "--no-open", "--out", str(tmp_path / "out")]) == 0
    assert opened == []
    assert main(["demo", "--out", str(tmp_path / "out")]) == 0
    assert opened == [(tmp_path / "out" / "index.html").resolve().as_uri()]


def test_a_file_in_the_way_is_refused_at_once(told, tmp_path, capsys):
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    assert main(["demo", "--out", str(tmp_path / "taken")]) == 2
    assert "There is a file in the way" in capsys.readouterr().err
    assert told == []
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("story", "message"),
    [
        (None, "recordings are missing"),
        ("checks = [", "story cannot be read"),
        ("[[checks]]\nname = 'x'", "story cannot be read"),
        ("car_file = 'c'\nchecks = []", "at least one check"),
        ("car_file = 'c'\n[[checks]]\nname='x'\nsentence='y'\ntakes=[]", "at least one take"),
    ],
)
def test_a_broken_story_is_one_clear_message(tmp_path, story, message):
    if story is not None:
        (tmp_path / "story.toml").write_text(story, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        demo.read_story(tmp_path)
