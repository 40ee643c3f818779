"""Stage 2: ``track_speed``, from a take (and what is known of the car) to a ``SpeedTrack``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vibecheck.car.profile import Car, Order
from vibecheck.dsp import tracking_evidence as evidence
from vibecheck.dsp import tracking_front as front_end
from vibecheck.dsp import tracking_path as path_search
from vibecheck.dsp import tracking_phases as phase_split
from vibecheck.dsp import tracking_refine as refinement
from vibecheck.dsp.tracking_evidence import Line
from vibecheck.errors import CallError
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack

LOWEST_MOTOR_RPM = 1500.0
HIGHEST_SPEED_HZ = 1000.0
LOWEST_SPEED_HZ = 10.0
STEEPEST_SLEW_HZ_S = 300.0
FULL_CHARGE_V = 4.2


@dataclass(frozen=True)
class Search:
    """What to look for: the lines, and the range of the reference shaft's speed."""

    lines: tuple[Line, ...]
    low_hz: float
    high_hz: float
    shaft: str


def track_speed(
    take: Take, car: Car | None = None, *, orders: Sequence[Order | float] | None = None
) -> SpeedTrack:
    """Track the speed of the reference shaft through a take.

    Parameters
    ----------
    take : Take
        At least about half a second, any number of channels.
    car : Car, optional
        Gives the orders to look for and the range of motor speeds.
    orders : sequence of Order or float, optional
        Orders to look for instead, in events per turn of the reference shaft. With neither, the
        tracker searches blindly for a harmonic series.

    Returns
    -------
    SpeedTrack

    Raises
    ------
    CallError
        If both ``car`` and ``orders`` are given, or an order is not a positive number.
    """
    search = _search(take, car, orders)
    samples = front_end.decorrelated(take.samples)
    front = front_end.short_time_levels(samples, take.sample_rate_hz, top_hz=take.bandwidth_hz)
    whitened = [evidence.whiten(level) for level in front.levels]
    candidates = path_search.candidate_grid(search.low_hz, search.high_hz)
    scores = evidence.candidate_evidence(whitened, front, candidates, search.lines)
    step_s = 2.0 * front.hop_s
    cells = path_search.speed_cells(candidates, STEEPEST_SLEW_HZ_S, step_s)
    path = path_search.likeliest_path(np.maximum.reduceat(scores, cells.start, axis=0))
    coarse = np.where(path.cell >= 0, cells.centre_hz[path.cell], 0.0)
    reach = np.maximum(0.02 * coarse, 1.5 * STEEPEST_SLEW_HZ_S * step_s / path_search.REACH)
    for first, end in phase_split.stretches(coarse > 0.0):
        smooth = ndimage.uniform_filter1d(np.log(coarse[first:end]), 3, mode="nearest")
        coarse[first:end] = np.exp(smooth)
    fine = evidence.sharpened(whitened, front, search.lines, coarse, reach)
    speed, sd = _refined(whitened, front, search, fine)
    n_frames = front.time_s.size
    confidence = np.repeat(path.posterior, 2)
    confidence = np.append(confidence, confidence[-1:])[:n_frames] if n_frames > 1 else confidence
    phases = _phases(speed, front, take.duration_s)
    return SpeedTrack(
        time_s=front.time_s,
        rpm=60.0 * speed,
        sd_rpm=60.0 * sd,
        confidence=confidence,
        phases=phases,
        shaft=search.shaft,
        order_ambiguity=None,
    )


