"""Stage 5: the looseness model: takes of one check → log likelihood ratio per zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.profile import Car
from vibecheck.errors import CallError, InputError
from vibecheck.model.assessment import TakeEvidence, ZoneAssessment, ZoneOdds
from vibecheck.model.baseline import baseline_z
from vibecheck.model.calibration import INTERVAL_SDS, LOG_ODDS_LIMIT, combine, log_odds, sigmoid
from vibecheck.model.evidence import named_evidence, strongest
from vibecheck.model.heads import (
    ANY_HEAD,
    WHEELS_HEAD,
    WHICH_WHEEL_HEAD,
    Head,
    driven_wheels,
    head_of,
)
from vibecheck.model.inputs import contrasts, relation
from vibecheck.model.population import Population
from vibecheck.model.unfamiliar import STRANGE, Familiarity
from vibecheck.result import Evidence, ModelCard, Unfamiliar

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MIN_OBSERVED_SHARE = 0.3
"""A zone of whose evidence (by importance in training) less was observed is not heard."""
LIMITED_FACTOR = 1.5
"""Interval widening for a take that the quality gate found limited; common practice, no source."""
MIN_SHARE_SD = 0.3
"""Least standard deviation, in log-odds, of which wheel it is; common practice, no source."""
UNHEARD_HALF_WIDTH = 3.0
"""Half width, in log-odds, of the interval of a zone that was not heard."""


class HeadKey(NamedTuple):
    """Names a head."""

    name: str
    with_baseline: bool
    sensor: str


class Combined(NamedTuple):
    """One head's word on all takes of a check."""

    log_ratio: float
    sd: float
    prior: float
    evidence: tuple[tuple[float, Evidence], ...]


