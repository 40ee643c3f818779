"""From drawn screwed-on masses and their states to the arrays of the equations of motion."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.build import rest_depth
from vibecheck.simulator.parameters import DECKS, SimulatedCar
from vibecheck.simulator.parts import Decks
from vibecheck.simulator.states import Sitting

Array = NDArray[np.float64]

TILT = 0.15
"""A screw that is backed off tilts in its thread: sideways play per play along it."""


def build_decks(car: SimulatedCar, sitting: Sitting) -> Decks:
    """Return the screwed-on masses in the state of the run.

    Where only some of a zone's screws are loose, the others still clamp: less preload, no play.
    """
    seat, head, slack = (np.empty(len(DECKS)) for _ in range(3))
    soft = 1.0 + sitting.temperature
    for k, (zone, deck) in enumerate(zip(DECKS, car.decks, strict=True)):
        state = sitting.states[zone]
        all_loose = state.share >= 0.75
        preload = state.preload if all_loose else 1.0 - state.share * (1.0 - state.preload)
        play = state.turns * deck.thread_pitch if all_loose else 0.0
        force = preload * sitting.preload_factor[zone] * deck.preload
        seat[k] = rest_depth(force, deck.seat_stiffness * soft)
        head[k] = rest_depth(force, deck.head_stiffness * soft) - play
        slack[k] = TILT * play
    paths = [
        (3 * joint + axis, 3 * k + own, share)
        for k, deck in enumerate(car.decks)
        for joint, axis, own, share in deck.paths
    ]

    def row(name: str) -> Array:
        return np.array([getattr(deck, name) for deck in car.decks], dtype=np.float64)

    normal = [deck.normal for deck in car.decks]
    return Decks(
        mass=row("mass"),
        order=np.array([[(n + 1) % 3, (n + 2) % 3, n] for n in normal], dtype=np.int64),
        seat_stiffness=row("seat_stiffness") * soft,
        head_stiffness=row("head_stiffness") * soft,
        seat_depth=seat,
        head_depth=head,
        damping=row("damping") * sitting.damping_factor,
        cap=row("cap"),
        friction=row("friction"),
        grip_ratio=row("grip_ratio"),
        grip_damping=row("grip_damping") * sitting.damping_factor,
        hole_clearance=row("hole_clearance") + slack,
        hole_stiffness=row("hole_stiffness"),
        path_joint=np.array([path[0] for path in paths], dtype=np.int64),
        path_deck=np.array([path[1] for path in paths], dtype=np.int64),
        path_gain=np.array([path[2] for path in paths], dtype=np.float64),
    )
