"""What a car's log says about one kind of fastener: checks, finds, and the runs between them.

A joint is watched from one hand check to the next. Where it was found snug, it held for all the
runs between; where it was found loose, it came loose halfway, on average, and was at risk no
longer (the half-interval rule of life tables: Cutler & Ederer, J. Chronic Dis. 8 (1958) 699–712,
citation from memory). The first check only begins the watch: over how many runs its finds built
up, nobody counted.

Just after it was worked at, a joint loosens more readily (seats and threads bed in): its first
runs count `Habits.settling_factor` times. Old runs and finds fade with `Habits.half_life_runs`.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from vibecheck.car.guidance import NUT_REMOVALS
from vibecheck.risk.log import CarLog, Disturbance, FastenerFinding, HandCheck, is_find

_NEW = ("new_nut", "replaced")
_TAKEN_OFF = ("refitted", "threadlocker", "cleaned")


@dataclass(frozen=True)
class Habits:
    """How a log is read. Defaults: common practice, no source, but for the nut.

    Attributes
    ----------
    half_life_runs : float
        Runs after which a run, or a find, counts half.
    settling_factor : float
        How many settled runs one run of a fresh joint is worth, >= 1.
    settling_runs : float
        Runs until a joint that was worked at has settled; a re-check is due then.
    nut_removals : int
        Removals after which a nut with a nylon insert is due for a new one. ISO 2320 states the
        least prevailing torque up to the fifth removal (value from memory).
    longest_interval_runs : int
        No re-check is suggested later than this.
    coverage : float
        Of the intervals of rates and probabilities.
    """

    half_life_runs: float = 50.0
    settling_factor: float = 5.0
    settling_runs: float = 1.0
    nut_removals: int = NUT_REMOVALS
    longest_interval_runs: int = 20
    coverage: float = 0.9

    def __post_init__(self) -> None:
        for name, least in (
            ("half_life_runs", 1.0),
            ("settling_factor", 1.0),
            ("settling_runs", 0.0),
            ("nut_removals", 1),
            ("longest_interval_runs", 1),
        ):
            if not getattr(self, name) >= least:
                raise ValueError(
                    f"{name} must be at least {least:g}. Got {getattr(self, name)!r} instead."
                )
        if not 0.0 < self.coverage < 1.0:
            raise ValueError(f"coverage must lie between 0 and 1. Got {self.coverage!r} instead.")


@dataclass(frozen=True)
class KindLog:
    """What the log says about one kind of fastener of one zone.

    Attributes
    ----------
    zone, fastener : str
    n_checks : int
        Hand checks in which all of the kind were checked.
    n_finds : int
        Hand checks that found at least one of the kind not as it should be.
    n_found : int
        Fasteners found so, in all.
    find_runs : tuple of float
        Run counter at each find.
    weighted_finds, weighted_exposure : float
        Finds, and runs at risk in settled runs, each faded by its age.
    runs_watched : float
        Runs between the first and the last check, as they were run.
    checked_runs : float or None
        Run counter when all of the kind were last checked; ``None`` where never.
    exposure_since : float
        Settled runs' worth at risk since then.
    worked_runs : float or None
        Run counter when it was last worked at; ``None`` where never.
    settled : bool
        Checked again after its first runs, or never worked at.
    left_as_found : bool
        Last found loose or missing, and nothing written down as done about it.
    removals : int
        How often it was taken off since a new one was fitted, or since the log began.
    new_fitted : bool
        True where ``removals`` counts from a new one.
    """

    zone: str
    fastener: str
    n_checks: int
    n_finds: int
    n_found: int
    find_runs: tuple[float, ...]
    weighted_finds: float
    weighted_exposure: float
    runs_watched: float
    checked_runs: float | None
    exposure_since: float
    worked_runs: float | None
    settled: bool
    left_as_found: bool
    removals: int
    new_fitted: bool


class _Look(NamedTuple):
    """One hand check of the kind, summed over its findings."""

    date: datetime
    runs: float
    n_found: int
    whole: bool
    worked: bool
    left_as_found: bool
    done: tuple[str, ...]

    @property
    def informative(self) -> bool:
        return self.whole or self.n_found > 0


Kind = tuple[str, str]
"""Zone and fastener."""


def read_kinds(log: CarLog, kinds: Iterable[Kind], habits: Habits) -> dict[Kind, KindLog]:
    """Read kinds of fastener out of a car's log.

    Parameters
    ----------
    log : CarLog
    kinds : iterable of (zone, fastener)
        Wanted besides those that the log itself names.
    habits : Habits

    Returns
    -------
    dict
        The wanted kinds first, then what else the log names.
    """
    looks = _looks(log)
    undone: dict[Kind, list[Disturbance]] = {}
    for one in log.disturbances:
        undone.setdefault((one.zone, one.fastener), []).append(one)
    keys = dict.fromkeys((*kinds, *looks, *undone))
    return {
        key: _read_kind(log.runs, key, looks.get(key, []), undone.get(key, []), habits)
        for key in keys
    }


def _read_kind(
    now: float,
    key: Kind,
    looks: Sequence[_Look],
    undone: Sequence[Disturbance],
    habits: Habits,
) -> KindLog:
    worked = sorted([d.runs for d in undone] + [look.runs for look in looks if look.worked])
    clock = _Clock(now, worked, habits)

    telling = [look for look in looks if look.informative]
    finds, exposure, watched = _at_risk(telling, clock)

    whole = [look.runs for look in looks if look.whole]
    checked = whole[-1] if whole else None
    last_worked = worked[-1] if worked else None
    removals, new_fitted = _removals(looks, [(d.runs, d.date, d.why) for d in undone])
    return KindLog(
        zone=key[0],
        fastener=key[1],
        n_checks=len(whole),
        n_finds=sum(look.n_found > 0 for look in looks),
        n_found=sum(look.n_found for look in looks),
        find_runs=tuple(look.runs for look in looks if look.n_found),
        weighted_finds=finds,
        weighted_exposure=exposure,
        runs_watched=watched,
        checked_runs=checked,
        # What was never checked is at risk since the counter began, and for one run at least.
        exposure_since=(
            clock.plain(checked, now) if checked is not None else max(1.0, clock.plain(0.0, now))
        ),
        worked_runs=last_worked,
        settled=last_worked is None
        or (checked is not None and checked >= last_worked + habits.settling_runs),
        left_as_found=bool(telling) and telling[-1].left_as_found,
        removals=removals,
        new_fitted=new_fitted,
    )


def _at_risk(looks: Sequence[_Look], clock: _Clock) -> tuple[float, float, float]:
    """Return faded finds, faded runs at risk, and the runs between the first and the last look."""
    if not looks:
        return 0.0, 0.0, 0.0
    finds = exposure = watched = 0.0
    # Stretches without a find are added up in one piece: they are most of a long log.
    start = last = looks[0].runs
    for look in looks[1:]:
        if look.n_found or look.runs < last:
            exposure += clock.faded(start, last)
            start = look.runs
            if look.n_found:
                finds += clock.weight(0.5 * (last + look.runs))
                exposure += 0.5 * clock.faded(last, look.runs)
        watched += max(0.0, look.runs - last)
        last = look.runs
    return finds, exposure + clock.faded(start, last), watched


class _Clock:
    """Runs at risk: the first runs of a fresh joint count more, old runs count less."""

    def __init__(self, now: float, worked: Sequence[float], habits: Habits) -> None:
        self.now = now
        self.half_life = habits.half_life_runs
        self.extra = habits.settling_factor - 1.0
        self.fresh = _union((start, start + habits.settling_runs) for start in worked)
        self.fresh_ends = [end for _, end in self.fresh]

    def weight(self, at: float) -> float:
        """How much something at this run counter still counts, 0 to 1."""
        return float(0.5 ** (max(0.0, self.now - at) / self.half_life))

    def plain(self, start: float, end: float) -> float:
        """Settled runs' worth from ``start`` to ``end``; 0 where the counter went backwards."""
        return sum(part * (b - a) for a, b, part in self._parts(start, end))

    def faded(self, start: float, end: float) -> float:
        """The same, each moment faded by its age."""
        return sum(part * self._integral(a, b) for a, b, part in self._parts(start, end))

    def _integral(self, start: float, end: float) -> float:
        return self.half_life / math.log(2.0) * (self.weight(end) - self.weight(start))

    def _parts(self, start: float, end: float) -> list[tuple[float, float, float]]:
        if end <= start:
            return []
        parts = [(start, end, 1.0)]
        for place in range(bisect.bisect_right(self.fresh_ends, start), len(self.fresh)):
            a, b = self.fresh[place]
            if a >= end:
                break
            parts.append((max(a, start), min(b, end), self.extra))
        return parts


