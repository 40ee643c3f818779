"""Web: the steps of a hand check by buttons, as pure values. No request, no store.

A form carries the zone that it answers and the version of that zone's answers, so that a double or
a late tap can be told from an answer.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

from vibecheck.risk.log import DONE, FastenerFinding, Outcome, is_find
from vibecheck.risk.walk import FastenerToCheck, ZoneToCheck, answers_of, is_answered

ALL = "all"
"""Answer the whole zone anew, where the name of a fastener would answer only that one."""
TURNS_DEG = {"45": "an eighth of a turn", "90": "a quarter", "180": "half", "360": "one whole turn"}
"""Turns that a hand can tell without an instrument, degrees."""
MOST_TURNED_DEG = 3600.0


@dataclass(frozen=True)
class KindAsked:
    """One kind of fastener of the zone on the screen.

    Attributes
    ----------
    to_check : FastenerToCheck
    said : tuple of FastenerFinding
        What was answered, without "not checked".
    left : int
        How many have no answer, or were not checked.
    was_left_out : bool
        "Not checked" was said of those that are left.
    """

    to_check: FastenerToCheck
    said: tuple[FastenerFinding, ...]
    left: int
    was_left_out: bool

    @property
    def name(self) -> str:
        """Of the fastener."""
        return self.to_check.guide.fastener.name

    @property
    def asks(self) -> str:
        """Which ones the buttons answer for, in words."""
        if self.said:
            return "The other one:" if self.left == 1 else f"The other {self.left}:"
        return "" if self.left == 1 else f"All {self.left}:"

    @property
    def is_broken_off(self) -> bool:
        """Some of it were found not as they should be, and the others have no answer yet."""
        return bool(self.said) and self.left > 0


def version_of(stop: ZoneToCheck, findings: Sequence[FastenerFinding]) -> str:
    """Return a short text that changes whenever an answer of the zone does."""
    text = repr((stop.zone.name, answers_of(stop.zone, findings)))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def kinds_asked(
    stop: ZoneToCheck, findings: Sequence[FastenerFinding], anew: str = ""
) -> tuple[KindAsked, ...]:
    """Return how far each kind of fastener of a zone is.

    Parameters
    ----------
    stop : ZoneToCheck
    findings : sequence of FastenerFinding
        Of the whole hand check.
    anew : str
        A fastener, or `ALL`, to be asked as if nothing had been said of it.
    """
    kept = answers_of(stop.zone, findings)
    found = []
    for one in stop.fasteners:
        fastener = one.guide.fastener
        of_kind = () if anew in (ALL, fastener.name) else _of_kind(kept, fastener.name)
        said = tuple(each for each in of_kind if each.outcome != "not_checked")
        left = max(0, fastener.count - sum(each.count for each in said))
        found.append(KindAsked(one, said, left, len(said) < len(of_kind)))
    return tuple(found)


def open_kinds(kinds: Sequence[KindAsked]) -> tuple[KindAsked, ...]:
    """Return the kinds that one tap for the rest of the zone answers.

    Those of which nothing was said, and those broken off within; of a kind that was left out as a
    whole "not checked" stays.
    """
    return tuple(one for one in kinds if one.left and (one.said or not one.was_left_out))


def rest_of_zone(
    stop: ZoneToCheck, kinds: Sequence[KindAsked], outcome: Outcome
) -> tuple[FastenerFinding, ...]:
    """Return the findings that answer what is open in a zone with one outcome."""
    return tuple(
        each for one in open_kinds(kinds) for each in rest_of_kind(stop, one, outcome) if one.left
    )


def rest_of_kind(
    stop: ZoneToCheck, kind: KindAsked, outcome: Outcome
) -> tuple[FastenerFinding, ...]:
    """Return the findings of one kind, with those that are left answered with one outcome.

    Of a find one is taken at first; how many there are is asked next, and until then the others
    are not checked.
    """
    if not kind.left:
        return kind.said
    count = 1 if is_find(outcome) else kind.left
    return _filled(
        stop, kind, (*kind.said, FastenerFinding(stop.zone.name, kind.name, outcome, count))
    )


def with_details(
    stop: ZoneToCheck,
    kind: KindAsked,
    at: int,
    *,
    count: int,
    turned_deg: float | None,
    done: Sequence[str],
) -> tuple[FastenerFinding, ...]:
    """Return the findings of one kind, with one find told in full.

    Parameters
    ----------
    stop, kind
    at : int
        Which of `KindAsked.said`.
    count : int
        1 to `most_of`.
    turned_deg : float or None
        Left out where the find was a missing one.
    done : sequence of str
        Words of `DONE`.
    """
    old = kind.said[at]
    new = replace(
        old,
        count=count,
        turned_deg=None if old.outcome == "missing" else turned_deg,
        done=tuple(word for word in DONE if word in done),
    )
    return _filled(stop, kind, (*kind.said[:at], new, *kind.said[at + 1 :]))


def most_of(kind: KindAsked, at: int) -> int:
    """Return how many a find can be of: itself and those that are left."""
    return kind.said[at].count + kind.left


def newest_find(kind: KindAsked) -> int | None:
    """Return the place of the newest find of a kind, if it has one."""
    places = [place for place, one in enumerate(kind.said) if is_find(one.outcome)]
    return places[-1] if places else None


def stays_in_zone(
    stop: ZoneToCheck, findings: Sequence[FastenerFinding], just_answered: str = ""
) -> bool:
    """Whether something of a zone is to be asked before the next zone comes.

    Parameters
    ----------
    stop, findings
    just_answered : str
        The kind that was answered to its end, "not checked" among it.
    """
    if not is_answered(stop.zone, findings):
        return True
    return any(
        one.is_broken_off for one in kinds_asked(stop, findings) if one.name != just_answered
    )


def next_open(
    stops: Sequence[ZoneToCheck], findings: Sequence[FastenerFinding], after: int = 0
) -> ZoneToCheck | None:
    """Return the next zone without an answer; from the beginning where none is left behind.

    Parameters
    ----------
    stops, findings
    after : int
        Place of a zone, from 1; 0 to begin at the first.
    """
    order = [*stops[after:], *stops[:after]]
    return next((stop for stop in order if not is_answered(stop.zone, findings)), None)


def _of_kind(findings: Sequence[FastenerFinding], name: str) -> tuple[FastenerFinding, ...]:
    return tuple(one for one in findings if one.fastener == name)


def _filled(
    stop: ZoneToCheck, kind: KindAsked, said: tuple[FastenerFinding, ...]
) -> tuple[FastenerFinding, ...]:
    """Add "not checked" for those of a kind that have no answer."""
    open_ones = kind.to_check.guide.fastener.count - sum(one.count for one in said)
    if open_ones <= 0:
        return said
    return (*said, FastenerFinding(stop.zone.name, kind.name, "not_checked", open_ones))