@dataclass(frozen=True, eq=False)
class LoosenessModel:
    """Trained heads with everything needed to judge the takes of a check.

    Attributes
    ----------
    names : tuple of str
        Features, in the order the model was trained with.
    catalogue_version : str
    populations : mapping of sensor to Population
    familiarities : mapping of sensor to Familiarity
    heads : mapping of HeadKey to Head
        A head that showed no skill on held-out cars is absent.
    about : mapping
        Name, version, origin, data hashes, metrics and limits, as plain values.
    """

    names: tuple[str, ...]
    catalogue_version: str
    populations: Mapping[str, Population]
    familiarities: Mapping[str, Familiarity]
    heads: Mapping[HeadKey, Head]
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
        """Score above which a check counts as unlike anything the model learned from.

        Scores are stated over the limit of their kind of sensor, so this is 1.
        """
        return 1.0

    # ---- the one verb ------------------------------------------------------------------

    def assess(self, takes: Sequence[TakeEvidence], car: Car) -> ZoneAssessment:
        """Judge the takes of one bench check.

        Parameters
        ----------
        takes : sequence of TakeEvidence
            At least one. Takes with a baseline are judged against it.
        car : Car
            Its zones are judged; its layout tells which wheels turn on the bench.

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
        anything = self.combined(ANY_HEAD, takes)
        shares = self.wheel_shares(takes, car.layout)
        return ZoneAssessment(
            zones=tuple(self.zone_odds(zone.name, takes, car.layout, shares) for zone in car.zones),
            unfamiliar=self.unfamiliar_of(takes),
            any_loose_log_ratio=anything.log_ratio if anything else None,
        )

    def zone_odds(
        self,
        zone: str,
        takes: Sequence[TakeEvidence],
        layout: str | None,
        shares: Mapping[str, tuple[float, float]] | None = None,
    ) -> ZoneOdds:
        """Judge one zone from all takes.

        ``shares`` are `wheel_shares`, where they are known already.
        """
        name = head_of(zone, layout)
        found = self.combined(name, takes, zone)
        if found is None:
            return ZoneOdds(zone, 0.0, -UNHEARD_HALF_WIDTH, UNHEARD_HALF_WIDTH, heard=False)
        ratio, sd = found.log_ratio, found.sd
        if name == WHEELS_HEAD:
            known = shares if shares is not None else self.wheel_shares(takes, layout)
            ratio, sd = self._one_wheel(known[zone], len(driven_wheels(layout)), found)
        return ZoneOdds(
            zone=zone,
            log_ratio=ratio,
            log_ratio_low=ratio - INTERVAL_SDS * sd,
            log_ratio_high=ratio + INTERVAL_SDS * sd,
            heard=True,
            evidence=strongest(found.evidence),
        )

    # ---- combining takes ---------------------------------------------------------------

    def combined(self, name: str, takes: Sequence[TakeEvidence], zone: str = "") -> Combined | None:
        """Combine what one head says of all takes; ``None`` where it cannot hear any of them."""
        ratios: list[float] = []
        variances: list[float] = []
        priors: list[float] = []
        evidence: list[tuple[float, Evidence]] = []
        dependence = 0.0
        for take in takes:
            head = self.heads.get(HeadKey(name, take.baseline is not None, take.sensor))
            if head is None:
                continue
            share = observed_share(head, take.features.missing)
            if share < MIN_OBSERVED_SHARE:
                continue
            standard, z = self.columns_of(take)
            rows = head.layout.take_rows(standard, z, [relation(take.spot, zone)])
            # Evidence that was not observed cannot speak, neither for nor against.
            ratio = float(head.log_ratio(rows)[0]) * share
            sd = head.spread.sd(ratio) / np.sqrt(share) * (LIMITED_FACTOR if take.limited else 1.0)
            ratios.append(ratio)
            variances.append(sd**2)
            priors.append(head.prior)
            dependence = max(dependence, head.dependence)
            if zone:
                added = head.feature_contributions(rows, standard, z)[0]
                population = self.populations[take.sensor]
                evidence += named_evidence(added, head.direction, population, take, zone, z[0])
        if not ratios:
            return None
        n = len(ratios)
        total = float(np.clip(combine(ratios, dependence), -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT))
        # n takes are worth this many independent ones; variances of sums grow with it.
        worth = n / (1.0 + (n - 1) * dependence)
        sd = float(np.sqrt(np.mean(variances) * worth))
        return Combined(total, sd, float(np.mean(priors)), tuple(evidence))

    @staticmethod
    def _one_wheel(
        shared: tuple[float, float], n_wheels: int, wheels: Combined
    ) -> tuple[float, float]:
        """Log ratio of one wheel: any driven wheel, times this one among them."""
        share, share_sd = shared
        any_wheel = float(sigmoid(np.asarray(wheels.log_ratio + log_odds(wheels.prior))))
        one = any_wheel * share
        before = wheels.prior / n_wheels
        ratio = float(log_odds(one) - log_odds(before))
        # First-order propagation: d logit(p q) = (1−p)/(1−pq) d logit p + (1−q)/(1−pq) d logit q.
        by_wheels = (1.0 - any_wheel) / (1.0 - one) * wheels.sd
        by_share = (1.0 - share) / (1.0 - one) * share_sd
        # Near certainty the first term vanishes; a tenth of it stays as a floor.
        sd = float(np.hypot(max(by_wheels, 0.1 * wheels.sd), by_share))
        return float(np.clip(ratio, -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT)), sd

    def wheel_shares(
        self, takes: Sequence[TakeEvidence], layout: str | None
    ) -> dict[str, tuple[float, float]]:
        """If a driven wheel is loose: probability that it is this one, and its log-odds' sd."""
        wheels = driven_wheels(layout)
        even = 1.0 / len(wheels)
        lines: dict[str, list[float]] = {wheel: [] for wheel in wheels}
        sds: list[float] = []
        dependence = 0.0
        for key in sorted({(take.baseline is not None, take.sensor) for take in takes}):
            head = self.heads.get(HeadKey(WHICH_WHEEL_HEAD, *key))
            if head is None:
                continue
            alike = [take for take in takes if (take.baseline is not None, take.sensor) == key]
            columns = [self.columns_of(take) for take in alike]
            contrast = contrasts(
                np.concatenate([head.layout.strengths(standard, z) for standard, z in columns])
            )
            for take, row in zip(alike, contrast, strict=True):
                rows = head.layout.wheel_rows(
                    np.repeat(row[None, :], len(wheels), axis=0),
                    [relation(take.spot, wheel) for wheel in wheels],
                    [wheel.startswith("wheel_rear") for wheel in wheels],
                    len(wheels),
                )
                for wheel, line in zip(wheels, head.line(rows), strict=True):
                    lines[wheel].append(float(line - log_odds(even)))
                sds.append(head.spread.sd(0.0) * (LIMITED_FACTOR if take.limited else 1.0))
            dependence = max(dependence, head.dependence)
        if not sds:
            # Nothing tells the wheels apart: even shares, and no more certainty than that.
            return dict.fromkeys(wheels, (even, 1.0))
        odds = {
            wheel: combine(found, dependence) + log_odds(even) for wheel, found in lines.items()
        }
        shares = {wheel: float(sigmoid(np.asarray(value))) for wheel, value in odds.items()}
        whole = sum(shares.values())
        sd = max(float(np.sqrt(np.mean(np.square(sds)))), MIN_SHARE_SD)
        return {wheel: (share / whole, sd) for wheel, share in shares.items()}

    # ---- pieces shared with training ---------------------------------------------------

    def columns_of(self, take: TakeEvidence) -> tuple[FloatArray, FloatArray]:
        """Features against the population and against the baseline, each (1, n_features)."""
        population = self.populations[take.sensor]
        features = take.features
        standard = population.standard(features.values, features.missing)
        z, gone = baseline_z(features, take.baseline, population.within)
        return standard[None, :], np.where(gone, np.nan, z)[None, :]

    def unfamiliar_of(self, takes: Sequence[TakeEvidence]) -> Unfamiliar:
        """Say how unlike the training takes the takes of a check are (median over takes)."""
        scores = []
        for take in takes:
            known = self.familiarities.get(take.sensor)
            if known is None:
                scores.append(STRANGE)
                continue
            standard = self.populations[take.sensor].standard(
                take.features.values, take.features.missing
            )
            scores.append(known.score(np.nan_to_num(standard, nan=0.0), take.features.missing))
        score = float(np.median(scores))
        return Unfamiliar(
            score=score, limit=self.unfamiliar_limit, is_unfamiliar=score > self.unfamiliar_limit
        )

    def _check_catalogue(self, take: TakeEvidence) -> None:
        features = take.features
        if features.catalogue_version != self.catalogue_version or features.names != self.names:
            raise InputError(
                f"The model must be of feature catalogue {features.catalogue_version}. "
                f"Got {self.catalogue_version} instead.",
                where=self.card.name,
                advice="Train the model again with this version of vibecheck.",
            )


def observed_share(head: Head, missing: BoolArray) -> float:
    """Share of a head's evidence (by importance in training) that a take could observe."""
    total = float(head.importance.sum())
    return float(head.importance[~missing].sum()) / total if total > 0.0 else 0.0


def probability(odds: ZoneOdds, prior: float) -> float:
    """Probability that a zone is loose, from its log ratio and a prior probability."""
    return float(sigmoid(np.asarray(odds.log_ratio + log_odds(prior))))
