"""Stage 4: the feature catalogue, one documented entry per feature."""

from __future__ import annotations

from vibecheck.features import (
    colour,
    harmonics,
    impact,
    knocks,
    mesh,
    onset,
    order_levels,
    resonance,
    speed_signs,
    thumps,
    tones,
)
from vibecheck.features.spec import FeatureSpec

CATALOGUE_VERSION = "2"
"""Changes whenever a feature is added, taken away or computed differently."""

CATALOGUE: tuple[FeatureSpec, ...] = (
    *impact.FEATURES,
    *knocks.FEATURES,
    *thumps.FEATURES,
    *onset.FEATURES,
    *harmonics.FEATURES,
    *order_levels.FEATURES,
    *resonance.FEATURES,
    *mesh.FEATURES,
    *colour.FEATURES,
    *tones.FEATURES,
    *speed_signs.FEATURES,
)
NAMES: tuple[str, ...] = tuple(spec.name for spec in CATALOGUE)
BY_NAME: dict[str, FeatureSpec] = {spec.name: spec for spec in CATALOGUE}
