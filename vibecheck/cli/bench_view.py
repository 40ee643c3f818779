"""Command line: bench checks in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibecheck.bench.words import DECISIONS, VERDICTS, hand_check_words
from vibecheck.risk.log import finds_in, is_find

if TYPE_CHECKING:
    from rich.console import Console

    from vibecheck.garage import Sitting, StoredTake

HAND_CHECK_DUE = "due: log it with vibecheck hand-check"

NO_HAND_CHECK = "none was logged; it is due before the car goes out"


def show_sitting(out: Console, sitting: Sitting) -> None:
    """Print one bench check."""
    state = "open" if sitting.is_open else "closed"
    out.print(f"Bench check {sitting.number} of {sitting.car}, {state}", style="bold")
    lines = [
        ("Begun", f"{sitting.date.astimezone():%Y-%m-%d %H:%M}"),
        ("Set-up", sitting.set_up.words()),
        ("Runs", f"{sitting.runs:g} in all, {sitting.runs_since_last:g} since the one before"),
        *_take_lines(sitting),
        ("Result", VERDICTS.get(sitting.verdict, sitting.verdict) or "none"),
        ("Hand check", _hand_check_words(sitting)),
        *(("", line) for line in _find_lines(sitting)),
        ("Your decision", DECISIONS.get(sitting.decision or "", "none written down")),
    ]
    if sitting.note:
        lines.append(("Your note", sitting.note))
    for label, words in lines:
        out.print(f"  {label:<14} {words}", soft_wrap=True)


def show_list(out: Console, sittings: tuple[Sitting, ...]) -> None:
    """Print bench checks, one a line."""
    rows = [
        (
            str(one.number),
            f"{one.date.astimezone():%Y-%m-%d}",
            one.car,
            "open" if one.is_open else "closed",
            str(len(one.takes)),
            one.verdict or "-",
            _short_hand_check(one),
            DECISIONS.get(one.decision or "", "-"),
        )
        for one in sittings
    ]
    head = ("no", "date", "car", "state", "takes", "result", "hand check", "your decision")
    widths = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    for row in (head, *rows):
        line = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        out.print(line.rstrip(), soft_wrap=True)


def _take_lines(sitting: Sitting) -> list[tuple[str, str]]:
    if not sitting.takes:
        added = "none yet: add them with vibecheck bench add" if sitting.is_open else "none"
        return [("Takes", added)]
    return [
        ("" if k else "Takes", _take_words(take, sitting)) for k, take in enumerate(sitting.takes)
    ]


def _take_words(take: StoredTake, sitting: Sitting) -> str:
    marks = [
        "after the hand check" if take.after_hand_check else "",
        "baseline" if take in sitting.baseline_takes else "",
        "" if take.path.is_file() else "its recording is gone from the garage",
    ]
    words = ", ".join([f"{take.file_name} ({take.sensor}, {take.spot})", *filter(None, marks)])
    return words


def _hand_check_words(sitting: Sitting) -> str:
    check = sitting.hand_check
    if check is None:
        return HAND_CHECK_DUE if sitting.is_open else NO_HAND_CHECK
    words = hand_check_words(sitting)
    if sitting.is_open and not sitting.hand_check_done:
        words += ": go on with vibecheck hand-check"
    return words


def _short_hand_check(sitting: Sitting) -> str:
    check = sitting.hand_check
    if check is None:
        return "due"
    if not sitting.hand_check_done:
        return "begun"
    finds = finds_in(check.findings)
    return ("" if check.complete else "part, ") + (f"{finds} found" if finds else "found snug")


def _find_lines(sitting: Sitting) -> list[str]:
    if sitting.hand_check is None:
        return []
    lines = []
    for one in sitting.hand_check.findings:
        if not is_find(one.outcome) and not one.done:
            continue
        words = one.outcome.replace("_", " ")
        if one.turned_deg is not None:
            words += f", {one.turned_deg:g} deg"
        if one.done:
            words += f"; done: {', '.join(one.done)}".replace("_", " ")
        many = f"{one.count} x " if one.count > 1 else ""
        lines.append(f"{one.zone}: {many}{one.fastener}: {words}")
    return lines
