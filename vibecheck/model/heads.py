"""Stage 5: a head: a scorer with its calibration and spread; which head speaks about which zone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.car.zones import WHEEL_ZONES
from vibecheck.model.calibration import LOG_ODDS_LIMIT, Spread, log_odds
from vibecheck.model.inputs import InputLayout
from vibecheck.model.scorers import Scorer, scorer_from_arrays

FloatArray = NDArray[np.float64]

ANY_HEAD = "any"
"""Is anything loose?"""
WHEELS_HEAD = "wheels"
"""Is any driven wheel loose?"""
WHICH_WHEEL_HEAD = "which_wheel"
"""Given that a driven wheel is loose: is it this one? Where the sensor sat tells them apart."""
STILL_WHEELS_HEAD = "still_wheels"
"""Is a wheel without drive loose? It does not turn on the bench."""


def driven_wheels(layout: str | None) -> tuple[str, ...]:
    """Wheel zones that turn on the bench; all four for an unknown layout."""
    start = {"fwd": "wheel_front_", "rwd": "wheel_rear_"}.get(layout or "", "wheel_")
    return tuple(zone for zone in WHEEL_ZONES if zone.startswith(start))


def head_of(zone: str, layout: str | None) -> str:
    """Name of the head that speaks about a zone of a car with this layout."""
    if zone not in WHEEL_ZONES:
        return zone
    return WHEELS_HEAD if zone in driven_wheels(layout) else STILL_WHEELS_HEAD


@dataclass(frozen=True, eq=False)
class Head:
    """A scorer, its calibration and its uncertainty.

    Attributes
    ----------
    layout : InputLayout
    scorer : Scorer
    offset, slope : tuple of float
        Calibrated log-odds = offset + slope × the scorer's log-odds: of one take first, then of
        several takes together.
    prior : float
        Share of loose rows in training.
    dependence : float
        ρ between what several heads of this name (kinds of sensor), or several takes where they
        are judged one by one, say of one check.
    spread : Spread
    importance : ndarray, shape (n_features,)
        Mean size of each feature's contribution in training.
    direction : ndarray, shape (n_features,)
        +1 where the feature is higher when loose, −1 where lower, 0 where it does not tell.
    """

    layout: InputLayout
    scorer: Scorer
    offset: tuple[float, float]
    slope: tuple[float, float]
    prior: float
    dependence: float
    spread: Spread
    importance: FloatArray
    direction: FloatArray

    def __post_init__(self) -> None:
        for name in ("importance", "direction"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def line(self, rows: FloatArray, n_takes: int = 1) -> FloatArray:
        """Calibrated log-odds of each row, with the training prior in."""
        kind = 0 if n_takes < 2 else 1
        return np.asarray(self.offset[kind] + self.slope[kind] * self.scorer.log_odds(rows))

    def log_ratio(self, rows: FloatArray, n_takes: int = 1) -> FloatArray:
        """Calibrated log likelihood ratio of each row, the training prior taken out."""
        line = self.line(rows, n_takes)
        return np.clip(line - log_odds(self.prior), -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT)

    def feature_contributions(
        self, rows: FloatArray, values: FloatArray, n_takes: int = 1
    ) -> FloatArray:
        """What each feature adds to the log ratio, shape (n_rows, n_features)."""
        columns = self.scorer.contributions(rows) * self.slope[0 if n_takes < 2 else 1]
        return self.layout.to_features(columns, values)

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild the head but the feature names."""
        spread = self.spread
        numbers = [*self.offset, *self.slope, self.prior, self.dependence]
        numbers += [spread.car_sd, spread.var_offset, spread.var_slope, spread.covariance]
        return {
            "numbers": np.array(numbers),
            "kind": np.array(self.layout.kind),
            "with_baseline": np.array(self.layout.with_baseline),
            "importance": self.importance,
            "direction": self.direction,
            **{f"scorer.{name}": value for name, value in self.scorer.arrays().items()},
        }

    @classmethod
    def from_arrays(
        cls, arrays: Mapping[str, NDArray[Any]], names: tuple[str, ...], where: str
    ) -> Head:
        """Rebuild a head from `arrays`."""
        numbers = [float(value) for value in arrays["numbers"]]
        prior, dependence, *spread = numbers[4:]
        scorer = {
            name.removeprefix("scorer."): value
            for name, value in arrays.items()
            if name.startswith("scorer.")
        }
        kind = "wheel" if str(arrays["kind"]) == "wheel" else "check"
        return cls(
            layout=InputLayout(names, bool(arrays["with_baseline"]), kind),  # type: ignore[arg-type]
            scorer=scorer_from_arrays(scorer, where),
            offset=(numbers[0], numbers[1]),
            slope=(numbers[2], numbers[3]),
            prior=prior,
            dependence=dependence,
            spread=Spread(*spread),
            importance=arrays["importance"],
            direction=arrays["direction"],
        )
