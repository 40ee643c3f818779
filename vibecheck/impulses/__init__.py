"""Stage 3b: ``Take`` + ``SpeedTrack`` → impulsiveness: knocks, their rhythm, where they begin.

``kurtogram_of`` finds the band in which bursts stand out, ``envelope_order_spectrum`` the shaft
they keep time with (against what chance alone would show), ``burst_onset`` the speed at which
they begin and end.
"""

from __future__ import annotations

from vibecheck.impulses.envelope import (
    EnvelopeLine,
    EnvelopeOrderSpectrum,
    envelope_order_spectrum,
    kurtogram_of,
)
from vibecheck.impulses.onset import BurstOnset, SpeedStep, burst_onset

__all__ = [
    "BurstOnset",
    "EnvelopeLine",
    "EnvelopeOrderSpectrum",
    "SpeedStep",
    "burst_onset",
    "envelope_order_spectrum",
    "kurtogram_of",
]
