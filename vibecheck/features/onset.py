"""Stage 4, sign 2: rattle that starts at a speed.

A part with play lifts off when its unbalance pull passes its weight, e·ω² = g, so its rattle has
an onset speed in the run-up and stops at a speed in the coast-down.
"""

from __future__ import annotations

import numpy as np

from vibecheck.dsp.statistics import middle
from vibecheck.features.spec import ALL_ZONES, WHEELS, FeatureSpec
from vibecheck.features.spectral import moving_mean
from vibecheck.features.workings import FloatArray, Workings

BENCH = "force balance e·ω² = g on a part with play; common practice, no source"
RATTLE_LIMIT_DB = 1.5
"""Peakiness of a frame that counts as rattle: four standard deviations of Gaussian noise."""
RATTLE_WIDTH_DB = 0.3
"""A frame at the limit counts half; one this far from it 0.27 or 0.73 (logistic). A hard limit
would make the share jump from take to take of one snug car."""
MIN_FRAMES = 6
SLOWEST = 6.0
"""Onset is looked for from the top speed down to this part of it."""
N_SPEED_BINS = 8

FEATURES: tuple[FeatureSpec, ...] = (
    FeatureSpec(
        name="rattle_share_run_up",
        unit="1",
        formula="share of the run-up's and hold's frames whose smoothed peakiness passes 1.5 dB, "
        "by a logistic limit 0.3 dB wide",
        shaft="none",
        phase="driven",
        raised_by="Rattle that has set in.",
        reading_high="It rattles during {value:.0%} of the time under power.",
        reading_low="It rattles during only {value:.0%} of the time under power.",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="onset",
        direction=1,
        source=BENCH,
        locates=True,
    ),
    FeatureSpec(
        name="rattle_share_coast_down",
        unit="1",
        formula="share of the coast-down's frames whose smoothed peakiness passes 1.5 dB, by a "
        "logistic limit 0.3 dB wide",
        shaft="none",
        phase="coast_down",
        raised_by="Rattle that goes on while the drive is idle.",
        reading_high="It rattles during {value:.0%} of the coast-down.",
        reading_low="It rattles during only {value:.0%} of the coast-down.",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="onset",
        direction=1,
        source=BENCH,
        locates=True,
    ),
    FeatureSpec(
        name="rattle_onset_run_up",
        unit="log2 Hz",
        formula="log2 of the wheel turns per second reached when all octaves of the run-up without "
        "rattle (share below 1.5 dB, by speed bins) are put together; the top speed where it "
        "never rattles",
        shaft="wheel",
        phase="run_up",
        raised_by="A late onset; a low value means rattle from low speed on.",
        reading_high="No rattle sets in below {value:.0f} wheel turns per second.",
        reading_low="Rattle sets in early, at {value:.0f} wheel turns per second.",
        zones=(WHEELS, "motor_mount"),
        neutral=6.5,
        sign="onset",
        direction=-1,
        source=BENCH,
    ),
    FeatureSpec(
        name="rattle_stop_coast_down",
        unit="log2 Hz",
        formula="log2 of the wheel turns per second reached when all octaves of the coast-down "
        "without rattle (share below 1.5 dB, by speed bins) are put together; the top speed where "
        "it never rattles",
        shaft="wheel",
        phase="coast_down",
        raised_by="Rattle that stops early; a low value means rattle down to low speed.",
        reading_high="No rattle is left below {value:.0f} wheel turns per second.",
        reading_low="Rattle lasts down to {value:.0f} wheel turns per second.",
        zones=(WHEELS, "motor_mount"),
        neutral=6.5,
        sign="onset",
        direction=-1,
        source=BENCH,
    ),
    FeatureSpec(
        name="peakiness_per_octave",
        unit="dB/octave",
        formula="slope of the broad bands' peakiness against log2 of speed, all running frames",
        shaft="none",
        phase="running",
        raised_by="Knocks that grow with speed.",
        reading_high="Knocks grow with speed, {value:.1f} dB for each doubling.",
        reading_low="Knocks fade as speed rises ({value:.1f} dB for each doubling).",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="onset",
        source=BENCH,
    ),
    FeatureSpec(
        name="peakiness_step",
        unit="dB",
        formula="peakiness in the fastest third of the running frames less the slowest third",
        shaft="none",
        phase="running",
        raised_by="Rattle that is there at speed and gone when slow.",
        reading_high="The sound turns into knocks at speed ({value:+.1f} dB against slow running).",
        reading_low="It knocks more when slow than at speed ({value:+.1f} dB).",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="onset",
        source=BENCH,
    ),
    FeatureSpec(
        name="peakiness_power_change",
        unit="dB",
        formula="broad peakiness in the coast-down less under power, at matched speed",
        shaft="none",
        phase="coast_down",
        raised_by="Knocks that appear when the drive goes idle: backlash and wheels in play.",
        reading_high="Knocks appear when the throttle closes ({value:+.1f} dB at like speed).",
        reading_low="Knocks go away when the throttle closes ({value:+.1f} dB at like speed).",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="onset",
        source=BENCH,
    ),
)


