"""Own takes and their labels: what a hand check found is the label of the takes before it.

A hand check speaks in words and degrees, the manifest in preload and turns. The way from one to the
other is careful: a fastener that went round by hand before it seated had backed off by as much;
one that took a turn under the tool had lost preload, and no more is said, unless it went round
further than seating can explain. What was not looked at stays open: not labelled, not snug.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from vibecheck.car.profile import Car
from vibecheck.dataset.columns import HARD_NEGATIVES, KINDS, MESH_SETTINGS, MOST_TURNS, PART_CHECKED
from vibecheck.dataset.row import SNUG, ManifestRow, State
from vibecheck.errors import CallError, did_you_mean
from vibecheck.risk.log import FIND_OUTCOMES, FastenerFinding, HandCheck, is_find, zone_label
from vibecheck.whole_file import file_hash

TURN_DEG = 360.0
SEATING_DEG = 90.0
"""From first contact to snug a small screw or nut turns at most about so far: what it took beyond
that under a tool was play. Common practice, no source."""
PART_PRELOAD = 0.3
"""Preload written for a fastener that took a turn: below the limit that counts as loose, how far is
not known. Training does not read it as a measured size."""

Sensor = Literal["microphone", "accelerometer"]


@dataclass(frozen=True)
class Labels:
    """What a hand check says of the takes before it.

    Attributes
    ----------
    kind : str
        ``loose``, ``baseline`` (everything was looked at and snug) or ``part_checked``.
    state : mapping of zone to State or None
    found : str
        The finds in the hand check's words.
    """

    kind: str
    state: Mapping[str, State | None]
    found: str


def labels_of(check: HandCheck, car: Car) -> Labels:
    """Turn a hand check into labels for every zone of the car.

    Parameters
    ----------
    check : HandCheck
    car : Car
    """
    state: dict[str, State | None] = {}
    for zone in car.zones:
        counts: dict[str, int] = {}
        for fastener in zone.fasteners:
            counts[fastener.name] = counts.get(fastener.name, 0) + fastener.count
        label = zone_label(check, zone.name, counts)
        finds = [one for one in check.findings if one.zone == zone.name and is_find(one.outcome)]
        state[zone.name] = _worst(finds) if label == "loose" else SNUG if label == "snug" else None
    found = "; ".join(words_of(one) for one in check.findings if is_find(one.outcome))
    return Labels(_kind_of(state), state, found)


def _kind_of(state: Mapping[str, State | None]) -> str:
    if any(one not in (None, SNUG) for one in state.values()):
        return "loose"
    return PART_CHECKED if None in state.values() else "baseline"


def _worst(finds: Iterable[FastenerFinding]) -> State:
    states = [size_of(one.outcome, one.turned_deg) for one in finds]
    return max(states, key=lambda state: (state[1], -state[0]))


def size_of(outcome: str, turned_deg: float | None) -> State:
    """Return preload and turns backed off for a find.

    Parameters
    ----------
    outcome : {"took_a_turn", "loose", "missing"}
    turned_deg : float or None
        How far it turned in the tightening direction before it seated, >= 0.
    """
    if outcome == "took_a_turn":
        if turned_deg is None or turned_deg <= SEATING_DEG:
            return PART_PRELOAD, 0.0
        return 0.0, _turns(turned_deg - SEATING_DEG)
    if outcome == "loose" and turned_deg is not None:
        return 0.0, _turns(turned_deg)
    return 0.0, 0.0  # no preload; how much play is not known


def _turns(degrees: float) -> float:
    return min(round(degrees / TURN_DEG, 3), MOST_TURNS)


def words_of(finding: FastenerFinding) -> str:
    """Return a find in words: ``motor_mount, mount screw: took_a_turn 40 deg (2 of them)``."""
    degrees = "" if finding.turned_deg is None else f" {finding.turned_deg:g} deg"
    count = f" ({finding.count} of them)" if finding.count > 1 else ""
    return f"{finding.zone}, {finding.fastener}: {finding.outcome}{degrees}{count}"


# ---- takes that lie about ------------------------------------------------------------------


def labels_by_hand(
    car: Car,
    kind: str,
    loose: Sequence[str] = (),
    not_checked: Sequence[str] = (),
    *,
    rest_snug: bool = False,
) -> Labels:
    """Make labels from what an owner says of takes at hand.

    Parameters
    ----------
    car : Car
    kind : str
        A word of the manifest's column ``kind``; empty for ``loose`` where something is.
    loose : sequence of str
        ``ZONE=FOUND``: ``took_a_turn``, ``loose`` or ``missing``, with ``:DEGREES`` behind the
        first two where they are known.
    not_checked : sequence of str
        Zones at which nobody looked.
    rest_snug : bool
        Whether zones that are not named were looked at and snug.

    Raises
    ------
    CallError
        If a word is unknown, or the words contradict each other.
    """
    zones = [zone.name for zone in car.zones]
    finds: dict[str, list[State]] = {}
    for text in loose:
        zone, state = _find(text, zones)
        finds.setdefault(zone, []).append(state)
    for zone in not_checked:
        _known_zone(zone, zones, "--not-checked")
        if zone in finds:
            raise CallError(f"{zone} is given as loose and as not checked: which is it?")
    word = kind or ("loose" if finds else "")
    known = (*KINDS, PART_CHECKED)
    if word not in known:
        raise CallError(
            f'--kind must be one of the known words. Got "{word}" instead.'
            + did_you_mean(word, known),
            advice=f"Known: {', '.join(known)}.",
        )
    is_snug = word in ("baseline", *MESH_SETTINGS, *HARD_NEGATIVES)
    if is_snug and (finds or not_checked):
        raise CallError(
            f"--kind {word} means that everything was looked at and nothing was loose.",
            advice="Leave --loose and --not-checked out, or give --kind loose.",
        )
    if word == "loose" and not finds:
        raise CallError(
            "--kind loose must come with what was loose.",
            advice="Give --loose ZONE=took_a_turn, for example.",
        )
    if word == PART_CHECKED and finds:
        raise CallError(
            f"--kind {PART_CHECKED} means that nothing was found.", advice="Give --kind loose."
        )
    rest = SNUG if is_snug or rest_snug else None
    labelled: dict[str, State | None] = dict.fromkeys(zones, rest)
    if word == PART_CHECKED and rest_snug and not not_checked:
        raise CallError(
            f"--kind {PART_CHECKED} must leave some zone open.",
            advice="Name it with --not-checked, or give --kind baseline.",
        )
    labelled.update(dict.fromkeys(not_checked))
    for zone, states in finds.items():
        labelled[zone] = max(states, key=lambda one: (one[1], -one[0]))
    return Labels(word, labelled, "; ".join(text.replace("=", ": ") for text in loose))


def _find(text: str, zones: Sequence[str]) -> tuple[str, State]:
    zone, _, words = text.partition("=")
    _known_zone(zone, zones, "--loose")
    outcome, _, degrees = words.partition(":")
    if outcome not in FIND_OUTCOMES:
        raise CallError(
            f'--loose must be ZONE=FOUND. Got "{text}" instead.'
            + did_you_mean(outcome, FIND_OUTCOMES),
            advice=f"FOUND is {', '.join(FIND_OUTCOMES)}, with :DEGREES behind the first two where "
            "they are known.",
        )
    if not degrees:
        return zone, size_of(outcome, None)
    try:
        turned = float(degrees)
    except ValueError:
        turned = -1.0
    if outcome == "missing" or not 0.0 <= turned <= TURN_DEG * MOST_TURNS:
        raise CallError(
            f"The degrees of --loose must be a number from 0 to {TURN_DEG * MOST_TURNS:g}, behind "
            f'took_a_turn or loose. Got "{text}" instead.'
        )
    return zone, size_of(outcome, turned)


def _known_zone(zone: str, zones: Sequence[str], option: str) -> None:
    if zone not in zones:
        raise CallError(
            f'The car has no zone "{zone}" ({option}).{did_you_mean(zone, zones)}',
            advice=f"Its zones: {', '.join(zones)}.",
        )


def own_row(
    file: Path,
    car: Car,
    car_file: Path,
    check: str,
    labels: Labels,
    *,
    spot: str = "centre",
    sensor: Sensor | None = None,
    device: str = "",
    licence: str = "",
) -> ManifestRow:
    """Read a recording and return its row.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    from vibecheck.recording.read import read_take

    take = read_take(file, sensor=sensor, spot=spot)
    return ManifestRow(
        file=file,
        car_file=car_file,
        sha256=file_hash(file),
        car=car.name,
        check=check,
        kind=labels.kind,
        sensor=take.sensor,
        spot=spot,
        state=labels.state,
        origin="own",
        device=device,
        licence=licence,
        sample_rate_hz=round(take.sample_rate_hz, 3),
        duration_s=round(take.source_duration_s or take.duration_s, 3),
        other={"found": labels.found},
    )
