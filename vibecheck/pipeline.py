"""The whole chain on one page: takes + car → `CheckResult`. `check`, `examine`, `conclude`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from vibecheck.advice import CHECK_CAUTIONS, HAND_CHECK
from vibecheck.car.profile import Car, Order
from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.dsp.memory import keep_freed_memory
from vibecheck.errors import CallError, did_you_mean
from vibecheck.features.extract import extract_features
from vibecheck.features.vector import FeatureVector
from vibecheck.findings import QualityReport
from vibecheck.model.assessment import TakeEvidence, ZoneAssessment
from vibecheck.model.baseline import baseline_centre
from vibecheck.model.looseness import LoosenessModel
from vibecheck.model.store import load_model
from vibecheck.quality import assess_quality
from vibecheck.recording.take import Take
from vibecheck.result import CheckedTake, CheckResult, Unfamiliar
from vibecheck.risk.history import read_history
from vibecheck.risk.log import CarLog
from vibecheck.risk.triage import decide, rank_zones
from vibecheck.speed import track_speed

UNKNOWN_MACHINE = Car(
    name="unknown machine",
    layout=None,
    drivetrain=None,
    orders=(Order("reference", 1.0, "shaft"),),
    shaft="reference",
)
"""Stands in where no car file is given: speed is searched blind, and no zone can be named."""

Progress = Callable[[str], None]


def check(
    takes: Sequence[Take],
    car: Car | None = None,
    *,
    baseline: Sequence[Take] = (),
    history: CarLog | None = None,
    model: LoosenessModel | None = None,
    created: datetime | None = None,
    progress: Progress | None = None,
) -> CheckResult:
    """Say which zone to hand-check first, and why.

    Parameters
    ----------
    takes : sequence of Take
        The takes of one bench check, at least one.
    car : Car, optional
        Without it the speed is searched blind and no zone can be named.
    baseline : sequence of Take, optional
        The car's own takes recorded right after a complete hand check that found or left
        everything snug. Matched by sensor and spot.
    history : CarLog, optional
        The car's hand-check log; without it every car starts from the usual rates.
    model : LoosenessModel, optional
        The shipped model where absent.
    created : datetime, optional
        Time stamp of the result; now where absent.
    progress : callable, optional
        Called with a short sentence before each step.

    Returns
    -------
    CheckResult
        Its mildest verdict is ``nothing_stood_out``; the hand check is always due.

    Raises
    ------
    CallError
        If there is no take, or a take's spot is no zone of the car.
    """
    if not takes:
        raise CallError("There is no take to check.", advice="Name at least one recording.")
    say = progress or (lambda _sentence: None)
    refuse_unknown_spots([*takes, *baseline], car)

    def stages(take: Take) -> CheckedTake:
        say(f"Listening to {take.file or 'the take'} ({take.spot})")
        return examine(take, car)

    snug = [stages(take) for take in baseline]
    checked = [stages(take) for take in takes]
    return conclude(checked, car, snug=snug, history=history, model=model, created=created)


def examine(take: Take, car: Car | None = None) -> CheckedTake:
    """Measure one take: stages 1 to 4, which depend on no other take.

    Parameters
    ----------
    take : Take
    car : Car, optional
    """
    keep_freed_memory()
    speed = track_speed(take, car)  # stage 2
    quality = assess_quality(take, speed, car)  # stage 1, which needs the phases
    features: FeatureVector | None = None
    if take_has_sound(quality):
        known = car if car is not None else UNKNOWN_MACHINE
        features = extract_features(take, speed, known)  # stages 3 and 4
    return CheckedTake(take, quality, speed, features)


def conclude(
    takes: Sequence[CheckedTake],
    car: Car | None = None,
    *,
    snug: Sequence[CheckedTake] = (),
    history: CarLog | None = None,
    model: LoosenessModel | None = None,
    created: datetime | None = None,
) -> CheckResult:
    """Judge takes that were measured: stages 5 and 6.

    Parameters
    ----------
    takes, snug : sequence of CheckedTake
        As `examine` gives them; `snug` holds those of the baseline.
    car, history, model, created
        As for `check`.
    """
    known = car if car is not None else UNKNOWN_MACHINE
    looseness = model if model is not None else load_model()
    checked = tuple(_with_baseline(one, snug) for one in takes)
    assessment = _assess(checked, known, looseness)  # stage 5
    zones = rank_zones(known.zones, assessment, read_history(known.zones, history))  # stage 6
    limit = looseness.unfamiliar_limit
    unfamiliar = assessment.unfamiliar if assessment else Unfamiliar(0.0, limit, False)
    somewhere = assessment.any_loose_log_ratio if assessment else None
    verdict, notes = decide(zones, checked, unfamiliar, somewhere)
    return CheckResult(
        created=created or datetime.now(UTC),
        car=known,
        model=looseness.card,
        takes=checked,
        zones=zones,
        verdict=verdict,
        unfamiliar=unfamiliar,
        hand_check=HAND_CHECK,
        cautions=CHECK_CAUTIONS,
        baseline_takes=tuple(snug),
        notes=notes,
        candidates=assessment.candidates if assessment and zones else None,
    )


def refuse_unknown_spots(takes: Sequence[Take], car: Car | None) -> None:
    """Refuse a spot that is no zone of the car nor the centre: a typing error must not hide.

    Raises
    ------
    CallError
        If there is one.
    """
    if car is None or not car.zones:
        return
    spots = [CENTRE_SPOT, *(zone.name for zone in car.zones)]
    for take in takes:
        if take.spot not in spots:
            raise CallError(
                f'spot must be "{CENTRE_SPOT}" or a zone of the car. Got "{take.spot}" instead.',
                where=take.file or None,
                advice=f"Known spots: {', '.join(spots)}.{did_you_mean(take.spot, spots)}",
            )


def _with_baseline(checked: CheckedTake, snug: Sequence[CheckedTake]) -> CheckedTake:
    """Attach the centre of the snug takes recorded by the same sensor at the same spot."""
    alike = [
        other.features
        for other in snug
        if other.features is not None
        and other.quality.verdict != "unusable"
        and other.take.sensor == checked.take.sensor
        and other.take.spot == checked.take.spot
    ]
    if not alike:
        return checked
    return replace(checked, baseline=baseline_centre(alike))


def take_has_sound(quality: QualityReport) -> bool:
    """True where features can be measured: the take is usable, or all that is against it is that
    no shaft was found, which is how a machine that the model does not know shows itself."""
    refusals = {finding.code for finding in quality.findings if finding.weight == "refuses"}
    return refusals <= {"speed_not_found"}


def _assess(
    checked: Sequence[CheckedTake], car: Car, looseness: LoosenessModel
) -> ZoneAssessment | None:
    """Stage 5 on the takes that hold sound; ``None`` where there is none.

    Takes in which no shaft was found say how familiar the machine is, and nothing about zones.
    """
    usable = [one for one in checked if one.quality.verdict != "unusable"]
    evidence = [
        TakeEvidence(
            features=one.features,
            baseline=one.baseline,
            spot=one.take.spot,
            sensor=one.take.sensor,
            limited=one.quality.verdict == "limited",
            file=one.take.file,
        )
        for one in (usable or checked)
        if one.features is not None
    ]
    if not evidence:
        return None
    assessment = looseness.assess(evidence, car)
    return assessment if usable else replace(assessment, zones=(), candidates=None)
