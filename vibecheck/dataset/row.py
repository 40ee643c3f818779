"""One row of a manifest: the value, and how it is made from the text of its cells."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from vibecheck.car.profile import Car
from vibecheck.car.read import read_car
from vibecheck.car.zones import CENTRE_SPOT, ZONE_NAMES
from vibecheck.dataset.columns import (
    COLUMNS,
    KINDS,
    LOOSE_PRELOAD,
    MOST_PRELOAD,
    MOST_TURNS,
    NEEDED,
    ORIGINS,
    PART_CHECKED,
    PRELOAD,
    SENSORS,
    TURNS,
)
from vibecheck.errors import InputError, did_you_mean

_HEX = frozenset("0123456789abcdef")
_OLD_MESH_KIND = "mesh_setting"

State = tuple[float, float]
"""Preload (share of the snug one) and turns backed off."""
SNUG: State = (1.0, 0.0)


@dataclass(frozen=True)
class ManifestRow:
    """One labelled take.

    Attributes
    ----------
    file, car_file : Path
    sha256, car, check, kind, sensor, spot : str
        See `vibecheck.dataset.columns.COLUMNS`; ``check`` is the column ``bench_check``.
    state : mapping of zone to (preload, turns) or None
        ``None`` where nobody looked: neither snug nor loose. Zones whose columns are absent are
        not in the data.
    origin : {"simulated", "own"}
    seed : int or None
    device, licence : str
    sample_rate_hz, duration_s : float or None
    other : mapping of str to str
        All other columns, as they were written.
    line : int
        Line in the manifest; 0 for a row that was not read from one.
    """

    file: Path
    car_file: Path
    sha256: str
    car: str
    check: str
    kind: str
    sensor: str
    spot: str
    state: Mapping[str, State | None]
    origin: str = "own"
    seed: int | None = None
    device: str = ""
    licence: str = ""
    sample_rate_hz: float | None = None
    duration_s: float | None = None
    other: Mapping[str, str] = field(default_factory=dict)
    line: int = field(default=0, compare=False)

    def is_loose(self, zone: str) -> bool:
        """Tell whether a hand check would find something loose in a zone.

        False as well where nobody looked: see `is_known`.
        """
        state = self.state[zone]
        return state is not None and (state[1] > 0.0 or state[0] < LOOSE_PRELOAD)

    def is_known(self, zone: str) -> bool:
        """Tell whether somebody looked at a zone."""
        return self.state[zone] is not None

    @property
    def loose_zones(self) -> tuple[str, ...]:
        """Zones in which a hand check would find something loose."""
        return tuple(zone for zone in self.state if self.is_loose(zone))

    @property
    def unknown_zones(self) -> tuple[str, ...]:
        """Zones at which nobody looked."""
        return tuple(zone for zone in self.state if not self.is_known(zone))

    @property
    def is_snug(self) -> bool:
        """True where somebody looked everywhere and nothing was loose."""
        return not self.loose_zones and not self.unknown_zones


def row_from_cells(
    cells: Mapping[str, str],
    zones: Sequence[str],
    manifest: Path,
    number: int,
    cars: dict[Path, Car | None],
    check_files: bool,
) -> ManifestRow:
    """Make a row from its cells.

    Parameters
    ----------
    cells : mapping of column to text
    zones : sequence of str
    manifest : Path
    number : int
        Line in the manifest.
    cars : dict of Path to Car
        Car files that were read, to be added to; ``None`` where there is no such file.
    check_files : bool
        Whether the take and the car file must be there.

    Raises
    ------
    InputError
        Naming the manifest and the line.
    """
    at = f"{manifest}, line {number}"
    for name in NEEDED:
        if not cells[name]:
            raise InputError(
                f'The cell "{name}" is empty.', where=at, advice=f"It holds {COLUMNS[name]}."
            )
    kind = _kind(cells)
    for name, value, known in (
        ("kind", kind, (*KINDS, PART_CHECKED)),
        ("sensor", cells["sensor"], SENSORS),
        ("origin", cells["origin"], ORIGINS),
    ):
        if value not in known:
            raise InputError(
                f'Unknown {name} "{value}".{did_you_mean(value, known)}',
                where=at,
                advice=f"It must be one of: {', '.join(known)}.",
            )
    digest = cells["sha256"].lower()
    if len(digest) != 64 or not _HEX.issuperset(digest):
        raise InputError(
            f'sha256 must be 64 hexadecimal digits. Got "{cells["sha256"][:70]}" instead.',
            where=at,
            advice="Hash the file again.",
        )
    file = manifest.parent / cells["file"]
    car_file = manifest.parent / cells["car_file"]
    car = _car(car_file, cars, at, check_files)
    _check_spot(cells["spot"], car, at)
    if check_files and not file.is_file():
        raise InputError(
            f'There is no take "{cells["file"]}".',
            where=at,
            advice="Paths count from the manifest's folder. Put the file back, or take the line "
            "out.",
        )
    used = {*NEEDED, "device", "sample_rate_hz", "duration_s", "seed", "licence"}
    used |= {zone + end for zone in zones for end in (PRELOAD, TURNS)}
    return ManifestRow(
        file=file,
        car_file=car_file,
        sha256=digest,
        car=cells["car"],
        check=cells["bench_check"],
        kind=kind,
        sensor=cells["sensor"],
        spot=cells["spot"],
        state={zone: _state(zone, cells, car, at, cells["origin"]) for zone in zones},
        origin=cells["origin"],
        seed=_seed(cells.get("seed", ""), at),
        device=cells.get("device", ""),
        licence=cells.get("licence", ""),
        sample_rate_hz=_positive("sample_rate_hz", cells, at),
        duration_s=_positive("duration_s", cells, at),
        other={name: value for name, value in cells.items() if name not in used},
        line=number,
    )


def _kind(cells: Mapping[str, str]) -> str:
    """Return the kind; earlier manifests called both wrong mesh settings by one name."""
    if cells["kind"] != _OLD_MESH_KIND:
        return cells["kind"]
    try:
        return "mesh_tight" if float(cells.get("backlash_factor", "")) < 1.0 else "mesh_loose"
    except ValueError:
        return _OLD_MESH_KIND


def _car(car_file: Path, cars: dict[Path, Car | None], at: str, check_files: bool) -> Car | None:
    if car_file not in cars:
        if car_file.is_file():
            cars[car_file] = read_car(car_file)
        elif check_files:
            raise InputError(
                f'There is no car file "{car_file}".',
                where=at,
                advice="Paths count from the manifest's folder. Put the file back, or correct the "
                "line.",
            )
        else:
            cars[car_file] = None
    return cars[car_file]


def _check_spot(spot: str, car: Car | None, at: str) -> None:
    known = [CENTRE_SPOT, *(ZONE_NAMES if car is None else (zone.name for zone in car.zones))]
    if spot in known or (car is not None and not car.zones):  # a bare machine has no zones
        return
    raise InputError(
        f'The spot "{spot}" is no zone of the car.{did_you_mean(spot, known)}',
        where=at,
        advice=f"Known: {', '.join(known)}.",
    )


def _state(
    zone: str, cells: Mapping[str, str], car: Car | None, at: str, origin: str
) -> State | None:
    texts = cells[zone + PRELOAD], cells[zone + TURNS]
    if texts == ("", ""):
        if car is not None and all(own.name != zone for own in car.zones):
            return SNUG  # the car has no such zone, hence nothing loose in it
        if origin == "own":
            return None  # nobody looked
    try:
        preload, turns = (float(text) for text in texts)
    except ValueError:
        raise InputError(
            f'A zone\'s preload and turns must be numbers. Got "{texts[0]}" and "{texts[1]}" '
            f"instead for {zone}.",
            where=at,
            advice="Correct the line.",
        ) from None
    for name, value, most in ((PRELOAD, preload, MOST_PRELOAD), (TURNS, turns, MOST_TURNS)):
        if not (math.isfinite(value) and 0.0 <= value <= most):
            raise InputError(
                f"{zone}{name} must be between 0 and {most:g}. Got {value:g} instead.",
                where=at,
                advice="Correct the line.",
            )
    if preload > 0.0 and turns > 0.0:
        raise InputError(
            f"{zone}{PRELOAD} must be 0 where turns are backed off. "
            f"Got {preload:g} with {turns:g} turns instead.",
            where=at,
            advice="A fastener holds preload, or it has backed off; correct the line.",
        )
    return preload, turns


def _positive(name: str, cells: Mapping[str, str], at: str) -> float | None:
    text = cells.get(name, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value > 0.0):
        raise InputError(
            f'{name} must be a number over 0. Got "{text}" instead.',
            where=at,
            advice="Correct the line, or leave the cell empty.",
        )
    return value


def _seed(text: str, at: str) -> int | None:
    if not text:
        return None
    if not (text.isascii() and text.isdigit()):
        raise InputError(
            f'seed must be a whole number of at least 0. Got "{text}" instead.',
            where=at,
            advice="Correct the line, or leave the cell empty.",
        )
    return int(text)
