"""Stage 4, sign 5: the gear mesh, its harmonics, sidebands and modulation.

The band around the mesh line is brought to zero frequency with the tracked phase. What is left
at ± spur and ± motor order are the sidebands; its magnitude and angle give the depths of amplitude
and phase modulation (McFadden 1986).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.features.onset import difference_at_matched_speed
from vibecheck.features.spec import Direction, FeatureSpec
from vibecheck.features.workings import FloatArray, Workings

MCFADDEN_1986 = "McFadden, J. Vib. Acoust. 108 (1986) 165–170: demodulation of the mesh line"
MESH_PER_TURN = 8
SEGMENT_TURNS = 64
SIDE_ORDERS = 1.6
"""Half width of the band around the mesh line, in motor orders."""

ZONES = ("gear_mesh", "motor_mount", "driveline")
CUT_CENTRES_HZ = (1600, 2000, 2500, 3150, 4000, 5000)
CUT_BLOCKS = 2
BLOCK = 4 * MESH_PER_TURN
"""Samples of a block: four motor turns."""
_WHEN = {"driven": "under power", "coast_down": "while it coasts down"}


def _spec(
    name: str,
    unit: str,
    formula: str,
    raised_by: str,
    high: str,
    low: str,
    neutral: float,
    direction: Direction = 0,
    zones: tuple[str, ...] = ZONES,
) -> FeatureSpec:
    return FeatureSpec(
        name=name,
        unit=unit,
        formula=formula,
        shaft="mesh",
        phase="running",
        raised_by=raised_by,
        reading_high=high,
        reading_low=low,
        zones=zones,
        neutral=neutral,
        sign="mesh",
        direction=direction,
        source=MCFADDEN_1986,
    )


FEATURES: tuple[FeatureSpec, ...] = (
    _spec(
        "mesh_level",
        "dB",
        "mesh line over the median of the band ± 1.6 motor orders around it",
        "Teeth that carry an uneven load: wrong depth of mesh, worn teeth, a motor out of line.",
        "The gears whine: the mesh line stands {value:.0f} dB clear.",
        "The gears hardly whine (mesh line {value:.0f} dB clear).",
        15.0,
    ),
    _spec(
        "mesh_2_over_1",
        "dB",
        "mean power near twice the mesh order over that near the mesh order, frame by frame",
        "Teeth that clatter instead of rolling: too wide or too tight a mesh.",
        "The gears' second harmonic is strong ({value:+.0f} dB against the first).",
        "The gears' second harmonic is weak ({value:+.0f} dB against the first).",
        -8.0,
        1,
    ),
    _spec(
        "mesh_side_spur",
        "dB",
        "mean power of the sidebands at ± spur order over the mesh line",
        "A spur gear that runs out of true or is loose on its shaft.",
        "The whine swells with each turn of the spur gear (sidebands {value:+.0f} dB).",
        "The whine is even over a turn of the spur gear (sidebands {value:+.0f} dB).",
        -15.0,
        1,
    ),
    _spec(
        "mesh_side_motor",
        "dB",
        "mean power of the sidebands at ± motor order over the mesh line",
        "A pinion that runs out of true, or a motor that moves on its mount.",
        "The whine swells with each motor turn (sidebands {value:+.0f} dB).",
        "The whine is even over a motor turn (sidebands {value:+.0f} dB).",
        -15.0,
        1,
    ),
    _spec(
        "mesh_side_noise",
        "dB",
        "power of the band ± 1.6 motor orders between the lines over the mesh line",
        "A mesh line that wanders at random: backlash and slip.",
        "The whine is rough: {value:+.0f} dB of noise around it.",
        "The whine is clean: {value:+.0f} dB of noise around it.",
        -5.0,
        1,
    ),
    _spec(
        "mesh_am_depth",
        "log10",
        "log10 of the r.m.s. of the magnitude over its slow mean, slow drift removed",
        "A load on the teeth that comes and goes.",
        "The whine's loudness flutters ({value:.1%} of it).",
        "The whine's loudness is steady ({value:.1%} of it).",
        -0.5,
        1,
    ),
    _spec(
        "mesh_pm_depth",
        "log10 rad",
        "log10 of the r.m.s. step of the angle between samples an eighth of a motor turn apart",
        "A drive that jitters: backlash taken up and lost, a loose set screw.",
        "The whine's pitch jitters ({value:.2g} rad from moment to moment).",
        "The whine's pitch is steady ({value:.2g} rad from moment to moment).",
        -0.3,
        1,
    ),
    _spec(
        "mesh_power_change",
        "dB",
        "mesh line in the coast-down less under power, at matched speed",
        "Teeth that keep clattering when their load is gone.",
        "The gears are louder when the throttle closes ({value:+.1f} dB at like speed).",
        "The gears are quieter when the throttle closes ({value:+.1f} dB at like speed).",
        0.0,
    ),
    *(
        FeatureSpec(
            name=f"mesh_{multiple}_purity_{phase}",
            unit="dB",
            formula=f"power of the line at {multiple} × mesh order, averaged over four motor "
            "turns, over all power within 1.6 motor orders of it; median over blocks",
            shaft="mesh",
            phase=phase,  # type: ignore[arg-type]
            raised_by="Teeth that roll evenly; backlash, slip and rattle lower it.",
            reading_high=f"The whine is clean {_WHEN[phase]} ({{value:.1f}} dB of all around it).",
            reading_low=f"The whine is broken up {_WHEN[phase]} ({{value:.1f}} dB of all "
            "around it).",
            zones=ZONES,
            neutral=-4.0,
            sign="mesh",
            source=MCFADDEN_1986,
            direction=-1,
        )
        for multiple in (1, 2)
        for phase in _WHEN
    ),
    *(
        FeatureSpec(
            name=f"mesh_at_{centre}",
            unit="dB",
            formula=f"level of the mesh line while it passes the third-octave at {centre} Hz over "
            "its mean from 1.6 to 5 kHz",
            shaft="mesh",
            phase="driven",
            raised_by="A resonance between the gears and the sensor at that frequency.",
            reading_high=f"The car rings more than usual when the gears whine near {centre} Hz "
            "({value:+.1f} dB).",
            reading_low=f"The car rings less than usual when the gears whine near {centre} Hz "
            "({value:+.1f} dB).",
            zones=(*ZONES, "chassis_screws"),
            neutral=0.0,
            sign="mesh",
            source="the mesh line as a sweep through the structure; common practice, no source",
        )
        for centre in CUT_CENTRES_HZ
    ),
)


@dataclass(frozen=True, eq=False)
class MeshSignal:
    """The mesh line at zero frequency, in equal steps of the motor's turn.

    Attributes
    ----------
    values : ndarray of complex64, shape (n,)
        Channel with the most power.
    inside : ndarray of bool, shape (n,)
    time_s, motor_hz : ndarray, shape (n,)
    """

    values: NDArray[np.complex64]
    inside: NDArray[np.bool_]
    time_s: FloatArray
    motor_hz: FloatArray


def mesh_signal(work: Workings, order: float) -> MeshSignal | None:
    """Bring an order to zero frequency; only where its band lies inside the sensor's."""
    if not work.runs:
        return None
    speed = work.speed
    hz = speed.rpm / 60.0
    fits = work.certain & ((order + SIDE_ORDERS) * hz < work.bandwidth_hz)
    if fits.sum() * work.frame_step_s < 0.5:
        return None
    low_hz = max(50.0, float(hz[fits].min()) * (order - SIDE_ORDERS))
    high_hz = float(hz[fits].max()) * (order + SIDE_ORDERS)
    start_hz = max(0, int((low_hz - 150.0) / work.bin_hz)) * work.bin_hz
    signal, rate = work.band_signal(low_hz, high_hz, (high_hz - low_hz) + 300.0)
    best = 0
    if signal.shape[0] > 1:
        best = int(np.argmax(np.mean(np.abs(signal) ** 2, axis=1)))
    n = signal.shape[1]
    # Average over an eighth of a turn of the fastest motor before angular resampling.
    turns = work.turns(np.array([0.0, (n - 1) / rate]))
    n_out = int((turns[1] - turns[0]) * MESH_PER_TURN)
    if n_out < 2 * SEGMENT_TURNS:
        return None
    edges = turns[0] + np.arange(n_out + 1) / MESH_PER_TURN
    at = np.interp(edges, speed.revolutions, speed.time_s)
    index = np.clip((at * rate).astype(np.intp), 0, n - 1)
    width = np.maximum(np.diff(index), 1).astype(np.float32)
    # What lies before the first turn and after the last is never asked for.
    first, last = int(index[0]), int(index[-1]) + 1
    # Phase of the band's own zero plus the mesh: what is left turns with the sidebands only.
    cycles = _cycles(work, order, start_hz, rate, first, last)
    cycles -= np.floor(cycles)
    cycles *= 2.0 * np.pi
    angle = cycles.astype(np.float32)
    turn = np.empty(angle.size, dtype=np.complex64)
    np.cos(angle, out=turn.real)
    np.negative(np.sin(angle, out=angle), out=turn.imag)
    turn *= signal[best, first:last]
    baseband = turn
    # An empty piece counts as the one sample it lies in.
    values = np.add.reduceat(baseband, index - first)[:-1] / width
    middle = 0.5 * (at[1:] + at[:-1])
    motor_hz = work.shaft_hz(middle, 1.0)
    nearest = np.interp(middle, speed.time_s, fits.astype(np.float64)) > 0.5
    return MeshSignal(values.astype(np.complex64), nearest, middle, motor_hz)


