"""The light way to own cars: every head of a model gets an offset and a slope from own takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibecheck.model.calibration import log_odds, sigmoid
from vibecheck.model.heads import ANY_HEAD, WHICH_WHEEL_HEAD, Head
from vibecheck.model.looseness import HeadKey, LoosenessModel
from vibecheck.training.rows import known_of, label_of
from vibecheck.training.table import FeatureTable

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

OFFSET_SD = 1.0
LOG_SLOPE_SD = 0.5
"""How far, in log-odds and as a factor, a head may be off; common practice, no source."""


def adjusted(old: LoosenessModel, own: FeatureTable) -> LoosenessModel:
    """Give every head an offset and a slope from own takes, held near none by a prior."""
    heads = dict(old.heads)
    checks = np.unique(own.check).tolist()
    for key, head in old.heads.items():
        if key.name == WHICH_WHEEL_HEAD:
            continue
        ratio, loose = _heard(old, key, own, checks)
        if loose.size:
            heads[key] = shifted(head, *fit_shift(ratio, loose))
    return replace(old, heads=heads)


def _heard(
    model: LoosenessModel, key: HeadKey, own: FeatureTable, checks: Sequence[str]
) -> tuple[FloatArray, BoolArray]:
    """Log ratios of one head for own checks whose label it knows, and those labels."""
    labels, known = label_of(own, key.name), known_of(own, key.name)
    ratios, loose = [], []
    for check in checks:
        takes = np.flatnonzero((own.check == check) & (own.sensor == key.sensor))
        if (
            takes.size == 0
            or not known[takes[0]]
            or (own.is_mesh[takes[0]] and key.name in (ANY_HEAD, "gear_mesh"))
        ):
            continue
        evidence = [own.evidence(int(k), with_baseline=key.with_baseline) for k in takes]
        if key.with_baseline:
            evidence = [one for one in evidence if one.baseline is not None]
        if not evidence:
            continue
        zone = key.name if key.name in own.zones.tolist() else ""
        said = model.combined(key.name, evidence, zone)
        if said is not None:
            ratios.append(said.log_ratio)
            loose.append(bool(labels[takes[0]]))
    return np.array(ratios, dtype=np.float64), np.array(loose, dtype=bool)


def fit_shift(ratio: FloatArray, loose: BoolArray) -> tuple[float, float]:
    """Most probable offset a and slope b of the log ratio a + b·ratio, given labels.

    The log-odds of a label are those of the own base rate plus the ratio; a is normal about 0 with
    standard deviation `OFFSET_SD`, ln b about 0 with `LOG_SLOPE_SD`.

    Parameters
    ----------
    ratio : ndarray, shape (n,)
    loose : ndarray of bool, shape (n,)

    Returns
    -------
    a, b : float
        (0, 1) where there is no label.
    """
    from scipy.optimize import minimize

    if loose.size == 0:
        return 0.0, 1.0
    base = float(log_odds((loose.sum() + 0.5) / (loose.size + 1.0)))
    target = loose.astype(np.float64)

    def cost(theta: FloatArray) -> tuple[float, FloatArray]:
        slope = float(np.exp(theta[1]))
        line = base + theta[0] + slope * ratio
        error = sigmoid(line) - target
        value = float(np.sum(np.logaddexp(0.0, line) - target * line))
        value += 0.5 * float((theta[0] / OFFSET_SD) ** 2 + (theta[1] / LOG_SLOPE_SD) ** 2)
        slopes = [
            float(error.sum()) + float(theta[0]) / OFFSET_SD**2,
            float((error * slope * ratio).sum()) + float(theta[1]) / LOG_SLOPE_SD**2,
        ]
        return value, np.array(slopes)

    best = minimize(cost, np.zeros(2), jac=True, method="L-BFGS-B").x
    return float(best[0]), float(np.exp(best[1]))


def shifted(head: Head, offset: float, slope: float) -> Head:
    """Return a head whose log ratio is offset + slope times what it was."""
    prior = float(log_odds(head.prior))
    first, several = (prior + offset + slope * (one - prior) for one in head.offset)
    return replace(
        head,
        offset=(first, several),
        slope=(slope * head.slope[0], slope * head.slope[1]),
    )
