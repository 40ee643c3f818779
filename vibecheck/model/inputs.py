"""Stage 5: from the features, baselines and spots of a check's takes to the columns of a scorer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.zones import WHEEL_ZONES
from vibecheck.features.catalogue import BY_NAME

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

RELATIONS = ("here", "same_axle", "same_side", "opposite", "centre", "elsewhere")
"""Where the sensor sat, seen from the zone."""
SIGNS = ("impact", "onset", "harmonics", "resonance", "mesh", "colour", "speed")
KNOCKS = ("knock_height_", "peakiness_most_", "thump_", "flicker_")
"""Beginnings of the names of features that measure how far single knocks stand out of the steady
sound. Of all signs they fall fastest with distance: the direct sound of a knock is short."""
LOCATING_GROUPS = ("impact", "onset", "harmonics", "colour", "knocks", "all")
"""Groups of features whose strength falls with distance, so that several spots locate a zone."""
MOST_TAKES = 6
"""More takes of one check than this change nothing in the column that counts them."""
Kind = Literal["check", "wheel"]


def relation(spot: str, zone: str) -> str:
    """Say where a spot lies, seen from a zone.

    ``"here"``, ``"centre"`` or ``"elsewhere"``; between two wheels also ``"same_axle"``,
    ``"same_side"`` and ``"opposite"``.
    """
    if spot == zone:
        return "here"
    if spot == "centre":
        return "centre"
    if spot in WHEEL_ZONES and zone in WHEEL_ZONES:
        _, spot_axle, spot_side = spot.split("_")
        _, zone_axle, zone_side = zone.split("_")
        if spot_axle == zone_axle:
            return "same_axle"
        return "same_side" if spot_side == zone_side else "opposite"
    return "elsewhere"


def squashed(values: FloatArray) -> FloatArray:
    """Sign times log(1 + size): a distance twice as large is not twice the evidence."""
    return np.asarray(np.sign(values) * np.log1p(np.abs(values)))


@dataclass(frozen=True)
class InputLayout:
    """Columns of one scorer.

    A ``"check"`` scorer judges all takes of a check by one kind of sensor at once: the mean of
    every feature's distance over the takes, and its largest (in the direction in which looseness
    moves it), both squashed; means and root mean squares by sign of looseness; how much stronger
    the signs are at the zone than elsewhere; how many takes there are. Distances are from the
    baseline where there is one, else from the population.

    A ``"wheel"`` scorer tells the wheels of a check apart: where the sensor sat, seen from the
    wheel, crossed with how much stronger the signs are in this take than in the other takes of the
    check.

    Attributes
    ----------
    names : tuple of str
        Features, in catalogue order.
    with_baseline : bool
    kind : {"check", "wheel"}
    """

    names: tuple[str, ...]
    with_baseline: bool
    kind: Kind = "check"

    @cached_property
    def groups(self) -> tuple[IntArray, ...]:
        """Places of the features of every sign, of the knocks, and of all features."""
        signs = [BY_NAME[name].sign if name in BY_NAME else "" for name in self.names]
        by_sign = [np.array([k for k, s in enumerate(signs) if s == sign]) for sign in SIGNS]
        by_sign.append(np.flatnonzero([name.startswith(KNOCKS) for name in self.names]))
        return (*(group.astype(np.intp) for group in by_sign), np.arange(len(self.names)))

    @cached_property
    def downward(self) -> NDArray[np.bool_]:
        """Features that looseness lowers, by the catalogue."""
        return np.array([name in BY_NAME and BY_NAME[name].direction < 0 for name in self.names])

    @property
    def n_columns(self) -> int:
        """Number of columns."""
        n_contrasts = 2 * len(LOCATING_GROUPS)
        if self.kind == "wheel":
            return len(RELATIONS) + 2 + len(RELATIONS) * n_contrasts
        return 2 * len(self.names) + 2 * len(self.groups) + n_contrasts + 2

    def signs(self) -> FloatArray:
        """+1 or −1 for columns that looseness can only raise or lower, by the catalogue; else 0.

        Shape (n_columns,), of a ``"check"`` scorer.
        """
        own = np.array([BY_NAME[n].direction if n in BY_NAME else 0 for n in self.names])
        rest = self.n_columns - 2 * own.size
        return np.concatenate([own, own, np.zeros(rest)]).astype(np.float64)

    def summaries(self, values: FloatArray) -> FloatArray:
        """Mean and root mean square by sign and over all features; shape (n_rows, 2 × groups).

        NaN where a whole group is missing.
        """
        seen = ~np.isnan(values)
        filled = np.where(seen, values, 0.0)
        parts = []
        for group in self.groups:
            count = seen[:, group].sum(axis=1).astype(np.float64)
            count = np.where(count > 0, count, np.nan)
            parts.append(filled[:, group].sum(axis=1) / count)
            parts.append(np.sqrt((filled[:, group] ** 2).sum(axis=1) / count))
        return np.stack(parts, axis=1)

    def check_row(
        self, standard: FloatArray, z: FloatArray, spots: Sequence[str], zone: str = ""
    ) -> FloatArray:
        """Build the row of a ``"check"`` scorer from the takes of a check by one kind of sensor.

        Parameters
        ----------
        standard : ndarray, shape (n_takes, n_features)
            Features against the population, NaN where missing.
        z : ndarray, shape (n_takes, n_features)
            Distances from the baseline, NaN where missing; ignored without a baseline.
        spots : sequence of str, length n_takes
        zone : str
            The zone that is judged, or empty where it has no one place.

        Returns
        -------
        ndarray, shape (n_columns,)
            NaN where missing in all takes.
        """
        values = z if self.with_baseline else standard
        mean, most = self._mean(values), self._most(values)
        place = np.array([relation(str(spot), zone) == "here" for spot in spots])
        contrast = np.zeros(2 * len(LOCATING_GROUPS))
        known = bool(zone) and place.any() and not place.all()
        if known:
            strengths = self.strengths(standard, z)
            difference = _mean_of_rows(strengths[place]) - _mean_of_rows(strengths[~place])
            contrast = np.nan_to_num(difference, nan=0.0)
        count = np.log(min(len(spots), MOST_TAKES))
        return np.concatenate(
            [
                squashed(mean),
                squashed(most),
                squashed(self.summaries(mean[None, :])[0]),
                squashed(contrast),
                [float(known), count],
            ]
        )

    def _mean(self, values: FloatArray) -> FloatArray:
        """Mean over the takes in which a feature was observed; NaN where in none."""
        return values[0] if values.shape[0] == 1 else _mean_of_rows(values)

    def _most(self, values: FloatArray) -> FloatArray:
        """Largest value over the takes, in the direction in which looseness moves it."""
        turned = np.where(self.downward, -values, values)
        gone = np.isnan(turned).all(axis=0)
        most = np.where(np.isnan(turned), -np.inf, turned).max(axis=0)
        most = np.where(gone, np.nan, most)
        return np.where(self.downward, -most, most)

    def strengths(self, standard: FloatArray, z: FloatArray) -> FloatArray:
        """Summaries of the locating groups, for contrasts; shape (n_takes, 2 × groups)."""
        names = (*SIGNS, "knocks", "all")
        kept = [2 * names.index(group) + k for group in LOCATING_GROUPS for k in (0, 1)]
        return self.summaries(z if self.with_baseline else standard)[:, kept]

    def wheel_rows(
        self,
        contrast: FloatArray,
        relations: Sequence[str],
        is_rear: Sequence[bool],
        n_driven: int | Sequence[int],
    ) -> FloatArray:
        """Build the rows of a ``"wheel"`` scorer, one per take and wheel.

        Parameters
        ----------
        contrast : ndarray, shape (n_rows, 2 × locating groups)
            `contrasts` of the take.
        relations : sequence of str, length n_rows
            Where the sensor sat, seen from the wheel.
        is_rear : sequence of bool, length n_rows
        n_driven : int or sequence of int
            Driven wheels of the car.
        """
        hot = _one_hot(relations)
        flags = np.stack(
            [
                np.asarray(is_rear, dtype=np.float64),
                np.broadcast_to(np.asarray(n_driven) == 4, hot.shape[:1]).astype(np.float64),
            ],
            axis=1,
        )
        crosses = [contrast * hot[:, [k]] for k in range(len(RELATIONS))]
        return np.asarray(np.concatenate([hot, flags, *crosses], axis=1))

    def to_features(self, contributions: FloatArray, values: FloatArray) -> FloatArray:
        """Hand the contributions of a check scorer's columns back to the features behind them.

        A mean is shared out by the features' sizes, a root mean square by their squares.

        Parameters
        ----------
        contributions : ndarray, shape (n_rows, n_columns)
        values : ndarray, shape (n_rows, n_features)
            The mean distances (or any that are as large), NaN where missing.

        Returns
        -------
        ndarray, shape (n_rows, n_features)
        """
        n = len(self.names)
        total = contributions[:, :n] + contributions[:, n : 2 * n]
        sizes = np.abs(np.nan_to_num(values, nan=0.0))
        at = 2 * n
        for group in self.groups:
            for power in (1, 2):
                share = sizes[:, group] ** power
                share = share / np.maximum(share.sum(axis=1, keepdims=True), 1e-12)
                total[:, group] += share * contributions[:, [at]]
                at += 1
        return np.asarray(total)


def contrasts(strengths: FloatArray) -> FloatArray:
    """How much stronger each take of a check is than the mean of its other takes.

    Parameters
    ----------
    strengths : ndarray, shape (n_takes, n)
        Of the takes of one check by one kind of sensor.

    Returns
    -------
    ndarray, shape (n_takes, n)
        0 for a single take, and where a strength is missing: neutral.
    """
    n_takes = strengths.shape[0]
    if n_takes < 2:
        return np.zeros_like(strengths)
    others = (strengths.sum(axis=0) - strengths) / (n_takes - 1)
    return np.asarray(np.nan_to_num(strengths - others, nan=0.0))


def _mean_of_rows(values: FloatArray) -> FloatArray:
    seen = ~np.isnan(values)
    count = seen.sum(axis=0)
    total = np.where(seen, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _one_hot(relations: Sequence[str]) -> FloatArray:
    codes = np.array([RELATIONS.index(name) for name in relations], dtype=np.intp)
    return np.asarray(codes[:, None] == np.arange(len(RELATIONS)), dtype=np.float64)
