"""Run the signal chain on open recordings and print how near it comes to what is known of them.

    python scripts/check_open_data.py [--data FOLDER] [--write]

The folder may also be named by VIBECHECK_OUTSIDE_DATA. It holds `rotor_coastdown`,
`uav_motor_spinup_audio` and `mfpt_bearing` (the README says whose they are); a set that is
not there is skipped with the reason. The output is the Markdown table of the README; ``--write``
puts it there. A target that is missed is shown as missed.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

import open_data
from marks import put_between

from vibecheck.impulses import envelope_order_spectrum
from vibecheck.quality import assess_quality
from vibecheck.speed import track_speed

README = Path(__file__).resolve().parent.parent / "README.md"


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    target: str
    ours: str
    verdict: str

    def __str__(self) -> str:
        return f"| {self.what} | {self.target} | {self.ours} | {self.verdict} |"


def at_most(what: str, ours: float, limit: float, target: str, unit: str) -> Row:
    """A figure that must not pass a limit."""
    missed = f"**missed by {ours - limit:.3f} {unit}**"
    return Row(what, target, f"{ours:.3f} {unit}", "met" if ours <= limit else missed)


def at_least(what: str, ours: float, limit: float, target: str) -> Row:
    """A share that must reach a limit."""
    missed = f"**missed by {100 * (limit - ours):.1f} points**"
    return Row(what, target, percent(ours), "met" if ours >= limit else missed)


def percent(share: float) -> str:
    """A share in words."""
    return f"{100 * share:.1f} %"


def near(what: str, ours: float, known: float, within: float, unit: str, source: str) -> Row:
    """A figure that must lie near a known one."""
    target = f"{known:g} ± {within:.2g} {unit} ({source})"
    if not np.isfinite(ours):
        return Row(what, target, "not found", "**missed**")
    beyond = abs(ours - known) - within
    missed = f"**missed by {beyond:.2g} {unit}**"
    return Row(what, target, f"{ours:.4g} {unit}", "met" if beyond <= 0.0 else missed)


def plateaus(what: str, ours: tuple[float, ...]) -> Row:
    """Frequencies on the plateaus of the motor's sound."""
    known = [hz for _, _, hz in open_data.MOTOR_PLATEAUS]
    worst = max(abs(a / b - 1.0) for a, b in zip(ours, known, strict=True))
    words = ", ".join(f"{hz:g}" for hz in known)
    found = ", ".join(f"{hz:.2f}" for hz in ours)
    return Row(what, f"{words} Hz ± 0.3 % (spectrum read by hand)", f"{found} Hz",
               "met" if worst <= 0.003 else f"**missed by {percent(worst - 0.003)}**")  # fmt: skip


def told(what: str, source: str, found: bool, words: str) -> Row:
    """Something that must be said."""
    return Row(what, source, words if found else "not told", "met" if found else "**missed**")


def counted(what: str, ours: int, of: int, least: int, source: str) -> Row:
    """A number of recordings."""
    missed = f"**missed by {least - ours}**"
    return Row(what, f"{least} of {of} ({source})", f"{ours} of {of}",
               "met" if ours >= least else missed)  # fmt: skip


def rotor(folder: Path) -> Iterator[Row]:
    """A small rotor with a tachometer."""
    records = open_data.rotor_records(folder)
    coasting = [one for one in records if one.batch == "coastdown_2020"]
    ridge = "a plain spectral ridge reaches this"
    for words, orders in (("order given", [1.0]), ("nothing given", None)):
        errors = [open_data.rotor_errors(one, track_speed(one.take, orders=orders))
                  for one in coasting]  # fmt: skip
        windows = np.concatenate([one.windows for one in errors])
        inside = np.concatenate([one.inside for one in errors])
        name = f"rotor, {len(coasting)} coast-downs, {words}: "
        yield at_most(f"{name}median error over 0.25 s", float(np.median(windows)), 0.10,
                      f"≤ 0.10 turns/s ({ridge})", "turns/s")  # fmt: skip
        yield at_least(f"{name}within 0.33 turns/s", float(np.mean(windows <= 0.33)), 0.90,
                       f"90 % ({ridge})")  # fmt: skip
        yield at_least(f"{name}within 2 turns/s", float(np.mean(windows <= 2.0)), 0.99,
                       f"99 % ({ridge})")  # fmt: skip
        yield at_least(f"{name}stated 95 % interval holds the tachometer", float(inside.mean()),
                       0.90, "90 % (own target)")  # fmt: skip
    words = {
        "steady_without_weight": (10, "without balance weight"),
        "steady_weight": (1, "with balance weight"),
        "steady_weight_5": (0, "with balance weight, motor pulsed at half the rate"),
    }
    for batch, (least, description) in words.items():
        chosen = [one for one in records if one.batch == batch]
        right = wrong = 0
        for one in chosen:
            track = track_speed(one.take, orders=[1.0])
            frames = open_data.rotor_errors(one, track).frames
            sure = track.running & (track.confidence >= 0.5)
            right += bool(np.median(frames) < 1.0)
            wrong += bool(sure.mean() >= 0.5 and not np.median(frames) < 1.0)
        name = f"rotor at steady speed, {description}: "
        if least:
            yield counted(f"{name}speed within 1 turn/s", right, len(chosen), least,
                          "largest peak of a plain spectrum")  # fmt: skip
        yield Row(f"{name}a wrong speed told with confidence", f"0 of {len(chosen)}",
                  f"{wrong} of {len(chosen)}",
                  "met" if wrong == 0 else f"**missed by {wrong}**")  # fmt: skip


