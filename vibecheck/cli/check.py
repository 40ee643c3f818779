"""Command line: ``vibecheck check``."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibecheck.cli import terminal
from vibecheck.cli.garage_source import is_car_file, open_garage
from vibecheck.cli.take_options import (
    ColumnsOption,
    SampleRateOption,
    SensorOption,
    SpotsOption,
    TimeUnitOption,
    UnitOption,
    check_spot,
)
from vibecheck.cli.texts import help_text
from vibecheck.errors import CallError, VibecheckError

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.model.looseness import LoosenessModel
    from vibecheck.recording.take import Take
    from vibecheck.result import CheckResult

HELP = help_text(
    "Say which zone to hand-check first, from recordings of one bench spin-up.",
    "Give the recordings as your phone or sensor made them: wav, flac, ogg, mp3, m4a, aac, mp4, "
    "webm, 3gp, amr; accelerometer tables as csv, tsv, parquet, npz, mat or uff.",
    "The best recording: a few seconds of quiet, then a slow run-up, a hold, and free coast-down, "
    "wheels off the ground. vibecheck car plan writes the script for your car.",
    examples=[
        (
            "One recording, phone beside the car:",
            "vibecheck check spin.m4a --car saltflat8.toml",
        ),
        (
            "Against a snug recording, with a page for the phone:",
            "vibecheck check spin.m4a --car saltflat8.toml \\\n"
            "    --baseline snug.m4a --report spin.html",
        ),
        (
            "Two recordings from two spots:",
            "vibecheck check a.wav b.wav --car saltflat8.toml \\\n"
            "    --spot motor_mount --spot wheel_rear_left",
        ),
        (
            "An accelerometer table whose columns need a word:",
            "vibecheck check log.csv --car saltflat8.toml \\\n"
            "    --unit g --time-unit ms --columns time=t",
        ),
        (
            "For another program:",
            "vibecheck check spin.m4a --car saltflat8.toml \\\n    --json - | your-program",
        ),
    ],
    closing="The exit code is 0 when the check was made, whatever it found; 1 when the input "
    "cannot be used; 2 when the call is wrong.",
)


def check_command(
    takes: Annotated[
        list[str], typer.Argument(metavar="TAKE", help="Recordings of one bench check.")
    ],
    car: Annotated[
        Path | None,
        typer.Option(
            metavar="CAR.toml",
            help="The car file; with --keep or --data also a car of the garage, by name. Without "
            "it no part can be named and no zone ranked.",
        ),
    ] = None,
    spot: SpotsOption = None,
    sensor: SensorOption = None,
    baseline: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TAKE",
            help="A take from right after a complete hand check that left everything snug. "
            "May be given several times.",
        ),
    ] = None,
    baseline_spot: Annotated[
        list[str] | None,
        typer.Option(metavar="ZONE", help="Where the sensor sat for the baseline takes."),
    ] = None,
    json_out: Annotated[
        str | None,
        typer.Option(
            "--json", metavar="OUT", help="Write the result as JSON; - for standard output."
        ),
    ] = None,
    report: Annotated[
        str | None,
        typer.Option(metavar="OUT.html", help="Write a page to read on a phone or to print."),
    ] = None,
    data: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder of the garage: a car that it knows is judged with its own baseline takes "
            "and its history.",
        ),
    ] = None,
    keep: Annotated[
        bool,
        typer.Option(
            "--keep",
            help="Keep the takes and the result in the garage, in the car's open bench check or a "
            "new one. Without --data: the garage in its usual place.",
        ),
    ] = False,
    unit: UnitOption = None,
    time_unit: TimeUnitOption = None,
    sample_rate: SampleRateOption = None,
    columns: ColumnsOption = None,
    model: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="A model of your own instead of the shipped one."),
    ] = None,
) -> None:
    """Run ``vibecheck check`` (the help text is `HELP`)."""
    from vibecheck.cli.progress import Steps

    baseline = baseline or []
    _refuse_twice("take", [*takes, *baseline])
    inputs = [*takes, *baseline, *(str(path) for path in (car, model) if path is not None)]
    outputs = _outputs(json_out, report, inputs)
    spots = one_each(spot or [], len(takes), "--spot", "take")
    snug_spots = one_each(baseline_spot or [], len(baseline), "--baseline-spot", "baseline take")
    roles = column_roles(columns or [])
    if sample_rate is not None and not (math.isfinite(sample_rate) and sample_rate > 0):
        raise CallError(f"--sample-rate must be a positive number. Got {sample_rate!r} instead.")
    if keep:
        _refuse_to_keep(car, data, takes)
    named_in_garage = car is not None and (keep or data is not None) and not is_car_file(str(car))
    known_car = _read_car(car, [*spots, *snug_spots], data, named_in_garage=named_in_garage)

    from vibecheck.cli.keep import ask_garage, how_to_read, keep_check
    from vibecheck.recording.read import read_take

    reading = how_to_read(unit, time_unit, sample_rate, roles)

    def read(path: str, at: str) -> Take:
        steps(f"Reading {Path(path).name}")
        return read_take(
            path,
            sensor=sensor.value if sensor is not None else None,
            spot=at,
            **reading,
        )

    n_files = len(takes) + len(baseline)
    with Steps(2 * n_files + (report is not None)) as steps:
        own = [read(path, at) for path, at in zip(takes, spots, strict=True)]
        snug = [read(path, at) for path, at in zip(baseline, snug_spots, strict=True)]
        _refuse_twice("content", [take.sha256 for take in (*own, *snug)], [*takes, *baseline])
        known = None
        if known_car is not None and (keep or data is not None):
            steps.sentence = "Asking the garage"
            known = ask_garage(data, known_car, own, keep=keep, with_baseline=not snug)
            if known.set_up is not None:
                from vibecheck.bench.set_up import fitted_car

                known_car = fitted_car(known_car, known.set_up)
        # The analysis is loaded once the recordings have proved readable: a refusal is quick.
        from vibecheck.pipeline import check

        result = check(
            own,
            known_car,
            baseline=snug or (known.baseline if known else ()),
            history=known.log if known else None,
            model=_read_model(model),
            progress=steps,
        )
        page = ""
        if report is not None:
            steps("Drawing the report")
            page = result.to_html()
    if keep and car is not None:
        try:
            sitting = keep_check(data, car, takes, own, reading, result)
        except VibecheckError:
            _deliver(result, outputs, page)  # a disk that is full takes no result from the owner
            raise
        terminal.say(f"Kept: bench check {sitting.number} of {sitting.car}")
    _deliver(result, outputs, page)


def _deliver(result: CheckResult, outputs: dict[str, Path | None], page: str) -> None:
    """Write the files first, so that a reader who leaves early loses nothing, then the card."""
    from vibecheck.report.files import despite_full_disk

    page_file, json_file = outputs.get("--report"), outputs.get("--json")
    text = result.to_json() + "\n" if "--json" in outputs else ""
    with despite_full_disk() as write:
        if page_file is not None and write(page_file, page):
            terminal.say(f"Report: {page_file}")
        if json_file is not None and write(json_file, text):
            terminal.say(f"Result: {json_file}")
        if "--json" in outputs and json_file is None:
            typer.echo(text, nl=False)
            return
        from vibecheck.cli.card import print_card

        print_card(result, terminal.console())


def _outputs(
    json_out: str | None, report: str | None, inputs: Sequence[str]
) -> dict[str, Path | None]:
    """Check the output files before any work is done; ``None`` stands for standard output."""
    from vibecheck.report.files import check_output

    wanted: dict[str, Path | None] = {}
    for option, name in (("--json", json_out), ("--report", report)):
        if name is None:
            continue
        if name == "-" and option == "--json":
            wanted[option] = None
            continue
        if name in ("", "-"):
            raise CallError(
                f"{option} must name a file. Got {name!r} instead.",
                advice=f"For example: {option} result.{'json' if option == '--json' else 'html'}",
            )
        target = check_output(name, option)
        for path in inputs:
            if _same_file(path, target):
                raise CallError(
                    f"{option} must not name a file that is read: it would be overwritten.",
                    where=str(target),
                    advice="Choose another file name.",
                )
        wanted[option] = target
    both = [path for path in wanted.values() if path is not None]
    if len(both) == 2 and os.path.realpath(both[0]) == os.path.realpath(both[1]):
        raise CallError(
            "--json and --report must name two files. Both name the same one.", where=str(both[0])
        )
    return wanted


def _refuse_to_keep(car: Path | None, data: Path | None, takes: Sequence[str]) -> None:
    """Refuse before any work what the garage could not keep."""
    from vibecheck.cli.keep import refuse_records, refuse_unwritable

    if car is None:
        raise CallError("--keep needs a car.", advice="Name it, or its file, with --car.")
    refuse_records(takes)
    refuse_unwritable(data)


def _same_file(path: str, target: Path) -> bool:
    whole = path.rpartition("#")[0]  # file.npz#12 asks for one record of a file
    for name in (path, whole):
        try:
            if name and os.path.samefile(name, target):
                return True
        except OSError:
            continue
    return False


def _refuse_twice(kind: str, keys: Sequence[str], names: Sequence[str] | None = None) -> None:
    """Refuse a recording that was given twice: it would count as two witnesses."""
    seen: dict[str, str] = {}
    for key, name in zip(keys, names or keys, strict=True):
        if key and key in seen:
            raise CallError(
                "The same recording was given twice."
                if kind == "take" or seen[key] == name
                else f"This file holds the same recording as {seen[key]}.",
                where=name,
                advice="Give each recording once, either as a take or as a baseline.",
            )
        seen[key] = name


def one_each(values: Sequence[str], n: int, option: str, noun: str) -> list[str]:
    """Spread an option over n files: none means centre, one is for all, else one each.

    Raises
    ------
    CallError
        If the count fits neither way.
    """
    if not values:
        return ["centre"] * n
    if len(values) == 1 and n:
        return list(values) * n
    if len(values) != n:
        raise CallError(
            f"{option} must be given once for all, or once for each {noun} ({n}). "
            f"Got {len(values)} instead.",
            advice=f"Give {option} in the same order as the files.",
        )
    return list(values)


def column_roles(pairs: Sequence[str]) -> dict[str, str]:
    """Read ``role=name`` pairs.

    Raises
    ------
    CallError
        If a pair has no ``=``, an empty side, or repeats a role.
    """
    roles: dict[str, str] = {}
    for pair in pairs:
        role, sign, name = (part.strip() for part in pair.partition("="))
        if not (role and sign and name):
            raise CallError(
                f"--columns must be a role and a column's name. Got {pair!r} instead.",
                advice="For example: --columns time=t --columns x=acc_x",
            )
        if role in roles:
            raise CallError(
                f"--columns must name each role once. Got {role!r} twice.",
                advice="Leave one of them out.",
            )
        roles[role] = name
    return roles


def _say_warnings(car: Car) -> None:
    """Say what looks odd about the car's numbers; `vibecheck car show` says the rest."""
    from vibecheck.car.plausibility import car_warnings
    from vibecheck.cli.car_view import show_warnings

    odd = [finding for finding in car_warnings(car) if finding.weight != "note"]
    show_warnings(terminal.console(stderr=True), odd)


def _read_car(
    path: Path | None, spots: Sequence[str], data: Path | None, *, named_in_garage: bool
) -> Car | None:
    car: Car | None = None
    if path is not None and named_in_garage:
        with open_garage(data) as garage:
            car = garage.find_car(str(path)).car
    elif path is not None:
        from vibecheck.car.read import read_car

        car = read_car(path)
        _say_warnings(car)
    else:
        terminal.say(
            "No car file given: the speed is searched blind, no part can be named and no zone "
            "ranked. Make one with: vibecheck car new"
        )
    for spot in spots:
        check_spot(spot, car)
    return car


def _read_model(path: Path | None) -> LoosenessModel | None:
    if path is None:
        return None
    from vibecheck.model.store import load_model

    return load_model(path)
