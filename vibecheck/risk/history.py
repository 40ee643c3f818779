"""Stage 6, from a car's log: how often each kind of fastener and each zone is found loose, how
likely something is loose now, and when to look again. `read_history`.

Works without any recording: the history alone ranks the hand check. It never says that a zone
needs no check; an interval is the latest time to look again, beside the check that is due before
every run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from vibecheck.car.zones import Fastener, Zone
from vibecheck.result import HistoryRemark, ZoneHistory
from vibecheck.risk.fusion import MOST_CERTAIN
from vibecheck.risk.gamma_poisson import GammaRate, none_of, sum_of
from vibecheck.risk.kind_log import Habits, Kind, KindLog, read_kinds
from vibecheck.risk.log import CarLog, is_find
from vibecheck.risk.prior import kind_priors, zone_prior

MISS_PROBABILITY = 0.05
"""Chance, by default, that a fastener has come loose before it is looked at again."""
LEFT_AS_FOUND_CHANCE = 0.9
"""Where the log says loose or missing, and nothing done about it: the log's own word."""
LEAST_RUNS = 0.5
"""A joint that was checked and not run since can still have been missed: half a run."""
OFTEN_FINDS = 2
OFTEN_CHANCE = 0.9
"""A repeat offender was found at least twice, and its rate is above the usual one of its kind
with this probability."""


@dataclass(frozen=True)
class KindHistory:
    """One kind of fastener of one zone: what is known, what follows.

    Attributes
    ----------
    kind : Fastener
        As in the car file.
    log : KindLog
    usual : GammaRate
        Finds per run of its kind before the car's own log.
    rate : GammaRate
        After it.
    chance : float
        Probability that at least one of the kind is loose now.
    recheck_every_runs : int
        After a check, the chance of a find stays at or under the chosen miss probability for so
        many runs; at least 1: before every run.
    recheck_due_in_runs : int
        From now; 0 is due now.
    due_because : str
        ``"left_as_found"``, ``"settling"``, ``"never_checked"`` or ``"rate"``.
    repeat_offender : bool
    nut_spent : bool
        A nylon-insert nut that was taken off as often as it may be.
    """

    kind: Fastener
    log: KindLog
    usual: GammaRate
    rate: GammaRate
    chance: float
    recheck_every_runs: int
    recheck_due_in_runs: int
    due_because: str
    repeat_offender: bool
    nut_spent: bool

    @property
    def removals(self) -> int | None:
        """Removals since a new one was fitted; ``None`` for what is not a nylon-insert nut."""
        return self.log.removals if self.kind.locking == "nylon_insert" else None


@dataclass(frozen=True)
class CarHistory:
    """The history of one car.

    Attributes
    ----------
    car : str
    runs : float
        Run counter now.
    n_hand_checks : int
    miss_probability : float
    habits : Habits
    zones : dict of str to ZoneHistory
        In the order of the car file.
    kinds : tuple of KindHistory
        In the order of the car file.
    retired : tuple of KindLog
        Kinds that the log names and the car file no longer does; in no probability.
    """

    car: str
    runs: float
    n_hand_checks: int
    miss_probability: float
    habits: Habits
    zones: Mapping[str, ZoneHistory]
    kinds: tuple[KindHistory, ...]
    retired: tuple[KindLog, ...] = field(default=())

    def of_zone(self, zone: str) -> tuple[KindHistory, ...]:
        """Return the kinds of one zone."""
        return tuple(kind for kind in self.kinds if kind.log.zone == zone)


def read_history(
    zones: Sequence[Zone],
    log: CarLog | None = None,
    *,
    miss_probability: float = MISS_PROBABILITY,
    habits: Habits | None = None,
) -> CarHistory:
    """Read a car's log into rates, chances and re-check times.

    Parameters
    ----------
    zones : sequence of Zone
        The car's zones.
    log : CarLog, optional
        Without it the usual rates stand, over one run.
    miss_probability : float
        0 < p < 1: chance that a fastener has come loose before it is looked at again.
    habits : Habits, optional

    Raises
    ------
    ValueError
        If ``miss_probability`` is outside its range.
    """
    if not 0.0 < miss_probability < 1.0:
        raise ValueError(
            f"miss_probability must lie between 0 and 1. Got {miss_probability!r} instead."
        )
    habits = habits or Habits()
    book = log or CarLog("", 0.0, (), ())
    wanted = [(zone.name, kind.name) for zone in zones for kind in zone.fasteners]
    logs = read_kinds(book, wanted, habits)
    finds = {zone.name: 0 for zone in zones}
    for check in book.hand_checks:
        for name in {f.zone for f in check.findings if is_find(f.outcome)} & finds.keys():
            finds[name] += 1
    kinds: list[KindHistory] = []
    read: dict[str, ZoneHistory] = {}
    used = set()
    for zone in zones:
        named = zone.fasteners or _from_log(zone, logs)
        priors = kind_priors(zone, named)
        own = []
        for kind in named:
            entry = logs[zone.name, kind.name]
            used.add((zone.name, kind.name))
            own.append(_kind(kind, entry, priors[kind.name], book.runs, miss_probability, habits))
        kinds += own
        read[zone.name] = _zone(zone, own, finds[zone.name], book, habits)
    return CarHistory(
        car=book.car,
        runs=book.runs,
        n_hand_checks=len(book.hand_checks),
        miss_probability=miss_probability,
        habits=habits,
        zones=read,
        kinds=tuple(kinds),
        retired=tuple(entry for key, entry in logs.items() if key not in used),
    )


