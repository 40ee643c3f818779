"""Stage 4, sign 4: stiffness lost.

Order cuts against speed: where they peak, how sharply, whether run-up and coast-down overlay, and
how steady they are. A joint that slips or opens is softer (lower, blunter peaks), jumps, and takes
another path down than up (bilinear and Duffing oscillators).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.dsp.statistics import middle
from vibecheck.features.harmonics import LOW_PER_TURN, LowOrders
from vibecheck.features.spec import WHEELS, FeatureSpec, Shaft
from vibecheck.features.workings import FloatArray, Workings

DUFFING = "bilinear oscillator (Shaw & Holmes 1983) and Duffing jumps; common practice"
BLOCK_MOTOR_TURNS = 24
N_SPEED_BINS = 16


def _overlay(shaft: Shaft, zones: tuple[str, ...]) -> FeatureSpec:
    return FeatureSpec(
        name=f"overlay_{shaft}_1",
        unit="dB",
        formula=f"mean absolute difference of the 1 × {shaft} cut between coast-down and powered "
        "running, over common speed bins, after the mean difference is taken out",
        shaft=shaft,
        phase="running",
        raised_by="A joint that takes another path down than up.",
        reading_high=f"The {shaft}'s shake differs on the way up and down by {{value:.1f}} dB.",
        reading_low=f"The {shaft}'s shake is alike on the way up and down ({{value:.1f}} dB).",
        zones=zones,
        neutral=2.0,
        sign="resonance",
        direction=1,
        source=DUFFING,
    )


def _steady(shaft: Shaft, zones: tuple[str, ...]) -> FeatureSpec:
    return FeatureSpec(
        name=f"unsteady_{shaft}_1",
        unit="dB",
        formula=f"robust spread of the 1 × {shaft} level from block to block, slow trend removed",
        shaft=shaft,
        phase="driven",
        raised_by="A part that shifts in its seat: its shake does not repeat from turn to turn.",
        reading_high=f"The {shaft}'s shake flickers by {{value:.1f}} dB from moment to moment.",
        reading_low=f"The {shaft}'s shake is steady (±{{value:.1f}} dB).",
        zones=zones,
        neutral=1.5,
        sign="resonance",
        direction=1,
        source="slip and gap in a joint; common practice, no source",
        locates=shaft == "wheel",
    )


FEATURES: tuple[FeatureSpec, ...] = (
    FeatureSpec(
        name="resonance_motor_height",
        unit="dB",
        formula="peak of the 1 × motor cut over its median, on log-speed bins",
        shaft="motor",
        phase="running",
        raised_by="A lightly damped resonance; slip in a joint lowers it.",
        reading_high="The motor's shake has a tall peak: {value:.0f} dB.",
        reading_low="The motor's shake has no tall peak ({value:.0f} dB).",
        zones=("motor_mount",),
        neutral=8.0,
        sign="resonance",
        direction=-1,
        source=DUFFING,
    ),
    _overlay("motor", ("motor_mount",)),
    _steady("motor", ("motor_mount",)),
    _steady("wheel", (WHEELS,)),
)


@dataclass(frozen=True, eq=False)
class OrderCut:
    """Level of one order, block by block.

    Attributes
    ----------
    motor_hz, level_db : ndarray, shape (n_blocks,)
    driven, coast_down : ndarray of bool, shape (n_blocks,)
        Blocks that lie wholly in the phase.
    """

    motor_hz: FloatArray
    level_db: FloatArray
    driven: NDArray[np.bool_]
    coast_down: NDArray[np.bool_]


def order_cut(work: Workings, low: LowOrders, ratio: float) -> OrderCut | None:
    """Level of one order in Hann-windowed blocks of `BLOCK_MOTOR_TURNS` motor turns."""
    if low.angular is None:
        return None
    values, inside, motor_hz = low.angular
    n_block = BLOCK_MOTOR_TURNS * LOW_PER_TURN
    n_blocks = values.shape[-1] // n_block
    if n_blocks < 4:
        return None
    kept = n_blocks * n_block
    angle = np.arange(n_block) / LOW_PER_TURN
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n_block) / n_block)
    probe = (window * np.exp(-2j * np.pi * ratio * angle)).astype(np.complex64)
    blocks = values[:, :kept].reshape(values.shape[0], n_blocks, n_block)
    power = (np.abs(blocks @ probe) ** 2).sum(axis=0).astype(np.float64)

    def whole(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.asarray(mask[:kept].reshape(n_blocks, n_block).mean(axis=1) > 0.95)

    trusted = whole(inside)
    return OrderCut(
        motor_hz=motor_hz[:kept].reshape(n_blocks, n_block).mean(axis=1),
        level_db=np.asarray(10.0 * np.log10(power / n_block**2 + 1e-14)),
        driven=trusted & whole(low.phase_mask("driven")),
        coast_down=trusted & whole(low.phase_mask("coast_down")),
    )


def measure(work: Workings, low: LowOrders) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    for shaft in ("motor", "wheel"):
        ratio = work.order_ratio(shaft)
        if ratio is None or not low.can_show(ratio):
            continue
        cut = order_cut(work, low, ratio)
        if cut is None:
            continue
        found[f"unsteady_{shaft}_1"] = _unsteadiness(cut)
        if shaft == "motor":
            found["overlay_motor_1"] = _overlay_of(cut)
            found["resonance_motor_height"] = _height_of(cut)
    return found


def _binned(cut: OrderCut, mask: NDArray[np.bool_], edges: FloatArray) -> FloatArray:
    """Median level in each log-speed bin; NaN in empty bins."""
    level_db = cut.level_db[mask]
    place = np.searchsorted(edges, cut.motor_hz[mask], side="right") - 1
    pieces = (level_db[place == k] for k in range(edges.size - 1))
    return np.array([middle(piece) if piece.size else np.nan for piece in pieces])


def _overlay_of(cut: OrderCut) -> float | None:
    if cut.driven.sum() < 4 or cut.coast_down.sum() < 4:
        return None
    low = max(cut.motor_hz[cut.driven].min(), cut.motor_hz[cut.coast_down].min())
    high = min(cut.motor_hz[cut.driven].max(), cut.motor_hz[cut.coast_down].max())
    if not high > 1.1 * low:
        return None
    edges = np.geomspace(low * 0.999, high * 1.001, N_SPEED_BINS // 2 + 1)
    difference = _binned(cut, cut.coast_down, edges) - _binned(cut, cut.driven, edges)
    difference = difference[np.isfinite(difference)]
    if difference.size < 3:
        return None
    return float(np.mean(np.abs(difference - difference.mean())))


def _unsteadiness(cut: OrderCut) -> float | None:
    level = cut.level_db[cut.driven]
    if level.size < 8:
        return None
    # Second differences cancel a level and a slope; the spread of white noise grows by √6.
    bend = level[:-2] - 2.0 * level[1:-1] + level[2:]
    return float(1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0))


def _height_of(cut: OrderCut) -> float | None:
    running = cut.driven | cut.coast_down
    if running.sum() < 8:
        return None
    speeds = cut.motor_hz[running]
    if not speeds.max() > 1.4 * speeds.min():
        return None
    edges = np.geomspace(speeds.min() * 0.999, speeds.max() * 1.001, N_SPEED_BINS + 1)
    level = _binned(cut, running, edges)
    level = level[np.isfinite(level)]
    return float(level.max() - np.median(level)) if level.size >= 6 else None
