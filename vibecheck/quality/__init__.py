"""Stage 1: what state a take is in, and what to do about it.

Each module holds one kind of finding; `assess_quality` runs them all over one shared view of the
take. Every threshold is a named constant with its reason beside it.
"""

from __future__ import annotations

from vibecheck.car.profile import Car
from vibecheck.findings import Finding, QualityReport, QualityVerdict
from vibecheck.quality import band, levels, others, phases, processing
from vibecheck.quality.view import look_at
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack

__all__ = ["assess_quality"]


def assess_quality(
    take: Take, speed: SpeedTrack | None = None, car: Car | None = None
) -> QualityReport:
    """Return the findings on one take and the verdict they add up to.

    Parameters
    ----------
    take : Take
        Of any length from 2 samples on.
    speed : SpeedTrack, optional
        Of the same take. Without it the phases are not judged, and the quiet and the loud parts
        stand in for idle and running.
    car : Car, optional
        Needed to name the orders that the take cannot show, to count turns of the wheels, and to
        hold the wheel speed against the car's limits.

    Returns
    -------
    QualityReport
        Findings in order of weight (what refuses the take first), at most one per code. The verdict
        is ``unusable`` where any finding refuses, else ``limited`` where any limits, else
        ``usable``. ``highest_order`` is the highest order of the reference shaft inside the usable
        bandwidth at top speed, None without a speed.

    Notes
    -----
    What the reader found (``take.findings``) comes first and is not reported twice.
    """
    view = look_at(take, speed, car)
    usable_hz, has_edge = band.usable_bandwidth_hz(view)
    found = list(take.findings)
    found += levels.silence(view)
    silent = any(finding.code == "silence" for finding in found)
    found += levels.dead_channel(view)
    found += phases.too_short(view)
    if not silent:
        found += phases.speed_reading(view)
        found += phases.missing_phases(view)
        found += phases.over_speed(view)
        found += levels.clipped(view)
        found += processing.noise_suppression(view)
        muted = any(finding.code == "noise_suppression" for finding in found)
        voices = list(others.speech_present(view))
        other_motor = list(others.second_motor(view, has_voices=bool(voices)))
        found += voices + other_motor
        if not muted:
            # A muted floor says nothing about gain or hum, and its fades and edges are neither a
            # moved phone nor a dropout.
            found += levels.dropouts(view)
            found += levels.mains_hum(view)
            # With another motor in it, the level is not the car's alone.
            if not other_motor:
                found += processing.automatic_gain(view)
            found += processing.level_moves(view)
            found += levels.low_level_over_noise(view)
        found += band.bandwidth(view, usable_hz)
        found += band.possible_aliasing(view, has_edge)
        if not voices and not muted:
            found += levels.handling_knocks(view)
        found += levels.dc_offset(view)
    found += band.low_bit_rate(view)
    found += band.clock_jitter(view)
    findings = _one_per_code(found)
    top_hz = band.top_speed_hz(view)
    return QualityReport(
        verdict=_verdict(findings),
        findings=findings,
        highest_order=usable_hz / top_hz if top_hz else None,
    )


def _one_per_code(found: list[Finding]) -> tuple[Finding, ...]:
    """Keep the first, or the weightier, finding of each code; the weightiest codes first."""
    rank = {"refuses": 0, "limits": 1, "note": 2}
    kept: dict[str, Finding] = {}
    for finding in found:
        other = kept.get(finding.code)
        if other is None or rank[finding.weight] < rank[other.weight]:
            kept[finding.code] = finding
    return tuple(sorted(kept.values(), key=lambda finding: rank[finding.weight]))


def _verdict(findings: tuple[Finding, ...]) -> QualityVerdict:
    weights = {finding.weight for finding in findings}
    if "refuses" in weights:
        return "unusable"
    return "limited" if "limits" in weights else "usable"
