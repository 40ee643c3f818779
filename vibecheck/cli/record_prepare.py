"""Command line: what `vibecheck record` finds out before anything spins."""

from __future__ import annotations

import re
import shlex
import stat
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from vibecheck.cli import terminal
from vibecheck.cli.garage_source import is_car_file, open_garage
from vibecheck.errors import CallError, VibecheckError

if TYPE_CHECKING:
    from vibecheck.capture.decode import LineOptions
    from vibecheck.capture.microphone import InputDevice
    from vibecheck.capture.note import Sensor
    from vibecheck.capture.script import Script
    from vibecheck.capture.sound_writer import Bits
    from vibecheck.capture.source import Source
    from vibecheck.car.plan import BenchPlan
    from vibecheck.car.profile import Car

STDIN = "-"


@dataclass(frozen=True)
class Wanted:
    """What is to be recorded, checked before anything is opened.

    Attributes
    ----------
    car_named : str or None
        As the owner named it.
    car : Car or None
        With the gears of its open bench check, where there is one.
    spot : str
    sensor : {"microphone", "accelerometer"}
    out : Path
    bits : {"float", "24"}
    data : Path or None
    keep : bool
    again : tuple of str
        Options that name the microphone or board, for the next call.
    """

    car_named: str | None
    car: Car | None
    spot: str
    sensor: Sensor
    out: Path
    bits: Bits
    data: Path | None
    keep: bool
    again: tuple[str, ...] = ()


def known_car(named: str | None, data: Path | None, *, keep: bool) -> Car | None:
    """Return the car by its file or, from the garage, by its name; fitted as in its bench check.

    Raises
    ------
    CallError
        If the garage does not know it, or it is to be kept without a car.
    """
    if named is None:
        if keep:
            raise CallError("--keep needs a car.", advice="Name it, or its file, with --car.")
        terminal.say("No car named: the usual throttle script is called out. Name one with --car.")
        return None
    from vibecheck.garage.place import garage_exists

    if is_car_file(named):
        from vibecheck.car.read import read_car

        car = read_car(named)
        if not garage_exists(data):
            return car
        with open_garage(data) as garage:
            sitting = garage.open_sitting(car.name) if garage.knows(car.name) else None
    else:
        with open_garage(data) as garage:
            stored = garage.find_car(named)
            car, sitting = stored.car, garage.open_sitting(stored.id)
    if sitting is None:
        return car
    from vibecheck.bench.set_up import fitted_car

    return fitted_car(car, sitting.set_up)


def output_file(
    out: Path | None,
    car: Car | None,
    spot: str,
    sensor: Sensor,
    form: str | None,
    bits: str | None,
    *,
    force: bool,
    now: datetime,
) -> tuple[Path, Bits]:
    """Return the file to be written and how its samples are stored.

    Raises
    ------
    CallError
        If format, bits and file name do not fit each other, or the file cannot be written.
    """
    from vibecheck.report.files import check_output

    if sensor == "accelerometer":
        if form is not None or bits is not None:
            raise CallError(
                "--format and --bits are for sound. A board is recorded into a CSV table.",
                advice="Leave them out.",
            )
        suffixes: tuple[str, ...] = (".csv",)
    else:
        if form not in (None, "wav", "flac"):
            raise CallError(f"--format must be wav or flac. Got {form!r} instead.")
        if bits not in (None, "24", "float"):
            raise CallError(f"--bits must be 24 or float. Got {bits!r} instead.")
        suffixes = (".wav", ".flac") if form is None else (f".{form}",)
    suffix = suffixes[0]
    if out is None:
        name = "-".join(part for part in (_slug(car.name) if car else "", _slug(spot)) if part)
        out = Path(f"{name}-{now:%Y%m%d-%H%M%S}{suffix}")
    elif out.suffix.lower() not in suffixes:
        raise CallError(
            f"The recording is written as {' or '.join(suffixes)}. Got {out.name!r} instead.",
            where=str(out),
            advice=f"For example: {out.stem or 'spin'}{suffix}",
        )
    if out.exists() and not force:
        raise CallError(
            "There is a file of this name already.",
            where=str(out),
            advice="Choose another name, or replace it with --force.",
        )
    flac = out.suffix.lower() == ".flac"
    if flac and bits == "float":
        raise CallError(
            "FLAC holds whole numbers only, not floating point.",
            where="--bits",
            advice="Choose --bits 24, or WAV.",
        )
    if out.exists() and not out.is_file():
        raise CallError("The output must be an ordinary file.", where=str(out))
    check_output(out, "OUT")
    return out, "24" if flac or bits == "24" else "float"