def _cycles(
    work: Workings, order: float, start_hz: float, rate_hz: float, first: int, last: int
) -> FloatArray:
    """Cycles of an order less those of a fixed frequency, at the samples ``first:last`` of a rate.

    Straight between the frames of speed, so that each piece is two numbers that are repeated.
    """
    turned, knots = work.speed.revolutions, work.speed.time_s * rate_hz
    slope = np.concatenate([[0.0], np.diff(turned) / np.diff(knots), [0.0]])
    offset = np.concatenate([turned[:1], turned]) - slope * np.concatenate([knots[:1], knots])
    edges = np.clip(np.ceil(knots), first, last).astype(np.intp)
    lengths = np.diff(edges, prepend=first, append=last)
    cycles: FloatArray = np.arange(first, last, dtype=np.float64)
    cycles *= np.repeat(order * slope - start_hz / rate_hz, lengths)
    cycles += np.repeat(order * offset, lengths)
    return cycles


def measure(work: Workings) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    order = work.order_ratio("mesh")
    if order is None:
        return found
    mesh = mesh_signal(work, order)
    if mesh is None:
        return found
    found.update(_sidebands(work, mesh))
    found.update(_depths(mesh))
    blocks = _blocks(mesh)
    if blocks is not None:
        driven = blocks.inside & work.phase_mask(blocks.time_s, "driven")
        coasting = blocks.inside & work.phase_mask(blocks.time_s, "coast_down")
        found["mesh_power_change"] = difference_at_matched_speed(
            blocks.motor_hz, blocks.line_db, driven, coasting
        )
        found.update(_purity(blocks, 1, driven, coasting))
        found.update(_cut(blocks, order, driven))
        twice = mesh_signal(work, 2.0 * order)
        if twice is not None:
            upper = _blocks(twice)
            if upper is not None:
                driven = upper.inside & work.phase_mask(upper.time_s, "driven")
                coasting = upper.inside & work.phase_mask(upper.time_s, "coast_down")
                found.update(_purity(upper, 2, driven, coasting))
            both = mesh.inside & twice.inside if mesh.inside.size == twice.inside.size else None
            if both is not None and both.sum() > SEGMENT_TURNS * MESH_PER_TURN:
                first = _slow_power(mesh.values, both)
                second = _slow_power(twice.values, both)
                found["mesh_2_over_1"] = float(10.0 * np.log10((second + 1e-14) / (first + 1e-14)))
    return found


