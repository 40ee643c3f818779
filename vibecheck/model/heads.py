"""Stage 5: a head: one zone's (or all wheels') scorer with its calibration and spread."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.model.calibration import LOG_ODDS_LIMIT, Spread, log_odds
from vibecheck.model.inputs import InputLayout
from vibecheck.model.scorers import Scorer, scorer_from_arrays

FloatArray = NDArray[np.float64]

WHEEL_HEAD = "wheel"
"""One head serves all driven wheels; where the sensor sat tells them apart."""
STILL_WHEEL_HEAD = "still_wheel"
"""Wheels without drive do not turn on the bench: what could be heard of them is another thing."""


def turns_on_the_bench(zone: str, layout: str | None) -> bool:
    """Tell whether a wheel is driven; True for an unknown layout."""
    driven = {"fwd": "wheel_front_", "rwd": "wheel_rear_"}.get(layout or "", "wheel_")
    return zone.startswith(driven)


def head_of(zone: str, layout: str | None) -> str:
    """Name of the head that speaks about a zone of a car with this layout."""
    if not zone.startswith("wheel_"):
        return zone
    return WHEEL_HEAD if turns_on_the_bench(zone, layout) else STILL_WHEEL_HEAD


@dataclass(frozen=True, eq=False)
class Head:
    """A scorer, its calibration and its uncertainty.

    Attributes
    ----------
    layout : InputLayout
    scorer : Scorer
    offset, slope : float
        Calibrated log-odds = offset + slope × the scorer's log-odds.
    prior : float
        Share of loose rows in training.
    dependence : float
        ρ between takes of one check.
    spread : Spread
    importance : ndarray, shape (n_features,)
        Mean size of each feature's contribution in training.
    direction : ndarray, shape (n_features,)
        +1 where the feature is higher when loose, −1 where lower, 0 where it does not tell.
    """

    layout: InputLayout
    scorer: Scorer
    offset: float
    slope: float
    prior: float
    dependence: float
    spread: Spread
    importance: FloatArray
    direction: FloatArray

    def __post_init__(self) -> None:
        for name in ("importance", "direction"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def log_ratio(self, rows: FloatArray) -> FloatArray:
        """Calibrated log likelihood ratio of each row, the training prior taken out."""
        line = self.offset + self.slope * self.scorer.log_odds(rows)
        return np.clip(line - log_odds(self.prior), -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT)

    def feature_contributions(self, rows: FloatArray) -> FloatArray:
        """What each feature adds to the log ratio, shape (n_rows, n_features)."""
        columns = self.scorer.contributions(rows) * self.slope
        total = np.zeros((rows.shape[0], len(self.layout.names)))
        for place, feature in enumerate(self.layout.feature_of_column):
            if feature >= 0:
                total[:, feature] += columns[:, place]
        return total

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild the head but the feature names."""
        spread = self.spread
        numbers = [self.offset, self.slope, self.prior, self.dependence]
        numbers += [spread.car_sd, spread.var_offset, spread.var_slope, spread.covariance]
        return {
            "numbers": np.array(numbers),
            "flags": np.array([self.layout.with_baseline, self.layout.crossed]),
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
        flags = [bool(flag) for flag in arrays["flags"]]
        scorer = {
            name.removeprefix("scorer."): value
            for name, value in arrays.items()
            if name.startswith("scorer.")
        }
        offset, slope, prior, dependence, *spread = numbers
        return cls(
            layout=InputLayout(names, with_baseline=flags[0], crossed=flags[1]),
            scorer=scorer_from_arrays(scorer, where),
            offset=offset,
            slope=slope,
            prior=prior,
            dependence=dependence,
            spread=Spread(*spread),
            importance=arrays["importance"],
            direction=arrays["direction"],
        )
