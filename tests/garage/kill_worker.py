"""Do acknowledged work on a garage, get killed at random moments, look what is left.

Run as ``python kill_worker.py FOLDER SEED COUNT``; prints one line of JSON: kills by kind of work,
and how many acknowledgements were seen. Ends with a traceback where anything was lost.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # it is run by itself too

from garage_cars import CAR_FILE, KINDS, add_car

from vibecheck.garage import Garage
from vibecheck.garage.connection import engine_of
from vibecheck.garage.upgrade import bring_up_to_date
from vibecheck.risk.log import DONE, OUTCOMES, FastenerFinding

Work = Callable[[Path, random.Random], Iterator[object]]
SHARES = {"takes": 7, "hand_check": 6, "sittings": 3, "migration": 4}


def add_takes(folder: Path, draw: random.Random) -> Iterator[object]:
    source = folder / f"source-{os.getpid()}.wav"
    with Garage.open(folder / "garage") as garage:
        sitting = open_sitting(garage)
        while True:
            source.write_bytes(draw.randbytes(draw.randrange(1_000, 400_000)))
            yield ["take", garage.add_take(sitting, source).sha256]


def log_findings(folder: Path, draw: random.Random) -> Iterator[object]:
    with Garage.open(folder / "garage") as garage:
        sitting = open_sitting(garage)
        while True:
            zone, name, count = draw.choice(KINDS)
            outcome = draw.choice(OUTCOMES)
            done = tuple(draw.sample(DONE, draw.randrange(3)))
            # The note marks the finding: of two with the same words the later one must be there.
            note = f"{draw.getrandbits(64):x}"
            found = FastenerFinding(zone, name, outcome, count, None, done, note)  # type: ignore[arg-type]
            garage.log_findings(sitting, zone, name, [found])
            yield ["finding", sitting, zone, name, outcome, count, list(done), note]


def turn_over_sittings(folder: Path, draw: random.Random) -> Iterator[object]:
    with Garage.open(folder / "garage") as garage:
        while True:
            sitting = open_sitting(garage)
            note = f"{draw.getrandbits(64):x}"
            garage.note_decision(sitting, draw.choice(["go", "no_go", None]), note)
            yield ["note", sitting, note]
            garage.close_sitting(sitting)
            yield ["closed", sitting]
            runs = garage.start_sitting("Saltflat 8", runs_since_last=2.0).runs
            yield ["runs", runs]


def migrate(folder: Path, draw: random.Random) -> Iterator[object]:
    with Garage.open(folder / "old") as garage:
        yield ["migrated", len(garage.sittings())]


WORK: dict[str, Work] = {
    "takes": add_takes,
    "hand_check": log_findings,
    "sittings": turn_over_sittings,
    "migration": migrate,
}
BEAT_S: dict[Work, float] = dict.fromkeys(WORK.values(), 0.05)
"""About how long one piece of work takes; the moment of a kill is drawn from it."""


def open_sitting(garage: Garage) -> str:
    found = garage.open_sitting("Saltflat 8") or garage.start_sitting("Saltflat 8")
    return found.id


def kill_amid(work: Work, folder: Path, draw: random.Random) -> list[list[object]]:
    """Fork, work, wait for a few acknowledgements, kill a random moment later.

    Returns
    -------
    list
        All that was acknowledged.
    """
    out, into = os.pipe()
    # A migration acknowledges once, when all is over: three of four are killed before that.
    seed, n_acks = draw.getrandbits(32), int(draw.random() * (1.33 if work is migrate else 3.0))
    begun = time.monotonic()
    child = os.fork()
    if child == 0:
        try:
            os.close(out)
            for ack in work(folder, random.Random(seed)):
                os.write(into, json.dumps(ack).encode() + b"\n")
            signal.pause()
        finally:
            os._exit(3)
    os.close(into)
    lines: list[bytes] = []
    with os.fdopen(out, "rb") as stream:
        for _ in range(n_acks):
            lines.append(stream.readline())
            BEAT_S[work] = 0.5 * BEAT_S[work] + 0.5 * (time.monotonic() - begun)
            begun = time.monotonic()
        time.sleep(draw.uniform(0.0, BEAT_S[work]))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        # A line is written whole: what the pipe holds was acknowledged.
        lines += stream.readlines()
    if os.WIFEXITED(status):
        raise RuntimeError(f"the work ended by itself; acknowledged: {lines!r}")
    return [json.loads(line) for line in lines]


class Truth:
    """What was acknowledged so far."""

    def __init__(self) -> None:
        self.takes: set[str] = set()
        self.findings: dict[tuple[object, ...], list[object]] = {}
        self.notes: dict[object, object] = {}
        self.closed: set[object] = set()
        self.runs = 0.0
        self.n_acks = 0

    def learn(self, acks: list[list[object]]) -> None:
        self.n_acks += len(acks)
        for kind, *rest in acks:
            if kind == "take":
                self.takes.add(str(rest[0]))
            elif kind == "finding":
                self.findings[tuple(rest[:3])] = rest[3:]
            elif kind == "note":
                self.notes[rest[0]] = rest[1]
            elif kind == "closed":
                self.closed.add(rest[0])
            elif kind == "runs":
                self.runs = float(rest[0])  # type: ignore[arg-type]

    def hold_against(self, folder: Path, kind: str) -> None:
        """Open the garage, and find all that was acknowledged; what came after may be there too."""
        with closing(sqlite3.connect(folder / "garage.sqlite")) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert raw.execute("PRAGMA foreign_key_check").fetchall() == []
        with Garage.open(folder) as garage:
            sittings = {one.id: one for one in garage.sittings()}
            takes = {take.sha256: take for one in sittings.values() for take in one.takes}
            assert self.takes <= takes.keys()
            for sha256, take in takes.items():
                assert hash_of(take.path) == sha256
            if kind == "hand_check":
                self.follow_findings(garage)
            for sitting, note in self.notes.items():
                # A later note may have come through without its acknowledgement.
                assert sittings[str(sitting)].note
                if sitting in self.closed:
                    assert sittings[str(sitting)].note == note
            assert all(not sittings[str(sitting)].is_open for sitting in self.closed)
            assert garage.find_car("Saltflat 8").runs >= self.runs
            assert sum(one.is_open for one in sittings.values()) <= 1
        for path in (folder / "recordings").rglob("*"):
            if path.is_file() and path.suffix != ".part":
                assert hash_of(path) == path.stem

    def follow_findings(self, garage: Garage) -> None:
        """Every acknowledged finding is there, unless the next one, unacknowledged, took its place.

        At most one finding can have come through without being acknowledged; then that one is the
        truth from here on.
        """
        replaced = 0
        seen: dict[tuple[object, ...], list[object]] = {}
        for one in garage.sittings():
            found = one.hand_check.findings if one.hand_check else ()
            for f in found:
                key = (one.id, f.zone, f.fastener)
                assert key not in seen, "a kind was logged twice"
                seen[key] = [f.outcome, f.count, list(f.done), f.note]
        for key, value in self.findings.items():
            assert key in seen, f"lost: {key}"
            replaced += seen[key] != value
        replaced += len(seen.keys() - self.findings.keys())
        assert replaced <= 1, f"{replaced} findings differ from what was acknowledged"
        self.findings = seen


def hash_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def make_old(folder: Path) -> Path:
    """Make a garage of the first form, with the first step itself, and write rows into it."""
    folder.mkdir()
    file = folder / "garage.sqlite"
    engine = engine_of(file)
    bring_up_to_date(engine, file, target="0001")
    engine.dispose()
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("INSERT INTO cars VALUES ('c', 'Saltflat 8', 0, '2021-01-01T00:00:00+00:00')")
        raw.execute(
            "INSERT INTO car_files (car_id, name, text, added) VALUES ('c', 'Saltflat 8', ?, ?)",
            (CAR_FILE, "2021-01-01T00:00:00+00:00"),
        )
        for k in range(300):
            raw.execute(
                "INSERT INTO sittings (id, car_id, date, runs, runs_since_last, is_open) "
                "VALUES (?, 'c', '2021-01-02T00:00:00+00:00', ?, 1, 0)",
                (f"s{k}", k + 1.0),
            )
            raw.execute(
                "INSERT INTO takes (sitting_id, sha256, file_name, stored, sensor, spot, added) "
                "VALUES (?, ?, 'a.wav', 'aa/a.wav', 'microphone', 'centre', 'x')",
                (f"s{k}", f"h{k}"),
            )
        raw.commit()
    return file


def look_at_migrated(old: Path) -> None:
    copy = old / "garage.before-0002.sqlite"
    if copy.exists():  # under its name it is whole
        with closing(sqlite3.connect(copy)) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert raw.execute("SELECT count(*) FROM takes").fetchone() == (300,)
    with Garage.open(old) as garage:
        assert [one.runs for one in garage.sittings()] == [300.0 - k for k in range(300)]
        assert all(one.takes[0].reading == {} for one in garage.sittings(limit=3))
        garage.log_disturbances("Saltflat 8", [KINDS[0][:2]], "new nut")


def main(folder: Path, seed: int, count: int) -> None:
    draw = random.Random(seed)
    (folder / "garage").mkdir(parents=True)
    with Garage.open(folder / "garage") as garage:
        add_car(garage)
    pattern = make_old(folder / "pattern")
    shutil.copytree(folder / "pattern", folder / "old")
    look_at_migrated(folder / "old")  # loads Alembic, which a forked child then has
    kinds = [kind for kind, share in SHARES.items() for _ in range(share)]
    truth, kills, migrated = Truth(), Counter[str](), 0
    for k in range(count):
        kind = kinds[k % len(kinds)]
        if kind == "migration":
            shutil.rmtree(folder / "old")
            (folder / "old").mkdir()
            shutil.copy(pattern, folder / "old")
        acks = kill_amid(WORK[kind], folder, draw)
        kills[kind] += 1
        if kind == "migration":
            migrated += len(acks)
            look_at_migrated(folder / "old")
        else:
            truth.learn(acks)
            truth.hold_against(folder / "garage", kind)
            trim(folder, truth)
    print(json.dumps({"kills": kills, "acknowledged": truth.n_acks, "migrated": migrated}))


def trim(folder: Path, truth: Truth) -> None:
    """Begin another garage when this one has grown so that looking at it takes long."""
    if len(truth.takes) < 40:
        return
    shutil.rmtree(folder / "garage")
    with Garage.open(folder / "garage") as garage:
        add_car(garage)
    n_acks = truth.n_acks
    truth.__init__()  # type: ignore[misc]
    truth.n_acks = n_acks


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
