"""Every code block of the README and of the contributors' guide runs as it stands there."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from vibecheck.cli import main

ROOT = Path(__file__).resolve().parent.parent
DEMO = ROOT / "vibecheck" / "data" / "demo"
CARS = ROOT / "vibecheck" / "data" / "cars"
PAGES = {name: (ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md")}
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
# Commands that a test cannot run as they stand, and what holds them instead.
HELD_ELSEWHERE = {
    "python3 run.py demo": "tests/cli/test_end_to_end.py runs the demo; .ci/run calls this line",
    "python3 run.py test": "this is the suite itself",
    ".ci/run": "this is what runs the suite",
    "vibecheck hand-check": "tests/cli/test_hand_check_terminal.py answers it on a terminal",
    "vibecheck train": "tests/training/test_with_own.py; minutes of work",
    "vibecheck record": "needs a microphone: tests/capture/test_record_command.py",
    "vibecheck serve": "serves until it is stopped: tests/web/test_serve.py",
    "python scripts/build_demo_dataset.py": "hours of work: tests/dataset",
    "python scripts/train_demo_model.py": "minutes of work: tests/training",
}
STANDS_FOR = {
    "spin.m4a": "2-something-loose-centre.flac",
    "snug.m4a": "1-baseline-centre.flac",
    "a.m4a": "3-after-tightening-centre.flac",
    "b.m4a": "3-after-tightening-wheel_rear_right.flac",
    "spin.wav": "2-something-loose-centre.flac",
}


def blocks(page: str, language: str) -> list[str]:
    return [text for kind, text in BLOCK.findall(PAGES[page]) if kind == language]


def commands(page: str) -> list[str]:
    """Lines of the plain blocks that begin with a program's name."""
    found = []
    for text in blocks(page, ""):
        for line in text.replace("\\\n", " ").splitlines():
            words = line.split("#")[0].strip()
            if re.match(r"(vibecheck|python3?|\.ci/run)\b", words):
                found.append(words)
    return found


def held_elsewhere(command: str) -> str | None:
    return next((why for head, why in HELD_ELSEWHERE.items() if command.startswith(head)), None)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with the recordings that the README speaks of, and a garage of its own."""
    import av
    import soundfile

    for name, source in STANDS_FOR.items():
        samples, rate = soundfile.read(DEMO / source, dtype="float32")
        if name.endswith(".wav"):
            soundfile.write(tmp_path / name, samples, rate)
            continue
        with av.open(str(tmp_path / name), "w") as out:
            stream = out.add_stream("aac", rate=rate, layout="mono")
            stream.bit_rate = 192_000
            frame = av.AudioFrame.from_ndarray(samples[None], format="fltp", layout="mono")
            frame.sample_rate = rate
            for packet in [*stream.encode(frame), *stream.encode(None)]:
                out.mux(packet)
    return tmp_path


def find_everything_snug(folder: Path) -> None:
    """Answer the open hand check, as fingers would."""
    from vibecheck.garage import Garage
    from vibecheck.risk.walk import same_for_all

    with Garage.open(folder) as garage:
        (sitting,) = garage.open_sittings()
        for zone in garage.find_car(sitting.car_id).car.zones:
            garage.log_hand_check(sitting.id, *same_for_all(zone, "snug"))
        garage.finish_hand_check(sitting.id)


def test_the_commands_of_the_readme_run_in_their_order(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # "car new" asks questions; here the shipped file answers them.
    story_car = CARS / "saltflat8.toml"
    monkeypatch.chdir(bench)
    monkeypatch.setenv("VIBECHECK_DATA", str(bench / "garage"))
    monkeypatch.setenv("COLUMNS", "100")
    ran = 0
    for command in commands("README.md"):
        if command == "vibecheck hand-check":
            find_everything_snug(bench / "garage")
        if held_elsewhere(command):
            continue
        words = shlex.split(command)
        if words[:3] == ["vibecheck", "car", "new"]:
            shutil.copy(story_car, bench / words[3])
            continue
        assert words[0] == "vibecheck", command
        code = main(words[1:])
        assert code == 0, f"{command}\n{''.join(capsys.readouterr())}"
        ran += 1
    assert ran >= 10


def test_the_python_of_the_readme_runs(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copy(CARS / "saltflat8.toml", bench / "saltflat8.toml")
    monkeypatch.chdir(bench)
    pieces = blocks("README.md", "python")
    assert pieces
    for text in pieces:
        exec(compile(text, "README.md", "exec"), {})


def test_what_is_held_elsewhere_is_held_there() -> None:
    for why in HELD_ELSEWHERE.values():
        for path in re.findall(r"tests/[\w/.]+", why):
            assert (ROOT / path).exists(), path


def test_every_command_of_the_contributors_guide_names_what_exists() -> None:
    for command in commands("DEVELOPERS.md"):
        words = shlex.split(command)
        script = next((word for word in words if word.endswith((".py", "run"))), None)
        assert script is None or (ROOT / script).is_file(), command
        if script and script.startswith("scripts/"):
            done = subprocess.run(
                [sys.executable, ROOT / script, "--help"], capture_output=True, timeout=120
            )
            assert done.returncode == 0, command


def test_every_error_is_documented_in_its_own_words() -> None:
    sys.path.insert(0, str(ROOT / "scripts"))
    try:
        import make_error_reference as reference
    finally:
        sys.path.pop(0)
    written = (ROOT / "docs" / "errors.md").read_text(encoding="utf-8")
    assert reference.page() == written, "run: python scripts/make_error_reference.py"
    assert len(reference.all_entries()) > 300


def test_every_picture_of_the_readme_is_made_by_a_script() -> None:
    scripts = "".join(path.read_text("utf-8") for path in (ROOT / "scripts").glob("*.py"))
    for picture in re.findall(r"\]\((docs/images/[^)]+)\)", PAGES["README.md"]):
        assert f'"{Path(picture).name}"' in scripts, picture
