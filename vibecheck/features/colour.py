"""Stage 4, sign 6: changed colour. Band levels at matched speed: the fallback, and the weakest."""

from __future__ import annotations

import numpy as np

from vibecheck.features.onset import difference_at_matched_speed
from vibecheck.features.spec import ALL_ZONES, FeatureSpec
from vibecheck.features.workings import BANDS_HZ, FloatArray, Workings

PRACTICE = "band levels at matched speed; common practice, no source"
MIN_FRAMES = 4


def _slope(band: str, words: str) -> FeatureSpec:
    return FeatureSpec(
        name=f"rise_{band}",
        unit="dB/octave",
        formula=f"slope of the {band} band's level against log2 of speed, all running frames",
        shaft="none",
        phase="running",
        raised_by="A sound that grows faster than speed explains.",
        reading_high=f"{words} grows fast with speed ({{value:.0f}} dB for each doubling).",
        reading_low=f"{words} grows slowly with speed ({{value:.0f}} dB for each doubling).",
        zones=ALL_ZONES,
        neutral=10.0,
        sign="colour",
        source=PRACTICE,
        locates=True,
    )


def _change(band: str, words: str) -> FeatureSpec:
    return FeatureSpec(
        name=f"power_change_{band}",
        unit="dB",
        formula=f"level of the {band} band in the coast-down less under power, at matched speed",
        shaft="none",
        phase="coast_down",
        raised_by="Rattle that the drive's torque keeps still.",
        reading_high=f"{words} is louder when the throttle closes ({{value:+.1f}} dB).",
        reading_low=f"{words} is quieter when the throttle closes ({{value:+.1f}} dB).",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="colour",
        source=PRACTICE,
        locates=True,
    )


_WORDS = {
    "low": "the low body sound (0.3–1.5 kHz)",
    "mid": "the middle of the sound (1.5–4 kHz)",
    "high": "the high sound (4–9 kHz)",
    "top": "the hiss (9–16 kHz)",
}
_CAPITAL = {band: words[0].upper() + words[1:] for band, words in _WORDS.items()}

FEATURES: tuple[FeatureSpec, ...] = (
    _slope("mid", _CAPITAL["mid"]),
    _slope("high", _CAPITAL["high"]),
    _change("low", _CAPITAL["low"]),
    _change("mid", _CAPITAL["mid"]),
    _change("high", _CAPITAL["high"]),
    FeatureSpec(
        name="level_jump",
        unit="dB",
        formula="largest step of the mid and high bands' level between neighbouring frames, "
        "90th percentile, trend with speed removed",
        shaft="none",
        phase="running",
        raised_by="Sound that switches on and off.",
        reading_high="The sound switches by {value:.1f} dB from one moment to the next.",
        reading_low="The sound changes smoothly (steps of {value:.1f} dB).",
        zones=ALL_ZONES,
        neutral=1.0,
        sign="colour",
        direction=1,
        source=PRACTICE,
    ),
)


def band_level_db(work: Workings, band: str) -> FloatArray | None:
    """Level of a band in every frame, dB; ``None`` where the take cannot hold the band."""
    assert work.bank is not None
    rows = work.bank.rows_of(band)
    if rows.size == 0:
        return None
    return np.asarray(10.0 * np.log10((10.0 ** (work.frame_level_db[rows] / 10.0)).mean(axis=0)))


def measure(work: Workings) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    if work.bank is None or not work.runs or work.frame_time_s.size == 0:
        return found
    time_s = work.frame_time_s
    motor_hz = work.shaft_hz(time_s, 1.0)
    running = work.phase_mask(time_s, "running") & (motor_hz > 0.0)
    if running.sum() < MIN_FRAMES:
        return found
    driven, coasting = work.phase_mask(time_s, "driven"), work.phase_mask(time_s, "coast_down")
    levels = {band: band_level_db(work, band) for band in BANDS_HZ}
    octaves = np.log2(motor_hz[running])
    spread = octaves - octaves.mean()
    for band, level in levels.items():
        if level is None:
            continue
        if band in ("mid", "high") and np.ptp(octaves) > 0.5:
            found[f"rise_{band}"] = float(np.sum(spread * level[running]) / np.sum(spread**2))
        if band in ("low", "mid", "high"):
            found[f"power_change_{band}"] = difference_at_matched_speed(
                motor_hz, level, driven, coasting
            )
    found["level_jump"] = _jump(levels, running, motor_hz)
    return found


def _jump(
    levels: dict[str, FloatArray | None], running: np.ndarray, motor_hz: FloatArray
) -> float | None:
    wanted = [levels[band] for band in ("mid", "high")]
    heard = [level for level in wanted if level is not None]
    heard = heard or [level for level in levels.values() if level is not None][:1]
    both = running[1:] & running[:-1]
    if both.sum() < MIN_FRAMES:
        return None
    level = np.mean(heard, axis=0)
    steps = np.diff(level)[both]
    octaves = np.diff(np.log2(np.maximum(motor_hz, 1e-3)))[both]
    # Steps explained by the change of speed are taken out (least squares through the origin).
    slope = np.sum(steps * octaves) / max(float(np.sum(octaves**2)), 1e-12)
    return float(np.quantile(np.abs(steps - slope * octaves), 0.9))
