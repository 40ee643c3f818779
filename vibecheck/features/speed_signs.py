"""Stage 4, sign 7: drag and unsteady turning, from the speed track alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibecheck.features.spec import WHEELS, FeatureSpec
from vibecheck.features.spectral import moving_mean
from vibecheck.features.workings import Workings

FEATURES: tuple[FeatureSpec, ...] = (
    FeatureSpec(
        name="coast_down_time_constant",
        unit="log2 s",
        formula="log2 of the turns of the coast-down over the speed lost in it",
        shaft="none",
        phase="coast_down",
        raised_by="Little drag; binding gears and rubbing parts lower it.",
        reading_high="The car coasts long (time constant {value:.1f} s).",
        reading_low="The car stops early (time constant {value:.1f} s): something drags.",
        zones=("gear_mesh", WHEELS),
        neutral=1.0,
        sign="speed",
        source="viscous coast-down f = f0 exp(−t/τ); common practice, no source",
    ),
    FeatureSpec(
        name="speed_ripple",
        unit="log10",
        formula="log10 of the robust spread of speed about its 0.5 s trend over the speed, hold",
        shaft="none",
        phase="hold",
        raised_by="A drive that hunts: a load that comes and goes.",
        reading_high="The speed hunts at steady throttle ({value:.2%} of it).",
        reading_low="The speed is even at steady throttle ({value:.2%} of it).",
        zones=("gear_mesh", "motor_mount"),
        neutral=-3.0,
        sign="speed",
        direction=1,
        source="common practice, no source",
    ),
)


def _longest_coast(work: Workings) -> NDArray[np.bool_]:
    """Trusted frames of the longest coast-down."""
    phases = work.speed.phases_named("coast_down")
    if not phases:
        return np.zeros(work.speed.time_s.size, dtype=bool)
    longest = max(phases, key=lambda phase: phase.duration_s)
    times = work.speed.time_s
    return np.asarray(work.certain & (times >= longest.start_s) & (times < longest.end_s))


def measure(work: Workings) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    if not work.runs:
        return found
    speed, step = work.speed, work.frame_step_s
    coasting = _longest_coast(work)
    if coasting.sum() * step >= 0.4:
        time_s, hz = speed.time_s[coasting], speed.rpm[coasting] / 60.0
        slope = np.polyfit(time_s - time_s.mean(), hz, 1)[0]
        drop = hz[:3].mean() - hz[-3:].mean()
        if slope < 0.0 and drop > 0.0:
            # Exact for viscous drag: ∫ f dt = τ (f(start) − f(end)).
            turned = hz[1:-1].sum() * step
            found["coast_down_time_constant"] = float(np.log2(turned / drop))
    holding = work.certain & speed.in_phase("hold")
    if holding.sum() * step >= 0.6:
        trend = moving_mean(speed.rpm, max(3, round(0.5 / step)))
        ripple = np.abs(speed.rpm - trend)[holding] / np.maximum(trend[holding], 1e-9)
        found["speed_ripple"] = float(np.log10(1.4826 * np.median(ripple) + 1e-6))
    return found
