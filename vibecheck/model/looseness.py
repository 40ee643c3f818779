"""Stage 5: the looseness model: takes of one check → log likelihood ratio per zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array
from vibecheck.car.profile import Car
from vibecheck.errors import CallError, InputError
from vibecheck.features.catalogue import BY_NAME
from vibecheck.model.assessment import TakeEvidence, ZoneAssessment, ZoneOdds
from vibecheck.model.baseline import Z_LIMIT, baseline_z
from vibecheck.model.calibration import (
    INTERVAL_SDS,
    LOG_ODDS_LIMIT,
    combine,
    log_odds,
    sigmoid,
)
from vibecheck.model.heads import Head, head_of
from vibecheck.model.inputs import relation
from vibecheck.model.unfamiliar import Familiarity
from vibecheck.result import Evidence, ModelCard, Unfamiliar

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STANDARD_LIMIT = 6.0
"""Standard features are cut here: outliers of one feature must not decide alone."""
MIN_OBSERVED_SHARE = 0.3
"""A zone of whose evidence (by importance in training) less was observed is not heard."""
MIN_CONTRIBUTION = 0.1
"""Natural log units a feature must add before it is named as evidence."""
MAX_EVIDENCE = 4
LIMITED_FACTOR = 1.5
"""Interval widening for a take that the quality gate found limited; common practice, no source."""
NO_SPREAD_SDS = 3.0
"""Half width, in log-odds standard deviations, given to a zone that was not heard."""


@dataclass(frozen=True, eq=False)
class Population:
    """The training takes of snug cars: what is usual.

    Attributes
    ----------
    centre, scale : ndarray, shape (n_features,)
        Median and robust standard deviation over all training takes' snug rows.
    within : ndarray, shape (n_features,)
        Spread from take to take of one snug car (`pooled_spread`).
    """

    centre: FloatArray
    scale: FloatArray
    within: FloatArray

    def __post_init__(self) -> None:
        for name in ("centre", "scale", "within"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def standard(self, values: FloatArray, missing: BoolArray) -> FloatArray:
        """Features against the population, cut at ± `STANDARD_LIMIT`; NaN where missing."""
        against = np.clip((values - self.centre) / self.scale, -STANDARD_LIMIT, STANDARD_LIMIT)
        return np.where(missing, np.nan, against)


@dataclass(frozen=True, eq=False)
class LoosenessModel:
    """Trained heads with everything needed to judge the takes of a check.

    Attributes
    ----------
    names : tuple of str
        Features, in the order the model was trained with.
    catalogue_version : str
    population : Population
    heads : mapping of (head, with baseline) to Head
        Head names are ``"wheel"``, ``"still_wheel"`` and zone names; a head that showed no skill
        on held-out cars is absent.
    any_offset, any_slope, any_prior : float
        Calibration of "something is loose anywhere" from the zones' probabilities together.
    familiarity : Familiarity
    about : mapping
        Name, version, origin, data hashes, metrics and limits, as plain values.
    """

    names: tuple[str, ...]
    catalogue_version: str
    population: Population
    heads: Mapping[tuple[str, bool], Head]
    any_offset: float
    any_slope: float
    any_prior: float
    familiarity: Familiarity
    about: Mapping[str, Any] = field(default_factory=dict)

    @property
    def card(self) -> ModelCard:
        """Which model this is."""
        return ModelCard(
            name=str(self.about.get("name", "looseness")),
            version=str(self.about.get("version", "0")),
            trained_on=self.about.get("trained_on", "simulated"),
            n_takes=int(self.about.get("n_takes", 0)),
        )

    @property
    def unfamiliar_limit(self) -> float:
        """Score above which a check counts as unlike anything the model learned from."""
        return self.familiarity.limit

    def zones_heard(self) -> tuple[str, ...]:
        """Heads the model has."""
        return tuple(sorted({name for name, _with_baseline in self.heads}))

    # ---- the one verb ------------------------------------------------------------------

    def assess(self, takes: Sequence[TakeEvidence], car: Car) -> ZoneAssessment:
        """Judge the takes of one bench check.

        Parameters
        ----------
        takes : sequence of TakeEvidence
            At least one. Takes with a baseline are judged against it.
        car : Car
            Its zones are judged.

        Returns
        -------
        ZoneAssessment
            One entry per zone of the car, in the car's order.

        Raises
        ------
        CallError
            If there is no take.
        InputError
            If the features are of another catalogue than the model's.
        """
        if not takes:
            raise CallError("There is no take to judge.", advice="Name at least one recording.")
        for take in takes:
            self._check_catalogue(take)
        zones = tuple(self.zone_odds(zone.name, takes, car.layout) for zone in car.zones)
        return ZoneAssessment(
            zones=zones,
            unfamiliar=self.unfamiliar_of(takes),
            any_loose_log_ratio=self.any_log_ratio(zones, car.layout),
        )

    def zone_odds(self, zone: str, takes: Sequence[TakeEvidence], layout: str | None) -> ZoneOdds:
        """Judge one zone from all takes."""
        ratios: list[float] = []
        variances: list[float] = []
        shares: list[float] = []
        named: list[tuple[float, Evidence]] = []
        dependence = 1.0
        for take in takes:
            head = self.heads.get((head_of(zone, layout), take.baseline is not None))
            if head is None:
                continue
            share = self.observed_share(head, take.features.missing)
            if share < MIN_OBSERVED_SHARE:
                continue
            rows, z = self.rows_of(head, take, zone)
            # Evidence that was not observed cannot speak, neither for nor against.
            ratio = float(head.log_ratio(rows)[0]) * share
            sd = head.spread.sd(ratio) / np.sqrt(share) * (LIMITED_FACTOR if take.limited else 1.0)
            ratios.append(ratio)
            variances.append(sd**2)
            shares.append(share)
            dependence = min(dependence, head.dependence)
            named.extend(self._evidence(head, take, zone, rows, z))
        if not ratios:
            return ZoneOdds(zone, 0.0, -NO_SPREAD_SDS, NO_SPREAD_SDS, heard=False)
        n = len(ratios)
        total = float(np.clip(combine(ratios, dependence), -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT))
        # Offsets of the car are common to its takes: several takes of one car do not shrink them
        # below the dependence share.
        mean_variance = float(np.mean(variances))
        worth = n / (1.0 + (n - 1) * dependence)
        sd = float(np.sqrt(mean_variance * max(worth, 1.0)))
        return ZoneOdds(
            zone=zone,
            log_ratio=total,
            log_ratio_low=total - INTERVAL_SDS * sd,
            log_ratio_high=total + INTERVAL_SDS * sd,
            heard=True,
            evidence=_strongest(named),
        )

    def any_log_ratio(self, zones: Sequence[ZoneOdds], layout: str | None) -> float | None:
        """Log likelihood ratio of "something is loose somewhere the model can hear"."""
        score = self.any_score(zones, layout)
        if score is None:
            return None
        line = self.any_offset + self.any_slope * score - float(log_odds(self.any_prior))
        return float(np.clip(line, -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT))

    def any_score(self, zones: Sequence[ZoneOdds], layout: str | None) -> float | None:
        """Log-odds that not every heard zone is snug, the zones taken as independent."""
        none_loose = 0.0
        heard = False
        for odds in zones:
            name = head_of(odds.zone, layout)
            head = self.heads.get((name, False)) or self.heads.get((name, True))
            if not odds.heard or head is None:
                continue
            heard = True
            none_loose -= float(np.logaddexp(0.0, odds.log_ratio + log_odds(head.prior)))
        if not heard:
            return None
        # log((1 − q)/q) for q = exp(none_loose), without cancellation.
        return float(np.log(-np.expm1(min(none_loose, -1e-12))) - none_loose)

    # ---- pieces shared with training ---------------------------------------------------

    def rows_of(self, head: Head, take: TakeEvidence, zone: str) -> tuple[FloatArray, FloatArray]:
        """Build a head's row for a take and a zone; also the take's distances from baseline."""
        features = take.features
        standard = self.population.standard(features.values, features.missing)
        z, z_missing = baseline_z(features, take.baseline, self.population.within)
        rows = head.layout.rows(
            standard[None, :],
            np.where(z_missing, np.nan, z)[None, :],
            [relation(take.spot, zone)],
            np.array([take.sensor == "accelerometer"]),
        )
        return rows, z

    def observed_share(self, head: Head, missing: BoolArray) -> float:
        """Share of a head's evidence (by importance in training) that a take could observe."""
        total = float(head.importance.sum())
        return float(head.importance[~missing].sum()) / total if total > 0.0 else 0.0

    def _check_catalogue(self, take: TakeEvidence) -> None:
        features = take.features
        if features.catalogue_version != self.catalogue_version or features.names != self.names:
            raise InputError(
                f"The model must be of feature catalogue {features.catalogue_version}. "
                f"Got {self.catalogue_version} instead.",
                where=self.card.name,
                advice="Train the model again with this version of vibecheck.",
            )

    def unfamiliar_of(self, takes: Sequence[TakeEvidence]) -> Unfamiliar:
        """Say how unlike the training takes the takes of a check are (median over takes)."""
        scores = [
            self.familiarity.score(
                np.nan_to_num(
                    self.population.standard(take.features.values, take.features.missing), nan=0.0
                ),
                take.features.missing,
                accelerometer=take.sensor == "accelerometer",
            )
            for take in takes
        ]
        score = float(np.median(scores))
        limit = self.familiarity.limit
        return Unfamiliar(score=score, limit=limit, is_unfamiliar=score > limit)

    def _evidence(
        self, head: Head, take: TakeEvidence, zone: str, rows: FloatArray, z: FloatArray
    ) -> list[tuple[float, Evidence]]:
        """Features that speak for the zone, with what each adds to the log ratio.

        Named are only features whose catalogue entry speaks about the zone and which deviate the
        way looseness moved them in training, so that every line is physically sensible.
        """
        added = head.feature_contributions(rows)[0]
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
                reference = float(self.population.centre[place])
                scaled = (value - reference) / float(self.population.scale[place])
                distance = float(np.clip(scaled, -Z_LIMIT, Z_LIMIT))
            if distance * head.direction[place] <= 0.0:
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


def _strongest(named: Sequence[tuple[float, Evidence]]) -> tuple[Evidence, ...]:
    """The strongest lines, each feature once."""
    lines: dict[str, Evidence] = {}
    for _added, line in sorted(named, key=lambda item: -item[0]):
        lines.setdefault(line.feature, line)
    return tuple(lines.values())[:MAX_EVIDENCE]


def probability(odds: ZoneOdds, prior: float) -> float:
    """Probability that a zone is loose, from its log ratio and a prior probability."""
    return float(sigmoid(np.asarray(odds.log_ratio + log_odds(prior))))
