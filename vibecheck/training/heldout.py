"""What the heads say of cars they never saw, gathered by bench check."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError
from vibecheck.model.calibration import combine, fit_dependence, log_odds, shares_of_wheels
from vibecheck.model.heads import Head
from vibecheck.model.looseness import MIN_OBSERVED_SHARE
from vibecheck.training.rows import Rows
from vibecheck.training.table import FeatureTable

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class Words(NamedTuple):
    """What one head says of checks, and of single takes of them.

    Attributes
    ----------
    whole : dict of check to float
        Log ratio of all takes of a check by one kind of sensor.
    single : dict of take's hash to float
    loose : dict of check to bool
    """

    whole: dict[str, float]
    single: dict[str, float]
    loose: dict[str, bool]


class WheelWords(NamedTuple):
    """Log-odds that takes of a check with a loose driven wheel give each wheel.

    Attributes
    ----------
    lines : dict of check to list of (take's hash, dict of wheel to log-odds)
    """

    lines: dict[str, list[tuple[str, dict[str, float]]]]


def car_folds(cars: NDArray[np.str_], n_folds: int, seed: int = 0) -> list[BoolArray]:
    """Split rows into folds of whole cars; each item is the mask of the held-out rows."""
    unique = np.unique(cars)
    if unique.size < 2:
        raise InputError(
            f"Training needs takes of at least 2 cars. Got {unique.size} instead.",
            advice="Add takes of more cars.",
        )
    shuffled = np.random.default_rng(seed).permutation(unique)
    n_folds = min(n_folds, unique.size)
    return [np.isin(cars, shuffled[k::n_folds]) for k in range(n_folds)]


def words_of(table: FeatureTable, rows: Rows, head: Head, line: FloatArray) -> Words:
    """Gather what a check head said of held-out cars.

    Parameters
    ----------
    table : FeatureTable
    rows : Rows
    head : Head
        For its prior, and for how much of its evidence a row lacks.
    line : ndarray, shape (n_rows,)
        Calibrated held-out log-odds.
    """
    n = len(head.layout.names)
    total = max(float(head.importance.sum()), 1e-12)
    seen = (head.importance * ~np.isnan(rows.x[:, :n])).sum(axis=1) / total
    ratio = (line - float(log_odds(head.prior))) * seen
    words = Words({}, {}, {})
    for k in np.flatnonzero(seen >= MIN_OBSERVED_SHARE):
        take = rows.take[k]
        if rows.whole[k]:
            words.whole[str(table.check[take])] = float(ratio[k])
            words.loose[str(table.check[take])] = bool(rows.loose[k])
        if rows.n_takes[k] == 1:
            words.single[str(table.sha256[take])] = float(ratio[k])
    return words


def wheel_words_of(table: FeatureTable, rows: Rows, line: FloatArray) -> WheelWords:
    """Gather what a wheel head said of held-out cars."""
    lines: dict[str, list[tuple[str, dict[str, float]]]] = {}
    for take in np.unique(rows.take):
        places = np.flatnonzero(rows.take == take)
        by_wheel = {str(rows.zone[k]): float(line[k]) for k in places}
        entry = (str(table.sha256[take]), by_wheel)
        lines.setdefault(str(table.check[take]), []).append(entry)
    return WheelWords(lines)


def dependence_of(words: Sequence[Words], prior: float) -> float:
    """ρ between kinds of sensor that judge the same check; 1 where none is judged twice."""
    names = sorted(set().union(*(one.whole for one in words)))
    groups = [np.array([one.whole[c] for one in words if c in one.whole]) for c in names]
    loose = [next(one.loose[c] for one in words if c in one.whole) for c in names]
    return fit_dependence(groups, np.array(loose, dtype=bool), float(log_odds(prior)))


def combined_word(
    words: Sequence[Words], dependence: float, check: str, take: str | None = None
) -> float:
    """Log ratio of all kinds of sensor together, or of one take; 0 where not heard."""
    if take is None:
        found = [one.whole[check] for one in words if check in one.whole]
    else:
        found = [one.single[take] for one in words if take in one.single]
    return combine(found, dependence) if found else 0.0


def wheel_shares_of(
    words: Sequence[WheelWords],
    dependence: float,
    check: str,
    wheels: Sequence[str],
    take: str | None = None,
) -> Mapping[str, float]:
    """Shares of the driven wheels of a check; even where no head tells them apart."""
    entries = [entry for one in words for entry in one.lines.get(check, [])]
    lines = [by_wheel for sha, by_wheel in entries if take is None or sha == take]
    if not lines:
        return dict.fromkeys(wheels, 1.0 / len(wheels))
    table = np.array([[line[wheel] for wheel in wheels] for line in lines])
    return dict(zip(wheels, shares_of_wheels(table, dependence).tolist(), strict=True))
