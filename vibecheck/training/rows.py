"""From the feature table to the rows of every head."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.features.catalogue import NAMES
from vibecheck.model.baseline import MAD_TO_SD, baseline_z, masked_median, pooled_spread
from vibecheck.model.heads import (
    ANY_HEAD,
    STILL_WHEELS_HEAD,
    WHEELS_HEAD,
    WHICH_WHEEL_HEAD,
    driven_wheels,
    head_of,
)
from vibecheck.model.inputs import LOCATING_GROUPS, InputLayout, contrasts, relation
from vibecheck.model.population import Population
from vibecheck.training.table import FeatureTable

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MOST_SINGLES = 2
"""Single takes of a check that are rows of their own."""
MIN_SNUG_TAKES = 4
"""What is usual is learned from at least so many snug takes."""
MIN_LOOSE_CARS = 4
"""A head needs loose cases in this many cars."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of one head: checks and single takes of them, or takes × driven wheels.

    Attributes
    ----------
    x : ndarray, shape (n_rows, n_columns)
    loose : ndarray of bool, shape (n_rows,)
    take : ndarray of int, shape (n_rows,)
        Row of the table, the first of them where a row holds several takes.
    zone : ndarray of str, shape (n_rows,)
        Wheel, where rows are takes × wheels.
    n_takes : ndarray of int, shape (n_rows,)
        Takes that a row holds.
    whole : ndarray of bool, shape (n_rows,)
        True for a row that holds all takes of its check (and for takes × wheels).
    weight : ndarray, shape (n_rows,)
        The rows of every check weigh 1 as a whole, and 1 together as single takes.
    """

    x: FloatArray
    loose: BoolArray
    take: NDArray[np.intp]
    zone: NDArray[np.str_]
    n_takes: NDArray[np.intp]
    whole: BoolArray
    weight: FloatArray


def fit_population(table: FeatureTable) -> Population:
    """What is usual: centre and scale over snug takes, spread within a snug car."""
    snug = ~table.loose.any(axis=1) & ~table.is_mesh & table.is_labelled
    if snug.sum() < MIN_SNUG_TAKES:
        raise InputError(
            f"Training needs at least {MIN_SNUG_TAKES} snug takes. Got {int(snug.sum())} instead.",
            advice="Add takes recorded right after a complete hand check.",
        )
    values, missing = table.values[snug], table.missing[snug]
    centre, gone = masked_median(values, missing)
    residual, _ = masked_median(np.abs(values - centre), missing)
    # A feature that is constant in snug takes keeps a finite scale: its overall spread.
    overall, _ = masked_median(np.abs(table.values - centre), table.missing)
    tiny = 1e-3 * (1.0 + np.abs(centre))
    scale = np.maximum(MAD_TO_SD * np.maximum(residual, 0.1 * overall), tiny)
    groups = np.array([f"{c}|{s}" for c, s in zip(table.car, table.spot, strict=True)])
    within = np.maximum(pooled_spread(values, missing, groups[snug]), 0.05 * scale)
    return Population(np.where(gone, 0.0, centre), scale, within)


class CheckRow(NamedTuple):
    """One row: the takes of the table in it, whether they are all of their check, its weight."""

    x: FloatArray
    takes: NDArray[np.intp]
    whole: bool
    weight: float


@dataclass(frozen=True, eq=False)
class Measured:
    """A table of one kind of sensor against its population and its baselines.

    Attributes
    ----------
    table : FeatureTable
    standard, z : ndarray, shape (n_takes, n_features)
        NaN where missing; ``z`` is NaN throughout for a take without a baseline.
    has_baseline : ndarray of bool, shape (n_takes,)
    """

    table: FeatureTable
    standard: FloatArray
    z: FloatArray
    has_baseline: BoolArray
    _kept: dict[bool, list[CheckRow]] = field(default_factory=dict)

    def check_rows(self, layout: InputLayout, usable: BoolArray) -> list[CheckRow]:
        """Rows of all checks and of some of their single takes, for heads without a place.

        ``usable`` may leave out whole checks, never single takes of one that others use.
        """
        if layout.with_baseline not in self._kept:
            every = self.has_baseline if layout.with_baseline else np.ones_like(self.has_baseline)
            self._kept[layout.with_baseline] = self._build(layout, np.flatnonzero(every))
        return [row for row in self._kept[layout.with_baseline] if usable[row.takes[0]]]

    def _build(self, layout: InputLayout, takes: NDArray[np.intp]) -> list[CheckRow]:
        rows: list[CheckRow] = []
        for together in _by_check(self.table, takes):
            groups = [(together, True, 1.0)]
            if together.size > 1:
                # Enough single takes to learn what one alone is worth; all would double the work.
                order = np.argsort(
                    [zlib.crc32(str(h).encode()) for h in self.table.sha256[together]]
                )
                singles = together[np.sort(order[:MOST_SINGLES])]
                groups += [(singles[[k]], False, 1.0 / singles.size) for k in range(singles.size)]
            for group, whole, weight in groups:
                spots = self.table.spot[group].tolist()
                x = layout.check_row(self.standard[group], self.z[group], spots)
                rows.append(CheckRow(x, group, whole, weight))
        return rows

    @classmethod
    def of(cls, table: FeatureTable, population: Population) -> Measured:
        """Measure a table."""
        z = np.full(table.values.shape, np.nan)
        has_baseline = np.zeros(table.n_takes, dtype=bool)
        for row in range(table.n_takes):
            baseline = table.some_baseline_of(row)
            has_baseline[row] = baseline is not None
            distance, gone = baseline_z(table.vector(row), baseline, population.within)
            z[row] = np.where(gone, np.nan, distance)
        return cls(table, population.standard(table.values, table.missing), z, has_baseline)


def label_of(table: FeatureTable, name: str) -> BoolArray:
    """What a take-level head must tell, for every take."""
    if name == ANY_HEAD:
        return np.asarray(table.loose.any(axis=1))
    return np.asarray((table.loose & _zones_of(table, name)).any(axis=1))


def known_of(table: FeatureTable, name: str) -> BoolArray:
    """Say for every take whether `label_of` is known.

    It is where something was found, or where somebody looked at all of the head's zones.
    """
    looked = table.known if name == ANY_HEAD else table.known | ~_zones_of(table, name)
    return np.asarray(label_of(table, name) | looked.all(axis=1))


def _zones_of(table: FeatureTable, name: str) -> BoolArray:
    """Which zones of every take a head is about."""
    heads = np.array(
        [[head_of(zone, layout) == name for zone in table.zones.tolist()] for layout in LAYOUTS]
    )
    return np.asarray(heads[[LAYOUTS.index(str(layout)) for layout in table.layout]])


LAYOUTS = ("", "4wd", "rwd", "fwd")
GEAR_MESH = "gear_mesh"


def heads_of(table: FeatureTable) -> list[str]:
    """Heads for which the table holds loose cases in enough cars."""
    names = [ANY_HEAD, WHEELS_HEAD, STILL_WHEELS_HEAD]
    names += [zone for zone in table.zones.tolist() if not zone.startswith("wheel_")]
    found = []
    for name in names:
        loose = label_of(table, name)
        if np.unique(table.car[loose]).size >= MIN_LOOSE_CARS and not loose.all():
            found.append(name)
            if name == WHEELS_HEAD:
                found.append(WHICH_WHEEL_HEAD)
    return found


def head_rows(measured: Measured, name: str, *, with_baseline: bool) -> tuple[InputLayout, Rows]:
    """Build the rows of one head.

    A mesh set too tight or too loose teaches neither "anything" nor the gear mesh; a zone at which
    nobody looked teaches nothing about itself.
    """
    table = measured.table
    usable = measured.has_baseline if with_baseline else np.ones(table.n_takes, dtype=bool)
    if name == WHICH_WHEEL_HEAD:
        return _wheel_rows(measured, usable, with_baseline=with_baseline)
    if name == STILL_WHEELS_HEAD:
        usable = usable & np.isin(table.layout, ["rwd", "fwd"])
    if name in (ANY_HEAD, GEAR_MESH):
        usable = usable & ~table.is_mesh
    usable = usable & known_of(table, name)
    layout = InputLayout(NAMES, with_baseline, "check")
    # Heads about several zones have no one place: "here" is never true for them.
    zone = name if name in table.zones else ""
    parts = measured.check_rows(layout, usable)
    take = np.array([int(part.takes[0]) for part in parts], dtype=np.intp)
    x = np.array([part.x for part in parts]).reshape(len(parts), layout.n_columns)
    if zone:
        for k, part in enumerate(parts):
            if part.takes.size > 1 and (table.spot[part.takes] == zone).any():
                spots = table.spot[part.takes].tolist()
                standard, z = measured.standard[part.takes], measured.z[part.takes]
                x[k] = layout.check_row(standard, z, spots, zone)
    rows = Rows(
        x=x,
        loose=label_of(table, name)[take],
        take=take,
        zone=np.full(take.size, zone),
        n_takes=np.array([part.takes.size for part in parts], dtype=np.intp),
        whole=np.array([part.whole for part in parts], dtype=bool),
        weight=np.array([part.weight for part in parts]),
    )
    return layout, rows


def _by_check(table: FeatureTable, takes: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Split rows of the table by bench check."""
    if takes.size == 0:
        return []
    order = takes[np.argsort(table.check[takes], kind="stable")]
    changes = np.flatnonzero(table.check[order][1:] != table.check[order][:-1]) + 1
    return np.split(order, changes)