def _search(take: Take, car: Car | None, orders: Sequence[Order | float] | None) -> Search:
    if car is not None and orders is not None:
        raise CallError(
            "track_speed takes a car or a list of orders. Got both instead.",
            advice="Leave one of them out.",
        )
    top = take.bandwidth_hz or 0.5 * take.sample_rate_hz
    if car is not None and car.drivetrain is not None:
        train = car.drivetrain
        ratio = train.pinion_teeth / train.spur_teeth
        wheel = ratio / train.internal_ratio
        electrical = train.motor_poles / 2.0
        mesh = float(train.pinion_teeth)
        lines: tuple[Line, ...] = (
            Line(1.0),
            Line(electrical),
            Line(mesh),
            Line(2.0, 0.5),
            Line(2.0 * electrical, 0.5),
            Line(2.0 * mesh, 0.5),
            Line(3.0 * mesh, 0.3),
            Line(ratio, 0.5),
            Line(wheel, 0.3),
        )
        no_load_hz = train.kv_rpm_per_v * train.cells * FULL_CHARGE_V / 60.0
        high = min(1.15 * no_load_hz, 1.2 * HIGHEST_SPEED_HZ)
        return Search(_merged(lines), LOWEST_MOTOR_RPM / 60.0, high, car.shaft)
    given = car.orders if car is not None else orders
    shaft = car.shaft if car is not None else "reference"
    if given is not None:
        ratios = [item.ratio if isinstance(item, Order) else float(item) for item in given]
        for value in ratios:
            if not (np.isfinite(value) and value > 0.0):
                raise CallError(f"orders must be positive numbers. Got {value!r} instead.")
        lines = tuple(Line(value) for value in ratios)
        if not lines:
            raise CallError("orders must hold at least one order. Got none instead.")
        high = min(HIGHEST_SPEED_HZ, 0.9 * top / min(ratios))
        return Search(_merged(lines), LOWEST_SPEED_HZ, high, shaft)
    lines = tuple(Line(float(h), h**-0.5) for h in range(1, 9))
    return Search(lines, LOWEST_SPEED_HZ, min(HIGHEST_SPEED_HZ, 0.45 * top), "reference")


def _merged(lines: Sequence[Line]) -> tuple[Line, ...]:
    """Orders that fall together count once, with the larger say."""
    kept: dict[float, Line] = {}
    for line in lines:
        key = round(line.order, 6)
        if key not in kept or kept[key].weight < line.weight:
            kept[key] = line
    return tuple(kept.values())


def _refined(
    whitened: list[evidence.Whitened],
    front: front_end.Front,
    search: Search,
    fine_hz: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frames from steps, then the phase fit on each running stretch."""  # fmt: skip
    n_frames = front.time_s.size
    speed = np.zeros(n_frames)
    sd = np.zeros(n_frames)
    for first, end in phase_split.stretches(fine_hz > 0.0):
        a = 2 * first
        b = n_frames if end == fine_hz.size else 2 * end
        centres = 2.0 * np.arange(first, end) + 0.5
        speed[a:b] = np.interp(np.arange(a, b), centres, fine_hz[first:end])
    amplitudes = refinement.line_amplitudes(front, whitened, search.lines, speed)
    amplitudes = refinement.strongest(amplitudes, 6)
    for a, b in phase_split.stretches(speed > 0.0):
        part = refinement.Amplitudes(
            amplitudes.value[:, a:b], amplitudes.noise[:, a:b], amplitudes.valid[:, a:b],
            amplitudes.looks[:, a:b], amplitudes.order,
        )  # fmt: skip
        prior = np.maximum(0.003 * speed[a:b], 0.3)
        result = refinement.refine(part, speed[a:b], front.hop_s, prior)
        speed[a:b] = result.speed_hz
        sd[a:b] = result.sd_hz
    return speed, sd


def _phases(
    speed_hz: NDArray[np.float64], front: front_end.Front, duration_s: float
) -> tuple[Phase, ...]:
    parts = phase_split.split_phases(speed_hz, front.hop_s)
    edges = front.time_s - 0.5 * front.hop_s
    out = []
    for i, (name, first, end) in enumerate(parts):
        start = 0.0 if i == 0 else float(edges[first])
        stop = duration_s if i == len(parts) - 1 else float(edges[end])
        out.append(Phase(name, start, stop))
    return tuple(out)
