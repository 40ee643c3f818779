"""Stage 4, sign 1: impacts. Parts with play strike their stops once or more per turn.

Peakiness per band and phase (spectral kurtosis), and the order spectrum of the envelope at the
wheel, spur and motor orders, their halves and thirds (squared-envelope analysis in the log form).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibecheck.dsp.statistics import middle
from vibecheck.features.spec import ALL_ZONES, WHEELS, FeatureSpec, PhaseOfFeature, Shaft
from vibecheck.features.spectral import line_over_background_db, segment_power
from vibecheck.features.workings import FloatArray, Workings

ANTONI_2006 = "Antoni, MSSP 20 (2006) 282–307: spectral kurtosis"
RANDALL_2011 = "Randall & Antoni, MSSP 25 (2011) 485–520: envelope analysis"
BORGHESANI_2018 = "Borghesani & Antoni, MSSP 102 (2018): log-envelope spectrum"

ENVELOPE_PER_TURN = 8
SEGMENT_WHEEL_TURNS = 24
MIN_FRAMES = 3
BURST_LIMIT = 4.0

PHASE_WORDS = {
    "running": "while the shaft turns",
    "run_up": "while it speeds up",
    "hold": "at steady speed",
    "coast_down": "while it coasts down",
    "driven": "under power",
}
BAND_WORDS = {
    "low": "in the low body sound (0.3–1.5 kHz)",
    "mid": "in the middle of the sound (1.5–4 kHz)",
    "high": "in the high sound (4–9 kHz)",
    "top": "in the hiss (9–16 kHz)",
}


def _peakiness(band: str, phase: PhaseOfFeature) -> FeatureSpec:
    where = f"{BAND_WORDS[band]} {PHASE_WORDS[phase]}"
    return FeatureSpec(
        name=f"peakiness_{band}_{phase}",
        unit="dB",
        formula="median over 0.16 s frames of 10 log10(<|z|^4> / (2 <|z|^2>^2)), "
        "z = the narrow bands' envelopes, median over the bands",
        shaft="none",
        phase=phase,
        raised_by="Knocks and rattle: energy that comes in short bursts instead of evenly.",
        reading_high=f"Knocks stand out {where}: {{value:.1f}} dB more peaked than even noise.",
        reading_low=f"Even, without knocks {where}: {{value:.1f}} dB against even noise.",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="impact",
        direction=1,
        source=ANTONI_2006,
        locates=True,
    )


def _envelope_line(
    name: str, shaft: Shaft, words: str, zones: tuple[str, ...], phase: PhaseOfFeature
) -> FeatureSpec:
    return FeatureSpec(
        name=name,
        unit="dB",
        formula="line of the log-envelope's order spectrum over the median of its surroundings",
        shaft=shaft,
        phase=phase,
        raised_by=f"Noise that swells {words}.",
        reading_high=f"The noise swells {words} {PHASE_WORDS[phase]}, "
        "{value:.0f} dB clear of its surroundings.",
        reading_low=f"The noise hardly swells {words} {PHASE_WORDS[phase]} ({{value:.0f}} dB).",
        zones=zones,
        neutral=3.0,
        sign="impact",
        direction=1,
        source=f"{RANDALL_2011}; {BORGHESANI_2018}",
        locates=shaft == "wheel",
    )


_LINES: tuple[tuple[str, Shaft, float, str, tuple[str, ...], PhaseOfFeature], ...] = (
    ("wheel_half", "wheel", 0.5, "every second wheel turn", (WHEELS,), "running"),
    ("wheel_1", "wheel", 1.0, "once per wheel turn", (WHEELS,), "running"),
    ("wheel_2", "wheel", 2.0, "twice per wheel turn", (WHEELS,), "running"),
    ("wheel_1_coast_down", "wheel", 1.0, "once per wheel turn", (WHEELS,), "coast_down"),
    ("wheel_2_coast_down", "wheel", 2.0, "twice per wheel turn", (WHEELS,), "coast_down"),
    ("spur_1", "spur", 1.0, "once per spur-gear turn", ("gear_mesh", "driveline"), "running"),
    ("spur_2", "spur", 2.0, "twice per spur-gear turn", ("gear_mesh", "driveline"), "running"),
    (
        "spur_1_coast_down",
        "spur",
        1.0,
        "once per spur-gear turn",
        ("gear_mesh", "driveline"),
        "coast_down",
    ),
    ("motor_1", "motor", 1.0, "once per motor turn", ("motor_mount", "gear_mesh"), "running"),
    ("motor_2", "motor", 2.0, "twice per motor turn", ("motor_mount", "gear_mesh"), "running"),
    (
        "motor_1_coast_down",
        "motor",
        1.0,
        "once per motor turn",
        ("motor_mount", "gear_mesh"),
        "coast_down",
    ),
)

FEATURES: tuple[FeatureSpec, ...] = (
    _peakiness("low", "running"),
    _peakiness("mid", "run_up"),
    _peakiness("mid", "hold"),
    _peakiness("mid", "coast_down"),
    _peakiness("high", "run_up"),
    _peakiness("high", "hold"),
    _peakiness("high", "coast_down"),
    _peakiness("top", "running"),
    FeatureSpec(
        name="peakiness_worst",
        unit="dB",
        formula="90th percentile over the running frames of the peakiness, median over broad bands",
        shaft="none",
        phase="running",
        raised_by="Knocks that come at some speeds only.",
        reading_high="At its worst the sound is {value:.1f} dB more peaked than even noise.",
        reading_low="Nowhere does the sound turn into knocks ({value:.1f} dB at its worst).",
        zones=ALL_ZONES,
        neutral=0.5,
        sign="impact",
        direction=1,
        source=ANTONI_2006,
        locates=True,
    ),
    FeatureSpec(
        name="envelope_skewness_driven",
        unit="1",
        formula="skewness of the mean log-envelope of the broad bands",
        shaft="none",
        phase="driven",
        raised_by="Single loud knocks over an even ground.",
        reading_high="Single knocks rise over even ground under power (skewness {value:.1f}).",
        reading_low="No single knocks rise over the ground under power (skewness {value:.1f}).",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="impact",
        direction=1,
        source=BORGHESANI_2018,
        locates=True,
    ),
    FeatureSpec(
        name="envelope_skewness_coast_down",
        unit="1",
        formula="skewness of the mean log-envelope of the broad bands",
        shaft="none",
        phase="coast_down",
        raised_by="Single loud knocks over an even ground, with the drive idle.",
        reading_high="Single knocks rise over even ground while it coasts (skewness {value:.1f}).",
        reading_low="No single knocks rise over the ground while it coasts (skewness {value:.1f}).",
        zones=ALL_ZONES,
        neutral=0.0,
        sign="impact",
        direction=1,
        source=BORGHESANI_2018,
        locates=True,
    ),
    FeatureSpec(
        name="burst_share",
        unit="log10",
        formula="log10 of the share of running time in which the log-envelope is more than "
        "4 robust standard deviations above its median, plus 1e-4",
        shaft="none",
        phase="running",
        raised_by="Loud bursts, the more of the time the higher.",
        reading_high="Loud bursts fill a noticeable share of the run ({value:.2%} of it).",
        reading_low="Loud bursts are rare ({value:.2%} of the run).",
        zones=ALL_ZONES,
        neutral=-4.0,
        sign="impact",
        direction=1,
        source="tail of a distribution; common practice, no source",
        locates=True,
    ),
    FeatureSpec(
        name="envelope_restless",
        unit="dB",
        formula="variance of the log-envelope in wheel orders 0.3–8 over its variance in all "
        "the rest, both per unit of order",
        shaft="wheel",
        phase="running",
        raised_by="Noise that swells irregularly at the pace of the wheels: chaotic rattle.",
        reading_high="The noise is restless at the pace of the wheels "
        "({value:.1f} dB over quicker flicker).",
        reading_low="The noise is even at the pace of the wheels ({value:.1f} dB).",
        zones=(WHEELS,),
        neutral=0.0,
        sign="impact",
        direction=1,
        source="Antoni, MSSP 23 (2009): cyclostationarity by examples; common practice",
        locates=True,
    ),
    FeatureSpec(
        name="envelope_wheel_comb",
        unit="dB",
        formula="mean over k = 1…8 of the log-envelope's line at k wheel orders over its "
        "surroundings",
        shaft="wheel",
        phase="running",
        raised_by="Sharp knocks once per wheel turn: all harmonics of the wheel at once.",
        reading_high="Sharp knocks repeat with the wheels: a whole comb, {value:.1f} dB clear.",
        reading_low="No comb of knocks repeats with the wheels ({value:.1f} dB).",
        zones=(WHEELS,),
        neutral=3.0,
        sign="impact",
        direction=1,
        source=RANDALL_2011,
        locates=True,
    ),
    *(_envelope_line(f"envelope_{n}", s, w, z, p) for n, s, _k, w, z, p in _LINES),
)


def peakiness_of(work: Workings, band: str, phase: str) -> float | None:
    """Median peakiness of a band over the frames of a phase."""
    bank = work.bank
    if bank is None:
        return None
    rows = bank.rows_of(band)
    inside = work.phase_mask(work.frame_time_s, phase)
    if rows.size == 0 or inside.sum() < MIN_FRAMES:
        return None
    return float(np.median(np.median(work.frame_peakiness_db[rows][:, inside], axis=0)))


def _skewness(values: FloatArray) -> float:
    centred = values - values.mean()
    square = centred * centred
    variance = float(np.mean(square))
    # A third power by pow() would cost ten times as much.
    return float(np.mean(square * centred) / max(variance, 1e-12) ** 1.5)


def envelope_spectrum(work: Workings, phase: str) -> tuple[FloatArray, FloatArray] | None:
    """Order spectrum of the log-envelope, orders in wheel turns (motor turns without wheels).

    Returns
    -------
    order, power : ndarray, shape (n,)
        ``None`` where the phase holds no whole segment.
    """
    if work.bank is None or not work.runs:
        return None
    return segment_spectrum(work, work.log_envelope, phase)


def segment_spectrum(
    work: Workings, envelope: NDArray[np.float32], phase: str
) -> tuple[FloatArray, FloatArray] | None:
    """Order spectrum of a row of the bank's rate, as `envelope_spectrum`."""
    assert work.bank is not None
    wheel = work.order_ratio("wheel") or 1.0 / 5.0
    values, inside = work.at_angles(work.bank.time_s, envelope, ENVELOPE_PER_TURN, phase)
    for wheel_turns in (SEGMENT_WHEEL_TURNS, SEGMENT_WHEEL_TURNS // 2):
        n_segment = round(wheel_turns / wheel * ENVELOPE_PER_TURN)
        power, n_averages = segment_power(values, inside, n_segment, n_segment // 2)
        if n_averages >= 2:
            step = ENVELOPE_PER_TURN / n_segment / wheel
            return np.asarray(np.arange(power.size) * step, dtype=np.float64), power
    return None


def measure(work: Workings) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    bank = work.bank
    if bank is None or not work.runs or work.frame_time_s.size == 0:
        return found
    for spec in FEATURES:
        if spec.name.startswith("peakiness_") and spec.name != "peakiness_worst":
            band = spec.name.split("_")[1]
            found[spec.name] = peakiness_of(work, band, spec.phase)
    running = work.phase_mask(work.frame_time_s, "running")
    if running.sum() >= MIN_FRAMES:
        frames = np.median(work.frame_peakiness_db[work.broad_rows][:, running], axis=0)
        found["peakiness_worst"] = float(np.quantile(frames, 0.9))
    found.update(_burst_features(work))
    found.update(_line_features(work))
    return found


def _burst_features(work: Workings) -> dict[str, float | None]:
    assert work.bank is not None
    found: dict[str, float | None] = {}
    envelope = work.log_envelope.astype(np.float64)
    for phase in ("driven", "coast_down"):
        inside = work.phase_mask(work.bank.time_s, phase)
        if inside.sum() >= MIN_FRAMES * work.frame_length:
            found[f"envelope_skewness_{phase}"] = _skewness(envelope[inside])
    inside = work.phase_mask(work.bank.time_s, "running")
    values = envelope[inside]
    if values.size >= MIN_FRAMES * work.frame_length:
        centre = middle(values)
        spread = 1.4826 * middle(np.abs(values - centre))
        share = np.mean(values > centre + BURST_LIMIT * max(spread, 1e-9))
        found["burst_share"] = float(np.log10(share + 1e-4))
    return found


def _line_features(work: Workings) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    wheel = work.order_ratio("wheel")
    unit = wheel or 1.0 / 5.0
    spectra = {phase: envelope_spectrum(work, phase) for phase in ("running", "coast_down")}
    for name, shaft, multiple, _words, _zones, phase in _LINES:
        spectrum = spectra[phase]
        ratio = work.order_ratio(shaft)
        if spectrum is None or ratio is None:
            continue
        order, power = spectrum
        at = ratio * multiple / unit
        # Wheels drift against the motor across an open differential; gears cannot.
        share = 0.02 if shaft == "wheel" else 0.006
        found[f"envelope_{name}"] = line_over_background_db(
            power, order, at, tolerance=share * at, half_width=max(0.4, 0.04 * at)
        )
    spectrum = spectra["running"]
    if spectrum is None or wheel is None:
        return found
    order, power = spectrum
    lines = [
        line_over_background_db(power, order, float(k), tolerance=0.02 * k, half_width=0.45)
        for k in range(1, 9)
    ]
    heard = [line for line in lines if line is not None]
    if len(heard) >= 4:
        found["envelope_wheel_comb"] = float(np.mean(heard))
    slow = (order >= 0.3) & (order <= 8.0)
    quick = (order > 8.0) & (order < order[-1] * 0.9)
    if slow.sum() > 4 and quick.sum() > 4:
        floor = np.median(power[quick])
        found["envelope_restless"] = float(10.0 * np.log10(power[slow].mean() / max(floor, 1e-30)))
    return found
