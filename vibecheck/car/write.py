"""``Car`` → a commented TOML file that reads back as the same car."""

from __future__ import annotations

import os
from pathlib import Path

from vibecheck.car.drivetrain import derive_orders
from vibecheck.car.fields import BEARING_FIELDS, DRIVETRAIN_FIELDS, NumberField
from vibecheck.car.profile import Car
from vibecheck.car.read import parse_car
from vibecheck.car.zones import Zone, default_zones, merge_zones
from vibecheck.errors import InputError
from vibecheck.whole_file import temporary_name, unfinished

_ESCAPES = {
    '"': '\\"',
    "\\": "\\\\",
    "\b": "\\b",
    "\t": "\\t",
    "\n": "\\n",
    "\f": "\\f",
    "\r": "\\r",
}


def car_to_toml(car: Car, *, all_zones: bool = True) -> str:
    """Return a car as the commented text of a car file.

    Parameters
    ----------
    car : Car
    all_zones : bool
        Write the default zones of the layout too, so that their fasteners can be corrected.
        ``False`` writes only what differs from the defaults.

    Raises
    ------
    InputError
        If the car could not be read back: a value breaks a rule of the car file.
    """
    lines = [
        "# Car file of vibecheck. Counts and ratios decide which tones belong to which part;",
        "# the vehicle's manual comes first wherever it says otherwise.",
        f"name = {_quote(car.name)}",
    ]
    if car.layout is not None:
        lines.append(f"layout = {_quote(car.layout)}  # 4wd, rwd or fwd")
    if car.drivetrain is None:
        lines.append(f"shaft = {_quote(car.shaft)}  # the shaft whose turns the orders count")
    _check_numbers(car)
    zones, needs_switch = _zones_to_write(car, all_zones)
    if needs_switch:
        lines.append("default_zones = false  # only the zones of this file")
    if car.drivetrain is not None:
        lines += ["", "[drivetrain]", *_numbers(car.drivetrain, DRIVETRAIN_FIELDS)]
    for bearing in car.bearings:
        lines += ["", "[[bearings]]", f"shaft = {_quote(bearing.shaft)}"]
        lines += _numbers(bearing, BEARING_FIELDS)
    derived = () if car.drivetrain is None else derive_orders(car.drivetrain, car.bearings)
    for order in car.orders[len(derived) :]:
        lines += ["", "[[orders]]", f"name = {_quote(order.name)}"]
        lines.append(f"ratio = {_number(order.ratio)}  # events per turn of the {car.shaft} shaft")
        if order.kind != "other":
            lines.append(f"kind = {_quote(order.kind)}")
    if zones:
        lines += [
            "",
            "# What a hand check touches.",
            "# severity: 1 a nuisance, 2 a broken run, 3 a part that leaves the car at speed.",
            "# check_effort: 1 a finger, 2 a tool, 3 parts come off first.",
        ]
        if all_zones:
            lines.append("# Threads and counts start as guesses: correct them for your car.")
    usual = {zone.name: zone.how_to_check for zone in default_zones(car.layout)}
    for zone in zones:
        lines += _zone(zone, usual.get(zone.name, ""))
    text = "\n".join(lines) + "\n"
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise InputError(
            "The car cannot be written: a name holds a character that is not valid text.",
            where=repr(car.name),
            advice="Type the name anew.",
        ) from None
    try:
        same = parse_car(text, where=car.file or car.name) == car
    except InputError as problem:
        raise _cannot(problem) from None
    if not same:
        raise InputError(
            "The car cannot be written as a car file: its orders are not those of its drivetrain "
            "and bearings.",
            where=car.file or car.name,
            advice="Make its orders with derive_orders, and add others after them.",
        )
    return text


