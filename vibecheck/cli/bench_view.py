"""Command line: bench checks in words, and as plain values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from vibecheck.risk.log import FastenerFinding, finds_in, is_find

if TYPE_CHECKING:
    from rich.console import Console

    from vibecheck.garage import Sitting, StoredTake

FORMAT = "vibecheck.bench/1"
VERDICTS = {
    "inspect_first": "a zone to inspect first",
    "nothing_stood_out": "nothing stood out; the hand check is due all the same",
    "cannot_tell": "it cannot tell",
}
DECISIONS = {"go": "go", "no_go": "no go"}
HAND_CHECK_DUE = "due: log it with vibecheck hand-check"

NO_HAND_CHECK = "none was logged; it is due before the car goes out"


def sitting_to_dict(sitting: Sitting, result: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return a bench check as plain values."""
    check = sitting.hand_check
    return {
        "schema": FORMAT,
        "id": sitting.id,
        "number": sitting.number,
        "car": sitting.car,
        "date": sitting.date.isoformat(timespec="seconds"),
        "state": "open" if sitting.is_open else "closed",
        "set_up": {
            "pinion_teeth": sitting.set_up.pinion_teeth,
            "spur_teeth": sitting.set_up.spur_teeth,
            "tyres": sitting.set_up.tyres,
            "cells": sitting.set_up.cells,
        },
        "runs": sitting.runs,
        "runs_since_last": sitting.runs_since_last,
        "takes": [_take_to_dict(take, sitting) for take in sitting.takes],
        "verdict": sitting.verdict or None,
        "result": result,
        "hand_check": None
        if check is None
        else {
            "date": check.date.isoformat(timespec="seconds"),
            "done": sitting.hand_check_done,
            "complete": check.complete,
            "findings": [_finding_to_dict(one) for one in check.findings],
        },
        "owner": {"decision": sitting.decision, "note": sitting.note},
    }


def _take_to_dict(take: StoredTake, sitting: Sitting) -> dict[str, Any]:
    return {
        "file_name": take.file_name,
        "file": str(take.path),
        "sha256": take.sha256,
        "sensor": take.sensor,
        "spot": take.spot,
        "after_hand_check": take.after_hand_check,
        "baseline": take in sitting.baseline_takes,
    }


def _finding_to_dict(finding: FastenerFinding) -> dict[str, Any]:
    return {
        "zone": finding.zone,
        "fastener": finding.fastener,
        "outcome": finding.outcome,
        "count": finding.count,
        "turned_deg": finding.turned_deg,
        "done": list(finding.done),
        "note": finding.note,
    }


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
    if not sitting.hand_check_done:
        return "begun, not finished" + (
            ": go on with vibecheck hand-check" if sitting.is_open else ""
        )
    whole = "of everything" if check.complete else "of a part only"
    finds = finds_in(check.findings)
    return f"{whole}, {finds} found not as they should be" if finds else f"{whole}, found snug"


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