def _union(spans: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    joined: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


def _looks(log: CarLog) -> dict[Kind, list[_Look]]:
    looks: dict[Kind, list[_Look]] = {}
    for check in log.hand_checks:
        found: dict[Kind, list[FastenerFinding]] = {}
        for finding in check.findings:
            found.setdefault((finding.zone, finding.fastener), []).append(finding)
        for key, own in found.items():
            looks.setdefault(key, []).append(_look(check, own))
    return looks


def _look(check: HandCheck, own: Sequence[FastenerFinding]) -> _Look:
    if len(own) == 1 and own[0].outcome == "snug" and not own[0].done:  # most of a log
        return _Look(check.date, check.runs, 0, True, False, False, ())
    n_found, whole, worked, left = 0, True, False, False
    done: tuple[str, ...] = ()
    for finding in own:
        found = is_find(finding.outcome)
        n_found += finding.count if found else 0
        whole = whole and finding.outcome != "not_checked"
        worked = worked or found or bool(finding.done)
        left = left or (found and _left(finding))
        done += finding.done
    return _Look(check.date, check.runs, n_found, whole, worked, left, done)


def _left(finding: FastenerFinding) -> bool:
    # What took a turn was tightened by the very check.
    return finding.outcome in ("loose", "missing") and not finding.done


def _removals(
    looks: Sequence[_Look], undone: Sequence[tuple[float, datetime, str]]
) -> tuple[int, bool]:
    """Count removals since a new one; one hand check or gear change takes it off once."""
    events: dict[tuple[float, datetime], bool] = {}
    for look in looks:
        if not look.done:
            continue
        if any(word in _NEW for word in look.done):
            events[look.runs, look.date] = True
        elif any(word in _TAKEN_OFF for word in look.done):
            events.setdefault((look.runs, look.date), False)
    for runs, date, why in undone:
        new = "new nut" in why.casefold().replace("_", " ")
        events[runs, date] = events.get((runs, date), False) or new
    count, fitted = 0, False
    for key in sorted(events):
        count = 0 if events[key] else count + 1
        fitted = fitted or events[key]
    return count, fitted