@dataclass(frozen=True, eq=False)
class _Blocks:
    """The mesh line in blocks of four motor turns; all shape (n_blocks,)."""

    line_db: FloatArray
    whole_db: FloatArray
    time_s: FloatArray
    motor_hz: FloatArray
    inside: NDArray[np.bool_]


def _blocks(mesh: MeshSignal) -> _Blocks | None:
    n_blocks = mesh.values.size // BLOCK
    if n_blocks < 8:
        return None
    kept = n_blocks * BLOCK
    pieces = mesh.values[:kept].reshape(n_blocks, BLOCK)
    line = np.abs(pieces.mean(axis=1)) ** 2
    whole = (pieces.real**2 + pieces.imag**2).mean(axis=1)
    return _Blocks(
        line_db=np.asarray(10.0 * np.log10(line + 1e-14), dtype=np.float64),
        whole_db=np.asarray(10.0 * np.log10(whole + 1e-14), dtype=np.float64),
        time_s=mesh.time_s[:kept].reshape(n_blocks, BLOCK).mean(axis=1),
        motor_hz=mesh.motor_hz[:kept].reshape(n_blocks, BLOCK).mean(axis=1),
        inside=np.asarray(mesh.inside[:kept].reshape(n_blocks, BLOCK).all(axis=1)),
    )


def _purity(
    blocks: _Blocks, multiple: int, driven: NDArray[np.bool_], coasting: NDArray[np.bool_]
) -> dict[str, float | None]:
    pure = blocks.line_db - blocks.whole_db
    return {
        f"mesh_{multiple}_purity_{phase}": float(np.median(pure[mask]))
        for phase, mask in (("driven", driven), ("coast_down", coasting))
        if mask.sum() >= 8
    }


