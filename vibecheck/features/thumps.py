"""Stage 4, sign 1, low down: bursts of heavy parts, and what the room does without the car.

A battery, a shock tower or a body in play is heavy or large: its knocks are slow and low, and
need not keep step with any shaft.
"""

from __future__ import annotations

import numpy as np

from vibecheck.features.impact import ANTONI_2006
from vibecheck.features.spec import BODY, WHEELS, FeatureSpec
from vibecheck.features.workings import TINY, Workings

BANDS_HZ: dict[str, tuple[float, float]] = {
    "30": (30.0, 90.0),
    "90": (90.0, 250.0),
    "250": (250.0, 600.0),
    "600": (600.0, 1200.0),
}
EDGE_SHARE = 0.2
FRAME_S = 0.5
"""Long against the time between the knocks of a part that swings at 5 to 20 Hz."""
MIN_FRAMES = 2
_PHASES = ("driven", "coast_down")
_WHEN = {"driven": "under power", "coast_down": "while it coasts down"}
_ZONES = (WHEELS, *BODY, "steering", "motor_mount", "driveline")

FEATURES: tuple[FeatureSpec, ...] = (
    *(
        FeatureSpec(
            name=f"thump_{band}_{phase}",
            unit="dB",
            formula="median over 0.5 s frames of 10 log10(<|z|^4> / (2 <|z|^2>^2)), z = the "
            f"envelope from {low:.0f} to {high:.0f} Hz",
            shaft="none",
            phase=phase,  # type: ignore[arg-type]
            raised_by="Slow, heavy knocks: a heavy part that lifts and drops in its place.",
            reading_high=f"Heavy knocks between {low:.0f} and {high:.0f} Hz {_WHEN[phase]}, "
            "{value:.1f} dB more peaked than even noise.",
            reading_low=f"No heavy knocks between {low:.0f} and {high:.0f} Hz {_WHEN[phase]} "
            "({value:.1f} dB against even noise).",
            zones=_ZONES,
            neutral=0.0,
            sign="impact",
            source=ANTONI_2006,
            locates=True,
            direction=1,
        )
        for band, (low, high) in BANDS_HZ.items()
        for phase in _PHASES
    ),
    *(
        FeatureSpec(
            name=f"idle_level_{band}",
            unit="dB",
            formula=f"level of the {band} band while the car stands over its level while it turns",
            shaft="none",
            phase="idle",
            raised_by="A loud room: speech, another car, a fan. It hides what the car does.",
            reading_high="The room is loud against the car ({value:.0f} dB).",
            reading_low="The room is quiet against the car ({value:.0f} dB).",
            zones=_ZONES,
            neutral=-20.0,
            sign="colour",
            source="common practice, no source",
        )
        for band in ("low", "mid")
    ),
    FeatureSpec(
        name="idle_peakiness",
        unit="dB",
        formula="median peakiness of the low and mid bands while the car stands",
        shaft="none",
        phase="idle",
        raised_by="Speech or clatter in the room: bursts that are not the car's.",
        reading_high="The room itself is full of bursts ({value:.1f} dB against even noise).",
        reading_low="The room is even ({value:.1f} dB against even noise).",
        zones=_ZONES,
        neutral=0.0,
        sign="colour",
        source=ANTONI_2006,
    ),
)


def measure(work: Workings) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    if not work.runs:
        return found
    for band, (low_hz, high_hz) in BANDS_HZ.items():
        if high_hz * (1.0 + EDGE_SHARE) > work.bandwidth_hz:
            break
        edge_hz = EDGE_SHARE * low_hz
        signal, rate = work.band_signal(low_hz, high_hz, 4.0 * (high_hz - low_hz), edge_hz)
        power = (signal.real**2 + signal.imag**2).sum(axis=0)
        n_frame = max(8, round(FRAME_S * rate))
        n_frames = power.size // n_frame
        if n_frames < MIN_FRAMES:
            continue
        framed = power[: n_frames * n_frame].reshape(n_frames, n_frame)
        time_s = (np.arange(n_frames) + 0.5) * n_frame / rate
        mean = framed.mean(axis=1, dtype=np.float64)
        square = (framed**2).mean(axis=1, dtype=np.float64)
        gaussian = 1.0 + 1.0 / work.channels.shape[0]
        height = 10.0 * np.log10((square + TINY) / (gaussian * mean**2 + TINY))
        for phase in _PHASES:
            inside = work.phase_mask(time_s, phase)
            if inside.sum() >= MIN_FRAMES:
                found[f"thump_{band}_{phase}"] = float(np.median(height[inside]))
    found.update(_idle(work))
    return found


def _idle(work: Workings) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    if work.bank is None or work.frame_time_s.size == 0:
        return found
    time_s = work.frame_time_s
    standing, running = work.idle_mask(time_s), work.phase_mask(time_s, "running")
    if standing.sum() < 3 or running.sum() < 3:
        return found
    power = 10.0 ** (work.frame_level_db / 10.0)
    peaky = []
    for band in ("low", "mid"):
        rows = work.bank.rows_of(band)
        if rows.size == 0:
            continue
        level = 10.0 * np.log10(power[rows].mean(axis=0) + TINY)
        found[f"idle_level_{band}"] = float(np.median(level[standing]) - np.median(level[running]))
        peaky.append(np.median(work.frame_peakiness_db[rows][:, standing], axis=0))
    if peaky:
        found["idle_peakiness"] = float(np.median(np.concatenate(peaky)))
    return found