def _wheel_rows(
    measured: Measured, usable: BoolArray, *, with_baseline: bool
) -> tuple[InputLayout, Rows]:
    """Takes with a loose driven wheel × their driven wheels."""
    table = measured.table
    takes = np.flatnonzero(usable & label_of(table, WHEELS_HEAD))
    places = {zone: k for k, zone in enumerate(table.zones.tolist())}
    pairs = [
        (t, wheel)
        for t in takes
        for wheel in driven_wheels(str(table.layout[t]))
        if table.known[t, places[wheel]]
    ]
    take = np.array([t for t, _ in pairs], dtype=np.intp)
    zone = np.array([wheel for _, wheel in pairs])
    place = [places[wheel] for wheel in zone.tolist()]
    layout = InputLayout(NAMES, with_baseline, "wheel")
    # Contrast between the takes of a check, as in a check: among takes judged alike.
    contrast = np.zeros((table.n_takes, 2 * len(LOCATING_GROUPS)))
    strengths = layout.strengths(measured.standard, measured.z)
    for check in np.unique(table.check[takes]):
        alike = np.flatnonzero(usable & (table.check == check))
        contrast[alike] = contrasts(strengths[alike])
    x = layout.wheel_rows(
        contrast[take],
        [relation(str(table.spot[t]), wheel) for t, wheel in pairs],
        [wheel.startswith("wheel_rear") for wheel in zone],
        [len(driven_wheels(str(table.layout[t]))) for t in take],
    )
    ones = np.ones(take.size)
    return layout, Rows(
        x=x,
        loose=table.loose[take, place],
        take=take,
        zone=zone,
        n_takes=ones.astype(np.intp),
        whole=ones.astype(bool),
        weight=ones,
    )
