"""Stage 4, sign 1, band by band: how tall knocks are, and which shaft they keep step with.

A loose part shows in the bands in which its own structure rings, so every band is judged apart.
Impacts once per turn make a comb of many harmonics; a rubbing part swells once per turn without
them; a worn bearing repeats at a rate that is no multiple of any shaft's.
"""

from __future__ import annotations

import numpy as np

from vibecheck.features.impact import (
    ANTONI_2006,
    BAND_WORDS,
    PHASE_WORDS,
    RANDALL_2011,
    segment_spectrum,
)
from vibecheck.features.spec import ALL_ZONES, WHEELS, FeatureSpec, PhaseOfFeature, Shaft
from vibecheck.features.spectral import line_over_background_db, moving_mean
from vibecheck.features.workings import BANDS_HZ, FloatArray, Workings

TOP_SHARE = 0.02
"""Share of a frame's envelope that counts as its knocks: 3 ms of 0.16 s."""
SLOW = 0.35
"""Frames slower than this share of the top speed are left out: they hold few turns."""
MIN_FRAMES = 3
WHEEL_SLIP, GEAR_SLIP = 0.02, 0.006
"""Wheels drift against the motor across an open differential; gears cannot."""
STRAY_ORDERS = (2.3, 9.7)
"""Wheel orders between which a line of no shaft is looked for."""


def _height(band: str, phase: PhaseOfFeature) -> FeatureSpec:
    where = f"{BAND_WORDS[band]} {PHASE_WORDS[phase]}"
    return FeatureSpec(
        name=f"knock_height_{band}_{phase}",
        unit="dB",
        formula="median over 0.16 s frames of the mean of the highest 2 % of the band's envelope "
        "over its median",
        shaft="none",
        phase=phase,
        raised_by="Knocks: the loudest few milliseconds stand over the rest.",
        reading_high=f"Knocks stand {{value:.1f}} dB over the rest {where}.",
        reading_low=f"Hardly a knock stands out {where} ({{value:.1f}} dB over the rest).",
        zones=ALL_ZONES,
        neutral=6.5,
        sign="impact",
        source="crest factor of the envelope; common practice, no source",
        locates=True,
        direction=1,
    )


def _comb(band: str, shaft: Shaft, words: str, zones: tuple[str, ...]) -> FeatureSpec:
    where = BAND_WORDS[band]
    return FeatureSpec(
        name=f"knock_comb_{shaft}_{band}",
        unit="dB",
        formula=f"mean over the first harmonics of the {shaft} of the line in the order spectrum "
        "of the band's log-envelope over its surroundings",
        shaft=shaft,
        phase="driven",
        raised_by=f"Knocks that keep step with {words}.",
        reading_high=f"Knocks keep step with {words} {where}: {{value:.1f}} dB clear.",
        reading_low=f"Nothing keeps step with {words} {where} ({{value:.1f}} dB).",
        zones=zones,
        neutral=3.0,
        sign="impact",
        source=RANDALL_2011,
        locates=shaft == "wheel",
        direction=1 if shaft == "wheel" else 0,
    )


_COMBS: tuple[tuple[str, Shaft, str, tuple[str, ...]], ...] = (
    *((band, "wheel", "the wheels", (WHEELS,)) for band in BANDS_HZ),
    *(
        (band, "spur", "the spur gear", ("gear_mesh", "driveline", "motor_mount"))
        for band in ("low", "mid", "high")
    ),
    *(
        (band, "motor", "the motor", ("gear_mesh", "motor_mount"))
        for band in ("mid", "high", "top")
    ),
)
_N_HARMONICS = {"wheel": 8, "spur": 3, "motor": 3}

FEATURES: tuple[FeatureSpec, ...] = (
    *(_height(band, phase) for band in BANDS_HZ for phase in ("driven", "coast_down")),
    *(
        FeatureSpec(
            name=f"peakiness_most_{phase}",
            unit="dB",
            formula="mean of the two highest among the narrow bands' median peakiness",
            shaft="none",
            phase=phase,
            raised_by="Knocks that ring in a narrow part of the sound only.",
            reading_high=f"Somewhere in the sound knocks stand out {PHASE_WORDS[phase]}: "
            "{value:.1f} dB more peaked than even noise.",
            reading_low=f"Nowhere in the sound do knocks stand out {PHASE_WORDS[phase]} "
            "({value:.1f} dB against even noise).",
            zones=ALL_ZONES,
            neutral=0.3,
            sign="impact",
            source=ANTONI_2006,
            locates=True,
            direction=1,
        )
        for phase in ("driven", "coast_down")
    ),
    *(_comb(*entry) for entry in _COMBS),
    FeatureSpec(
        name="knock_comb_wheel_sharp",
        unit="dB",
        formula="mean line at wheel harmonics 4–8 in the log-envelope's order spectrum over its "
        "surroundings",
        shaft="wheel",
        phase="driven",
        raised_by="Short blows once per wheel turn; a rub swells without these harmonics.",
        reading_high="What keeps step with the wheels is short and hard ({value:.1f} dB).",
        reading_low="Nothing short and hard keeps step with the wheels ({value:.1f} dB).",
        zones=(WHEELS,),
        neutral=3.0,
        sign="impact",
        source=RANDALL_2011,
        direction=1,
    ),
    FeatureSpec(
        name="knock_comb_wheel_even",
        unit="dB",
        formula="mean line at wheel harmonics 2, 4, 6, 8 less that at 1, 3, 5, 7, in the "
        "log-envelope's order spectrum, each over its surroundings",
        shaft="wheel",
        phase="driven",
        raised_by="A hub that knocks from flat to flat twice per turn (a joint at an angle).",
        reading_high="Knocks come twice per wheel turn rather than once ({value:+.1f} dB).",
        reading_low="Knocks come once per wheel turn rather than twice ({value:+.1f} dB).",
        zones=(WHEELS,),
        neutral=0.0,
        sign="impact",
        source="universal joint: speed ripple twice per turn; common practice, no source",
        direction=1,
    ),
    FeatureSpec(
        name="knock_stray_line",
        unit="dB",
        formula="strongest line of the log-envelope between wheel orders 2.3 and 9.7 that is no "
        "multiple (nor half) of the wheel and none of the spur's or motor's, over its surroundings",
        shaft="wheel",
        phase="driven",
        raised_by="A worn bearing: its balls pass at a rate that is no whole number per turn.",
        reading_high="Something repeats at a rate that fits no shaft ({value:.0f} dB): "
        "think of a bearing.",
        reading_low="Nothing repeats at a rate that fits no shaft ({value:.0f} dB).",
        zones=(WHEELS, "driveline"),
        neutral=8.0,
        sign="impact",
        source=RANDALL_2011,
    ),
)


