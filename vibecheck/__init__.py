"""vibecheck: which zone of a fast RC car to hand-check first, from the sound of a bench spin-up.

The chain, one stage = one value + one verb:

===== ======================= ============================= =====================
stage verb                    from                          to
===== ======================= ============================= =====================
0     ``read_take``           a file                        ``Take``
0     ``read_car``            a TOML file                   ``Car``
1     ``assess_quality``      ``Take`` (+ ``SpeedTrack``)   ``QualityReport``
2     ``track_speed``         ``Take`` + ``Car``            ``SpeedTrack``
3     ``order_spectrum``      ``Take`` + ``SpeedTrack``     ``OrderSpectrum``
4     ``extract_features``    ``Take`` + ``SpeedTrack``     ``FeatureVector``
5     ``LoosenessModel``      ``FeatureVector``             zone probabilities
6     ``rank_zones``          probabilities + history       ranked ``ZoneRisk``
–     ``check``               takes + car                   ``CheckResult``
===== ======================= ============================= =====================

It never says that a car may go out: the full hand check is always due.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "read_take": "vibecheck.recording.read",
    "Take": "vibecheck.recording.take",
    "read_car": "vibecheck.car.read",
    "Car": "vibecheck.car.profile",
    "assess_quality": "vibecheck.quality",
    "track_speed": "vibecheck.speed",
    "SpeedTrack": "vibecheck.track",
    "order_spectrum": "vibecheck.orders",
    "OrderSpectrum": "vibecheck.orders",
    "order_speed_map": "vibecheck.orders",
    "order_cuts": "vibecheck.orders",
    "synchronous_average": "vibecheck.orders",
    "residual": "vibecheck.orders",
    "envelope_order_spectrum": "vibecheck.impulses",
    "kurtogram_of": "vibecheck.impulses",
    "burst_onset": "vibecheck.impulses",
    "extract_features": "vibecheck.features.extract",
    "FeatureVector": "vibecheck.features.vector",
    "check": "vibecheck.pipeline",
    "CheckResult": "vibecheck.result",
    "VibecheckError": "vibecheck.errors",
    "InputError": "vibecheck.errors",
}

__all__ = [*_HOMES, "__version__"]

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.car.read import read_car
    from vibecheck.errors import InputError, VibecheckError
    from vibecheck.features.extract import extract_features
    from vibecheck.features.vector import FeatureVector
    from vibecheck.impulses import burst_onset, envelope_order_spectrum, kurtogram_of
    from vibecheck.orders import (
        OrderSpectrum,
        order_cuts,
        order_spectrum,
        order_speed_map,
        residual,
        synchronous_average,
    )
    from vibecheck.pipeline import check
    from vibecheck.quality import assess_quality
    from vibecheck.recording.read import read_take
    from vibecheck.recording.take import Take
    from vibecheck.result import CheckResult
    from vibecheck.speed import track_speed
    from vibecheck.track import SpeedTrack


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        value = getattr(importlib.import_module(_HOMES[name]), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'vibecheck' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(_HOMES))