def _from_log(zone: Zone, logs: Mapping[Kind, KindLog]) -> tuple[Fastener, ...]:
    """What the log names in a zone whose fasteners the car file does not list."""
    return tuple(Fastener(fastener) for name, fastener in logs if name == zone.name)


def _kind(
    kind: Fastener,
    log: KindLog,
    usual: GammaRate,
    now: float,
    miss_probability: float,
    habits: Habits,
) -> KindHistory:
    rate = usual.after(log.weighted_finds, log.weighted_exposure)
    chance = rate.chance_of_a_find(max(LEAST_RUNS, log.exposure_since))
    if log.left_as_found:
        chance = max(chance, LEFT_AS_FOUND_CHANCE)
    limit = max(1.0, min(rate.runs_until(miss_probability), habits.longest_interval_runs))
    due, because = max(0, math.floor(limit - log.exposure_since)), "rate"
    if log.worked_runs is not None and not log.settled:
        until = max(0, math.ceil(log.worked_runs + habits.settling_runs - now))
        if until <= due:
            due, because = until, "settling"
    if log.checked_runs is None:
        due, because = 0, "never_checked"
    if log.left_as_found:
        due, because = 0, "left_as_found"
    often = log.n_finds >= OFTEN_FINDS and rate.chance_above(usual.mean) >= OFTEN_CHANCE
    return KindHistory(
        kind=kind,
        log=log,
        usual=usual,
        rate=rate,
        chance=min(chance, MOST_CERTAIN),
        recheck_every_runs=math.floor(limit),
        recheck_due_in_runs=due,
        due_because=because,
        repeat_offender=often,
        nut_spent=kind.locking == "nylon_insert" and log.removals >= habits.nut_removals,
    )


def _zone(
    zone: Zone, kinds: Sequence[KindHistory], finds: int, book: CarLog, habits: Habits
) -> ZoneHistory:
    usual = zone_prior(zone)
    at_risk = [max(LEAST_RUNS, kind.log.exposure_since) for kind in kinds]
    rates = [kind.rate for kind in kinds]
    prior = 1.0 - none_of(kind.chance for kind in kinds)
    if not kinds:
        at_risk, rates = [max(1.0, book.runs)], [usual]
        prior = usual.chance_of_a_find(at_risk[0])
    # The chance is 1 - exp(-expected finds), and rises with them: its interval is theirs.
    expected = sum_of(
        GammaRate(rate.shape, rate.exposure / runs)
        for rate, runs in zip(rates, at_risk, strict=True)
    )
    low, high = (-math.expm1(-finds) for finds in expected.interval(habits.coverage))
    if any(kind.log.left_as_found for kind in kinds):
        low, high = min(0.5, prior), MOST_CERTAIN
    rate = sum_of(rates)
    rate_low, rate_high = rate.interval(habits.coverage)
    last = [kind.log.checked_runs for kind in kinds]
    since = [max(0, math.ceil(book.runs - runs)) for runs in last if runs is not None]
    return ZoneHistory(
        prior=min(prior, MOST_CERTAIN),
        runs_since_hand_check=max(since) if since and len(since) == len(last) else None,
        finds=finds,
        low=low,
        high=min(high, MOST_CERTAIN),
        usual=usual.chance_of_a_find(1.0),
        rate_per_run=rate.mean,
        rate_low=rate_low,
        rate_high=rate_high,
        recheck_every_runs=min((kind.recheck_every_runs for kind in kinds), default=None),
        recheck_due_in_runs=min((kind.recheck_due_in_runs for kind in kinds), default=None),
        remarks=tuple(remark for kind in kinds for remark in _remarks(kind, book.runs, habits))
        if book.hand_checks or book.disturbances
        else (),
    )


def _remarks(kind: KindHistory, now: float, habits: Habits) -> list[HistoryRemark]:
    """What the owner should know about a kind, most pressing first."""
    log, name = kind.log, kind.kind.name
    said: list[tuple[str, str]] = []
    if log.left_as_found:
        said.append(
            (
                "left_as_found",
                "written down as loose or missing, with nothing done about it. Put it right first.",
            )
        )
    if log.worked_runs is not None and not log.settled:
        if now >= log.worked_runs + habits.settling_runs:
            when = "its first run since then is done, so check it again now."
        else:
            when = "check it again after its first run."
        said.append(("settling", f"worked at {_runs_ago(now - log.worked_runs)}; {when}"))
    if kind.repeat_offender:
        said.append(
            (
                "repeat_offender",
                f"found {log.n_finds} times in {_runs(log.runs_watched)}. Look for the cause: "
                "thread, hole, locking, or a part that works.",
            )
        )
    if kind.nut_spent:
        since = "since a new one was fitted" if log.new_fitted else "since the log began"
        said.append(
            (
                "nut_spent",
                f"taken off {log.removals} times {since}. Its nylon holds less each time: fit a "
                "new nut.",
            )
        )
    if log.checked_runs is None:
        said.append(("never_checked", "not yet checked since the log began."))
    return [HistoryRemark(code, name, f"{name}: {words}") for code, words in said]


def _runs(runs: float) -> str:
    return f"{runs:g} run{'' if runs == 1 else 's'}"


def _runs_ago(runs: float) -> str:
    return "since the last run" if runs <= 0 else f"{_runs(runs)} ago"
