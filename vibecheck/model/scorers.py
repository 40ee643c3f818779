"""Stage 5: trained scorers evaluated from plain arrays, without scikit-learn.

Each gives the log-odds of a row and what every column added to it. They equal scikit-learn's own
`Pipeline(SimpleImputer, StandardScaler, LogisticRegression)`,
`Pipeline(SimpleImputer, GradientBoostingClassifier)` and `Pipeline(SimpleImputer,
ExtraTreesClassifier)`, and those of the project's own estimators (tested to 1e-9).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.errors import InputError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]


class Scorer(Protocol):
    """What the model needs of a scorer."""

    def log_odds(self, rows: FloatArray) -> FloatArray:
        """Log-odds of each row, shape (n_rows,)."""

    def contributions(self, rows: FloatArray) -> FloatArray:
        """What each column adds to the log-odds over the average row, shape (n_rows, n_columns)."""

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild the scorer."""


def _freeze(scorer: Any) -> None:
    for item in fields(scorer):
        value = getattr(scorer, item.name)
        if isinstance(value, np.ndarray):
            object.__setattr__(scorer, item.name, frozen_array(value))


AVERAGED_FLOOR = 0.005
"""An average of trees is kept this far from 0 and 1 before its log-odds are taken."""


def averaged_log_odds(probability: FloatArray) -> FloatArray:
    """Log-odds of an average of trees."""
    p = np.clip(probability, AVERAGED_FLOOR, 1.0 - AVERAGED_FLOOR)
    return np.asarray(np.log(p) - np.log1p(-p))


@dataclass(frozen=True, eq=False)
class LinearScorer:
    """Logistic regression on imputed, standardised columns.

    Attributes
    ----------
    fill, mean, scale, weight : ndarray, shape (n_columns,)
    intercept : float
    """

    fill: FloatArray
    mean: FloatArray
    scale: FloatArray
    weight: FloatArray
    intercept: float

    def __post_init__(self) -> None:
        _freeze(self)
        if not self.fill.shape == self.mean.shape == self.scale.shape == self.weight.shape:
            raise InputError(
                "The weights of the model do not fit together.",
                advice="Train the model again, or fetch the file again.",
            )

    def _standard(self, rows: FloatArray) -> FloatArray:
        return (np.where(np.isnan(rows), self.fill, rows) - self.mean) / self.scale

    def log_odds(self, rows: FloatArray) -> FloatArray:
        """Log-odds of each row, shape (n_rows,)."""
        return np.asarray(self._standard(rows) @ self.weight + self.intercept)

    def contributions(self, rows: FloatArray) -> FloatArray:
        """What each column adds to the log-odds over the average row, shape (n_rows, n_columns)."""
        return self._standard(rows) * self.weight

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild the scorer."""
        return {
            "kind": np.array("linear"),
            "fill": self.fill,
            "mean": self.mean,
            "scale": self.scale,
            "weight": self.weight,
            "intercept": np.array(self.intercept),
        }


@dataclass(frozen=True, eq=False)
class TreeScorer:
    """Boosted or averaged trees; all trees' nodes in one row of arrays.

    Attributes
    ----------
    fill : ndarray, shape (n_columns,)
    roots : ndarray of int, shape (n_trees,)
    column, left, right : ndarray of int, shape (n_nodes,)
        ``column`` is −1 in a leaf; ``left`` and ``right`` are node numbers.
    threshold, value : ndarray, shape (n_nodes,)
        ``value`` is already multiplied by the learning rate, or divided by the number of trees.
    start : float
        Log-odds before the first tree; 0 for averaged trees.
    averaged : bool
        True where the sum of the values is a probability, not log-odds.
    """

    fill: FloatArray
    roots: IntArray
    column: IntArray
    left: IntArray
    right: IntArray
    threshold: FloatArray
    value: FloatArray
    start: float
    averaged: bool

    def __post_init__(self) -> None:
        _freeze(self)
        inner = self.column >= 0
        places = np.arange(self.column.size)
        # Children come after their parent, so that every walk ends, inside the arrays.
        sound = (
            self.column.size == self.left.size == self.right.size == self.threshold.size
            and self.value.size == self.column.size > 0
            and bool((self.column < self.fill.size).all())
            and bool((self.left[inner] > places[inner]).all())
            and bool((self.right[inner] > places[inner]).all())
            and bool((self.left < self.column.size).all())
            and bool((self.right < self.column.size).all())
            and bool(((self.roots >= 0) & (self.roots < self.column.size)).all())
        )
        if not sound:
            raise InputError(
                "The trees of the model do not fit together.",
                advice="Train the model again, or fetch the file again.",
            )

    def _filled(self, rows: FloatArray) -> NDArray[np.float32]:
        # scikit-learn's trees see float32 and compare with float64 thresholds.
        return np.where(np.isnan(rows), self.fill, rows).astype(np.float32)

    def _walk(self, rows: FloatArray) -> list[NDArray[np.intp]]:
        filled = self._filled(rows)
        row = np.arange(rows.shape[0])[:, None]
        node = np.broadcast_to(self.roots.astype(np.intp), (rows.shape[0], self.roots.size))
        path = [node]
        while (self.column[node] >= 0).any():
            column = self.column[node]
            leaf = column < 0
            goes_left = filled[row, np.maximum(column, 0)] <= self.threshold[node]
            child = np.where(goes_left, self.left[node], self.right[node]).astype(np.intp)
            node = np.where(leaf, node, child)
            path.append(node)
        return path

    def log_odds(self, rows: FloatArray) -> FloatArray:
        """Log-odds of each row, shape (n_rows,)."""
        total = self.start + self.value[self._walk(rows)[-1]].sum(axis=1)
        return averaged_log_odds(total) if self.averaged else np.asarray(total)

    def contributions(self, rows: FloatArray) -> FloatArray:
        """What each column adds: the change of the node value at each of its splits."""
        total = np.zeros((rows.shape[0], self.fill.size))
        path = self._walk(rows)
        row = np.broadcast_to(np.arange(rows.shape[0])[:, None], path[0].shape)
        for parent, child in pairwise(path):
            moved = parent != child
            change = (self.value[child] - self.value[parent])[moved]
            np.add.at(total, (row[moved], self.column[parent][moved]), change)
        if self.averaged:
            # Shares of a probability, brought to log-odds by the slope between the whole and the
            # average row.
            whole = total.sum(axis=1, keepdims=True)
            root = float(self.value[self.roots].sum())
            ends = averaged_log_odds(np.clip(root + whole, 0.0, 1.0))
            rise = ends - averaged_log_odds(np.array(root))
            flat = np.abs(whole) < 1e-9
            slope = np.where(flat, 1.0 / (root * (1.0 - root)), rise / np.where(flat, 1.0, whole))
            total *= slope
        return total

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild the scorer."""
        return {
            "kind": np.array("trees"),
            "fill": self.fill,
            "roots": self.roots,
            "column": self.column,
            "left": self.left,
            "right": self.right,
            "threshold": self.threshold,
            "value": self.value,
            "start": np.array(self.start),
            "averaged": np.array(self.averaged),
        }


