"""Draw the bank of structural modes of an invented car."""

from __future__ import annotations

import numpy as np

from vibecheck.simulator.parameters import (
    CHANNELS_OF_JOINT,
    JOINTS,
    MOMENT_ARM,
    MOMENT_CHANNELS,
    N_FORCE_CHANNELS,
    ModeBank,
)
from vibecheck.simulator.ranges import Draw


def draw_modes(draw: Draw, big: bool) -> ModeBank:
    """Draw chassis modes (1.2-12 kHz) and each zone's own ringing parts (0.3-10 kHz)."""
    rng = draw.rng
    # Group, how many, frequency range, damping range, mass range, radiating area range.
    plan: list[tuple[int, int, tuple[float, float], tuple[float, float]]] = [
        (-1, 16, (1200.0, 12000.0), (0.012, 0.06))
    ]
    plan += [(wheel, 3, (350.0, 5500.0), (0.03, 0.1)) for wheel in range(4)]
    plan += [(4, 4, (900.0, 10000.0), (0.012, 0.05))]
    plan += [(5, 3, (700.0, 9000.0), (0.02, 0.08))]
    plan += [(6, 3, (300.0, 6000.0), (0.02, 0.08))]
    frequency, damping, mass, group, area, drive = [], [], [], [], [], []
    through_arm = draw.flat(0.15, 0.4)
    for joint, count, span, loss in plan:
        for _ in range(count):
            frequency.append(draw.log(*span))
            damping.append(draw.log(*loss))
            group.append(joint)
            if joint < 0:
                mass.append(draw.log(0.06, 0.4) * (1.6 if big else 1.0))
                area.append(draw.log(0.2e-3, 1.5e-3) * (1.3 if big else 1.0))
            else:
                mass.append(draw.log(0.02, 0.12) * (1.6 if big else 1.0))
                most = 1.5e-3 if joint < 4 else 0.5e-3
                area.append(draw.log(0.1 * most, most) * (1.3 if big else 1.0))
            row = np.zeros(N_FORCE_CHANNELS)
            for other, channels in enumerate(CHANNELS_OF_JOINT):
                gain = 1.0 if joint in (-1, other) else draw.flat(0.0, 0.06)
                if joint == -1 and other < 4:
                    gain = through_arm
                row[list(channels)] = gain * rng.normal(0.0, 0.7, len(channels))
            row[list(MOMENT_CHANNELS)] /= MOMENT_ARM * 2.0
            drive.append(row)
    n = len(frequency)
    attached = rng.normal(0.0, 1.0, (n, len(JOINTS) + 1, 3))
    groups = np.array(group, dtype=np.int64)
    for mode in range(n):
        if groups[mode] >= 0:
            near = groups[mode] + 1
            keep = attached[mode, near].copy()
            attached[mode] *= 0.05
            attached[mode, near] = keep * 0.3
    return ModeBank(
        frequency_hz=np.array(frequency),
        damping=np.array(damping),
        mass=np.array(mass),
        group=groups,
        drive=np.array(drive),
        area=np.array(area),
        direction=np.exp(rng.normal(0.0, 0.45, (n, len(JOINTS) + 1)))
        * rng.choice([-1.0, 1.0], (n, 1)),
        attached=attached,
    )
