"""What the looseness model says of one bench check, as immutable values (made by stage 5)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vibecheck.features.vector import FeatureVector
from vibecheck.result import Candidates, Evidence, Unfamiliar


@dataclass(frozen=True, eq=False)
class TakeEvidence:
    """One take as the model sees it.

    Attributes
    ----------
    features : FeatureVector
    baseline : FeatureVector or None
        Robust centre of the car's own snug takes at this sensor and spot.
    spot, sensor : str
    limited : bool
        True where the quality gate found limits: widens the interval.
    file : str
        Source file, for the evidence lines.
    """

    features: FeatureVector
    baseline: FeatureVector | None = None
    spot: str = "centre"
    sensor: Literal["microphone", "accelerometer"] = "microphone"
    limited: bool = False
    file: str = ""


@dataclass(frozen=True)
class ZoneOdds:
    """How the takes of one check speak about one zone.

    Attributes
    ----------
    zone : str
    log_ratio, log_ratio_low, log_ratio_high : float
        Log likelihood ratio (natural) of "something is loose here" over "nothing is", and its
        interval; the prior of the training set is taken out already.
    heard : bool
        False where the model has no physics, or no observable feature, for this zone.
    evidence : tuple of Evidence
        Strongest first.
    prior : float or None
        Share of the training checks in which the zone was loose; ``None`` for a zone the model
        does not know.
    share : float
        If something is loose: the zone's share of it; all zones that the model knows add to 1.
    """

    zone: str
    log_ratio: float
    log_ratio_low: float
    log_ratio_high: float
    heard: bool
    evidence: tuple[Evidence, ...] = ()
    prior: float | None = None
    share: float = 0.0


@dataclass(frozen=True)
class ZoneAssessment:
    """All zones of one check, and how familiar its takes are."""

    zones: tuple[ZoneOdds, ...]
    unfamiliar: Unfamiliar
    any_loose_log_ratio: float | None = None
    candidates: Candidates | None = None
