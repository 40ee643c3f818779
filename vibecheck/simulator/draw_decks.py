"""Draw the masses that are screwed, strapped or clipped to an invented car's chassis."""

from __future__ import annotations

import math

from vibecheck.simulator.parameters import DECKS, DeckParameters, Layout
from vibecheck.simulator.parts import DRIVELINE_JOINT, GEARBOX_JOINT
from vibecheck.simulator.ranges import Draw, stiffness_at

Path = tuple[int, int, int, float]
X, Y, Z = 0, 1, 2


def _deck(
    draw: Draw,
    *,
    mass: float,
    normal: int,
    preload: float,
    stiffness: float,
    head_share: float = 1.0,
    damping_ratio: tuple[float, float] = (0.02, 0.08),
    clearance: tuple[float, float] = (0.05e-3, 0.3e-3),
    pitch: float = 0.5e-3,
    hole_stiffness: tuple[float, float] = (2e8, 2e9),
    friction: tuple[float, float] = (0.12, 0.28),
    paths: tuple[Path, ...] = (),
) -> DeckParameters:
    """One mass; its damper's cap follows from the damping ratio of the snug joint.

    With both faces pressed the damper is 2·χ·cap, hence cap = ζ·√(k·m)/χ.
    """
    damping = draw.log(5.0, 35.0)
    both = stiffness * (1.0 + head_share)
    return DeckParameters(
        mass=mass,
        normal=normal,
        preload=preload,
        thread_pitch=pitch,
        seat_stiffness=stiffness_at(preload, stiffness),
        head_stiffness=stiffness_at(preload, stiffness * head_share),
        damping=damping,
        cap=draw.log(*damping_ratio) * math.sqrt(both * mass) / damping,
        friction=draw.flat(*friction),
        grip_ratio=draw.flat(0.4, 0.9),
        grip_damping=draw.log(1e-6, 6e-6),
        hole_clearance=draw.log(*clearance),
        hole_stiffness=draw.log(*hole_stiffness),
        paths=paths,
    )


def _tower(draw: Draw, big: bool, wheels: tuple[int, int]) -> DeckParameters:
    """A tower carries its axle's two shocks, which lean inwards and some of them fore or aft."""
    share, lean, rake = draw.flat(0.5, 1.0), draw.flat(0.1, 0.5), draw.flat(-0.2, 0.2)
    paths: list[Path] = []
    for wheel, side in zip(wheels, (1.0, -1.0), strict=True):
        paths += [
            (wheel, Z, Z, share),
            (wheel, Z, Y, -side * lean * share),
            (wheel, Z, X, rake * share),
        ]
    return _deck(
        draw,
        mass=draw.log(0.02, 0.08) if big else draw.log(0.01, 0.04),
        normal=X if draw.rng.random() < 0.75 else Z,
        preload=draw.log(200.0, 900.0),
        stiffness=draw.log(0.15e7, 0.7e7),
        paths=tuple(paths),
    )


def _bulkhead(draw: Draw, big: bool, layout: Layout) -> DeckParameters:
    """Bulkhead or gearbox: it carries arms of one axle, the inner gears, in some cars the spur."""
    driven = {"4wd": (0, 2), "rwd": (2,), "fwd": (0,)}[layout]
    first = driven[draw.whole(0, len(driven) - 1)]
    along, across, up = draw.flat(0.3, 0.9), draw.flat(0.3, 0.9), draw.flat(0.05, 0.4)
    paths: list[Path] = []
    for wheel in (first, first + 1):
        paths += [(wheel, X, X, along), (wheel, Y, Y, across), (wheel, Z, Z, up)]
    if draw.rng.random() < 0.5:
        for joint in (GEARBOX_JOINT, DRIVELINE_JOINT):
            share = draw.flat(0.2, 0.8)
            paths += [(joint, axis, axis, share) for axis in (X, Y, Z)]
    return _deck(
        draw,
        mass=draw.log(0.07, 0.22) if big else draw.log(0.03, 0.1),
        normal=Z,
        preload=draw.log(250.0, 1000.0),
        stiffness=draw.log(0.2e7, 1.0e7),
        paths=tuple(paths),
    )


def draw_decks(draw: Draw, big: bool, layout: Layout) -> tuple[DeckParameters, ...]:
    """Draw all masses, in the order of `vibecheck.simulator.parameters.DECKS`."""
    size = 1.0 if big else 0.6
    lever = draw.flat(0.2, 0.5)
    shell = draw.log(0.06, 0.22) * size
    decks = (
        _tower(draw, big, (0, 1)),
        _tower(draw, big, (2, 3)),
        # A pack in its tray: under a strap, on foam or hard, with room at its sides.
        _deck(
            draw,
            mass=draw.flat(0.28, 0.52) if big else draw.flat(0.14, 0.34),
            normal=Z,
            preload=draw.log(12.0, 60.0),
            stiffness=draw.log(0.8e5, 1.5e6),
            head_share=draw.log(0.1, 0.6),
            damping_ratio=(0.05, 0.2),
            clearance=(0.2e-3, 2.0e-3),
            pitch=draw.one_of((0.5e-3, 0.7e-3, 1.0e-3)),
            hole_stiffness=(1e7, 2e8),
            friction=(0.2, 0.6),
        ),
        _bulkhead(draw, big, layout),
        # A shell or a wing on posts and clips.
        _deck(
            draw,
            mass=shell,
            normal=Z,
            # Clips hold it against 15 to 60 times its weight.
            preload=shell * draw.log(150.0, 600.0),
            stiffness=draw.log(0.5e5, 5e5),
            head_share=draw.log(0.3, 1.0),
            damping_ratio=(0.05, 0.2),
            clearance=(0.1e-3, 1.0e-3),
            pitch=draw.one_of((0.5e-3, 0.7e-3)),
            hole_stiffness=(1e7, 3e8),
            friction=(0.15, 0.4),
        ),
        # Servo, link and rack: the play of its joint lies along the car's width.
        _deck(
            draw,
            mass=draw.log(0.04, 0.1) * size,
            normal=Y,
            preload=draw.log(60.0, 400.0),
            stiffness=draw.log(0.05e7, 0.4e7),
            paths=((0, X, Y, lever), (1, X, Y, -lever)),
        ),
    )
    if len(decks) != len(DECKS):
        raise AssertionError("One mass per kind.")
    return decks