def measure(work: Workings) -> dict[str, float | None]:
    """Measure the features of this sign, band by band."""
    found: dict[str, float | None] = {}
    if work.bank is None or not work.runs or work.frame_time_s.size == 0:
        return found
    time_s = work.frame_time_s
    fast = work.shaft_hz(time_s, 1.0) > SLOW * work.top_hz
    masks = {phase: work.phase_mask(time_s, phase) & fast for phase in ("driven", "coast_down")}
    n_top = max(2, round(TOP_SHARE * work.frame_length))
    for band, logs in work.band_log_envelopes.items():
        framed = work.framed(logs)
        for phase, mask in masks.items():
            if mask.sum() >= MIN_FRAMES:
                found[f"knock_height_{band}_{phase}"] = _height_of(framed[mask], n_top)
    for phase, mask in masks.items():
        if mask.sum() >= MIN_FRAMES:
            narrow = np.sort(np.median(work.frame_peakiness_db[:, mask], axis=1))
            found[f"peakiness_most_{phase}"] = float(narrow[-2:].mean())
    found.update(_combs(work))
    return found


def _height_of(log_frames: FloatArray, n_top: int) -> float:
    """Median over frames of the mean of the highest samples over the median sample, in dB."""
    half = log_frames.shape[1] // 2
    ordered = np.sort(log_frames, axis=1)  # faster than sorting out two places
    highest = np.exp(ordered[:, -n_top:] - ordered[:, [half]]).mean(axis=1, dtype=np.float64)
    return float(np.median(10.0 * np.log10(highest)))


def _combs(work: Workings) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    wheel = work.order_ratio("wheel")
    if wheel is None:
        return found
    for band, logs in work.band_log_envelopes.items():
        level = np.asarray(logs - moving_mean(logs, work.frame_length), dtype=np.float32)
        spectrum = segment_spectrum(work, level, "driven")
        if spectrum is None:
            continue
        for named_band, shaft, _words, _zones in _COMBS:
            ratio = work.order_ratio(shaft)
            if named_band != band or ratio is None:
                continue
            lines = _lines(spectrum, ratio / wheel, shaft)
            heard = [line for line in lines if line is not None]
            if len(heard) >= min(2, _N_HARMONICS[shaft]):
                found[f"knock_comb_{shaft}_{band}"] = float(np.mean(heard))
    spectrum = segment_spectrum(work, work.log_envelope, "driven")
    if spectrum is None:
        return found
    lines = _lines(spectrum, 1.0, "wheel")
    if all(line is not None for line in lines):
        values = np.array(lines, dtype=np.float64)
        found["knock_comb_wheel_sharp"] = float(values[3:].mean())
        found["knock_comb_wheel_even"] = float(values[1::2].mean() - values[0::2].mean())
    found["knock_stray_line"] = _stray_line(work, spectrum, wheel)
    return found


def _lines(
    spectrum: tuple[FloatArray, FloatArray], unit: float, shaft: Shaft
) -> list[float | None]:
    """Lines of a shaft's first harmonics over their surroundings, in dB."""
    order, power = spectrum
    slip = WHEEL_SLIP if shaft == "wheel" else GEAR_SLIP
    return [
        line_over_background_db(
            power,
            order,
            k * unit,
            tolerance=slip * k * unit,
            half_width=0.45 if shaft == "wheel" else max(1.2, 0.04 * k * unit),
        )
        for k in range(1, _N_HARMONICS[shaft] + 1)
    ]


def _stray_line(
    work: Workings, spectrum: tuple[FloatArray, FloatArray], wheel: float
) -> float | None:
    order, power = spectrum
    inside = (order >= STRAY_ORDERS[0]) & (order <= min(STRAY_ORDERS[1], 0.9 * order[-1]))
    free = inside.copy()
    step = order[1] - order[0]
    for shaft in ("wheel", "spur", "motor"):
        ratio = work.order_ratio(shaft)
        if ratio is None:
            continue
        unit = ratio / wheel * (0.5 if shaft == "wheel" else 1.0)
        multiple = np.maximum(np.rint(order / unit), 1.0) * unit
        slip = WHEEL_SLIP if shaft == "wheel" else GEAR_SLIP
        # Half a bin beyond the line's own width; at high orders wheel lines leave no room.
        free &= np.abs(order - multiple) > np.minimum(slip * multiple + 1.5 * step, 0.17)
    if free.sum() < 8:
        return None
    floor = float(np.median(power[inside]))
    return float(10.0 * np.log10(power[free].max() / max(floor, 1e-30)))
