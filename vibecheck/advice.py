"""Ground: the standing words of the tool: the hand check, and the cautions where they matter.

Common practice, no source, except where a line names one.
"""

from __future__ import annotations

HAND_CHECK = (
    "Do the full hand check before the car goes out, whatever this result says: every zone, every "
    "fastener, the wheel nuts above all, and again after the first run. A fastener that has lost "
    "its preload but has no play yet makes no sound, and no recording can find it."
)

CHECK_CAUTIONS = (
    "Motor off and battery unplugged before you put a hand or a tool near the car.",
    "Do the hand check before any further spin-up: a loose wheel can leave its axle.",
    "Spin up with the wheels off the ground on a stand, at low throttle, with nobody in the plane "
    "of the wheels; tyres balloon and shed pieces at speed. Wear eye protection.",
    "Let motor, speed controller and battery cool between spin-ups. Do not use a swollen or "
    "damaged battery.",
    "The vehicle's manual and your local rules come first.",
)

NO_ZONES_NOTE = "Without a car's zones none can be named. Make a car file with: vibecheck car new"
NOT_USED_NOTE = (
    "None of the recordings could be used: the order of the zones rests on how often such zones "
    "are found loose, not on sound."
)
UNFAMILIAR_NOTE = (
    "These recordings are unlike anything the model has learned from, so its numbers carry little "
    "weight here."
)
NOTHING_HEARD_NOTE = "The recordings hold nothing that speaks about any zone of this car."
