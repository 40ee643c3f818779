"""Stage 5: from features, baseline and spot to the columns a scorer sees."""

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
LOCATING_GROUPS = ("impact", "onset", "harmonics", "colour", "all")
"""Groups of features whose strength falls with distance, so that several spots locate a wheel."""
Kind = Literal["take", "wheel"]


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


@dataclass(frozen=True)
class InputLayout:
    """Columns of one scorer.

    A ``"take"`` scorer judges a take: every feature against the population, every feature against
    the baseline (where there is one), their means and root mean squares by sign of looseness, and
    where the sensor sat. A ``"wheel"`` scorer tells the wheels of a check apart: where the sensor
    sat, seen from the wheel, crossed with how much stronger the signs are in this take than in the
    other takes of the check.

    Attributes
    ----------
    names : tuple of str
        Features, in catalogue order.
    with_baseline : bool
    kind : {"take", "wheel"}
    """

    names: tuple[str, ...]
    with_baseline: bool
    kind: Kind = "take"

    @cached_property
    def groups(self) -> tuple[IntArray, ...]:
        """Places of the features of every sign, and of all features."""
        signs = [BY_NAME[name].sign if name in BY_NAME else "" for name in self.names]
        by_sign = [np.array([k for k, s in enumerate(signs) if s == sign]) for sign in SIGNS]
        return (*(group.astype(np.intp) for group in by_sign), np.arange(len(self.names)))

    @property
    def n_columns(self) -> int:
        """Number of columns."""
        n_relations = len(RELATIONS)
        if self.kind == "wheel":
            return n_relations + 2 + n_relations * 2 * len(LOCATING_GROUPS)
        n_sources = 2 if self.with_baseline else 1
        return n_sources * (len(self.names) + 2 * len(self.groups)) + n_relations

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

    def take_rows(
        self, standard: FloatArray, z: FloatArray, relations: Sequence[str]
    ) -> FloatArray:
        """Build the rows of a ``"take"`` scorer.

        Parameters
        ----------
        standard : ndarray, shape (n_rows, n_features)
            Features against the population, NaN where missing.
        z : ndarray, shape (n_rows, n_features)
            Distances from the baseline, NaN where missing; ignored without a baseline.
        relations : sequence of str, length n_rows

        Returns
        -------
        ndarray, shape (n_rows, n_columns)
            NaN where missing.
        """
        parts = []
        for values in (standard, z) if self.with_baseline else (standard,):
            parts += [values, self.summaries(values)]
        return np.concatenate([*parts, _one_hot(relations)], axis=1)

    def strengths(self, standard: FloatArray, z: FloatArray) -> FloatArray:
        """Summaries of the locating groups, for `contrasts`; shape (n_takes, 2 × groups)."""
        names = (*SIGNS, "all")
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

    def to_features(
        self, contributions: FloatArray, standard: FloatArray, z: FloatArray
    ) -> FloatArray:
        """Hand the contributions of a take scorer's columns back to the features behind them.

        A mean is shared out by the features' sizes, a root mean square by their squares.

        Returns
        -------
        ndarray, shape (n_rows, n_features)
        """
        n = len(self.names)
        total = np.zeros((contributions.shape[0], n))
        at = 0
        for values in (standard, z) if self.with_baseline else (standard,):
            total += contributions[:, at : at + n]
            at += n
            sizes = np.abs(np.nan_to_num(values, nan=0.0))
            for group in self.groups:
                for power in (1, 2):
                    share = sizes[:, group] ** power
                    share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-12)
                    total[:, group] += share * contributions[:, [at]]
                    at += 1
        return total


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


def _one_hot(relations: Sequence[str]) -> FloatArray:
    codes = np.array([RELATIONS.index(name) for name in relations], dtype=np.intp)
    return np.asarray(codes[:, None] == np.arange(len(RELATIONS)), dtype=np.float64)