def _cut(blocks: _Blocks, order: float, driven: NDArray[np.bool_]) -> dict[str, float | None]:
    """Level of the mesh line against its frequency: how the structure answers it."""
    octaves = np.log2(np.maximum(order * blocks.motor_hz, 1.0) / 1000.0)
    third = np.rint(3.0 * octaves).astype(np.intp)
    level: dict[int, float] = {}
    for place, centre in enumerate(CUT_CENTRES_HZ):
        passing = driven & (third == place + 2)  # the first is two thirds of an octave over 1 kHz
        if passing.sum() >= CUT_BLOCKS:
            level[centre] = float(np.median(blocks.line_db[passing]))
    if len(level) < 4:
        return {}
    mean = float(np.mean(list(level.values())))
    return {f"mesh_at_{centre}": value - mean for centre, value in level.items()}


def _slow_power(values: NDArray[np.complex64], mask: NDArray[np.bool_]) -> float:
    """Mean power of the line itself: averages over two motor turns keep ± 0.5 orders."""
    block = 2 * MESH_PER_TURN
    n_blocks = values.size // block
    pieces = values[: n_blocks * block].reshape(n_blocks, block).mean(axis=1)
    good = mask[: n_blocks * block].reshape(n_blocks, block).all(axis=1)
    return float(np.mean(np.abs(pieces[good]) ** 2)) if good.any() else 0.0


def _sidebands(work: Workings, mesh: MeshSignal) -> dict[str, float | None]:
    n_segment = SEGMENT_TURNS * MESH_PER_TURN
    starts = np.arange(0, max(mesh.values.size - n_segment, -1) + 1, n_segment // 2)
    if starts.size:
        count = np.concatenate([[0], np.cumsum(mesh.inside)])
        starts = starts[count[starts + n_segment] - count[starts] >= 0.95 * n_segment]
    if starts.size == 0:
        return {}
    window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n_segment) / n_segment)).astype(np.float32)
    pieces = mesh.values[starts[:, None] + np.arange(n_segment)]
    # Each segment counts alike, so that no speed dominates.
    pieces = pieces / np.sqrt(np.mean(np.abs(pieces) ** 2, axis=1, keepdims=True) + 1e-20)
    spectrum = np.abs(scipy.fft.fft(pieces * window, axis=1)) ** 2
    power: FloatArray = np.asarray(spectrum.mean(axis=0), dtype=np.float64)
    order = scipy.fft.fftfreq(n_segment, 1.0 / MESH_PER_TURN)

    def line(at: float, width: float) -> float:
        return float(power[np.abs(order - at) <= width].max())

    step = 1.0 / SEGMENT_TURNS
    carrier = line(0.0, 2.01 * step)
    found: dict[str, float | None] = {}
    inner = np.abs(order) < SIDE_ORDERS
    beside = inner & (np.abs(order) > 3.0 * step)
    ground = float(np.median(power[beside]))
    found["mesh_level"] = float(10.0 * np.log10(carrier / max(ground, 1e-30)))
    lines = np.zeros_like(beside)
    for name, shaft in (("mesh_side_spur", "spur"), ("mesh_side_motor", "motor")):
        ratio = work.order_ratio(shaft)
        if ratio is None or ratio > SIDE_ORDERS:
            continue
        pair = 0.5 * (line(ratio, 1.01 * step) + line(-ratio, 1.01 * step))
        found[name] = float(10.0 * np.log10(pair / carrier + 1e-14))
        for multiple in (1.0, 2.0):
            lines |= np.abs(np.abs(order) - multiple * ratio) <= 2.01 * step
    between = beside & ~lines
    found["mesh_side_noise"] = float(10.0 * np.log10(power[between].sum() / carrier + 1e-14))
    return found


def _depths(mesh: MeshSignal) -> dict[str, float | None]:
    if mesh.inside.sum() < SEGMENT_TURNS * MESH_PER_TURN:
        return {}
    size = np.abs(mesh.values).astype(np.float64)
    n_slow = 32 * MESH_PER_TURN + 1
    total = np.cumsum(np.concatenate([[0.0], np.pad(size, n_slow // 2, mode="edge")]))
    slow = (total[n_slow:] - total[:-n_slow]) / n_slow
    relative = size / np.maximum(slow, 1e-14) - 1.0
    am = float(np.sqrt(np.mean(relative[mesh.inside] ** 2)))
    step = np.angle(mesh.values[1:] * np.conj(mesh.values[:-1]))
    both = mesh.inside[1:] & mesh.inside[:-1]
    pm = float(np.sqrt(np.mean(step[both] ** 2)))
    return {
        "mesh_am_depth": float(np.log10(am + 1e-4)),
        "mesh_pm_depth": float(np.log10(pm + 1e-4)),
    }
