"""Stage 4: the feature catalogue, one documented entry per feature."""

from __future__ import annotations

from vibecheck.features import colour, harmonics, impact, mesh, onset, resonance, speed_signs
from vibecheck.features.spec import FeatureSpec

CATALOGUE_VERSION = "1"
"""Changes whenever a feature is added, taken away or computed differently."""

CATALOGUE: tuple[FeatureSpec, ...] = (
    *impact.FEATURES,
    *onset.FEATURES,
    *harmonics.FEATURES,
    *resonance.FEATURES,
    *mesh.FEATURES,
    *colour.FEATURES,
    *speed_signs.FEATURES,
)
NAMES: tuple[str, ...] = tuple(spec.name for spec in CATALOGUE)
BY_NAME: dict[str, FeatureSpec] = {spec.name: spec for spec in CATALOGUE}
