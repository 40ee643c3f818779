"""Stage 4, sign 3: sub- and super-harmonics, and the comb of a loose shaft.

A part that meets its stop on one side only answers a pure rotation with harmonics and, given
enough travel, with halves and thirds of its order.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibecheck.dsp.statistics import middle
from vibecheck.features.spec import TOWERS, WHEELS, FeatureSpec, Shaft
from vibecheck.features.spectral import line_over_background_db, moving_mean, segment_power
from vibecheck.features.workings import LOW_BAND_HZ, FloatArray, Workings

SHAW_1983 = "Shaw & Holmes, J. Sound Vib. 90 (1983) 129–155: piecewise linear oscillator"
LOW_PER_TURN = 16
SEGMENT_WHEEL_TURNS = 24
LEVEL_WINDOW_S = 0.3

_MULTIPLES: tuple[tuple[str, float, str], ...] = (
    ("half", 0.5, "half"),
    ("1", 1.0, "once"),
    ("3half", 1.5, "one and a half times"),
    ("2", 2.0, "twice"),
    ("3", 3.0, "three times"),
)
_BY_SHAFT: tuple[tuple[Shaft, tuple[str, ...], tuple[str, ...]], ...] = (
    ("wheel", ("half", "1", "3half", "2", "3"), (WHEELS, "steering", *TOWERS)),
    ("spur", ("half", "1", "2"), ("gear_mesh", "driveline", "motor_mount")),
    ("motor", ("1", "3half", "2", "3"), ("motor_mount",)),
)
_WANTED: tuple[tuple[Shaft, str, tuple[str, ...]], ...] = tuple(
    (shaft, multiple, zones) for shaft, multiples, zones in _BY_SHAFT for multiple in multiples
)
_GEARED: tuple[Shaft, ...] = ("motor", "spur")
_RATIO = {name: ratio for name, ratio, _words in _MULTIPLES}
_WORDS = {name: words for name, _ratio, words in _MULTIPLES}


def _line_spec(shaft: Shaft, multiple: str, zones: tuple[str, ...]) -> FeatureSpec:
    words = f"{_WORDS[multiple]} the {shaft}'s turning rate"
    return FeatureSpec(
        name=f"line_{shaft}_{multiple}",
        unit="dB",
        formula=f"line at {_RATIO[multiple]:.3g} × {shaft} order over the median of its "
        "surroundings, in the order spectrum of the level-normalised low band",
        shaft=shaft,
        phase="running",
        raised_by="A one-sided stop, unbalance or a bent or eccentric part.",
        reading_high=f"A clear line at {words}: {{value:.0f}} dB clear of its surroundings.",
        reading_low=f"Hardly a line at {words} ({{value:.0f}} dB).",
        zones=zones,
        neutral=5.0,
        sign="harmonics",
        # Once per turn is unbalance first of all; the others need a stop.
        direction=0 if multiple == "1" else 1,
        source=SHAW_1983,
        locates=shaft == "wheel",
    )


FEATURES: tuple[FeatureSpec, ...] = (
    *(_line_spec(shaft, multiple, zones) for shaft, multiple, zones in _WANTED),
    FeatureSpec(
        name="comb_wheel",
        unit="dB",
        formula="mean over k = 4…10 of the line at k wheel orders over its surroundings",
        shaft="wheel",
        phase="running",
        raised_by="Blows once per wheel turn: many harmonics at once.",
        reading_high="Many harmonics of the wheels stand up: {value:.1f} dB on average.",
        reading_low="The wheels raise no row of harmonics ({value:.1f} dB on average).",
        zones=(WHEELS,),
        neutral=5.0,
        sign="harmonics",
        direction=1,
        source=SHAW_1983,
        locates=True,
    ),
    FeatureSpec(
        name="wheel_2_over_1",
        unit="dB",
        formula="line at 2 × wheel order over the line at 1 × wheel order",
        shaft="wheel",
        phase="running",
        raised_by="A stop on one side of the wheel's travel.",
        reading_high="The wheels shake more at twice their rate than expected "
        "({value:+.0f} dB against once).",
        reading_low="The wheels shake once per turn, hardly twice ({value:+.0f} dB).",
        zones=(WHEELS,),
        neutral=-6.0,
        sign="harmonics",
        direction=1,
        source=SHAW_1983,
        locates=True,
    ),
    FeatureSpec(
        name="motor_2_over_1",
        unit="dB",
        formula="line at 2 × motor order over the line at 1 × motor order",
        shaft="motor",
        phase="running",
        raised_by="A motor that meets a stop on one side, or lifts off its mount.",
        reading_high="The motor shakes more at twice its rate than expected "
        "({value:+.0f} dB against once).",
        reading_low="The motor shakes once per turn, hardly twice ({value:+.0f} dB).",
        zones=("motor_mount",),
        neutral=-6.0,
        sign="harmonics",
        direction=1,
        source=SHAW_1983,
    ),
    FeatureSpec(
        name="motor_skirt",
        unit="dB",
        formula="mean power within 0.1–0.4 motor orders of the motor's line over the median "
        "power of motor orders 0.3–3",
        shaft="motor",
        phase="running",
        raised_by="A motor line that is smeared: amplitude and phase wander as the mount slips.",
        reading_high="The motor's line is smeared: {value:.1f} dB beside it.",
        reading_low="The motor's line is clean ({value:.1f} dB beside it).",
        zones=("motor_mount",),
        neutral=1.0,
        sign="harmonics",
        direction=1,
        source="Jenkins element slip; common practice, no source",
    ),
)


class LowOrders:
    """The low band resampled to the motor's angle, and its order spectrum."""

    def __init__(self, work: Workings) -> None:
        self.work = work
        self._masks: dict[str, NDArray[np.bool_]] = {}
        self._time_s = np.zeros(0)
        """Times of the angular grid, once there is one."""

    @cached_property
    def angular(self) -> tuple[NDArray[np.float32], NDArray[np.bool_], FloatArray] | None:
        """Signal (n_channels, m), mask of trusted running, and motor turns per second, (m,)."""
        work = self.work
        if not work.runs or work.low_band is None:
            return None
        signal, rate = work.low_band
        time_s = np.arange(signal.shape[-1]) / rate
        turns = work.turns(time_s[[0, -1]])
        n_out = int((turns[1] - turns[0]) * LOW_PER_TURN)
        if n_out < 16 * LOW_PER_TURN:
            return None
        values, inside = work.at_angles(time_s, signal, LOW_PER_TURN, "running")
        self._time_s = work.times_of_angles(time_s, LOW_PER_TURN)
        return values, inside, work.shaft_hz(self._time_s, 1.0)

    def phase_mask(self, phase: str) -> NDArray[np.bool_]:
        """Mask of a phase on the angular grid."""
        assert self.angular is not None
        if phase not in self._masks:
            self._masks[phase] = self.work.phase_mask(self._time_s, phase)
        return self._masks[phase]

    @cached_property
    def spectrum(self) -> tuple[FloatArray, FloatArray] | None:
        """Order (motor turns) and power of the level-normalised low band; ``None`` if too short."""
        if self.angular is None:
            return None
        values, inside, _motor_hz = self.angular
        window = max(16, round(LEVEL_WINDOW_S * self.usual_hz * LOW_PER_TURN))
        level = moving_mean((values.astype(np.float64) ** 2).sum(axis=0), window)
        normal = (values / np.sqrt(level + 1e-12)).astype(np.float32)
        unit = self.work.order_ratio("wheel") or 1.0 / 5.0
        for wheel_turns in (SEGMENT_WHEEL_TURNS, SEGMENT_WHEEL_TURNS // 2):
            n_segment = round(wheel_turns / unit * LOW_PER_TURN)
            power, n_averages = segment_power(normal, inside, n_segment, n_segment // 2)
            if n_averages >= 2:
                order = np.arange(power.size) * (LOW_PER_TURN / n_segment)
                return np.asarray(order, dtype=np.float64), power
        return None

    @cached_property
    def usual_hz(self) -> float:
        """Median motor turns per second while running; 0 where nothing runs."""
        if self.angular is None:
            return 0.0
        _values, inside, motor_hz = self.angular
        return middle(motor_hz[inside]) if inside.any() else 0.0

    def can_show(self, order: float) -> bool:
        """True where an order stays inside the sensor's band at the usual speed."""
        top_hz = min(self.work.bandwidth_hz, LOW_BAND_HZ)
        return self.usual_hz > 0.0 and order * self.usual_hz < top_hz


def measure(work: Workings, low: LowOrders) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    if low.spectrum is None:
        return found
    order, power = low.spectrum
    unit = work.order_ratio("wheel") or 1.0 / 5.0
    half_width = 0.45 * unit

    def line(at: float, share: float) -> float | None:
        if not low.can_show(at):
            return None
        return line_over_background_db(
            power, order, at, tolerance=share * at, half_width=max(half_width, 0.04 * at)
        )

    for shaft, multiple, _zones in _WANTED:
        ratio = work.order_ratio(shaft)
        if ratio is not None:
            share = 0.02 if shaft == "wheel" else 0.008
            found[f"line_{shaft}_{multiple}"] = line(ratio * _RATIO[multiple], share)
    wheel = work.order_ratio("wheel")
    if wheel is not None:
        # A wheel harmonic beside a motor or spur harmonic would lend from it.
        geared = [n * (work.order_ratio(shaft) or 1.0) for n in (1, 2, 3) for shaft in _GEARED]
        comb = [
            line(k * wheel, 0.02)
            for k in range(4, 11)
            if all(abs(k * wheel - at) > 0.04 * at for at in geared)
        ]
        heard = [value for value in comb if value is not None]
        if len(heard) >= 3:
            found["comb_wheel"] = float(np.mean(heard))
    for shaft, share in (("wheel", 0.02), ("motor", 0.008)):
        ratio = work.order_ratio(shaft)
        if ratio is not None and low.can_show(2.0 * ratio):
            once = _line_power(power, order, ratio, share)
            twice = _line_power(power, order, 2.0 * ratio, share)
            if once is not None and twice is not None:
                found[f"{shaft}_2_over_1"] = float(10.0 * np.log10(twice / once))
    if work.order_ratio("motor") is not None and low.can_show(3.0):
        distance = np.abs(order - 1.0)
        beside = power[(distance > 0.1) & (distance < 0.4)]
        ground = power[(order > 0.3) & (order < 3.0)]
        if beside.size > 4:
            found["motor_skirt"] = float(
                10.0 * np.log10(beside.mean() / max(float(np.median(ground)), 1e-30))
            )
    return found


def _line_power(power: FloatArray, order: FloatArray, at: float, share: float) -> float | None:
    step = order[1] - order[0]
    near = np.abs(order - at) <= max(share * at, 1.01 * step)
    peak = float(power[near].max()) if near.any() else 0.0
    return peak if peak > 0.0 else None
