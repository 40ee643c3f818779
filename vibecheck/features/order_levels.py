"""Stage 4, sign 3, against the whole: how much of the low sound each order carries.

A line over its surroundings tells whether it is there; its share of all low sound tells how much
the shaft shakes the car. Stiffness lost in its path changes that share whatever else is heard.
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from vibecheck.features.harmonics import LOW_PER_TURN, SHAW_1983, LowOrders
from vibecheck.features.spec import TOWERS, WHEELS, FeatureSpec, Shaft
from vibecheck.features.workings import LOW_BAND_HZ, Workings

BLOCK_TURNS = 24
SLOW = 0.35
"""Blocks slower than this share of the top speed are left out: their lines are not yet there."""
MIN_BLOCKS = 4
FIRST_BIN = 2
"""Lower bins hold what the window lets through of slow drift."""

_MOTOR_ZONES = ("motor_mount", "gear_mesh", "chassis_screws", "battery_hold_down")
_SPUR_ZONES = ("gear_mesh", "driveline", "motor_mount", "chassis_screws")
_WHEEL_ZONES = (WHEELS, "steering", *TOWERS, "body_and_aero")
_ORDERS: tuple[tuple[Shaft, int, tuple[str, ...]], ...] = (
    *(("motor", k, _MOTOR_ZONES) for k in (1, 2, 3, 4)),
    *(("spur", k, _SPUR_ZONES) for k in (1, 2)),
    *(("wheel", k, _WHEEL_ZONES) for k in (1, 2, 4)),
)
_PHASES = ("driven", "coast_down")
_WHEN = {"driven": "under power", "coast_down": "while it coasts down"}

FEATURES: tuple[FeatureSpec, ...] = tuple(
    FeatureSpec(
        name=f"order_share_{shaft}_{multiple}_{phase}",
        unit="dB",
        formula=f"power of the line at {multiple} × {shaft} order over all power below 2.5 kHz, "
        "median over blocks of 24 motor turns",
        shaft=shaft,
        phase=phase,  # type: ignore[arg-type]
        raised_by="A part out of balance or out of true, or a softer path that lets it shake.",
        reading_high=f"More of the low sound comes {multiple} × per {shaft} turn {_WHEN[phase]} "
        "({value:+.0f} dB of the whole).",
        reading_low=f"Less of the low sound comes {multiple} × per {shaft} turn {_WHEN[phase]} "
        "({value:+.0f} dB of the whole).",
        zones=zones,
        neutral=-20.0,
        sign="harmonics",
        source=SHAW_1983,
        locates=shaft == "wheel",
    )
    for shaft, multiple, zones in _ORDERS
    for phase in _PHASES
)


def measure(work: Workings, low: LowOrders) -> dict[str, float | None]:
    """Measure the features of this sign."""
    found: dict[str, float | None] = {}
    if low.angular is None:
        return found
    values, inside, motor_hz = low.angular
    n_block = BLOCK_TURNS * LOW_PER_TURN
    n_blocks = values.shape[-1] // n_block
    if n_blocks < MIN_BLOCKS:
        return found
    kept = n_blocks * n_block

    def whole(mask: np.ndarray) -> np.ndarray:
        return np.asarray(mask[:kept].reshape(n_blocks, n_block).mean(axis=1) > 0.95)

    hz = motor_hz[:kept].reshape(n_blocks, n_block).mean(axis=1)
    trusted = whole(inside) & (hz > SLOW * work.top_hz)
    if trusted.sum() < MIN_BLOCKS:
        return found
    window = np.hanning(n_block).astype(np.float32)
    blocks = values[:, :kept].reshape(values.shape[0], n_blocks, n_block)[:, trusted] * window
    spectrum = scipy.fft.rfft(blocks, axis=-1)
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=0, dtype=np.float64)
    order = np.arange(power.shape[1]) / BLOCK_TURNS
    whole_power = power[:, FIRST_BIN:].sum(axis=1)
    masks = {phase: whole(low.phase_mask(phase))[trusted] for phase in _PHASES}
    top_hz = min(work.bandwidth_hz, LOW_BAND_HZ)
    for shaft, multiple, _zones in _ORDERS:
        ratio = work.order_ratio(shaft)
        if ratio is None:
            continue
        at = multiple * ratio
        width = max((0.02 if shaft == "wheel" else 0.008) * at, 1.5 / BLOCK_TURNS)
        line = power[:, np.abs(order - at) <= width].max(axis=1)
        share = 10.0 * np.log10(line / np.maximum(whole_power, 1e-30) + 1e-9)
        for phase, mask in masks.items():
            if mask.sum() >= MIN_BLOCKS and at * np.median(hz[trusted][mask]) < 0.95 * top_hz:
                found[f"order_share_{shaft}_{multiple}_{phase}"] = float(np.median(share[mask]))
    return found
