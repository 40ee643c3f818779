"""``vibecheck car``: make a car file, show what it means, plan the bench spin-up."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer

from vibecheck.car.fields import DRIVETRAIN_FIELDS, NumberField
from vibecheck.cli import car_garage, car_gear
from vibecheck.cli.json_out import print_json
from vibecheck.cli.texts import help_text, markup_mode

T = TypeVar("T")

CAR_HELP = "Make a car file, show its orders and gearing, plan the bench spin-up."
NEW_HELP = help_text(
    "Make a car file, from flags or, in a terminal, by question.",
    "Every zone comes with the usual fasteners of the layout: correct them in the file afterwards.",
    examples=[
        ("In a terminal, with questions for all that is missing:", "vibecheck car new"),
        (
            "Without questions:",
            'vibecheck car new saltflat8.toml --name "Saltflat 8" --layout 4wd \\\n'
            "    --motor-poles 4 --kv-rpm-per-v 2650 --cells 6 \\\n"
            "    --pinion-teeth 26 --spur-teeth 46 --internal-ratio 2.85 \\\n"
            "    --tyre-diameter-mm 104 --bench-max-wheel-rpm 4000",
        ),
    ],
)
SHOW_HELP = help_text(
    "Show a car's orders, gearing, speeds, zones and fasteners.",
    examples=[
        ("", "vibecheck car show saltflat8.toml"),
        ("", "vibecheck car show saltflat8.toml --json > saltflat8.json"),
    ],
)
PLAN_HELP = help_text(
    "Plan a bench spin-up: speeds to hold, take length, throttle script, places for the sensor, "
    "and the cautions where they are due.",
    examples=[
        ("With the phone's microphone:", "vibecheck car plan saltflat8.toml"),
        (
            "With an accelerometer of 3200 samples a second:",
            "vibecheck car plan saltflat8.toml --sensor accelerometer \\\n    --sample-rate 3200",
        ),
        (
            "For a bare machine, where mains hum is 50 Hz:",
            "vibecheck car plan rotor.toml --max-rpm 5000 --mains 50",
        ),
    ],
)

car_app = typer.Typer(
    name="car", help=CAR_HELP, no_args_is_help=True, rich_markup_mode=markup_mode()
)

CarFile = Annotated[Path, typer.Argument(metavar="CAR.toml", help="The car file.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]


def _number_option(key: str) -> Any:
    """Return the option of one number; its own rule reads and refuses what is typed."""
    field = next(field for field in DRIVETRAIN_FIELDS if field.key == key)
    words = f"{field.meaning[0].upper()}{field.meaning[1:]}."
    return typer.Option(
        metavar="COUNT" if field.whole else "NUMBER",
        help=words if field.required else f"{words} Optional.",
    )


def _flag(key: str) -> str:
    return "--" + key.replace("_", "-")


@car_app.command("new", help=NEW_HELP)
def new(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="CAR.toml", help="Where to write it; by default after the car's name."
        ),
    ] = None,
    name: Annotated[str | None, typer.Option(help="What you call the car.")] = None,
    layout: Annotated[
        str | None, typer.Option(help="Which wheels are driven: 4wd, rwd or fwd.")
    ] = None,
    motor_poles: Annotated[str | None, _number_option("motor_poles")] = None,
    kv_rpm_per_v: Annotated[str | None, _number_option("kv_rpm_per_v")] = None,
    cells: Annotated[str | None, _number_option("cells")] = None,
    pinion_teeth: Annotated[str | None, _number_option("pinion_teeth")] = None,
    spur_teeth: Annotated[str | None, _number_option("spur_teeth")] = None,
    internal_ratio: Annotated[str | None, _number_option("internal_ratio")] = None,
    tyre_diameter_mm: Annotated[str | None, _number_option("tyre_diameter_mm")] = None,
    wheel_max_rpm: Annotated[str | None, _number_option("wheel_max_rpm")] = None,
    bench_max_wheel_rpm: Annotated[str | None, _number_option("bench_max_wheel_rpm")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file of that name.")] = False,
) -> None:
    """Run ``vibecheck car new`` (the help text is `NEW_HELP`)."""
    from vibecheck.car.plausibility import car_warnings
    from vibecheck.car.write import write_car
    from vibecheck.cli import terminal
    from vibecheck.cli.car_view import show_warnings
    from vibecheck.report.car_words import file_name

    given: dict[str, Any] = {
        "name": name,
        "layout": layout,
        "motor_poles": motor_poles,
        "kv_rpm_per_v": kv_rpm_per_v,
        "cells": cells,
        "pinion_teeth": pinion_teeth,
        "spur_teeth": spur_teeth,
        "internal_ratio": internal_ratio,
        "tyre_diameter_mm": tyre_diameter_mm,
        "wheel_max_rpm": wheel_max_rpm,
        "bench_max_wheel_rpm": bench_max_wheel_rpm,
    }
    values = _complete(given)
    car = _make_car(values)
    path = file if file is not None else Path(file_name(car.name))
    write_car(car, path, overwrite=force)
    typer.echo(path)
    show_warnings(terminal.console(stderr=True), car_warnings(car))
    terminal.say(
        "Next: correct the fasteners in the file against the vehicle's manual, then run:\n"
        f"  vibecheck car plan {path}"
    )


@car_app.command("show", help=SHOW_HELP)
def show(car_file: CarFile, as_json: AsJson = False) -> None:
    """Run ``vibecheck car show`` (the help text is `SHOW_HELP`)."""
    from vibecheck.car.plausibility import car_warnings
    from vibecheck.car.read import read_car
    from vibecheck.cli import terminal
    from vibecheck.cli.car_view import show_car, show_warnings

    car = read_car(car_file)
    if as_json:
        from vibecheck.car.plain import car_to_dict

        print_json(car_to_dict(car))
    else:
        show_car(terminal.console(), car)
    show_warnings(terminal.console(stderr=True), car_warnings(car))


@car_app.command("plan", help=PLAN_HELP)
def plan(
    car_file: CarFile,
    sensor: Annotated[
        str, typer.Option(help="What records: microphone or accelerometer.")
    ] = "microphone",
    sample_rate: Annotated[
        float | None,
        typer.Option(
            metavar="HZ",
            help="The sensor's samples per second; by default what phones usually give.",
        ),
    ] = None,
    resolution: Annotated[
        float,
        typer.Option(
            metavar="ORDERS",
            help="Wanted line width in orders of the slowest shaft; finer needs longer holds.",
        ),
    ] = 0.02,
    holds: Annotated[int, typer.Option(help="How many speeds to hold, 1 to 4.")] = 2,
    mains: Annotated[
        float | None,
        typer.Option(
            metavar="HZ",
            help="Mains frequency to keep clear of, 50 or 60; by default both with a microphone.",
        ),
    ] = None,
    max_rpm: Annotated[
        float | None,
        typer.Option(
            metavar="RPM",
            help="A lower cap on the motor for this plan; a bare machine needs one.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Run ``vibecheck car plan`` (the help text is `PLAN_HELP`)."""
    from vibecheck.car.plan import bench_plan
    from vibecheck.car.plausibility import car_warnings
    from vibecheck.car.read import read_car
    from vibecheck.cli import terminal
    from vibecheck.cli.car_view import show_plan, show_warnings

    car = read_car(car_file)
    made = bench_plan(
        car,
        sensor,
        order_resolution=resolution,
        sample_rate_hz=sample_rate,
        n_holds=holds,
        mains_hz=mains,
        max_rpm=max_rpm,
    )
    show_warnings(terminal.console(stderr=True), car_warnings(car))
    if as_json:
        from vibecheck.car.plain import plan_to_dict

        print_json(plan_to_dict(made))
    else:
        show_plan(terminal.console(), made)


