"""Stage 5: which features speak for a zone, in the owner's words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibecheck.features.catalogue import BY_NAME
from vibecheck.model.assessment import TakeEvidence
from vibecheck.model.baseline import Z_LIMIT
from vibecheck.model.population import Population
from vibecheck.result import Evidence

FloatArray = NDArray[np.float64]

MIN_CONTRIBUTION = 0.05
"""Natural log units a feature must add before it is named as evidence."""
MIN_DISTANCE = 1.0
"""Spreads a feature must lie from its reference before it is named."""
MAX_EVIDENCE = 4


def named_evidence(
    added: FloatArray,
    direction: FloatArray,
    population: Population,
    take: TakeEvidence,
    zone: str,
    z: FloatArray,
) -> list[tuple[float, Evidence]]:
    """Return the features that speak for a zone, with what each adds to the log ratio.

    Named are only features whose catalogue entry speaks about the zone and which deviate, by at
    least `MIN_DISTANCE`, the way looseness moved them in training: every line is then physically
    sensible.

    Parameters
    ----------
    added, direction, z : ndarray, shape (n_features,)
        What each feature adds, which way looseness moves it, its distance from the baseline.
    population : Population
    take : TakeEvidence
    zone : str
    """
    features, baseline = take.features, take.baseline
    found = []
    for place in np.argsort(-added):
        if added[place] < MIN_CONTRIBUTION:
            break
        name = features.names[place]
        spec = BY_NAME.get(name)
        if spec is None or features.missing[place] or not spec.speaks_about(zone):
            continue
        value = float(features.values[place])
        if baseline is not None and not baseline.missing[place]:
            reference, distance = float(baseline.values[place]), float(z[place])
        else:
            reference = float(population.centre[place])
            scaled = (value - reference) / float(population.scale[place])
            distance = float(np.clip(scaled, -Z_LIMIT, Z_LIMIT))
        if distance * direction[place] < MIN_DISTANCE:
            continue
        line = Evidence(
            feature=name,
            value=value,
            reference=reference,
            z=distance,
            reading=spec.reading(value, high=distance > 0.0),
            file=take.file,
        )
        found.append((float(added[place]), line))
    return found


def strongest(named: Sequence[tuple[float, Evidence]]) -> tuple[Evidence, ...]:
    """Return the strongest lines, each feature once."""
    lines: dict[str, Evidence] = {}
    for _added, line in sorted(named, key=lambda item: -item[0]):
        lines.setdefault(line.feature, line)
    return tuple(lines.values())[:MAX_EVIDENCE]
