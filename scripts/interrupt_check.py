"""Interrupt the program at random moments, and look at what is left: one Markdown table.

Each trial starts a command anew on a fresh copy of the same small garage, set and pack, and sends a
signal after a drawn part of the time that the command takes: an interruption from the keyboard
(SIGINT, to the whole group of processes, as a terminal does) or, every fifth time, a kill.

    python scripts/interrupt_check.py [--count 20] [--seconds 1200] [--seed 1] [--only "demo,check"]

What is looked at afterwards:

- the exit code: 130, or 0 where the work was done; killed by the signal itself (shown as 130 by a
  shell) only before the program has begun or after its last word;
- a traceback, or words about a fault of the program. Python itself shows one while it starts,
  before any line of this program runs: counted apart;
- half files: every file of a known kind is read whole, the garage by ``PRAGMA integrity_check``;
- temporary files that stayed (a killed program cannot take its own away: counted for SIGINT only);
- what is lost: takes, finds, results and set members that were there before, or that the command
  said it kept.

Ends with code 1 where anything of that is wrong.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from vibecheck.dataset.manifest import read_manifest
from vibecheck.errors import VibecheckError
from vibecheck.whole_file import file_hash

ROOT = Path(__file__).resolve().parents[1]
DATA = ROOT / "vibecheck" / "data"
DEMO_SET = ROOT / "datasets" / "demo" / "manifest.csv"
ANSWERS = "f\nl\n1\n270\nt l\n" + "s\n" * 14 + "n\nwords\n"
PROGRAM = [sys.executable, "-m", "vibecheck"]
LIMIT_S = 120.0
KILL_EVERY = 5
BAD_WORDS = ("Traceback", "Exception ignored", "fault of the program", "KeyboardInterrupt")
RECORDER = f"""
import signal, sys
signal.signal(signal.SIGINT, signal.SIG_DFL)  # until the program itself begins
sys.path.insert(0, {str(ROOT / "tests" / "capture")!r})
import record_program
from vibecheck.capture import microphone
from vibecheck.cli import main, record_take
library = record_program.fake(8.0)
microphone.load_sounddevice = lambda: library
record_take.pause = lambda _seconds: None
sys.argv[0] = "vibecheck"
sys.exit(main())
"""


@dataclass(frozen=True)
class Case:
    """A command; it ends by itself unless it `serves`."""

    name: str
    arguments: tuple[str, ...]
    program: tuple[str, ...] = tuple(PROGRAM)
    serves: bool = False


@dataclass
class Tally:
    """What was seen of one command."""

    trials: int = 0
    kills: int = 0
    codes: Counter[str] = field(default_factory=Counter)
    half: list[str] = field(default_factory=list)
    stray: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    tracebacks: list[str] = field(default_factory=list)
    codes_wrong: list[str] = field(default_factory=list)
    at_start: int = 0

    @property
    def wrong(self) -> list[str]:
        """Everything that must not be."""
        return [*self.half, *self.stray, *self.lost, *self.tracebacks, *self.codes_wrong]


def cases(tiny: Path, cache: Path) -> list[Case]:
    """Return the commands; files are named from the folder of the trial."""
    car, garage = ("--car", "car.toml"), ("--data", "garage")
    record = ("record", "spin.wav", *car, "--yes", "--keep", *garage, "--seconds", "27")
    return [
        Case("check", ("check", "a.flac", *car, "--report", "out.html", "--json", "out.json")),
        Case("check --keep", ("check", "b.flac", *car, "--keep", *garage)),
        Case("hand-check", ("hand-check", *car, *garage)),
        Case("history", ("history", *car, *garage, "--report", "h.html", "--json", "h.json")),
        Case("demo", ("demo", "--out", "demo")),
        Case("record", record, (sys.executable, "-c", RECORDER)),
        Case("bench add", ("bench", "add", "b.flac", *car, *garage)),
        Case("car gear", ("car", "gear", "car.toml", "--pinion", "16", "--write", "g.toml",
                          "--log", *garage)),
        Case("dataset add", ("dataset", "add", "set", "b.flac", *car, "--kind", "baseline")),
        Case("dataset pack", ("dataset", "pack", "set", "--out", "new.zip")),
        Case("dataset merge", ("dataset", "merge", "other", "pack.zip")),
        Case("train", ("train", str(tiny / "manifest.csv"), "--out", "model",
                       "--cache", str(tiny / "cache"), "--folds", "2", "--workers", "2")),
        Case("evaluate", ("evaluate", str(DATA / "model" / "looseness.npz"), str(DEMO_SET),
                          "--out", "judged", "--cache", str(cache), "--workers", "2")),
        Case("serve", ("serve", "--no-open", "--port", "0", *garage), serves=True),
    ]  # fmt: skip


def make_scene(folder: Path) -> None:
    """Make the files that every trial begins with."""
    folder.mkdir()
    shutil.copy(DATA / "cars" / "saltflat8.toml", folder / "car.toml")
    shutil.copy(DATA / "demo" / "2-something-loose-centre.flac", folder / "a.flac")
    shutil.copy(DATA / "demo" / "3-after-tightening-centre.flac", folder / "b.flac")
    for arguments, typed in (
        (("check", "a.flac", "--car", "car.toml", "--keep", "--data", "garage"), ""),
        (("hand-check", "--car", "car.toml", "--data", "garage"), ANSWERS),
        (("dataset", "add", "set", "--data", "garage"), ""),
        (("dataset", "pack", "set", "--out", "pack.zip"), ""),
    ):
        subprocess.run(
            [*PROGRAM, *arguments], cwd=folder, input=typed, text=True, check=True,
            capture_output=True, timeout=LIMIT_S,
        )  # fmt: skip


def training_set(folder: Path) -> Path:
    """Make a small labelled set whose features are kept already."""
    sys.path.insert(0, str(ROOT / "tests" / "training"))
    from tiny_set import tiny_set

    tiny_set(folder)
    return folder


def interrupted(
    case: Case, folder: Path, after_s: float | None, number: int
) -> tuple[int, str, str, float]:
    """Run a command and send a signal; return its exit code, output, messages and seconds."""
    begun = time.monotonic()
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as messages:
        process = subprocess.Popen(
            [*case.program, *case.arguments], cwd=folder, stdin=subprocess.PIPE, stdout=out,
            stderr=messages, start_new_session=True,
            env={**os.environ, "HOME": str(folder), "VIBECHECK_DEBUG": ""},
        )  # fmt: skip
        assert process.stdin is not None
        with contextlib.suppress(OSError):
            process.stdin.write(ANSWERS.encode())
            process.stdin.close()
        if after_s is not None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(max(0.0, after_s - (time.monotonic() - begun)))
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, number)
        try:
            code = process.wait(LIMIT_S)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            code = process.wait()
            code = -1000
        seconds = time.monotonic() - begun
        out.seek(0)
        messages.seek(0)
        return code, out.read().decode(), messages.read().decode(), seconds


def look(case: Case, folder: Path, scene: Path, said: str, tally: Tally, number: int) -> None:
    """Look at what a trial left."""
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if ".part" in path.name or "-journal" in path.name:
            if number != signal.SIGKILL:
                tally.stray.append(f"{case.name}: {name} stayed")
        elif path.is_file() and not is_whole(path):
            tally.half.append(f"{case.name}: {name} is half")
    tally.lost += [f"{case.name}: {one}" for one in lost(folder, scene, said)]


def is_whole(path: Path) -> bool:
    """Whether a file of a known kind can be read to its end."""
    import soundfile

    readers: dict[str, Callable[[Path], object]] = {
        ".html": lambda file: file.read_text("utf-8").rstrip().endswith("</html>"),
        ".json": lambda file: json.loads(file.read_text("utf-8")) is not None,
        ".csv": lambda file: bool(read_manifest(file)),
        ".zip": lambda file: zipfile.ZipFile(file).testzip() is None,
        ".npz": lambda file: zipfile.is_zipfile(file),
        ".flac": lambda file: len(soundfile.read(file)[0]) > 0,
        # A recording that was stopped before its first block is a whole file without samples.
        ".wav": lambda file: soundfile.info(file).frames >= 0,
        ".toml": lambda file: file.read_text("utf-8").endswith("\n"),
        ".sqlite": sound_garage,
    }
    try:
        return bool(readers.get(path.suffix, lambda _file: True)(path))
    except (OSError, ValueError, RuntimeError, sqlite3.Error, VibecheckError, zipfile.BadZipFile):
        return False


def sound_garage(file: Path) -> bool:
    """Whether a garage holds together, in itself and with its recordings."""
    with contextlib.closing(sqlite3.connect(file)) as garage:
        if garage.execute("PRAGMA integrity_check").fetchall() != [("ok",)]:
            return False
        if garage.execute("PRAGMA foreign_key_check").fetchall():
            return False
        takes = garage.execute("SELECT stored, sha256 FROM takes").fetchall()
    shelf = file.parent / "recordings"
    return all(file_hash(shelf / stored) == sha256 for stored, sha256 in takes)


def rows(folder: Path, query: str) -> set[tuple[object, ...]]:
    """Return rows of the garage."""
    with contextlib.closing(sqlite3.connect(folder / "garage" / "garage.sqlite")) as garage:
        return set(garage.execute(query).fetchall())


def lost(folder: Path, scene: Path, said: str) -> list[str]:
    """Name what was there before, or was reported as kept, and is not there."""
    gone = []
    for query in (
        "SELECT sitting_id, sha256, stored FROM takes",
        "SELECT sitting_id, zone, fastener, outcome, turned_deg, done FROM findings",
        "SELECT id, car_id, number FROM sittings",
        "SELECT sitting_id FROM results",
    ):
        if not rows(folder, query) >= rows(scene, query):
            gone.append(f"{query} gives less than before")
    if kept := re.search(r"^Kept: bench check (\d+)", said, re.MULTILINE):
        query = f"SELECT sha256 FROM takes JOIN sittings ON sittings.id = sitting_id \
            WHERE number = {kept[1]}"
        if not rows(folder, query) - rows(scene, "SELECT sha256 FROM takes"):
            gone.append("a take that was reported as kept")
    for name in re.findall(r"^(?:Report|Result|History|Recording): (\S+)$", said, re.MULTILINE):
        if not (folder / name).is_file():
            gone.append(f"{name}, which was reported as written")
    for name in re.findall(r"^Added (\S+)  ", said, re.MULTILINE):
        if not (folder / name).is_file():
            gone.append(f"{name}, which was reported as added")
    for one in ("a.flac", "b.flac", "car.toml", "pack.zip"):
        if file_hash(folder / one) != file_hash(scene / one):
            gone.append(f"{one} as it was")
    before = {row.sha256 for row in read_manifest(scene / "set" / "manifest.csv")}
    if not before <= {row.sha256 for row in read_manifest(folder / "set" / "manifest.csv")}:
        gone.append("a take of the set")
    return gone


def judge_words(case: Case, code: int, said: str, tally: Tally, number: int) -> None:
    """Look at the exit code and at what was said."""
    tally.codes[{-2: "by SIGINT", -9: "by SIGKILL", -1000: "hung"}.get(code, str(code))] += 1
    if number == signal.SIGKILL:
        return
    found = [line for line in said.splitlines() if any(word in line for word in BAD_WORDS)]
    begun = "vibecheck/cli" in said or "fault of the program" in said
    if found and not begun:
        tally.at_start += 1
        return
    if found:
        tally.tracebacks.append(f"{case.name}: {found[0]}\n{said[-3000:]}")
    if code not in (0, 130, -2):
        tally.codes_wrong.append(f"{case.name}: exit code {code}\n{said[-1500:]}")


def tried(case: Case, scene: Path, count: int, draw: random.Random, until: float) -> Tally:
    """Interrupt one command at drawn moments."""
    tally = Tally()
    with tempfile.TemporaryDirectory(prefix="interrupt-") as top:
        usual_s = 4.0
        if not case.serves:
            shutil.copytree(scene, Path(top, "whole"))
            code, _out, messages, usual_s = interrupted(
                case, Path(top, "whole"), None, signal.SIGINT
            )
            if code != 0:
                raise SystemExit(f"{case.name} does not run here: {messages}")
        for trial in range(count):
            if time.monotonic() > until:
                break
            number = signal.SIGKILL if trial % KILL_EVERY == KILL_EVERY - 1 else signal.SIGINT
            folder = Path(top, str(trial))
            shutil.copytree(scene, folder)
            after_s = draw.uniform(0.0, usual_s)
            code, out, messages, _seconds = interrupted(case, folder, after_s, number)
            tally.trials += 1
            tally.kills += number == signal.SIGKILL
            judge_words(case, code, out + messages, tally, number)
            look(case, folder, scene, out + messages, tally, number)
            shutil.rmtree(folder)
    return tally


def table(tallies: Sequence[tuple[Case, Tally]]) -> str:
    """Return the Markdown table."""
    lines = [
        "| command | SIGINT | SIGKILL | exit codes | half files | temporary files left | lost | "
        "tracebacks | of these in Python's own start |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for case, one in tallies:
        codes = ", ".join(f"{code}: {n}" for code, n in sorted(one.codes.items()))
        lines.append(
            f"| {case.name} | {one.trials - one.kills} | {one.kills} | {codes} | {len(one.half)} "
            f"| {len(one.stray)} | {len(one.lost)} | {len(one.tracebacks) + one.at_start} "
            f"| {one.at_start} |"
        )
    return "\n".join(lines)


def main() -> int:
    """Run all trials and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--count", type=int, default=20, help="interruptions of each command")
    parser.add_argument("--seconds", type=float, default=1200.0, help="end after so long")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="commands, with commas between")
    given = parser.parse_args()
    until = time.monotonic() + given.seconds
    tallies = []
    with tempfile.TemporaryDirectory(prefix="interrupt-scene-") as top:
        scene = Path(top, "scene")
        make_scene(scene)
        tiny = training_set(Path(top, "tiny"))
        wanted = [one for one in given.only.split(",") if one]
        for case in cases(tiny, Path(top, "cache")):
            if wanted and case.name not in wanted:
                continue
            draw = random.Random(f"{given.seed} {case.name}")
            tallies.append((case, tried(case, scene, given.count, draw, until)))
            print(table(tallies[-1:]).splitlines()[-1], file=sys.stderr)
            print(*tallies[-1][1].wrong, sep="\n", file=sys.stderr, flush=True)
    print(table(tallies))
    return 1 if any(tally.wrong for _case, tally in tallies) else 0


if __name__ == "__main__":
    sys.exit(main())