car_app.command("gear", help=car_gear.HELP)(car_gear.gear_command)
car_app.command("list", help=car_garage.LIST_HELP)(car_garage.list_command)
car_app.command("rename", help=car_garage.RENAME_HELP)(car_garage.rename_command)
car_app.command("hide", help=car_garage.HIDE_HELP)(car_garage.hide_command)


def _can_ask() -> bool:
    """Questions need someone at a terminal who can read and answer them."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _complete(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check what the flags gave; ask for the rest in a terminal, or name the missing flags."""
    from vibecheck.errors import CallError, InputError

    values: dict[str, Any] = {}
    rules = _rules()
    for key, value in given.items():
        if value is None:
            continue
        try:
            values[key] = rules[key](value)
        except InputError as problem:
            raise CallError(problem.what, where=_flag(key), advice=problem.advice) from None
    optional = {field.key for field in DRIVETRAIN_FIELDS if not field.required}
    missing = [key for key in given if key not in values and key not in optional]
    if not missing:
        return values
    if not _can_ask():
        raise CallError(
            f"These flags are missing: {', '.join(_flag(key) for key in missing)}.",
            advice="Give them, or run vibecheck car new in a terminal to be asked.",
        )
    typer.echo(
        "Press Enter to take the value in [brackets]; Ctrl-C leaves nothing behind.", err=True
    )
    for key in given:
        if key not in values:
            answer = _ask_for(key, optional=key in optional)
            if answer is not None:
                values[key] = answer
    return values


def _rules() -> dict[str, Callable[[Any], Any]]:
    from vibecheck.car.strict_table import check_choice, check_text

    rules: dict[str, Callable[[Any], Any]] = {
        "name": lambda value: check_text("name", value),
        "layout": lambda value: check_choice("layout", value),
    }
    for field in DRIVETRAIN_FIELDS:
        rules[field.key] = _reader_of(field)
    return rules


def _reader_of(field: NumberField) -> Callable[[str], float | int]:
    return lambda text: field.check(_number(text))


def _ask_for(key: str, *, optional: bool) -> Any:

    rule = _rules()[key]
    if key == "name":
        return _ask("What do you call the car", "", rule)
    if key == "layout":
        return _ask("Which wheels are driven (4wd, rwd, fwd)", "4wd", rule)
    field = next(field for field in DRIVETRAIN_FIELDS if field.key == key)
    question = f"{key}: {field.meaning}"
    if optional:
        return _ask(f"{question} (optional)", "", rule, optional=True)
    return _ask(question, field.suggestion, rule)


def _ask(
    question: str, default: str, convert: Callable[[str], T], *, optional: bool = False
) -> T | None:
    """Ask until the answer keeps the rule; say at once which rule it broke."""
    from vibecheck.errors import InputError

    while True:
        answer = typer.prompt(question, default=default, show_default=bool(default), err=True)
        answer = answer.strip()
        if not answer and optional:
            return None
        try:
            return convert(answer)
        except InputError as problem:
            typer.echo(f"  {problem}", err=True)


def _number(text: str) -> float | int | str:
    """A typed number, with a decimal point or comma; text stays text for the rule to refuse."""
    plain = text.replace(",", ".")
    for kind in (int, float):
        try:
            return kind(plain)
        except ValueError:
            continue
    return text


def _make_car(values: Mapping[str, Any]) -> Any:
    from vibecheck.car.profile import Drivetrain
    from vibecheck.car.usual import usual_car

    numbers = {key: value for key, value in values.items() if key not in ("name", "layout")}
    return usual_car(values["name"], values["layout"], Drivetrain(**numbers))
