"""Stage 5: the looseness model: takes of one check → log likelihood ratio per zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.profile import Car
from vibecheck.car.zones import ZONE_NAMES
from vibecheck.errors import CallError, InputError
from vibecheck.model.assessment import TakeEvidence, ZoneAssessment, ZoneOdds
from vibecheck.model.baseline import baseline_z
from vibecheck.model.calibration import (
    INTERVAL_SDS,
    LOG_ODDS_LIMIT,
    combine,
    log_odds,
    shares_of_wheels,
    sigmoid,
)
from vibecheck.model.coherence import Coherence
from vibecheck.model.conformal import candidate_places, share_limit
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
from vibecheck.model.judgement import (
    Combined,
    Judgement,
    Prepared,
    bring_together,
    group_sizes,
    unheard,
)
from vibecheck.model.population import Population
from vibecheck.model.unfamiliar import STRANGE, Familiarity
from vibecheck.result import Candidates, Evidence, ModelCard, Unfamiliar

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MIN_OBSERVED_SHARE = 0.3
"""A zone of whose evidence (by importance in training) less was observed is not heard."""
LIMITED_FACTOR = 1.5
"""Interval widening for a take that the quality gate found limited; common practice, no source."""
MIN_SHARE_SD = 0.3
"""Least standard deviation, in log-odds, of which wheel it is; common practice, no source."""
CANDIDATE_COVERAGE = 0.9
"""Coverage of the set of candidates that a check states."""


class HeadKey(NamedTuple):
    """Names a head."""

    name: str
    with_baseline: bool
    sensor: str


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
    coherences : mapping of bool to Coherence
        What brings the heads together, with and without a baseline.
    about : mapping
        Name, version, origin, data hashes, metrics and limits, as plain values.
    """

    names: tuple[str, ...]
    catalogue_version: str
    populations: Mapping[str, Population]
    familiarities: Mapping[str, Familiarity]
    heads: Mapping[HeadKey, Head]
    coherences: Mapping[bool, Coherence] = field(default_factory=dict)
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
        found = self.judge(takes, [zone.name for zone in car.zones], car.layout)
        return ZoneAssessment(
            zones=found.zones,
            unfamiliar=self.unfamiliar_of(takes),
            any_loose_log_ratio=found.any_log_ratio,
            candidates=self.candidates(found),
        )

    def judge(
        self,
        takes: Sequence[TakeEvidence],
        zones: Sequence[str],
        layout: str | None,
        *,
        with_evidence: bool = True,
    ) -> Judgement:
        """Judge zones from all takes of a check; ``with_evidence`` names the features behind it."""
        with_baseline = any(take.baseline is not None for take in takes)
        coherence = self.coherences.get(with_baseline)
        prepared = self.prepare(takes)
        anything = self.combined(ANY_HEAD, takes, prepared=prepared)
        if coherence is None:
            silent = tuple(unheard(zone, None, 0.0) for zone in zones)
            ratio = anything.log_ratio if anything else None
            prior = anything.prior if anything else None
            return Judgement(silent, ratio, prior, with_baseline, len(takes))
        heard = {
            name: self.combined(name, takes, name if name in zones else "", prepared)
            for name in coherence.groups
        }
        sizes = group_sizes(coherence.groups, zones, layout)
        whole, low, high = bring_together(coherence, anything, heard, sizes)
        prior = coherence.group_prior(sizes[None, :])[0]
        wheels = self.wheel_shares(takes, layout, prepared)
        odds = []
        for zone in zones:
            name = head_of(zone, layout)
            if name not in coherence.groups:
                odds.append(unheard(zone, None, 0.0))
                continue
            place = coherence.groups.index(name)
            n_zones = max(float(sizes[place]), 1.0)
            even = (1.0 / n_zones, 0.0)
            share, share_sd = wheels[zone] if name == WHEELS_HEAD else even
            one_of = float(whole.share[0, place]) * share
            before = float(log_odds(float(sigmoid(prior[place])) / n_zones))
            group = heard[name]
            if group is None:
                odds.append(unheard(zone, float(sigmoid(np.array(before))), one_of))
                continue
            middle, *ends = (
                float(log_odds(sigmoid(line[place]) * share)) - before
                for line in (whole.group[0], low, high)
            )
            below = np.hypot(middle - ends[0], INTERVAL_SDS * share_sd)
            above = np.hypot(ends[1] - middle, INTERVAL_SDS * share_sd)
            ratio = float(np.clip(middle, -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT))
            odds.append(
                ZoneOdds(
                    zone=zone,
                    log_ratio=ratio,
                    log_ratio_low=ratio - float(below),
                    log_ratio_high=ratio + float(above),
                    heard=True,
                    evidence=self._evidence(group, zone) if with_evidence else (),
                    prior=float(sigmoid(np.array(before))),
                    share=one_of,
                )
            )
        spoke = anything is not None or any(group is not None for group in heard.values())
        return Judgement(
            zones=tuple(odds),
            any_log_ratio=float(whole.anything[0] - log_odds(coherence.base)) if spoke else None,
            any_prior=coherence.base,
            with_baseline=with_baseline,
            n_takes=len(takes),
        )

    def zone_odds(self, zone: str, takes: Sequence[TakeEvidence], layout: str | None) -> ZoneOdds:
        """Judge one zone of a car that has all zones."""
        zones = (*ZONE_NAMES, *(() if zone in ZONE_NAMES else (zone,)))
        return self.judge(takes, zones, layout).zones[zones.index(zone)]

    def candidates(
        self, found: Judgement, coverage: float = CANDIDATE_COVERAGE
    ) -> Candidates | None:
        """Zones among which, if something is loose, a loose one lies with this coverage.

        ``None`` where nothing was heard, or the model holds no calibration for such a check.
        """
        coherence = self.coherences.get(found.with_baseline)
        if coherence is None or found.any_log_ratio is None:
            return None
        scores = coherence.scores.get(1 if found.n_takes < 2 else 2)
        shares = np.array([odds.share for odds in found.zones])
        if scores is None or not (shares > 0.0).any():
            return None
        places = candidate_places(shares, share_limit(scores, coverage))
        known = [place for place in places if shares[place] > 0.0]
        return Candidates(coverage, tuple(found.zones[place].zone for place in known))

    def is_alarm(self, found: Judgement, false_alarm_rate: float) -> bool:
        """Say whether "something is loose" stands higher than in most calm checks of training.

        The bar is the quantile of the calibration checks with nothing loose and nothing odd, so
        that a new calm check passes it at about ``false_alarm_rate`` (0 to 1). False where nothing
        was heard or the model holds no such checks.
        """
        coherence = self.coherences.get(found.with_baseline)
        if coherence is None or found.any_log_ratio is None:
            return False
        calm = coherence.calm.get(1 if found.n_takes < 2 else 2, np.zeros(0))
        if calm.size == 0:
            return False
        line = found.any_log_ratio + float(log_odds(coherence.base))
        return line > float(np.quantile(calm, 1.0 - false_alarm_rate))

    # ---- combining takes ---------------------------------------------------------------

    def combined(
        self,
        name: str,
        takes: Sequence[TakeEvidence],
        zone: str = "",
        prepared: Sequence[Prepared] | None = None,
    ) -> Combined | None:
        """Combine what the heads of one name say of all takes; ``None`` where none can hear.

        ``prepared`` is what `prepare` makes of the takes, where it is there already.
        """
        ratios: list[float] = []
        variances: list[float] = []
        priors: list[float] = []
        rows_of: list[tuple[Head, FloatArray, Prepared]] = []
        dependence = 0.0
        for part in self.prepare(takes) if prepared is None else prepared:
            head = self.heads.get(HeadKey(name, part.with_baseline, part.sensor))
            if head is None:
                continue
            alike = part.takes
            share = observed_share(head, part.missing)
            if share < MIN_OBSERVED_SHARE:
                continue
            spots = [take.spot for take in alike]
            row = head.layout.check_row(part.standard, part.z, spots, zone)
            # Evidence that was not observed cannot speak, neither for nor against.
            ratio = float(head.log_ratio(row[None, :], len(alike))[0]) * share
            limited = LIMITED_FACTOR if all(take.limited for take in alike) else 1.0
            ratios.append(ratio)
            variances.append((head.spread.sd(ratio) / np.sqrt(share) * limited) ** 2)
            priors.append(head.prior)
            rows_of.append((head, row, part))
            dependence = max(dependence, head.dependence)
        if not ratios:
            return None
        n = len(ratios)
        total = float(np.clip(combine(ratios, dependence), -LOG_ODDS_LIMIT, LOG_ODDS_LIMIT))
        # n kinds of sensor are worth this many independent ones; variances of sums grow with it.
        worth = n / (1.0 + (n - 1) * dependence)
        sd = float(np.sqrt(np.mean(variances) * worth))
        return Combined(total, sd, float(np.mean(priors)), tuple(rows_of))

    def _evidence(self, group: Combined, zone: str) -> tuple[Evidence, ...]:
        """Name the features that speak for a zone, each with the take in which it stands out."""
        named: list[tuple[float, Evidence]] = []
        for head, row, part in group.rows:
            takes, z = part.takes, part.z
            values = z if head.layout.with_baseline else part.standard
            sizes = np.abs(np.nan_to_num(values, nan=0.0))
            added = head.feature_contributions(
                row[None, :], sizes.mean(axis=0, keepdims=True), len(takes)
            )[0]
            largest = np.maximum(sizes.max(axis=0), 1e-12)
            for take, size, distance in zip(takes, sizes, z, strict=True):
                population = self.populations[take.sensor]
                own = np.where(added > 0.0, added * size / largest, added)
                named += named_evidence(own, head.direction, population, take, zone, distance)
        return strongest(named)

    def wheel_shares(
        self,
        takes: Sequence[TakeEvidence],
        layout: str | None,
        prepared: Sequence[Prepared] | None = None,
    ) -> dict[str, tuple[float, float]]:
        """If a driven wheel is loose: probability that it is this one, and its log-odds' sd."""
        wheels = driven_wheels(layout)
        lines: list[FloatArray] = []
        sds: list[float] = []
        dependence = 0.0
        for part in self.prepare(takes) if prepared is None else prepared:
            head = self.heads.get(HeadKey(WHICH_WHEEL_HEAD, part.with_baseline, part.sensor))
            if head is None:
                continue
            contrast = contrasts(head.layout.strengths(part.standard, part.z))
            for take, row in zip(part.takes, contrast, strict=True):
                rows = head.layout.wheel_rows(
                    np.repeat(row[None, :], len(wheels), axis=0),
                    [relation(take.spot, wheel) for wheel in wheels],
                    [wheel.startswith("wheel_rear") for wheel in wheels],
                    len(wheels),
                )
                lines.append(head.line(rows))
                sds.append(head.spread.sd(0.0) * (LIMITED_FACTOR if take.limited else 1.0))
            dependence = max(dependence, head.dependence)
        if not lines:
            # Nothing tells the wheels apart: even shares, and no more certainty than that.
            return dict.fromkeys(wheels, (1.0 / len(wheels), 1.0))
        shares = shares_of_wheels(np.array(lines), dependence)
        sd = max(float(np.sqrt(np.mean(np.square(sds)))), MIN_SHARE_SD)
        return {wheel: (float(share), sd) for wheel, share in zip(wheels, shares, strict=True)}

    # ---- pieces shared with training ---------------------------------------------------

    def prepare(self, takes: Sequence[TakeEvidence]) -> list[Prepared]:
        """Measure the takes against population and baseline, those alike together."""
        parts = []
        for key in sorted({(take.baseline is not None, take.sensor) for take in takes}):
            if key[1] not in self.populations:
                continue
            alike = tuple(take for take in takes if (take.baseline is not None, take.sensor) == key)
            columns = [self.columns_of(take) for take in alike]
            parts.append(
                Prepared(
                    with_baseline=key[0],
                    sensor=key[1],
                    takes=alike,
                    standard=np.concatenate([standard for standard, _ in columns]),
                    z=np.concatenate([z for _, z in columns]),
                    missing=np.all([take.features.missing for take in alike], axis=0),
                )
            )
        return parts

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
