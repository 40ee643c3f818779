"""Command line: ``vibecheck simulate``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibecheck.cli import terminal
from vibecheck.cli.json_out import print_json
from vibecheck.cli.texts import help_text
from vibecheck.errors import CallError

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.dataset.faults import Fault
    from vibecheck.dataset.simulated_set import WrittenTake
    from vibecheck.simulator.simulate import Sensor

SIMULATED = (
    "Simulated: equations of motion drawn around the car file. No real car was recorded, and none "
    "may be run with a loose fastener to get such a take."
)
HELP = help_text(
    "Make simulated takes of a car from its car file, a list of faults and a seed.",
    "Equations of motion, no real car: what a fastener or a condition of your choice might sound "
    "like on a car of that gearing. For trying the tools and for labelled data. It says nothing "
    "about the car in your hands. Never run a real car with a loose fastener.",
    "The folder gets the takes, their truth beside each (speed over time, phases, states), a copy "
    "of the car file, and a manifest.csv. Needs the simulator extra.",
    examples=[
        (
            "A snug car, and the same car with a wheel nut backed off by half a turn:",
            "vibecheck simulate saltflat8.toml --takes 3 --out snug\n"
            "vibecheck simulate saltflat8.toml --out loose \\\n"
            "    --loose wheel_rear_left=0.5 --seed 2",
        ),
        (
            "A pinion set screw that kept a third of its preload, heard at two spots:",
            "vibecheck simulate saltflat8.toml --loose gear_mesh=preload:0.3 \\\n"
            "    --spot centre --spot motor_mount",
        ),
        (
            "Odd and yet nothing loose:",
            "vibecheck simulate saltflat8.toml --odd worn_bearing --odd speech",
        ),
        (
            "A whole list, from a file:",
            "vibecheck simulate saltflat8.toml --faults faults.toml --out set",
        ),
        ("A car that is invented too:", "vibecheck simulate --invent 7 --out invented"),
    ],
    closing="The same car file, faults and seed give the same takes on the same machine.",
)


def simulate_command(
    car: Annotated[
        Path | None,
        typer.Argument(
            metavar="CAR.toml", help="The car file; or use --invent.", show_default=False
        ),
    ] = None,
    loose: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ZONE=STATE",
            help="A zone's loose fastener: turns backed off (0.5), or the share of preload that is "
            "left (preload:0.3). Behind it, @0.5: half of the zone's screws. Once a zone.",
        ),
    ] = None,
    mesh: Annotated[
        str | None,
        typer.Option(metavar="SETTING", help="The gear mesh set wrongly: tight or loose."),
    ] = None,
    odd: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KIND",
            help="Sounds odd with nothing loose: out_of_balance, worn_bearing, stone_in_wheel, "
            "rubbing_wire, second_car, second_motor, speech. Once a kind.",
        ),
    ] = None,
    unbalance: Annotated[
        list[str] | None,
        typer.Option(metavar="WHEEL=FACTOR", help="A factor on a wheel's unbalance. Once a wheel."),
    ] = None,
    faults: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="A fault list (.toml or .csv), one entry a bench check."),
    ] = None,
    spot: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ZONE", help="Where a phone or sensor sits: a zone, or centre. Once a spot."
        ),
    ] = None,
    sensor: Annotated[
        list[str] | None,
        typer.Option(
            metavar="SENSOR",
            help="microphone or accelerometer: once for all spots, or once a spot.",
        ),
    ] = None,
    takes: Annotated[
        int,
        typer.Option(
            metavar="COUNT", help="Spin-ups of each bench check, each with its own scatter."
        ),
    ] = 1,
    duration: Annotated[
        float | None,
        typer.Option(
            metavar="SECONDS", help="Length of the takes, 8 to 60; about 9 to 12 by default."
        ),
    ] = None,
    seed: Annotated[int, typer.Option(metavar="NUMBER", help="Of every draw.")] = 1,
    invent: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", help="Invent the car too, from this seed."),
    ] = None,
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the files; made where it is missing.")
    ] = Path("vibecheck-simulated"),
    force: Annotated[bool, typer.Option("--force", help="Replace files of these names.")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON for another program.")
    ] = False,
) -> None:
    """Run ``vibecheck simulate`` (the help text is `HELP`)."""
    from vibecheck.cli.progress import Steps
    from vibecheck.dataset.simulated_car import simulated_car
    from vibecheck.dataset.simulated_set import (
        plan_faults,
        refuse_overwriting,
        write_simulated_set,
    )
    from vibecheck.report.files import check_folder

    _check_numbers(takes, duration, seed, invent)
    wanted = _faults(faults, loose or [], mesh, odd or [], unbalance or [], takes)
    spots = _spots(spot or [], sensor or [])
    folder = check_folder(out, "--out")
    owned, car_name, car_text = _car(car, invent)
    made = simulated_car(owned)
    checks = plan_faults(made, wanted, spots, seed, duration)
    is_there = car is not None and _same(car, folder / car_name)
    if not force:
        refuse_overwriting(folder, checks, [] if is_there else [car_name], "--out")
    _need_extras(spots)
    with Steps(len(checks)) as steps:
        text = None if is_there else car_text
        written = write_simulated_set(folder, made, car_name, text, checks, steps)
    if as_json:
        plain = _plain(folder, folder / car_name, made.name, written)
        print_json(plain)
    else:
        _print(folder, folder / car_name, written)


def _check_numbers(takes: int, duration: float | None, seed: int, invent: int | None) -> None:
    from vibecheck.dataset.faults import MOST_TAKES

    if not 1 <= takes <= MOST_TAKES:
        raise CallError(f"--takes must be from 1 to {MOST_TAKES}. Got {takes} instead.")
    if duration is not None and not 8.0 <= duration <= 60.0:
        raise CallError(f"--duration must be from 8 to 60. Got {duration:g} instead.")
    for option, value in (("--seed", seed), ("--invent", invent)):
        if value is not None and not 0 <= value < 2**31:
            raise CallError(f"{option} must be from 0 to {2**31 - 1}. Got {value} instead.")


def _faults(
    file: Path | None,
    loose: Sequence[str],
    mesh: str | None,
    odd: Sequence[str],
    unbalance: Sequence[str],
    takes: int,
) -> Sequence[Fault]:
    from vibecheck.dataset.faults import make_fault, read_faults

    if file is None:
        return [make_fault(loose=loose, mesh=mesh or "", odd=odd, unbalance=unbalance, takes=takes)]
    for option, value in (
        ("--loose", loose), ("--mesh", mesh), ("--odd", odd), ("--unbalance", unbalance)
    ):  # fmt: skip
        if value:
            raise CallError(
                f"{option} cannot be given with --faults: the file says what is wrong.",
                advice="Write it into the file, or leave --faults out.",
            )
    if takes != 1:
        raise CallError(
            "--takes cannot be given with --faults.",
            advice="Write takes into the entries of the file.",
        )
    return read_faults(file)


def _spots(spots: Sequence[str], sensors: Sequence[str]) -> list[tuple[Sensor, str]]:
    """Pair spots and sensors: one sensor is for all spots, else one each."""
    from vibecheck.car.zones import CENTRE_SPOT
    from vibecheck.errors import did_you_mean
    from vibecheck.simulator import ZONES

    places = list(spots) or [CENTRE_SPOT] * max(1, len(sensors))
    words = list(sensors) or ["microphone"]
    if len(words) == 1:
        words *= len(places)
    if len(words) != len(places):
        raise CallError(
            f"--sensor must be given once for all, or once for each spot ({len(places)}). "
            f"Got {len(words)} instead.",
            advice="Give --sensor in the same order as --spot.",
        )
    known = [CENTRE_SPOT, *ZONES]
    pairs: list[tuple[Sensor, str]] = []
    for word, place in zip(words, places, strict=True):
        if place not in known:
            raise CallError(
                f'A spot must be a zone, or centre. Got "{place}" instead.'
                + did_you_mean(place, known),
                where="--spot",
                advice=f"Known: {', '.join(known)}.",
            )
        kind: Sensor
        if word == "microphone":
            kind = "microphone"
        elif word == "accelerometer":
            kind = "accelerometer"
        else:
            raise CallError(
                f'--sensor must be microphone or accelerometer. Got "{word}" instead.'
                + did_you_mean(word, ["microphone", "accelerometer"])
            )
        if (kind, place) in pairs:
            raise CallError(
                f"The {kind} at {place} is given twice.", advice="Give each sensor and spot once."
            )
        pairs.append((kind, place))
    return pairs


def _car(file: Path | None, invent: int | None) -> tuple[Car, str, str]:
    """Return the car, its file's name and its file's text."""
    from vibecheck.car.read import parse_car, read_car

    if (file is None) == (invent is None):
        raise CallError(
            "Give a car file or --invent."
            if file is None
            else "A car file and --invent were given: which car is meant?",
            advice="For example: vibecheck simulate saltflat8.toml",
        )
    if file is not None:
        car = read_car(file)
        return car, file.name, file.read_text(encoding="utf-8-sig")
    from vibecheck.dataset.simulated_set import file_slug
    from vibecheck.simulator import draw_car, profile_toml

    assert invent is not None
    text = profile_toml(draw_car(invent))
    car = parse_car(text)
    return car, f"{file_slug(car.name)}.toml", text


def _same(one: Path, other: Path) -> bool:
    return other.exists() and one.samefile(other)


def _need_extras(spots: Sequence[tuple[Sensor, str]]) -> None:
    """Refuse early, before minutes of work, what an absent extra would make impossible."""
    from importlib.util import find_spec

    from vibecheck.errors import MissingExtraError

    if find_spec("numba") is None:
        raise MissingExtraError("The simulator", "simulator")
    if any(kind == "accelerometer" for kind, _ in spots) and find_spec("pyarrow") is None:
        raise MissingExtraError("Writing an accelerometer's table", "formats")


def _next_call(car_file: Path, written: Sequence[WrittenTake]) -> list[str]:
    """Return the check of the last bench check's takes, against the baseline where there is one."""
    last = [take.row for take in written if take.row.check == written[-1].row.check]
    snug = [
        take.row
        for take in written
        if take.row.kind == "baseline" and take.row.check != last[0].check
    ]
    words = ["vibecheck", "check", *(str(row.file) for row in last), "--car", str(car_file)]
    if {row.spot for row in last} != {"centre"}:
        for row in last:
            words += ["--spot", row.spot]
    for row in snug[: 3 * len(last)]:
        words += ["--baseline", str(row.file)]
    if {row.spot for row in snug} - {"centre"}:
        for row in snug[: 3 * len(last)]:
            words += ["--baseline-spot", row.spot]
    return words


