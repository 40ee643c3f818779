"""What a hand needs at a fastener: the tool that fits, how tight, and the rules of its locking.

Tool sizes are those of the ISO tables; torques are guidance from ``T = K F d``. **The vehicle's
manual overrides all of it**, and nothing here says that a fastener is tight.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vibecheck.car.joint_strength import DRY_NUT_FACTOR, WET_NUT_FACTOR, torque_n_m
from vibecheck.car.threads import Thread, parse_thread
from vibecheck.car.zones import Fastener, Into

Kind = Literal["nut", "set_screw", "ball_stud", "screw"]

# Across flats, mm, by thread diameter. Values from memory of the tables named.
CAP_KEY_MM = {1.6: 1.5, 2.0: 1.5, 2.5: 2.0, 3.0: 2.5, 4.0: 3.0, 5.0: 4.0, 6.0: 5.0, 8.0: 6.0}
"""Hexagon socket of cap screws, ISO 4762 (value from memory)."""
LOW_HEAD_KEY_MM = {3.0: 2.0, 4.0: 2.5, 5.0: 3.0, 6.0: 4.0, 8.0: 5.0}
"""Hexagon socket of button heads, ISO 7380-1, and countersunk heads, ISO 10642 (from memory)."""
SET_SCREW_KEY_MM = {
    1.6: 0.7,
    2.0: 0.9,
    2.5: 1.3,
    3.0: 1.5,
    4.0: 2.0,
    5.0: 2.5,
    6.0: 3.0,
    8.0: 4.0,
}
"""Hexagon socket of set screws, ISO 4026 to ISO 4029 (value from memory)."""
NUT_FLATS_MM = {1.6: 3.2, 2.0: 4.0, 2.5: 5.0, 3.0: 5.5, 4.0: 7.0, 5.0: 8.0, 6.0: 10.0, 8.0: 13.0}
"""Width across flats of hexagon nuts, ISO 4032, and nylon-insert nuts, ISO 7040 (from memory)."""

PROOF_SHARE: dict[Into, float] = {"steel": 0.5, "aluminium": 0.3, "plastic": 0.0}
"""Share of the proof load of class 8.8 aimed at, by what the screw goes into; common practice, no
source. Under what structural joints use: parts are thin, undone often, and light alloy strips
first."""

# Prevailing torque of nuts of property class 8, N·m: first on (most), first off and fifth off
# (least). ISO 2320 (value from memory).
PREVAILING_NM = {
    3.0: (0.43, 0.12, 0.08),
    4.0: (0.90, 0.18, 0.12),
    5.0: (1.60, 0.29, 0.20),
    6.0: (3.00, 0.45, 0.30),
}
NUT_REMOVALS = 5
"""After so many removals a nylon-insert nut is due for a new one, where the owner says nothing:
ISO 2320 states its drag up to the fifth removal."""
MANUAL_FIRST = "Guidance only: the vehicle's manual overrides it."


@dataclass(frozen=True)
class FastenerGuide:
    """What to know at one kind of fastener.

    Attributes
    ----------
    fastener : Fastener
    kind : {"nut", "set_screw", "ball_stud", "screw"}
        Told from its name and its locking.
    tool : str
        Which tool fits, in words.
    torque_n_m : float or None
        Guidance; ``None`` where a number would mislead (plastic, set screws, ball studs).
    torque : str
        How tight, in words.
    locking : tuple of str
        Rules of its locking.
    """

    fastener: Fastener
    kind: Kind
    tool: str
    torque_n_m: float | None
    torque: str
    locking: tuple[str, ...]


def kind_of(fastener: Fastener) -> Kind:
    """Tell what kind of fastener this is, from its name and its locking."""
    name = fastener.name.lower()
    if "ball stud" in name or "ball-stud" in name:
        return "ball_stud"
    if fastener.locking == "set_screw_flat" or "set screw" in name or "grub" in name:
        return "set_screw"
    return "nut" if "nut" in name.split() else "screw"


def fastener_guide(fastener: Fastener, *, nut_removals: int = NUT_REMOVALS) -> FastenerGuide:
    """Return what to know at one kind of fastener.

    Parameters
    ----------
    fastener : Fastener
    nut_removals : int
        Removals, at least 1, after which a nylon-insert nut is due for a new one.

    Raises
    ------
    InputError
        If its thread cannot be read.
    ValueError
        If ``nut_removals`` is below 1.
    """
    if nut_removals < 1:
        raise ValueError(f"nut_removals must be at least 1. Got {nut_removals!r} instead.")
    thread = parse_thread(fastener.thread)
    kind = kind_of(fastener)
    torque, words = _torque(fastener, thread, kind)
    return FastenerGuide(
        fastener=fastener,
        kind=kind,
        tool=_tool(fastener, thread, kind),
        torque_n_m=torque,
        torque=words,
        locking=_locking(fastener, thread, nut_removals),
    )


def _tool(fastener: Fastener, thread: Thread, kind: Kind) -> str:
    d = thread.diameter_mm
    if kind == "screw" and fastener.locking == "nylon_insert" and d in NUT_FLATS_MM:
        return f"{_driver(d)}; {NUT_FLATS_MM[d]:g} mm spanner on its lock nut"
    if kind == "nut":
        flats = NUT_FLATS_MM.get(d)
        usual = f"{flats:g} mm socket or spanner (ISO nut)" if flats else "the nut's own wrench"
        return f"{usual}; a wheel nut often has a wrench of its own" if d >= 4.0 else usual
    if kind == "set_screw":
        key = SET_SCREW_KEY_MM.get(d)
        return f"{key:g} mm hex key, new and sharp" if key else "the hex key that fits fully"
    if kind == "ball_stud":
        return "the stud's own hexagon, with the wrench that came with it"
    return _driver(d)


def _driver(d: float) -> str:
    cap, low = CAP_KEY_MM.get(d), LOW_HEAD_KEY_MM.get(d)
    if cap is None:
        return "the driver that fits fully"
    if low is None:
        return f"{cap:g} mm hex driver"
    return f"{cap:g} mm hex driver (cap head), {low:g} mm (button or countersunk head)"


def _torque(fastener: Fastener, thread: Thread, kind: Kind) -> tuple[float | None, str]:
    if kind == "set_screw":
        return None, "Snug with the short end of the key, never forced: the socket rounds out."
    if kind == "ball_stud":
        return None, "Snug; the ball must still turn freely in its cup."
    if fastener.into == "plastic":
        return None, "Stop when the head seats. In plastic no number helps: force strips it."
    if "wheel" in fastener.name.lower():
        # It clamps a rim, mostly of plastic: the strength of its thread says nothing about that.
        return None, "Firm with its own wrench; the rim must not be crushed. The manual states it."
    share = PROOF_SHARE[fastener.into]
    wet = fastener.locking == "threadlocker"
    factor = WET_NUT_FACTOR if wet else DRY_NUT_FACTOR
    torque = torque_n_m(thread, share, factor)
    words = (
        f"About {torque:.1f} N·m where metal clamps metal ({share:.0%} of the proof load of class "
        f"8.8, {'wet' if wet else 'dry'}, K = {factor:g})."
    )
    if fastener.locking == "nylon_insert" and thread.diameter_mm in PREVAILING_NM:
        words += " The nut's own drag in the nylon comes on top."
    return torque, f"{words} {MANUAL_FIRST}"


def _locking(fastener: Fastener, thread: Thread, nut_removals: int) -> tuple[str, ...]:
    """Rules of a locking; common practice, no source, where none is named."""
    locking = fastener.locking
    if locking == "nylon_insert":
        often = "the first removal" if nut_removals == 1 else f"{nut_removals} removals"
        rules = [
            "Its grip falls each time it comes off: fit a new nut once it turns on by hand, or "
            f"after {often}.",
            "At least one full thread must stand out of the nylon.",
        ]
        if thread.diameter_mm in PREVAILING_NM:
            _on, first, fifth = PREVAILING_NM[thread.diameter_mm]
            rules.insert(
                1,
                f"A new one must still drag at {first:g} N·m the first time it comes off, at "
                f"{fifth:g} N·m the fifth time (ISO 2320, class 8).",
            )
        return tuple(rules)
    if locking == "threadlocker" and fastener.into == "plastic":
        return ("Keep thread-locker off plastic: it can craze it. Wipe it off where it got there.",)
    if locking == "threadlocker":
        return (
            "Metal to metal only: clean both threads of oil and old locker, one small drop.",
            "Let it cure for the time its maker states (often a day for full strength) before you "
            "run. It must not touch plastic.",
        )
    if locking == "set_screw_flat":
        return (
            "The screw must sit on the flat of the shaft: turn the shaft until you feel it.",
            "Clean, with thread-locker on metal; snug, not forced.",
        )
    if locking == "spring_washer":
        return ("A flat spring washer no longer springs: replace it.",)
    if locking == "serrated":
        return ("Its teeth must bite: a polished ring under the flange means that it has turned.",)
    return ("No locking: it is held by its preload alone. Try it every time.",)