def motor(folder: Path) -> Iterator[Row]:
    """A brushless motor with a two-blade propeller, by microphone."""
    take = open_data.motor_take(folder)
    _, plain = open_data.step_of(*open_data.plain_ridge(take))
    for words, orders, passes in (
        ("nothing given", None, 1.0), ("orders 2, 4, 6 given", [2.0, 4.0, 6.0], 2.0),
    ):  # fmt: skip
        track = track_speed(take, orders=orders)
        found = open_data.motor_reading(track, passes)
        name = f"motor sound, {words}: "
        yield plateaus(f"{name}blade passes on three plateaus", found.plateaus_hz)
        yield near(f"{name}moment of the step", found.step_s, open_data.MOTOR_STEP_S, 0.15, "s",
                   "spectrum read by hand")  # fmt: skip
        yield near(f"{name}time constant of the step (a plain spectrogram: {plain:.2f} s)",
                   found.time_constant_s, open_data.MOTOR_TIME_CONSTANT_S, 0.03, "s",
                   "description of the set")  # fmt: skip
        rival = track.order_ambiguity
        wanted = 0.5 if orders is None else 2.0
        yield told(f"{name}the other reading of the speed", f"{wanted:g} × must stay open",
                   rival is not None and abs(rival.ratio / wanted - 1.0) < 0.02
                   and not rival.resolved, f"{wanted:g} ×, left open")  # fmt: skip
    codes = {finding.code for finding in assess_quality(take, track_speed(take)).findings}
    yield told("motor sound: noise suppression of the microphone",
               "told (silence at the digital floor)", "noise_suppression" in codes,
               "told")  # fmt: skip


def bearings(folder: Path) -> Iterator[Row]:
    """Pitted bearings at a steady speed."""
    paths = open_data.bearing_paths(folder)
    for race, words in (("Outer", "outer race"), ("Inner", "inner race")):
        own = [path for path in paths if path.name.startswith(race)]
        if not own:
            continue
        known = open_data.BEARING_HZ[race]
        found = [open_data.BEARING_SHAFT_HZ * open_data.bearing_rhythm(p)[0].order for p in own]
        inside = sum(abs(hz / known - 1.0) <= 0.02 for hz in found)
        row = counted(f"bearing, {words}: strongest rhythm of the envelope within 2 % of the "
                      f"published {known:g} Hz", inside, len(own), len(own),
                      "real bearings slip by 1–2 %")  # fmt: skip
        listed = ", ".join(f"{hz:.1f}" for hz in found)
        yield Row(row.what, row.target, f"{row.ours} ({listed} Hz)", row.verdict)
    own_band = 0
    for path in paths:
        take = open_data.bearing_take(path)
        spectrum = envelope_order_spectrum(take, open_data.bearing_speed(take))
        hz = open_data.BEARING_SHAFT_HZ * spectrum.strongest(*open_data.BEARING_SEARCH).order
        own_band += abs(hz / open_data.bearing_published_hz(path) - 1.0) <= 0.02
    yield counted("bearings: the same in the band that the kurtogram chooses (above: 4–20 kHz, "
                  "given)", own_band, len(paths), len(paths), "own target")  # fmt: skip
    right = told_wrong = 0
    for path in paths:
        track = track_speed(open_data.bearing_take(path), orders=[1.0, 2.0, 3.0])
        if track.running.mean() >= 0.5:
            hz = float(np.median(track.rpm[track.running])) / 60.0
            close = abs(hz - open_data.BEARING_SHAFT_HZ) < 0.5
            right, told_wrong = right + close, told_wrong + (not close)
    yield counted("bearings: shaft speed without being told it", right, len(paths), len(paths),
                  "nominal 25 turns/s, orders 1, 2, 3 given")  # fmt: skip
    yield Row("bearings: a wrong shaft speed told", f"0 of {len(paths)}",
              f"{told_wrong} of {len(paths)}",
              "met" if told_wrong == 0 else f"**missed by {told_wrong}**")  # fmt: skip


SETS: tuple[tuple[str, Callable[[Path], bool], Callable[[Path], Iterator[Row]]], ...] = (
    ("rotor_coastdown", open_data.rotor_is_there, rotor),
    ("uav_motor_spinup_audio", lambda folder: open_data.motor_path(folder).is_file(), motor),
    ("mfpt_bearing", lambda folder: bool(open_data.bearing_paths(folder)), bearings),
)


def main(arguments: list[str] | None = None) -> int:
    """Print the table; 0 also where there is nothing to run on."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--data", type=Path, default=None, help="folder of open recordings")
    parser.add_argument("--write", action="store_true", help="put the table into the README")
    wanted = parser.parse_args(arguments)
    folder = open_data.named_folder(wanted.data)
    if folder is None:
        print(f"Skipped: name the folder with --data or {open_data.VARIABLE}.")
        return 0
    if not folder.is_dir():
        print(f"Skipped: there is no folder {folder}.")
        return 0
    head = "| open recordings | published value or target | ours | |\n|---|---|---|---|"
    print(head)
    table, skipped, met = [head], [], 0
    for name, is_there, rows in SETS:
        if not is_there(folder):
            skipped.append(name)
            continue
        for row in rows(folder):
            print(row, flush=True)
            table.append(str(row))
            met += row.verdict == "met"
    said = f"\n{met} of {len(table) - 1} targets met."
    print(said)
    for name in skipped:
        print(f"Skipped: {name} is not in the folder.")
    if wanted.write and not skipped:
        put_between(README, "open-recordings", "\n".join([*table, said]))
    elif wanted.write:
        print("Nothing was written: the README shows the whole table or none.")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
