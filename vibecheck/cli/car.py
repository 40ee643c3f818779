"""``vibecheck car``: make a car file, show what it means, plan the bench spin-up."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer

T = TypeVar("T")

car_app = typer.Typer(
    name="car",
    help="Make a car file, show its orders and gearing, plan the bench spin-up.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

_NEW_EPILOG = """Examples:

  vibecheck car new

  vibecheck car new saltflat8.toml --name "Saltflat 8" --layout 4wd --motor-poles 4
  --kv-rpm-per-v 2650 --cells 6 --pinion-teeth 26 --spur-teeth 46 --internal-ratio 2.85
  --tyre-diameter-mm 104 --bench-max-wheel-rpm 4000
"""
_SHOW_EPILOG = """Examples:

  vibecheck car show saltflat8.toml

  vibecheck car show saltflat8.toml --json > saltflat8.json
"""
_PLAN_EPILOG = """Examples:

  vibecheck car plan saltflat8.toml

  vibecheck car plan saltflat8.toml --sensor accelerometer --sample-rate 3200

  vibecheck car plan rotor.toml --max-rpm 5000 --mains 50
"""

CarFile = Annotated[Path, typer.Argument(metavar="CAR.toml", help="The car file.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]


def _field_help(key: str) -> str:
    from vibecheck.car.fields import DRIVETRAIN_FIELDS

    meaning = next(field.meaning for field in DRIVETRAIN_FIELDS if field.key == key)
    return f"{meaning[0].upper()}{meaning[1:]}."


def _flag(key: str) -> str:
    return "--" + key.replace("_", "-")


@car_app.command("new", epilog=_NEW_EPILOG)
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
    motor_poles: Annotated[int | None, typer.Option(help=_field_help("motor_poles"))] = None,
    kv_rpm_per_v: Annotated[float | None, typer.Option(help=_field_help("kv_rpm_per_v"))] = None,
    cells: Annotated[int | None, typer.Option(help=_field_help("cells"))] = None,
    pinion_teeth: Annotated[int | None, typer.Option(help=_field_help("pinion_teeth"))] = None,
    spur_teeth: Annotated[int | None, typer.Option(help=_field_help("spur_teeth"))] = None,
    internal_ratio: Annotated[
        float | None, typer.Option(help=_field_help("internal_ratio"))
    ] = None,
    tyre_diameter_mm: Annotated[
        float | None, typer.Option(help=_field_help("tyre_diameter_mm"))
    ] = None,
    wheel_max_rpm: Annotated[
        float | None, typer.Option(help=_field_help("wheel_max_rpm") + " Optional.")
    ] = None,
    bench_max_wheel_rpm: Annotated[
        float | None, typer.Option(help=_field_help("bench_max_wheel_rpm") + " Optional.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file of that name.")] = False,
) -> None:
    """Make a car file, from flags or, in a terminal, by question.

    Every zone comes with the usual fasteners of the layout: correct them in the file afterwards.
    """
    from rich.console import Console

    from vibecheck.car.plausibility import car_warnings
    from vibecheck.car.write import write_car
    from vibecheck.cli.car_view import show_warnings

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
    path = file if file is not None else Path(_file_name(car.name))
    write_car(car, path, overwrite=force)
    typer.echo(path)
    console = Console(stderr=True, highlight=False)
    show_warnings(console, car_warnings(car))
    console.print(
        "Next: correct the fasteners in the file against the vehicle's manual, then run "
        f"vibecheck car plan {path}",
        markup=False,
    )


@car_app.command("show", epilog=_SHOW_EPILOG)
def show(car_file: CarFile, as_json: AsJson = False) -> None:
    """Show a car's orders, gearing, speeds, zones and fasteners."""
    from rich.console import Console

    from vibecheck.car.plausibility import car_warnings
    from vibecheck.car.read import read_car
    from vibecheck.cli.car_view import show_car, show_warnings

    car = read_car(car_file)
    if as_json:
        from vibecheck.car.plain import car_to_dict

        _print_json(car_to_dict(car))
    else:
        show_car(Console(highlight=False), car)
    show_warnings(Console(stderr=True, highlight=False), car_warnings(car))


@car_app.command("plan", epilog=_PLAN_EPILOG)
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
    """Plan a bench spin-up: speeds to hold, take length, throttle script, places, cautions."""
    from rich.console import Console

    from vibecheck.car.plan import bench_plan
    from vibecheck.car.plausibility import car_warnings
    from vibecheck.car.read import read_car
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
    show_warnings(Console(stderr=True, highlight=False), car_warnings(car))
    if as_json:
        from vibecheck.car.plain import plan_to_dict

        _print_json(plan_to_dict(made))
    else:
        show_plan(Console(highlight=False), made)


def _print_json(value: Mapping[str, Any]) -> None:
    import json

    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def _can_ask() -> bool:
    """Questions need someone at a terminal who can read and answer them."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _complete(given: Mapping[str, Any]) -> dict[str, Any]:
    """Check what the flags gave; ask for the rest in a terminal, or name the missing flags."""
    from vibecheck.car.fields import DRIVETRAIN_FIELDS
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
    from vibecheck.car.fields import DRIVETRAIN_FIELDS
    from vibecheck.car.strict_table import check_choice, check_text

    rules: dict[str, Callable[[Any], Any]] = {
        "name": lambda value: check_text("name", value),
        "layout": lambda value: check_choice("layout", value),
    }
    rules.update({field.key: field.check for field in DRIVETRAIN_FIELDS})
    return rules


def _ask_for(key: str, *, optional: bool) -> Any:
    from vibecheck.car.fields import DRIVETRAIN_FIELDS

    rule = _rules()[key]
    if key == "name":
        return _ask("What do you call the car", "", rule)
    if key == "layout":
        return _ask("Which wheels are driven (4wd, rwd, fwd)", "4wd", rule)
    field = next(field for field in DRIVETRAIN_FIELDS if field.key == key)
    question = f"{key}: {field.meaning}"
    if optional:
        return _ask(f"{question} (optional)", "", lambda text: rule(_number(text)), optional=True)
    return _ask(question, field.suggestion, lambda text: rule(_number(text)))


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
    from vibecheck.car.drivetrain import derive_orders
    from vibecheck.car.profile import Car, Drivetrain
    from vibecheck.car.zones import default_zones

    numbers = {key: value for key, value in values.items() if key not in ("name", "layout")}
    drivetrain = Drivetrain(**numbers)
    layout = values["layout"]
    return Car(
        name=values["name"],
        layout=layout,
        drivetrain=drivetrain,
        orders=derive_orders(drivetrain),
        zones=default_zones(layout),
    )


def _file_name(name: str) -> str:
    import re

    stem = "-".join(re.findall(r"[a-z0-9]+", name.lower()))
    return f"{stem or 'car'}.toml"
