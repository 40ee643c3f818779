"""Stage 5: what the heads say of one check, before and after they are brought together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.model.assessment import TakeEvidence, ZoneOdds
from vibecheck.model.calibration import INTERVAL_SDS
from vibecheck.model.coherence import Coherence, Shared
from vibecheck.model.heads import Head, head_of

FloatArray = NDArray[np.float64]

UNHEARD_HALF_WIDTH = 3.0
"""Half width, in log-odds, of the interval of a zone that was not heard."""


class Prepared(NamedTuple):
    """Takes of one check by one kind of sensor, with or without a baseline, measured.

    Attributes
    ----------
    with_baseline : bool
    sensor : str
    takes : tuple of TakeEvidence
    standard, z : ndarray, shape (n_takes, n_features)
        Against the population and the baseline, NaN where missing.
    missing : ndarray of bool, shape (n_features,)
        Features that no take observed.
    """

    with_baseline: bool
    sensor: str
    takes: tuple[TakeEvidence, ...]
    standard: FloatArray
    z: FloatArray
    missing: NDArray[np.bool_]


class Combined(NamedTuple):
    """What the heads of one name say of all takes of a check."""

    log_ratio: float
    sd: float
    prior: float
    rows: tuple[tuple[Head, FloatArray, Prepared], ...] = ()


class Judgement(NamedTuple):
    """Zones of a check before anything was said about how familiar it is.

    Attributes
    ----------
    zones : tuple of ZoneOdds
    any_log_ratio, any_prior : float or None
        ``None`` where no head could hear anything.
    with_baseline : bool
    n_takes : int
        Takes that were heard.
    """

    zones: tuple[ZoneOdds, ...]
    any_log_ratio: float | None
    any_prior: float | None
    with_baseline: bool
    n_takes: int


def group_sizes(groups: Sequence[str], zones: Sequence[str], layout: str | None) -> FloatArray:
    """How many zones of a car each group holds, shape (n_groups,)."""
    names = [head_of(zone, layout) for zone in zones]
    sizes = np.array([names.count(group) for group in groups], dtype=np.float64)
    # A car none of whose zones is known: any may be.
    return sizes if sizes.any() else np.ones(len(groups))


def unheard(zone: str, prior: float | None, share: float) -> ZoneOdds:
    """Return the odds of a zone of which no head could hear anything."""
    return ZoneOdds(
        zone, 0.0, -UNHEARD_HALF_WIDTH, UNHEARD_HALF_WIDTH, heard=False, prior=prior, share=share
    )


def bring_together(
    coherence: Coherence,
    anything: Combined | None,
    heard: Mapping[str, Combined | None],
    sizes: FloatArray,
) -> tuple[Shared, FloatArray, FloatArray]:
    """Bring the heads of one check together: as they are, and each group at its interval's ends.

    Returns
    -------
    whole : Shared
        One row.
    low, high : ndarray, shape (n_groups,)
        Log-odds of each group where it and "anything" lie at the ends of their intervals.
    """
    n = len(coherence.groups)
    any_ratio, any_sd = (anything.log_ratio, anything.sd) if anything else (0.0, 0.0)
    ratios = np.array([group.log_ratio if group else 0.0 for group in heard.values()])
    sds = np.array([group.sd if group else 0.0 for group in heard.values()])
    rows = [ratios]
    firsts = [any_ratio]
    for side in (-INTERVAL_SDS, INTERVAL_SDS):
        rows += list(ratios + side * np.diag(sds))
        firsts += [any_ratio + side * any_sd] * n
    every = np.tile(sizes, (len(rows), 1))
    found = coherence.bring_together(np.array(firsts), np.array(rows), every)
    whole = Shared(found.anything[:1], found.share[:1], found.group[:1])
    at = np.arange(n)
    return whole, found.group[1 + at, at], found.group[1 + n + at, at]