@dataclass(frozen=True, eq=False)
class BlendScorer:
    """Mean of the log-odds of several scorers of the same columns.

    Attributes
    ----------
    parts : tuple of Scorer
        At least one.
    """

    parts: tuple[Scorer, ...]

    def log_odds(self, rows: FloatArray) -> FloatArray:
        """Log-odds of each row, shape (n_rows,)."""
        return np.asarray(np.mean([part.log_odds(rows) for part in self.parts], axis=0))

    def contributions(self, rows: FloatArray) -> FloatArray:
        """What each column adds to the log-odds over the average row, shape (n_rows, n_columns)."""
        return np.asarray(np.mean([part.contributions(rows) for part in self.parts], axis=0))

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild the scorer."""
        found = {"kind": np.array("blend"), "n_parts": np.array(len(self.parts))}
        for number, part in enumerate(self.parts):
            found |= {f"part{number}.{name}": value for name, value in part.arrays().items()}
        return found


def _blend_from_arrays(arrays: Mapping[str, NDArray[Any]], where: str) -> BlendScorer:
    n_parts = int(arrays.get("n_parts", np.array(0)))
    if not 1 <= n_parts <= 8:
        raise InputError(
            f"A blend of scorers must have 1 to 8 parts. Got {n_parts} instead.",
            where=where,
            advice="Train the model again, or fetch the file again.",
        )
    parts = []
    for number in range(n_parts):
        prefix = f"part{number}."
        part = {
            name.removeprefix(prefix): value
            for name, value in arrays.items()
            if name.startswith(prefix)
        }
        if str(part.get("kind", "")) == "blend":
            part = {}
        parts.append(scorer_from_arrays(part, where))
    return BlendScorer(tuple(parts))


def scorer_from_arrays(arrays: Mapping[str, NDArray[Any]], where: str) -> Scorer:
    """Rebuild a scorer from its arrays.

    Raises
    ------
    InputError
        If a field is missing or of the wrong shape, or the kind is unknown.
    """
    kind = str(arrays.get("kind", ""))
    if kind == "blend":
        return _blend_from_arrays(arrays, where)
    wanted = {"linear": LinearScorer, "trees": TreeScorer}.get(kind)
    if wanted is None:
        raise InputError(
            f'A scorer\'s kind must be "linear", "trees" or "blend". Got {kind!r} instead.',
            where=where,
            advice="Train the model again.",
        )
    values: dict[str, Any] = {}
    for item in fields(wanted):
        if item.name not in arrays:
            raise InputError(
                f'The model file lacks "{item.name}" of a scorer.',
                where=where,
                advice="Train the model again, or fetch the file again.",
            )
        value = arrays[item.name]
        values[item.name] = value.item() if value.ndim == 0 else value
    made: Scorer = wanted(**values)
    return made