def write_car(
    car: Car, path: str | Path, *, overwrite: bool = False, all_zones: bool = True
) -> Path:
    """Write a car file in one step: either the whole file is there, or nothing has changed.

    Parameters
    ----------
    car : Car
    path : str or Path
        Where to write; its folder must exist.
    overwrite : bool
        Replace a file that is already there.
    all_zones : bool
        As for `car_to_toml`.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If the car cannot be written, the file exists and ``overwrite`` is not set, or the folder is
        missing or not writable.
    """
    path = Path(path)
    text = car_to_toml(car, all_zones=all_zones)
    try:
        return _replace_file(path, text, overwrite=overwrite)
    except FileExistsError:
        raise InputError(
            "There is a file of that name already.",
            where=str(path),
            advice="Choose another name, or replace it (--force; overwrite=True in Python).",
        ) from None
    except IsADirectoryError:
        raise InputError(
            "This is a folder.", where=str(path), advice="Give a file name such as mycar.toml."
        ) from None
    except (FileNotFoundError, NotADirectoryError):
        raise InputError(
            "There is no such folder.", where=str(path.parent), advice="Make the folder first."
        ) from None
    except PermissionError:
        raise InputError(
            "Writing is not permitted here.", where=str(path), advice="Choose another folder."
        ) from None
    except (OSError, ValueError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else str(problem)
        raise InputError(
            f"The file cannot be written ({reason}).",
            where=str(path),
            advice="Choose another, or free some space.",
        ) from None


def _replace_file(path: Path, text: str, *, overwrite: bool) -> Path:
    if path.is_dir():
        raise IsADirectoryError
    if path.exists() and not overwrite:
        raise FileExistsError
    mode = path.stat().st_mode & 0o777 if path.exists() else None
    with unfinished(temporary_name(path)) as partial:
        with partial.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        if mode is not None:
            partial.chmod(mode)
        if overwrite:
            os.replace(partial, path)
        else:
            # A link fails where the name was taken meanwhile; a rename would overwrite it.
            try:
                os.link(partial, path)
            except FileExistsError:
                raise
            except OSError:  # a file system without links
                os.replace(partial, path)
    return path


def _check_numbers(car: Car) -> None:
    """Refuse numbers that no car file may hold, before anything is worked out from them."""
    parts: list[tuple[object, tuple[NumberField, ...]]] = [
        (bearing, BEARING_FIELDS) for bearing in car.bearings
    ]
    if car.drivetrain is not None:
        parts.append((car.drivetrain, DRIVETRAIN_FIELDS))
    for part, fields in parts:
        for field in fields:
            value = getattr(part, field.key)
            if value is None and not field.required:
                continue
            try:
                field.check(value, where=car.file or car.name)
            except InputError as problem:
                raise _cannot(problem) from None


def _cannot(problem: InputError) -> InputError:
    return InputError(
        f"The car cannot be written as a car file: {problem.what}",
        where=problem.where,
        advice=problem.advice,
    )


def _zones_to_write(car: Car, all_zones: bool) -> tuple[tuple[Zone, ...], bool]:
    """Return the zones to write, and whether the defaults must be switched off."""
    defaults = default_zones(car.layout)
    if merge_zones(defaults, car.zones) != car.zones:
        return car.zones, True
    if all_zones:
        return car.zones, False
    return tuple(zone for zone in car.zones if zone not in defaults), False


def _zone(zone: Zone, usual_how_to: str) -> list[str]:
    lines = [
        "",
        "[[zones]]",
        f"name = {_quote(zone.name)}",
        f"severity = {zone.severity}",
        f"check_effort = {zone.check_effort}",
    ]
    if zone.how_to_check != usual_how_to:  # the usual words need not stand in every file
        lines.append(f"how_to_check = {_quote(zone.how_to_check)}")
    if not zone.fasteners:
        lines.append("fasteners = []")
    for fastener in zone.fasteners:
        lines += [
            "[[zones.fasteners]]",
            f"name = {_quote(fastener.name)}",
            f"thread = {_quote(fastener.thread)}",
            f"count = {fastener.count}",
            f"locking = {_quote(fastener.locking)}",
            f"into = {_quote(fastener.into)}",
        ]
    return lines


def _numbers(value: object, fields: tuple[NumberField, ...]) -> list[str]:
    pairs = []
    for field in fields:
        number = getattr(value, field.key)
        if number is None:
            pairs.append((f"# {field.key} =", f"optional: {field.meaning}"))
        else:
            pairs.append((f"{field.key} = {_number(number)}", field.meaning))
    width = max(len(left) for left, _ in pairs)
    return [f"{left:<{width}}  # {right}" for left, right in pairs]


def _number(value: float) -> str:
    """Shortest text that reads back as the same number."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return str(int(value))
    return repr(value)


def _quote(text: str) -> str:
    out = []
    for char in text:
        if char in _ESCAPES:
            out.append(_ESCAPES[char])
        elif ord(char) < 0x20 or ord(char) == 0x7F:
            out.append(f"\\u{ord(char):04x}")
        else:
            out.append(char)
    return f'"{"".join(out)}"'
