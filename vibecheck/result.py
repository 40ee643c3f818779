"""The result of a check, as an immutable value with the public JSON form ``vibecheck.check/1``."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from vibecheck.car.profile import Car
from vibecheck.features.vector import FeatureVector
from vibecheck.findings import QualityReport
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack

SCHEMA = "vibecheck.check/1"
Verdict = Literal["inspect_first", "nothing_stood_out", "cannot_tell"]


@dataclass(frozen=True)
class Evidence:
    """One feature that speaks for or against a zone, in the owner's words."""

    feature: str
    value: float
    reference: float | None
    z: float | None
    reading: str
    file: str = ""


@dataclass(frozen=True)
class HistoryRemark:
    """Something the hand-check log says about one kind of fastener.

    Attributes
    ----------
    code : str
        ``"left_as_found"``, ``"settling"``, ``"repeat_offender"``, ``"nut_spent"`` or
        ``"never_checked"``.
    fastener : str
    message : str
        In the owner's words.
    """

    code: str
    fastener: str
    message: str


@dataclass(frozen=True)
class ZoneHistory:
    """What the car's hand-check history says about a zone.

    Attributes
    ----------
    prior : float
        Probability that something is loose here now, before any recording was heard.
    runs_since_hand_check : int or None
        Runs since all of the zone was checked; ``None`` where unknown.
    finds : int
        Hand checks that found something here.
    low, high : float or None
        Interval of ``prior``.
    usual : float or None
        The probability for a car of which nothing is known, over one run.
    rate_per_run, rate_low, rate_high : float or None
        Finds per run, with an interval.
    recheck_every_runs, recheck_due_in_runs : int or None
        Latest time to look again for the chosen miss probability; 0 is due now.
    remarks : tuple of HistoryRemark
    """

    prior: float
    runs_since_hand_check: int | None = None
    finds: int = 0
    low: float | None = None
    high: float | None = None
    usual: float | None = None
    rate_per_run: float | None = None
    rate_low: float | None = None
    rate_high: float | None = None
    recheck_every_runs: int | None = None
    recheck_due_in_runs: int | None = None
    remarks: tuple[HistoryRemark, ...] = ()


@dataclass(frozen=True)
class Vibration:
    """How the recordings speak about a zone: natural log of the likelihood ratio.

    Above 0 they speak for something loose, below 0 against it.
    """

    log_ratio: float
    low: float
    high: float


@dataclass(frozen=True)
class Contributions:
    """What moved a zone's probability, in natural log odds.

    The three add to the log odds of the probability, but for the bound that no recording moves a
    probability beyond.

    Attributes
    ----------
    usual : float
        Log odds for a car of which nothing is known, over one run.
    history : float
        What the car's own log added.
    vibration : float or None
        What the recordings added; ``None`` where nothing was heard.
    """

    usual: float
    history: float
    vibration: float | None


def _log_odds(probability: float) -> float:
    return math.log(probability) - math.log1p(-probability)


@dataclass(frozen=True)
class ZoneRisk:
    """Probability that a zone holds a loose fastener × how bad that would be."""

    zone: str
    probability: float
    low: float
    high: float
    severity: int
    risk: float
    rank: int
    evidence: tuple[Evidence, ...] = ()
    history: ZoneHistory = field(default_factory=lambda: ZoneHistory(prior=0.0))
    heard: bool = True
    """False where the model has no evidence on this zone: history alone ranks it."""
    how_to_check: str = ""
    vibration: Vibration | None = None
    """``None`` where nothing was heard."""

    @property
    def contributions(self) -> Contributions | None:
        """What moved the probability; ``None`` where the history names no usual rate."""
        before = self.history
        if before.usual is None or not (0.0 < before.prior < 1.0 and 0.0 < before.usual < 1.0):
            return None
        usual = _log_odds(before.usual)
        heard = None if self.vibration is None else self.vibration.log_ratio
        return Contributions(usual, _log_odds(before.prior) - usual, heard)


@dataclass(frozen=True)
class Unfamiliar:
    """How unlike anything the model learned from the takes are."""

    score: float
    limit: float
    is_unfamiliar: bool


@dataclass(frozen=True)
class ModelCard:
    """Which model spoke."""

    name: str
    version: str
    trained_on: Literal["simulated", "own", "pooled"]
    n_takes: int


@dataclass(frozen=True, eq=False)
class CheckedTake:
    """One take with everything that was computed from it."""

    take: Take
    quality: QualityReport
    speed: SpeedTrack | None
    features: FeatureVector | None
    baseline: FeatureVector | None = None
    """Robust centre of the car's own snug takes at this sensor and spot."""


@dataclass(frozen=True)
class Candidates:
    """Zones among which, where something is loose, a loose one lies with a stated coverage.

    Attributes
    ----------
    coverage : float
        Share of checks with something loose in which the set held a loose zone, over cars like
        those of the training set. Nothing is promised for other cars.
    zones : tuple of str
        Likeliest first. Zones that the model does not know are in no set.
    """

    coverage: float
    zones: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class CheckResult:
    """What a check found. Never says that a car may go out."""

    created: datetime
    car: Car
    model: ModelCard
    takes: tuple[CheckedTake, ...]
    zones: tuple[ZoneRisk, ...]
    verdict: Verdict
    unfamiliar: Unfamiliar
    hand_check: str
    cautions: tuple[str, ...] = ()
    baseline_takes: tuple[CheckedTake, ...] = ()
    notes: tuple[str, ...] = ()
    candidates: Candidates | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the public JSON form as plain Python values."""
        from vibecheck.result_json import result_to_dict

        return result_to_dict(self)

    def to_json(self, *, indent: int | None = 2) -> str:
        """Return the public JSON form (schema ``vibecheck.check/1``)."""
        import json

        return json.dumps(self.to_dict(), indent=indent, allow_nan=False, ensure_ascii=False)

    def to_html(self) -> str:
        """Return a single self-contained HTML page."""
        from vibecheck.report.page import result_to_html

        return result_to_html(self)