def broad_peakiness(work: Workings) -> FloatArray:
    """Peakiness of every frame, median over the broad bands, smoothed over three frames."""
    frames = np.median(work.frame_peakiness_db[work.broad_rows], axis=0)
    return moving_mean(frames, 3)


def measure(work: Workings) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    if work.bank is None or not work.runs or work.frame_time_s.size == 0:
        return found
    time_s = work.frame_time_s
    peaky = broad_peakiness(work)
    motor_hz = work.shaft_hz(time_s, 1.0)
    masks = {
        name: work.phase_mask(time_s, name)
        for name in ("running", "driven", "run_up", "coast_down")
    }
    for name, phase in (("run_up", "driven"), ("coast_down", "coast_down")):
        if masks[phase].sum() >= MIN_FRAMES:
            rattling = _rattles(peaky[masks[phase]])
            found[f"rattle_share_{name}"] = float(rattling.mean())
    wheel = work.order_ratio("wheel")
    if wheel is not None:
        for name, phase in (
            ("rattle_onset_run_up", "run_up"),
            ("rattle_stop_coast_down", "coast_down"),
        ):
            if masks[phase].sum() >= 3:
                found[name] = _edge_speed(peaky[masks[phase]], motor_hz[masks[phase]] * wheel)
    running = masks["running"] & (motor_hz > 0.0)
    if running.sum() >= MIN_FRAMES:
        octaves = np.log2(motor_hz[running])
        spread = octaves - octaves.mean()
        if np.ptp(octaves) > 0.5:
            slope = np.sum(spread * peaky[running]) / np.sum(spread**2)
            found["peakiness_per_octave"] = float(slope)
            low, high = np.quantile(octaves, [1 / 3, 2 / 3])
            found["peakiness_step"] = float(
                np.median(peaky[running][octaves >= high])
                - np.median(peaky[running][octaves <= low])
            )
    found["peakiness_power_change"] = difference_at_matched_speed(
        motor_hz, peaky, masks["driven"], masks["coast_down"]
    )
    return found


def _rattles(peaky: FloatArray) -> FloatArray:
    """Degree, 0 to 1, to which each frame rattles."""
    return np.asarray(1.0 / (1.0 + np.exp((RATTLE_LIMIT_DB - peaky) / RATTLE_WIDTH_DB)))


def _edge_speed(peaky: FloatArray, wheel_hz: FloatArray) -> float | None:
    """Octaves without rattle, put together from the slowest speed up, as log2 of a speed."""
    top = float(wheel_hz.max())
    if not top > 0.0:
        return None
    slowest = max(top / SLOWEST, float(wheel_hz[wheel_hz > 0.0].min()))
    edges = np.linspace(np.log2(slowest), np.log2(top) + 1e-9, N_SPEED_BINS + 1)
    place = np.digitize(np.log2(np.maximum(wheel_hz, 1e-3)), edges)
    degree = _rattles(peaky)
    shares = np.array(
        [
            degree[place == k].mean() if (place == k).any() else np.nan
            for k in range(1, N_SPEED_BINS + 1)
        ]
    )
    heard = np.isfinite(shares)
    if not heard.any():
        return None
    # Bins that no frame fell into rattle as their neighbours do.
    filled = np.interp(np.arange(N_SPEED_BINS), np.flatnonzero(heard), shares[heard])
    return float(edges[0] + np.mean(1.0 - filled) * (edges[-1] - edges[0]))


def difference_at_matched_speed(
    speed_hz: FloatArray,
    values: FloatArray,
    one: np.ndarray,
    other: np.ndarray,
    n_bins: int = 8,
) -> float | None:
    """Mean over common speed bins of (median in ``other`` less median in ``one``).

    Bins are equal in log speed over the range both have; ``None`` where fewer than two are common.
    """
    one, other = one & (speed_hz > 0.0), other & (speed_hz > 0.0)
    if one.sum() < 3 or other.sum() < 3:
        return None
    low = max(speed_hz[one].min(), speed_hz[other].min())
    high = min(speed_hz[one].max(), speed_hz[other].max())
    if not high > 1.05 * low:
        return None
    edges = np.geomspace(low * 0.999, high * 1.001, n_bins + 1)
    (one_values, one_place), (other_values, other_place) = (
        (values[mask], np.searchsorted(edges, speed_hz[mask], side="right"))
        for mask in (one, other)
    )
    common = np.intersect1d(one_place, other_place)
    differences = [
        middle(other_values[other_place == k]) - middle(one_values[one_place == k])
        for k in common[(common >= 1) & (common <= n_bins)]
    ]
    return float(np.mean(differences)) if len(differences) >= 2 else None
