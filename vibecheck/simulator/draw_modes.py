"""Draw the bank of structural modes of an invented car."""

from __future__ import annotations

import math

import numpy as np

from vibecheck.simulator.draw_chassis import plate_shape
from vibecheck.simulator.parameters import (
    CHANNELS_OF_JOINT,
    JOINTS,
    MOMENT_ARM,
    MOMENT_CHANNELS,
    N_FORCE_CHANNELS,
    Array,
    ModeBank,
)
from vibecheck.simulator.ranges import Draw

Range = tuple[float, float]

# Each zone's own ringing parts: how many, frequency in Hz, damping ratio, radiating area in m².
WHEEL = ((2, 4), (300.0, 6000.0), (0.025, 0.12), (0.15e-3, 1.5e-3))
TOWER = ((1, 3), (500.0, 7000.0), (0.02, 0.08), (0.1e-3, 0.7e-3))
OWN_PARTS: tuple[tuple[tuple[int, int], Range, Range, Range], ...] = (
    WHEEL,
    WHEEL,
    WHEEL,
    WHEEL,
    ((3, 5), (900.0, 10000.0), (0.01, 0.06), (0.05e-3, 0.5e-3)),
    ((2, 4), (700.0, 9000.0), (0.02, 0.08), (0.05e-3, 0.5e-3)),
    ((2, 3), (500.0, 8000.0), (0.01, 0.06), (0.03e-3, 0.3e-3)),
    TOWER,
    TOWER,
    ((1, 2), (150.0, 2500.0), (0.05, 0.2), (0.3e-3, 2.0e-3)),
    ((2, 4), (300.0, 7000.0), (0.02, 0.08), (0.05e-3, 0.5e-3)),
    ((3, 5), (90.0, 3000.0), (0.04, 0.15), (0.5e-3, 4.0e-3)),
    ((1, 3), (400.0, 6000.0), (0.02, 0.1), (0.05e-3, 0.5e-3)),
)
# Share of a joint's force that reaches the chassis' high modes: what lies between is soft.
THROUGH: tuple[Range, ...] = (
    *((0.15, 0.4),) * 4,
    (0.8, 1.2),
    (0.7, 1.2),
    (0.6, 1.1),
    *((0.5, 1.1),) * 2,
    (0.2, 0.8),
    (0.8, 1.2),
    (0.15, 0.5),
    (0.4, 1.0),
)


def draw_modes(draw: Draw, big: bool, position: Array) -> ModeBank:
    """Draw chassis modes (1.2-12 kHz) and each zone's own ringing parts (0.1-10 kHz).

    Parameters
    ----------
    position : ndarray, shape (n_joints, 3)
    """
    rng = draw.rng
    n_joints = len(JOINTS)
    size = 1.6 if big else 1.0
    through = np.array([draw.flat(*share) for share in THROUGH])
    through[:4] = through[0]
    places = np.vstack((np.zeros((1, 3)), position))
    frequency, damping, mass, group, area = [], [], [], [], []
    for _ in range(draw.whole(12, 22)):
        frequency.append(draw.log(1200.0, 12000.0))
        damping.append(draw.log(0.01, 0.07))
        mass.append(draw.log(0.06, 0.4) * size)
        group.append(-1)
        area.append(draw.log(0.2e-3, 1.5e-3) * (1.3 if big else 1.0))
    for joint, (count, span, loss, radiating) in enumerate(OWN_PARTS):
        for _ in range(draw.whole(*count)):
            frequency.append(draw.log(*span))
            damping.append(draw.log(*loss))
            mass.append(draw.log(0.02, 0.12) * size)
            group.append(joint)
            area.append(draw.log(*radiating) * (1.3 if big else 1.0))
    n = len(frequency)
    groups = np.array(group, dtype=np.int64)
    patch = np.empty((n, n_joints + 1))
    drive = np.zeros((n, N_FORCE_CHANNELS))
    attached = np.empty((n, n_joints + 1, 3))
    for mode in range(n):
        joint = group[mode]
        if joint < 0:
            waves = 4.0 * math.sqrt(frequency[mode] / 1200.0)
            patch[mode] = plate_shape(draw, places, waves, 0.5)
            gain = through
        else:
            # A part's own mode lives at its joint; little of it reaches elsewhere.
            patch[mode] = rng.uniform(0.0, 0.06, n_joints + 1) * rng.choice([-1.0, 1.0])
            patch[mode, joint + 1] = rng.choice([-1.0, 1.0]) * draw.flat(0.6, 1.3)
            gain = np.ones(n_joints)
        for other, channels in enumerate(CHANNELS_OF_JOINT):
            way = rng.normal(0.0, 0.7, len(channels))
            drive[mode, list(channels)] = gain[other] * patch[mode, other + 1] * way
        attached[mode] = patch[mode][:, None] * rng.normal(0.0, 1.0, (n_joints + 1, 3))
        if joint >= 0:
            attached[mode] *= 0.3
    drive[:, list(MOMENT_CHANNELS)] /= MOMENT_ARM * 2.0
    return ModeBank(
        frequency_hz=np.array(frequency),
        damping=np.array(damping),
        mass=np.array(mass),
        group=groups,
        drive=drive,
        area=np.array(area),
        direction=np.exp(rng.normal(0.0, 0.45, (n, n_joints + 1)))
        * rng.choice([-1.0, 1.0], (n, 1)),
        patch=patch,
        attached=attached,
    )