def _print(folder: Path, car_file: Path, written: Sequence[WrittenTake]) -> None:
    import shlex

    out = terminal.console()
    out.print(SIMULATED)
    out.print()
    for take in written:
        row = take.row
        what = ", ".join(
            f"{zone} {f'{state[1]:g} turns' if state[1] else f'preload {state[0]:g}'}"
            for zone, state in row.state.items()
            if state is not None and (state[1] > 0.0 or state[0] != 1.0)
        )
        odd = row.other["disturbance"]
        rest = "; ".join(part for part in (what, odd) if part)
        out.print(f"{row.file}  {row.kind}" + (f": {rest}" if rest else ""), soft_wrap=True)
    out.print()
    out.print(f"Truth beside each take: {written[0].truth}", soft_wrap=True)
    out.print(f"Manifest: {folder / 'manifest.csv'}", soft_wrap=True)
    out.print(f"Car file: {car_file}", soft_wrap=True)
    out.print(f"Next: {shlex.join(_next_call(car_file, written))}", soft_wrap=True)


def _plain(
    folder: Path, car_file: Path, car_name: str, written: Sequence[WrittenTake]
) -> dict[str, Any]:
    return {
        "schema": "vibecheck.simulated/1",
        "origin": "simulated",
        "note": SIMULATED,
        "car": car_name,
        "car_file": str(car_file),
        "manifest": str(folder / "manifest.csv"),
        "takes": [
            {
                "file": str(take.row.file),
                "truth": str(take.truth),
                "sha256": take.row.sha256,
                "bench_check": take.row.check,
                "kind": take.row.kind,
                "sensor": take.row.sensor,
                "spot": take.row.spot,
                "seed": take.row.seed,
                "loose_zones": list(take.row.loose_zones),
                "disturbance": take.row.other["disturbance"].split(),
            }
            for take in written
        ],
        "next": _next_call(car_file, written),
    }
