"""Stage 0: a TOML file → ``Car``. Strict: what it does not know, it refuses by name."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

from vibecheck.car.drivetrain import derive_orders
from vibecheck.car.fields import (
    BEARING_FIELDS,
    COUNT_FIELD,
    DRIVETRAIN_FIELDS,
    EFFORT_FIELD,
    RATIO_FIELD,
    SEVERITY_FIELD,
)
from vibecheck.car.profile import Bearing, Car, Drivetrain, Layout, Order, OrderKind
from vibecheck.car.strict_table import StrictTable
from vibecheck.car.threads import parse_thread
from vibecheck.car.zones import (
    CENTRE_SPOT,
    Fastener,
    Into,
    Locking,
    Zone,
    default_zones,
    merge_zones,
)
from vibecheck.errors import InputError

MAX_FILE_BYTES = 1_000_000
MAX_HOW_TO_LENGTH = 600


def read_car(path: str | Path) -> Car:
    """Read a car file.

    Parameters
    ----------
    path : str or Path
        A TOML file as described in ``docs/car-file.md``.

    Returns
    -------
    Car
        With its orders worked out and the default zones of its layout filled in.

    Raises
    ------
    InputError
        If the file cannot be read, is not TOML, holds a key that is not known, lacks one that is
        needed, or a value breaks its rule. The message names the file and the key.
    """
    path = Path(path)
    where = str(path)
    try:
        with path.open("rb") as handle:
            raw = handle.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        raise InputError(
            "There is no such file.",
            where=where,
            advice="Check the name, or make a car file with: vibecheck car new",
        ) from None
    except IsADirectoryError:
        raise InputError(
            "This is a folder, not a car file.",
            where=where,
            advice="Give the name of the .toml file in it.",
        ) from None
    except PermissionError:
        # Some systems answer "no permission" for a folder.
        what = "This is a folder, not a car file." if path.is_dir() else "Reading is not permitted."
        raise InputError(what, where=where, advice="Give a .toml file that you may read.") from None
    except (OSError, ValueError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else str(problem)
        raise InputError(
            f"The file cannot be read ({reason}).", where=where, advice="Check the name."
        ) from None
    if len(raw) > MAX_FILE_BYTES:
        raise InputError(
            "This is far too long for a car file, which is a page or two of text.",
            where=where,
            advice="Give the car's .toml file.",
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw[: problem.start].count(b"\n") + 1
        raise InputError(
            f"This is not UTF-8 text (line {line}).",
            where=where,
            advice="Save it as UTF-8 in your editor, or give the car's .toml file.",
        ) from None
    return replace(parse_car(text, where=where), file=path.name)


def parse_car(text: str, *, where: str = "car file") -> Car:
    """Read a car from the text of a car file; ``where`` names it in messages.

    Raises
    ------
    InputError
        As for `read_car`.
    """
    try:
        parsed = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise InputError(
            f"This is not valid TOML: {_in_words(str(problem))}.",
            where=where,
            advice="Look at that line: text needs \"quotes\", and each key one '='.",
        ) from None
    except (ValueError, RecursionError):
        raise InputError(
            "This is not valid TOML: a number is too long, or brackets are nested too deep.",
            where=where,
            advice="Start again from a file made with: vibecheck car new",
        ) from None
    return _car(StrictTable(parsed, file=where, kind="", path=""))


def _in_words(problem: str) -> str:
    # tomllib says "… (at line 3, column 5)" or "… (at end of document)".
    match = re.fullmatch(r"(.*) \(at (.*)\)", problem, flags=re.DOTALL)
    if match is None:
        return problem
    what, place = match[1], match[2]
    return f"{what[0].lower()}{what[1:]}, {place}"


def _car(top: StrictTable) -> Car:
    name = top.text("name")
    section = top.section("drivetrain")
    orders = tuple(_order(table) for table in top.sections("orders"))
    if section is None and not orders:
        raise InputError(
            "There is neither a [drivetrain] nor an [[orders]] list.",
            where=top.where(),
            advice="Add a [drivetrain] with motor_poles, kv_rpm_per_v, cells, pinion_teeth, "
            "spur_teeth, internal_ratio and tyre_diameter_mm, or start with: vibecheck car new",
        )
    # A bare machine may leave the layout away; it then has no default zones.
    layout = None
    if section is not None or top.has("layout"):
        layout = cast(Layout, top.choice("layout"))
    shaft = _reference_shaft(top, has_drivetrain=section is not None)
    drivetrain = None if section is None else _drivetrain(section)
    bearings = tuple(_bearing(table) for table in top.sections("bearings"))
    if drivetrain is None and bearings:
        raise InputError(
            "bearings need a [drivetrain], which gives the speed of their shaft.",
            where=top.where("bearings"),
            advice="For a bare machine, write the rates of the bearing as [[orders]].",
        )
    derived = () if drivetrain is None else derive_orders(drivetrain, bearings)
    _refuse_order_clashes(top, derived, orders, shaft)
    own = _zones(top, layout)
    defaults = default_zones(layout) if top.switch("default_zones", True) else ()
    return Car(
        name=name,
        layout=layout,
        drivetrain=drivetrain,
        orders=(*derived, *orders),
        zones=merge_zones(defaults, own),
        bearings=bearings,
        shaft=shaft,
    )


def _reference_shaft(top: StrictTable, *, has_drivetrain: bool) -> str:
    if not top.has("shaft"):
        return "motor" if has_drivetrain else "reference"
    shaft = top.snake_name("shaft")
    if has_drivetrain and shaft != "motor":
        raise InputError(
            f'shaft must be "motor" where there is a [drivetrain]. Got "{shaft}" instead.',
            where=top.where("shaft"),
            advice="Leave it away.",
        )
    return shaft


def _drivetrain(table: StrictTable) -> Drivetrain:
    values: dict[str, Any] = {field.key: table.number(field) for field in DRIVETRAIN_FIELDS}
    return Drivetrain(**values)


def _bearing(table: StrictTable) -> Bearing:
    shaft = table.choice("shaft")
    values: dict[str, Any] = {field.key: table.number(field) for field in BEARING_FIELDS}
    bearing = Bearing(cast(Any, shaft), **values)
    # n balls of diameter d fit on a circle of diameter D while d ≤ D sin(π / n).
    largest = bearing.pitch_mm * math.sin(math.pi / bearing.balls)
    if bearing.ball_mm > largest * 1.0001:
        raise InputError(
            f"{bearing.balls} balls of {bearing.ball_mm:g} mm do not fit on a circle of "
            f"{bearing.pitch_mm:g} mm; at most {largest:.3g} mm each would.",
            where=table.where("ball_mm"),
            advice="pitch_mm is the circle through the ball centres: about the mean of the "
            "bearing's bore and outside diameter.",
        )
    return bearing


def _order(table: StrictTable) -> Order:
    name = table.text("name")
    ratio = table.number(RATIO_FIELD)
    assert ratio is not None
    return Order(name, float(ratio), cast(OrderKind, table.choice("kind", "other")))


def _refuse_order_clashes(
    top: StrictTable, derived: tuple[Order, ...], orders: tuple[Order, ...], shaft: str
) -> None:
    taken = {order.name for order in derived}
    for order in orders:
        where = top.where(f"orders[{order.name}].name")
        if order.name in {other.name for other in derived}:
            raise InputError(
                f'The order "{order.name}" comes from [drivetrain] and [[bearings]] already.',
                where=where,
                advice="Leave it away, or give it another name.",
            )
        if order.name in taken:
            raise InputError(
                f'There are two orders named "{order.name}".',
                where=where,
                advice="Give each its own name.",
            )
        if order.name == shaft and order.ratio != 1.0:
            raise InputError(
                f'"{shaft}" is the reference shaft, so its ratio must be 1. '
                f"Got {order.ratio:g} instead.",
                where=top.where(f"orders[{order.name}].ratio"),
                advice="Write ratio = 1, or name another reference shaft with shaft = … at the "
                "top of the file.",
            )
        taken.add(order.name)


def _zones(top: StrictTable, layout: str | None) -> tuple[Zone, ...]:
    defaults = {zone.name: zone for zone in default_zones(layout)}
    zones: dict[str, Zone] = {}
    for table in top.sections("zones"):
        name = table.snake_name()
        if name == CENTRE_SPOT:
            raise InputError(
                f'A zone cannot be named "{CENTRE_SPOT}": that is where a sensor sits.',
                where=table.where("name"),
                advice="Choose another name.",
            )
        if name in zones:
            raise InputError(
                f'There are two zones named "{name}".',
                where=table.where("name"),
                advice="Put all its fasteners under one [[zones]].",
            )
        zones[name] = _zone(table, defaults.get(name, Zone(name)))
    return tuple(zones.values())


def _zone(table: StrictTable, default: Zone) -> Zone:
    """Lay the keys of one ``[[zones]]`` over the default zone of that name."""
    changes: dict[str, Any] = {}
    for field in (SEVERITY_FIELD, EFFORT_FIELD):
        if table.has(field.key):
            changes[field.key] = table.number(field)
    # Empty text is how a zone says that it has no instructions.
    if table.has("how_to_check"):
        changes["how_to_check"] = (
            ""
            if table.table["how_to_check"] == ""
            else table.text("how_to_check", max_length=MAX_HOW_TO_LENGTH)
        )
    if table.has("fasteners"):
        fasteners: dict[str, Fastener] = {}
        for row in table.sections("fasteners", "zones.fasteners"):
            fastener = _fastener(row)
            if fastener.name in fasteners:
                raise InputError(
                    f'There are two fasteners named "{fastener.name}" in this zone.',
                    where=row.where("name"),
                    advice="Give each its own name, or write one with a higher count.",
                )
            fasteners[fastener.name] = fastener
        changes["fasteners"] = tuple(fasteners.values())
    return replace(default, **changes)


def _fastener(table: StrictTable) -> Fastener:
    thread = table.text("thread") if table.has("thread") else Fastener.thread
    parse_thread(thread, where=table.where("thread"))
    count = table.number(COUNT_FIELD)
    assert count is not None
    return Fastener(
        name=table.text("name"),
        thread=thread,
        count=int(count),
        locking=cast(Locking, table.choice("locking", "none")),
        into=cast(Into, table.choice("into", "steel")),
    )
