"""Stage 5: sets of candidate zones with a stated coverage (split conformal prediction).

A check's nonconformity is one minus the largest share that a truly loose zone got. The set of a new
check holds the zones whose share is at least one minus the k-th smallest nonconformity of n
calibration checks, k = ⌈(n + 1)(1 − α)⌉ (Vovk, Gammerman & Shafer 2005; Angelopoulos & Bates,
arXiv:2107.07511). The coverage is that of checks exchangeable with those of the calibration.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def quantile_index(n: int, coverage: float) -> int | None:
    """Which of n sorted scores bounds the set, counted from 1.

    ``None`` where n is too small for the coverage (n < ⌈1/α⌉ − 1): the set holds everything then.
    """
    k = math.ceil((n + 1) * coverage - 1e-9)
    return k if k <= n else None


def share_limit(sorted_scores: FloatArray, coverage: float) -> float:
    """Least share with which a zone is in the set.

    Parameters
    ----------
    sorted_scores : ndarray, shape (n,)
        Nonconformity of the calibration checks, ascending.
    coverage : float
        Between 0 and 1.
    """
    k = quantile_index(sorted_scores.size, coverage)
    return 0.0 if k is None else 1.0 - float(sorted_scores[k - 1])


def candidate_places(shares: FloatArray, limit: float) -> list[int]:
    """Places of the zones in the set, largest share first; never empty.

    Adding the likeliest zone where none reaches the limit can only raise the coverage.
    """
    order = np.argsort(-shares, kind="stable")
    kept = [int(place) for place in order if shares[place] >= limit - 1e-12]
    return kept or [int(order[0])]
