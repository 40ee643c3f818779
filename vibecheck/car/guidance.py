"""One fastener in the owner's words: thread, count, tool, locking, how tight. `fastener_guidance`.

Guidance only: the vehicle's manual overrides every line of it.
"""

from __future__ import annotations

from dataclasses import dataclass

from vibecheck.car.joint_strength import TorqueGuide, torque_guide
from vibecheck.car.locking import NUT_REMOVALS, locking_rules, prevailing_torque
from vibecheck.car.threads import parse_thread
from vibecheck.car.tools import heads_of, tool_words
from vibecheck.car.zones import Fastener

MANUAL_FIRST = "Guidance only: the vehicle's manual comes first wherever it says otherwise."
STEEL_SHARE = 0.5
"""Share of the proof load aimed at in steel. Car parts are thin and undone often: well under the
0.75 usual for machines that are taken apart. Our own cautious choice, no source."""
ALUMINIUM_SHARE = 0.3
"""The same in aluminium, whose thread strips before a steel screw yields. No source."""
NO_NUMBER_PLASTIC = (
    "Plastic has no torque number: turn until the head seats, then stop. Never force it."
)
NO_NUMBER_SET_SCREW = (
    "A set screw has no number here: snug with the short end of the key, not forced."
)


@dataclass(frozen=True)
class FastenerGuidance:
    """What to know about one kind of fastener at the hand check.

    Attributes
    ----------
    fastener : Fastener
    tool : str
    locking : tuple of str
        Rules of its way of locking; empty where there is none to tell.
    tight : str
        How tight, in words.
    torque : TorqueGuide or None
        The number behind the words; ``None`` in plastic and for set screws.
    """

    fastener: Fastener
    tool: str
    locking: tuple[str, ...]
    tight: str
    torque: TorqueGuide | None

    @property
    def headline(self) -> str:
        """Count, name and thread."""
        return f"{self.fastener.count} × {self.fastener.name}, {self.fastener.thread}"


def fastener_guidance(fastener: Fastener, *, nut_removals: int = NUT_REMOVALS) -> FastenerGuidance:
    """Return tool, locking rules and tightening guidance of a fastener.

    Parameters
    ----------
    fastener : Fastener
    nut_removals : int
        After how many removals a nylon-insert nut is due for a new one.
    """
    thread = parse_thread(fastener.thread, where=fastener.name)
    torque: TorqueGuide | None = None
    if fastener.into == "plastic":
        tight = NO_NUMBER_PLASTIC
    elif heads_of(fastener)[0] == "set":
        tight = NO_NUMBER_SET_SCREW
    else:
        share = ALUMINIUM_SHARE if fastener.into == "aluminium" else STEEL_SHARE
        torque = torque_guide(thread, share=share)
        tight = (
            f"About {torque.torque_nm:.2g} N·m where metal clamps metal ({100 * share:.0f} % of "
            f"the proof load of a class {torque.property_class} screw); only snug where it clamps "
            "plastic."
        )
        nylon = prevailing_torque(thread) if fastener.locking == "nylon_insert" else None
        if nylon is not None:
            tight += (
                f" What the nylon itself takes comes on top, up to {nylon.first_on_most_nm:g} N·m "
                "when new."
            )
    return FastenerGuidance(
        fastener,
        tool_words(fastener, thread),
        locking_rules(fastener, thread, nut_removals=nut_removals),
        tight,
        torque,
    )
