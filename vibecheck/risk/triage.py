"""Stage 6: zone odds and history into ranked zones, and the verdict. `rank_zones`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from vibecheck.advice import (
    NO_ZONES_NOTE,
    NOT_USED_NOTE,
    NOTHING_HEARD_NOTE,
    UNFAMILIAR_NOTE,
)
from vibecheck.car.zones import Zone
from vibecheck.model.assessment import ZoneAssessment
from vibecheck.result import CheckedTake, Unfamiliar, Verdict, Vibration, ZoneRisk
from vibecheck.risk.fusion import posterior
from vibecheck.risk.history import CarHistory, read_history

INSPECT_FIRST_PROBABILITY = 0.30
"""From here on a single zone is named as the one to inspect first. The hand check is due anyway,
so a false alarm costs a second look and a miss costs a car: the bar stands below one half."""
SOMETHING_LOOSE_PROBABILITY = 0.40
"""The same for "something is loose somewhere": sound often tells that a wheel is loose before it
tells which. With the usual priors it is reached by a likelihood ratio of about 1.7."""


def rank_zones(
    zones: Sequence[Zone],
    assessment: ZoneAssessment | None,
    history: CarHistory | None = None,
) -> tuple[ZoneRisk, ...]:
    """Rank the zones of a car by probability × severity, ties by ease of checking.

    Parameters
    ----------
    zones : sequence of Zone
        The car's zones.
    assessment : ZoneAssessment or None
        What the model heard; ``None`` ranks by history alone.
    history : CarHistory, optional
        What the car's hand-check log says of the same zones; without it the usual rates stand.

    Returns
    -------
    tuple of ZoneRisk
        Highest risk first; ``rank`` starts at 1.
    """
    heard = {item.zone: item for item in assessment.zones} if assessment else {}
    known = (history or read_history(zones)).zones
    unranked: list[tuple[ZoneRisk, int]] = []
    for zone in zones:
        before = known[zone.name]
        item = heard.get(zone.name)
        vibration = None
        if item is not None and item.heard:
            vibration = Vibration(item.log_ratio, item.log_ratio_low, item.log_ratio_high)
            probability, low, high = (
                posterior(before.prior, ratio)
                for ratio in (vibration.log_ratio, vibration.low, vibration.high)
            )
            evidence = item.evidence
        else:
            probability = before.prior
            low = probability if before.low is None else before.low
            high = probability if before.high is None else before.high
            evidence = ()
        unranked.append(
            (
                ZoneRisk(
                    zone=zone.name,
                    probability=probability,
                    low=low,
                    high=high,
                    severity=zone.severity,
                    risk=probability * zone.severity,
                    rank=0,
                    evidence=evidence,
                    history=before,
                    heard=vibration is not None,
                    how_to_check=zone.how_to_check,
                    vibration=vibration,
                ),
                zone.check_effort,
            )
        )
    unranked.sort(key=lambda pair: (-round(pair[0].risk, 6), pair[1], pair[0].zone))
    return tuple(replace(risk, rank=place) for place, (risk, _) in enumerate(unranked, start=1))


def something_loose(zones: Sequence[ZoneRisk], any_loose_log_ratio: float) -> float:
    """Probability that at least one heard zone holds a loose fastener.

    The prior is that of at least one find among independent zones, 1 - prod(1 - prior).
    """
    none_loose = math.prod(1.0 - zone.history.prior for zone in zones if zone.heard)
    return posterior(1.0 - none_loose, any_loose_log_ratio) if none_loose < 1.0 else 0.0


def decide(
    zones: Sequence[ZoneRisk],
    takes: Sequence[CheckedTake],
    unfamiliar: Unfamiliar,
    any_loose_log_ratio: float | None = None,
) -> tuple[Verdict, tuple[str, ...]]:
    """Turn ranked zones into a verdict and the sentences that explain it.

    Parameters
    ----------
    zones : sequence of ZoneRisk
    takes : sequence of CheckedTake
    unfamiliar : Unfamiliar
    any_loose_log_ratio : float, optional
        The model's log likelihood ratio of "something is loose somewhere".

    Returns
    -------
    verdict : {"inspect_first", "nothing_stood_out", "cannot_tell"}
        ``inspect_first`` where a heard zone reaches `INSPECT_FIRST_PROBABILITY`, or all together
        `SOMETHING_LOOSE_PROBABILITY`, even when the takes are unfamiliar; ``nothing_stood_out``
        only where the takes are usable, familiar and heard; else ``cannot_tell``.
    notes : tuple of str
    """
    usable = [one for one in takes if one.quality.verdict != "unusable"]
    notes: list[str] = []
    if not usable and zones:
        notes.append(NOT_USED_NOTE)
    if not zones:
        notes.append(NO_ZONES_NOTE)
    if unfamiliar.is_unfamiliar:
        notes.append(UNFAMILIAR_NOTE)
    if not usable or not zones:
        return "cannot_tell", tuple(notes)
    heard = [zone for zone in zones if zone.heard]
    somewhere = 0.0 if any_loose_log_ratio is None else something_loose(zones, any_loose_log_ratio)
    if somewhere >= SOMETHING_LOOSE_PROBABILITY or any(
        zone.probability >= INSPECT_FIRST_PROBABILITY for zone in heard
    ):
        return "inspect_first", tuple(notes)
    if not heard or unfamiliar.is_unfamiliar:
        if not heard:
            notes.append(NOTHING_HEARD_NOTE)
        return "cannot_tell", tuple(notes)
    return "nothing_stood_out", tuple(notes)
