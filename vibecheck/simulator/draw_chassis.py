"""Draw the chassis of an invented car: where its joints lie, its mass, stand and modes."""

from __future__ import annotations

import math

import numpy as np

from vibecheck.simulator.parameters import Array, ChassisParameters, DeckParameters
from vibecheck.simulator.ranges import Draw


def _positions(draw: Draw, big: bool, bulkhead_rear: bool) -> Array:
    base = draw.flat(0.30, 0.35) if big else draw.flat(0.25, 0.275)
    track = draw.flat(0.27, 0.32) if big else draw.flat(0.165, 0.21)
    height = draw.flat(-0.02, 0.01)
    shift = draw.flat(-0.02, 0.02)
    x, y = 0.5 * base, 0.5 * track
    corners = [[x, y], [x, -y], [-x, y], [-x, -y]]
    rows = [[cx + shift, cy, height] for cx, cy in corners]
    motor = np.array([draw.flat(-0.10, 0.02), draw.flat(-0.03, 0.03), draw.flat(0.0, 0.02)])
    gear = motor + np.array([draw.flat(-0.04, 0.04), draw.flat(-0.01, 0.03), 0.01])
    line = gear + np.array([draw.flat(-0.03, 0.03), draw.flat(-0.02, 0.02), 0.0])
    side = -1.0 if motor[1] > 0.0 else 1.0
    return np.array(
        [
            *rows,
            motor,
            gear,
            line,
            [x * draw.flat(0.75, 1.0) + shift, 0.0, draw.flat(0.02, 0.06)],
            [-x * draw.flat(0.75, 1.0) + shift, 0.0, draw.flat(0.02, 0.06)],
            [draw.flat(-0.06, 0.05), side * draw.flat(0.0, 0.05), draw.flat(0.0, 0.02)],
            [
                (-x if bulkhead_rear else x) * draw.flat(0.7, 0.95) + shift,
                draw.flat(-0.015, 0.015),
                draw.flat(0.0, 0.03),
            ],
            [draw.flat(-0.12, 0.08), draw.flat(-0.02, 0.02), draw.flat(0.04, 0.09)],
            [x * draw.flat(0.5, 0.85) + shift, draw.flat(-0.04, 0.04), draw.flat(0.0, 0.02)],
        ]
    )


def plate_shape(draw: Draw, position: Array, waves: float, scatter: float) -> Array:
    """Size of a plate mode's shape at places on it; mean square about 1 over the plate.

    A product of two standing waves with `waves` half waves over the plate's length, and some
    scatter for what is not a plate. Neighbouring places move alike where the waves are long.
    """
    number = math.pi / 0.3 * waves
    way = draw.flat(0.0, 0.5 * math.pi)
    kx, ky = number * math.cos(way), number * math.sin(way)
    wave_x = np.cos(kx * position[:, 0] + draw.flat(0.0, 2.0 * math.pi))
    wave_y = np.cos(ky * position[:, 1] + draw.flat(0.0, 2.0 * math.pi))
    shape: Array = 2.0 * math.sqrt(1.0 - scatter**2) * wave_x * wave_y
    return shape + draw.rng.normal(0.0, scatter, position.shape[0])


def draw_chassis(draw: Draw, big: bool, decks: tuple[DeckParameters, ...]) -> ChassisParameters:
    """Draw the chassis; what hangs on it as masses of their own is taken off its mass."""
    whole = draw.flat(2.3, 3.8) if big else draw.flat(1.2, 2.0)
    mass = max(whole - sum(deck.mass for deck in decks), 0.5 * whole)
    bulkhead_rear = any(joint in (2, 3) for joint, *_ in decks[3].paths)
    position = _positions(draw, big, bulkhead_rear)
    length = 2.2 * abs(position[0, 0] - position[2, 0]) / 2
    width = 0.5 * abs(position[0, 1] - position[1, 1])
    inertia = mass * np.array([width**2 / 3, length**2 / 12 * 1.5, length**2 / 12 * 1.8])
    heave = draw.log(4.0, 40.0)
    stand = np.array(
        [
            heave * draw.flat(0.5, 0.9),
            heave * draw.flat(0.5, 0.9),
            heave,
            heave * draw.flat(0.8, 1.4),
            heave * draw.flat(0.8, 1.4),
            heave * draw.flat(0.5, 0.9),
        ]
    )
    n_modes = draw.whole(5, 8)
    frequency = np.sort(np.exp(draw.rng.uniform(math.log(110.0), math.log(1600.0), n_modes)))
    frequency[0] = draw.log(60.0, 240.0)
    shape = np.empty((n_modes, position.shape[0], 3))
    for mode in range(n_modes):
        # Bending waves: their length goes with the root of the frequency.
        waves = math.sqrt(frequency[mode] / frequency[0])
        for axis, size in enumerate((0.35, 0.35, 1.0)):
            shape[mode, :, axis] = size * plate_shape(draw, position, waves, 0.45)
    return ChassisParameters(
        mass=mass,
        inertia=inertia,
        stand_frequency_hz=stand,
        stand_damping=draw.rng.uniform(0.05, 0.2, 6),
        position=position,
        mode_frequency_hz=frequency,
        mode_damping=np.exp(draw.rng.uniform(math.log(0.008), math.log(0.06), n_modes)),
        mode_mass=mass * draw.rng.uniform(0.12, 0.6, n_modes),
        mode_shape=shape,
    )
