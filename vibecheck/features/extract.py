"""Stage 4: `Take` + `SpeedTrack` + `Car` → `FeatureVector`. `extract_features`."""

from __future__ import annotations

import numpy as np

from vibecheck.car.profile import Car
from vibecheck.features import (
    colour,
    harmonics,
    impact,
    knocks,
    mesh,
    onset,
    order_levels,
    resonance,
    speed_signs,
    thumps,
    tones,
)
from vibecheck.features.catalogue import CATALOGUE, CATALOGUE_VERSION, NAMES
from vibecheck.features.vector import FeatureVector
from vibecheck.features.workings import Workings
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack


def extract_features(take: Take, speed: SpeedTrack, car: Car | None) -> FeatureVector:
    """Measure every feature of the catalogue on one take.

    Every feature is level-free (the take is divided by its own r.m.s. first) and finite. Where its
    phase or its order cannot be observed, it has the catalogue's neutral value and the missing
    flag.

    Parameters
    ----------
    take : Take
        Any sensor, rate and number of channels.
    speed : SpeedTrack
        Speed of the reference shaft.
    car : Car or None
        Names the orders. Without one, the features that need an order are missing.

    Returns
    -------
    FeatureVector
        In catalogue order.
    """
    known = car if car is not None else _NAMELESS
    work = Workings(take, speed, known)
    low = harmonics.LowOrders(work)
    found: dict[str, float | None] = {}
    if work.runs:
        found.update(impact.measure(work))
        found.update(knocks.measure(work))
        found.update(thumps.measure(work))
        found.update(onset.measure(work))
        found.update(harmonics.measure(work, low))
        found.update(order_levels.measure(work, low))
        found.update(resonance.measure(work, low))
        found.update(mesh.measure(work))
        found.update(colour.measure(work))
        found.update(tones.measure(work))
        found.update(speed_signs.measure(work))
    values = np.array([spec.neutral for spec in CATALOGUE])
    missing = np.ones(len(CATALOGUE), dtype=bool)
    for place, name in enumerate(NAMES):
        value = found.get(name)
        if value is not None and np.isfinite(value):
            values[place], missing[place] = value, False
    return FeatureVector(NAMES, values, missing, CATALOGUE_VERSION)


_NAMELESS = Car(name="unknown machine", layout=None, drivetrain=None, orders=())
