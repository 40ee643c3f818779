"""Stage 5: what the heads say, brought together into probabilities that fit one another.

Every head answers its question by itself. Here the answers meet: "something is loose" listens to
the loudest zones too, and the zones share that probability among themselves, so that a zone that
explains the sound takes it from the others. All of it is a handful of numbers fitted to what the
heads said of held-out cars.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.model.calibration import LOG_ODDS_LIMIT, log_odds, sigmoid

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class Shared(NamedTuple):
    """What a check looks like once all heads were heard.

    Attributes
    ----------
    anything : ndarray, shape (n_checks,)
        Log-odds that something is loose.
    share : ndarray, shape (n_checks, n_groups)
        If something is loose: shares of the groups; each row adds to 1.
    group : ndarray, shape (n_checks, n_groups)
        Log-odds that something in the group is loose.
    """

    anything: FloatArray
    share: FloatArray
    group: FloatArray


@dataclass(frozen=True, eq=False)
class Coherence:
    """Numbers that bring the heads of one kind (with or without a baseline) together.

    Attributes
    ----------
    groups : tuple of str
        Heads about places: the wheels together, every other zone by itself.
    any_weights : ndarray, shape (3,)
        Offset, weight of the head about anything, weight of the loudest groups.
    share_offset : ndarray, shape (n_groups,)
        Log of a zone's usual share (of one wheel among the wheels).
    share_weight : float
        How much a group's log ratio counts when the groups share.
    group_weights : ndarray, shape (3,)
        Offset, weight of the shared probability, weight of the group's own head.
    base : float
        Share of the calibration checks with something loose.
    mean_loose : float
        Mean number of loose groups in a check with something loose, at least 1.
    scores : mapping of int to ndarray
        Sorted nonconformity (`vibecheck.model.conformal`) of the calibration checks, of one take
        (key 1) and of several (key 2).
    calm : mapping of int to ndarray
        Sorted log-odds of "something is loose" of those calibration checks in which nothing is
        loose and nothing sounds odd; keys as in `scores`.
    """

    groups: tuple[str, ...]
    any_weights: FloatArray
    share_offset: FloatArray
    share_weight: float
    group_weights: FloatArray
    base: float
    mean_loose: float
    scores: Mapping[int, FloatArray] = field(default_factory=dict)
    calm: Mapping[int, FloatArray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("any_weights", "share_offset", "group_weights"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def shares(self, ratios: FloatArray, sizes: FloatArray) -> FloatArray:
        """Shares of the groups, shape (n_checks, n_groups).

        Parameters
        ----------
        ratios : ndarray, shape (n_checks, n_groups)
            Log ratios of the groups' heads; 0 where not heard.
        sizes : ndarray, shape (n_checks, n_groups)
            Zones of the car in the group; 0 where it has none.
        """
        with np.errstate(divide="ignore"):
            line = self.share_offset + np.log(sizes) + self.share_weight * ratios
        line = line - line.max(axis=1, keepdims=True)
        weight = np.exp(line)
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))

    def loudest(self, ratios: FloatArray, sizes: FloatArray) -> FloatArray:
        """Log of the mean likelihood ratio over the zones of the car, shape (n_checks,).

        The likelihood ratio of "one of them is loose, any as likely as usual".
        """
        usual = self.shares(np.zeros_like(ratios), sizes)
        with np.errstate(divide="ignore"):
            return np.asarray(np.logaddexp.reduce(np.log(usual) + ratios, axis=1))

    def bring_together(self, anything: FloatArray, ratios: FloatArray, sizes: FloatArray) -> Shared:
        """Return what all heads together say.

        Parameters
        ----------
        anything : ndarray, shape (n_checks,)
            Log ratio of the head about anything; 0 where not heard.
        ratios, sizes : ndarray, shape (n_checks, n_groups)
            As in `shares`.
        """
        offset, own, loud = self.any_weights
        line = offset + own * anything + loud * self.loudest(ratios, sizes)
        any_line = np.clip(line, -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT)
        share = self.shares(ratios, sizes)
        shared = self.group_line(any_line, share)
        prior = self.group_prior(sizes)
        offset, together, alone = self.group_weights
        group = offset + together * (shared - prior) + alone * ratios + prior
        return Shared(any_line, share, np.where(sizes > 0, group, -2.0 * LOG_ODDS_LIMIT))

    def group_line(self, any_line: FloatArray, share: FloatArray) -> FloatArray:
        """Log-odds of every group from the probability of anything and the groups' shares."""
        one_of = 1.0 - (1.0 - share) ** self.mean_loose
        return log_odds(sigmoid(any_line)[:, None] * one_of)

    def group_prior(self, sizes: FloatArray) -> FloatArray:
        """Log-odds of every group before anything was heard, shape (n_checks, n_groups)."""
        usual = self.shares(np.zeros_like(sizes), sizes)
        base = np.full(sizes.shape[0], float(log_odds(self.base)))
        return self.group_line(base, usual)

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Everything needed to rebuild it."""
        numbers = [self.share_weight, self.base, self.mean_loose]
        return {
            "groups": np.array(self.groups),
            "any_weights": self.any_weights,
            "share_offset": self.share_offset,
            "group_weights": self.group_weights,
            "numbers": np.array(numbers),
            **{f"scores.{kind}": found for kind, found in self.scores.items()},
            **{f"calm.{kind}": found for kind, found in self.calm.items()},
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> Coherence:
        """Rebuild it from `arrays`."""
        share_weight, base, mean_loose = (float(value) for value in arrays["numbers"])
        return cls(
            groups=tuple(str(name) for name in arrays["groups"]),
            any_weights=arrays["any_weights"],
            share_offset=arrays["share_offset"],
            share_weight=share_weight,
            group_weights=arrays["group_weights"],
            base=base,
            mean_loose=mean_loose,
            scores=_by_takes(arrays, "scores."),
            calm=_by_takes(arrays, "calm."),
        )


def _by_takes(arrays: Mapping[str, NDArray[Any]], prefix: str) -> dict[int, FloatArray]:
    return {
        int(name.removeprefix(prefix)): value
        for name, value in arrays.items()
        if name.startswith(prefix)
    }
