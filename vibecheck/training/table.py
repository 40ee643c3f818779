"""The feature table: every labelled take as one row, kept as plain arrays."""

from __future__ import annotations

import os
import zlib
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.dataset.columns import HARD_NEGATIVES, MESH_SETTINGS
from vibecheck.errors import InputError
from vibecheck.features.catalogue import CATALOGUE_VERSION, NAMES
from vibecheck.features.vector import FeatureVector
from vibecheck.model.assessment import TakeEvidence
from vibecheck.model.baseline import BaselineCentre, baseline_centre

BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.str_]


@dataclass(frozen=True, eq=False)
class FeatureTable:
    """Labelled takes.

    Attributes
    ----------
    values, missing : ndarray, shape (n_takes, n_features)
    car, check, layout, file, sha256, spot, sensor : ndarray of str, shape (n_takes,)
        ``check`` is unique over cars; ``layout`` tells which wheels are driven.
    limited : ndarray of bool, shape (n_takes,)
        The quality gate found limits.
    kind : ndarray of str, shape (n_takes,)
        Of the bench check, as the manifest has it (`vibecheck.dataset.columns.KINDS`).
    zones : ndarray of str, shape (n_zones,)
    loose : ndarray of bool, shape (n_takes, n_zones)
    preload, turns : ndarray, shape (n_takes, n_zones)
        Fastener state: preload fraction 1 (snug) to 0, and turns backed off beyond that. NaN
        where it is not known: of zones at which nobody looked, and the preload of own takes that
        a hand check found loose without play (it says that a fastener took a turn, not how much
        preload it had left).
    catalogue_version : str
    known : ndarray of bool, shape (n_takes, n_zones)
        False where nobody looked: such a zone is not labelled, whatever ``loose`` holds there.
        All true by default.
    """

    values: NDArray[np.float64]
    missing: BoolArray
    car: TextArray
    check: TextArray
    layout: TextArray
    file: TextArray
    sha256: TextArray
    spot: TextArray
    sensor: TextArray
    limited: BoolArray
    kind: TextArray
    zones: TextArray
    loose: BoolArray
    preload: NDArray[np.float64]
    turns: NDArray[np.float64]
    catalogue_version: str = CATALOGUE_VERSION
    known: BoolArray = field(default_factory=lambda: np.zeros((0, 0), dtype=bool))

    def __post_init__(self) -> None:
        if self.known.shape != self.loose.shape:
            object.__setattr__(self, "known", np.ones(self.loose.shape, dtype=bool))

    @property
    def n_takes(self) -> int:
        """Number of rows."""
        return int(self.car.size)

    @property
    def is_baseline(self) -> BoolArray:
        """Takes recorded right after a complete hand check that left everything snug."""
        return np.asarray(self.kind == "baseline")

    @property
    def is_hard(self) -> BoolArray:
        """Takes with nothing loose, but with something that could be taken for looseness."""
        return np.isin(self.kind, HARD_NEGATIVES) & ~self.loose.any(axis=1)

    @property
    def is_mesh(self) -> BoolArray:
        """Takes of a gear mesh set too tight or too loose: neither snug nor loose."""
        return np.isin(self.kind, MESH_SETTINGS)

    @property
    def is_labelled(self) -> BoolArray:
        """Takes of which every zone was looked at."""
        return np.asarray(self.known.all(axis=1))

    def labelled(self) -> FeatureTable:
        """Return the takes of which every zone was looked at: those that judge a model."""
        return self if self.is_labelled.all() else self.select(np.flatnonzero(self.is_labelled))

    def select(self, rows: NDArray[Any]) -> FeatureTable:
        """Return some of the rows."""
        kept: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            whole = item.name in ("zones", "catalogue_version")
            kept[item.name] = value if whole else value[rows]
        return FeatureTable(**kept)

    def vector(self, row: int) -> FeatureVector:
        """Return one take's features."""
        return FeatureVector(NAMES, self.values[row], self.missing[row], self.catalogue_version)

    def baseline_of(self, row: int, n_takes: int | None = None) -> BaselineCentre | None:
        """Return the centre of the car's snug takes at this sensor and spot in other checks.

        Parameters
        ----------
        row : int
        n_takes : int, optional
            At most so many of them, drawn by the take's hash; all by default.

        Returns
        -------
        BaselineCentre or None
            ``None`` where there is none.
        """
        alike = np.flatnonzero(
            self.is_baseline
            & (self.car == self.car[row])
            & (self.spot == self.spot[row])
            & (self.sensor == self.sensor[row])
            & (self.check != self.check[row])
        )
        if alike.size == 0:
            return None
        if n_takes is not None and n_takes < alike.size:
            alike = self._draw(row).permutation(alike)[:n_takes]
        return baseline_centre([self.vector(int(k)) for k in alike])

    def _draw(self, row: int) -> np.random.Generator:
        """Random numbers of a take's own, the same on every machine."""
        return np.random.default_rng(zlib.crc32(str(self.sha256[row]).encode()))

    def some_baseline_of(self, row: int) -> BaselineCentre | None:
        """Return a baseline of one to four takes or all, drawn by the take's hash.

        Owners have few baseline takes: a model that only met large baselines would be too sure of
        distances from small ones.
        """
        n_takes = int(self._draw(row).integers(1, 6))
        return self.baseline_of(row, n_takes if n_takes < 5 else None)

    def evidence(
        self, row: int, *, with_baseline: bool, n_baseline: int | None = None
    ) -> TakeEvidence:
        """Return one take as the model sees it, against at most so many baseline takes."""
        sensor = "accelerometer" if self.sensor[row] == "accelerometer" else "microphone"
        return TakeEvidence(
            features=self.vector(row),
            baseline=self.baseline_of(row, n_baseline) if with_baseline else None,
            spot=str(self.spot[row]),
            sensor=sensor,  # type: ignore[arg-type]
            limited=bool(self.limited[row]),
            file=str(self.file[row]),
        )

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the table as plain arrays (``.npz``)."""
        content: dict[str, Any] = {
            f"table.{item.name}": np.asarray(getattr(self, item.name)) for item in fields(self)
        }
        np.savez_compressed(Path(path), **content)

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> FeatureTable:
        """Read a table written by `save`.

        Raises
        ------
        InputError
            If it is of another feature catalogue.
        """
        with np.load(Path(path), allow_pickle=False) as archive:
            content: dict[str, Any] = {
                key.removeprefix("table."): archive[key] for key in archive.files
            }
        content["catalogue_version"] = str(content["catalogue_version"])
        if content["catalogue_version"] != CATALOGUE_VERSION:
            raise InputError(
                f"The feature table must be of catalogue {CATALOGUE_VERSION}. "
                f"Got {content['catalogue_version']} instead.",
                where=str(path),
                advice="Build the table again from its manifest.",
            )
        return cls(**content)