def plan_for(car: Car | None, sensor: Sensor, sample_rate_hz: float | None) -> BenchPlan | None:
    """Return the bench plan of a car; ``None`` where none can be made."""
    if car is None or car.drivetrain is None:
        return None
    from vibecheck.car.plan import bench_plan

    try:
        return bench_plan(car, sensor, sample_rate_hz=sample_rate_hz)
    except VibecheckError as error:
        terminal.say(f"No bench plan for this car and sensor: {error} The usual script is used.")
        return None


def script_for(plan: BenchPlan | None, seconds: float | None) -> Script:
    """Return what is called out, in the length that was asked for."""
    from vibecheck.capture.script import script_of

    script = script_of(plan)
    return script if seconds is None else script.lasting(seconds)


def cautions_before(car: Car | None, plan: BenchPlan | None) -> tuple[str, ...]:
    """Return what must be done and known before anything spins."""
    if plan is not None:
        return (*plan.before, *plan.during)
    if car is not None:
        from vibecheck.car.plan_words import before

        return before(car)
    from vibecheck.advice import CHECK_CAUTIONS

    return (
        "Feel the wheel nuts, the pinion and the motor mount by hand first, battery unplugged. "
        "Never spin a car with a part that you know to be loose.",
        *CHECK_CAUTIONS[2:],
    )


def cautions_after() -> tuple[str, ...]:
    """Return what is due once everything stands still."""
    from vibecheck.car.plan_words import after

    return after()


def place_words(plan: BenchPlan | None, spot: str) -> str:
    """Return where the sensor goes for a spot; empty where that is not known."""
    for one in plan.spots if plan is not None else ():
        if one.name == spot:
            return one.words
    return ""


def is_line_file(board: str) -> bool:
    """Whether a board was named by a file of its lines, or standard input, not by its port."""
    if board == STDIN:
        return True
    try:
        mode = Path(board).stat().st_mode
    except OSError:
        return False
    return stat.S_ISREG(mode) or stat.S_ISFIFO(mode)


def make_source(
    board: str | None,
    baud: int,
    options: LineOptions,
    device: str | None,
    channels: int,
) -> Source:
    """Return the microphone or board, ready to be started.

    Raises
    ------
    VibecheckError
        If it is not there, or what it needs is not installed.
    """
    if board is None:
        from vibecheck.capture.microphone import open_microphone

        return open_microphone(device, sample_rate_hz=options.sample_rate_hz, n_channels=channels)
    from vibecheck.capture.board import Board, LineFile

    if not is_line_file(board):
        return Board(board, baud=baud, options=options)
    if board == STDIN:
        return LineFile(sys.stdin.buffer, "standard input", options)
    try:
        return LineFile(Path(board).open("rb"), board, options)
    except OSError as error:
        raise CallError(f"The file cannot be read ({error.strerror}).", where=board) from None


def device_lines(devices: tuple[InputDevice, ...]) -> list[str]:
    """Return the list of microphones, one line each."""
    lines = []
    for one in devices:
        mark = "*" if one.is_default else " "
        lines.append(
            f"{mark} {one.number:>2}  {one.name}  ({one.host}, {one.channels} channel"
            f"{'s' * (one.channels != 1)}, {one.sample_rate_hz:g} samples per second)"
        )
    return lines


def source_options(given: Mapping[str, object]) -> tuple[str, ...]:
    """Return the options that name a microphone or board, for the next call.

    Parameters
    ----------
    given : mapping of str to object
        From an option to its value; what is ``None`` is left out.
    """
    words: list[str] = []
    for option, value in given.items():
        if value is not None:
            words += [option, f"{value:g}" if isinstance(value, float) else str(value)]
    return tuple(words)


def command_words(*words: str | Path | None) -> str:
    """Return a command as it is typed; ``None`` is left out."""
    return shlex.join(str(word) for word in words if word is not None)


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
