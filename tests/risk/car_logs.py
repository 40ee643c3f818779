"""Made-up logs of made-up cars for tests of the history."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

from vibecheck.risk.log import CarLog, Disturbance, FastenerFinding, HandCheck

START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)


def day(runs: float) -> datetime:
    """Return a date that rises with the run counter."""
    return START + timedelta(hours=24 * runs)


def checked(runs: float, *findings: FastenerFinding, complete: bool = False) -> HandCheck:
    """Return a hand check at a run counter."""
    return HandCheck(f"h{runs:g}", day(runs), runs, findings, complete)


def finding(outcome: str, *, done: Sequence[str] = (), count: int = 1) -> FastenerFinding:
    """Return a finding on the wheel nut of the front left wheel."""
    return FastenerFinding(
        "wheel_front_left",
        "wheel nut",
        outcome,  # type: ignore[arg-type]
        count,
        done=tuple(done),
    )


def nut_log(
    now: float, looks: Iterable[tuple[float, FastenerFinding]], undone: Iterable[float] = ()
) -> CarLog:
    """Return a log of the front left wheel nut alone."""
    return CarLog(
        "Saltflat 8",
        now,
        tuple(checked(runs, one) for runs, one in looks),
        tuple(
            Disturbance("wheel_front_left", "wheel nut", runs, day(runs), "wheels off")
            for runs in undone
        ),
    )
