"""At the bench: the words of a hand check and of a bench check, the same on every face."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibecheck.report.words import zone_words
from vibecheck.risk.log import FastenerFinding, Outcome, finds_in, is_find

if TYPE_CHECKING:
    from vibecheck.garage import Sitting

FIRST = (
    "Motor off, battery unplugged. Short tools, no force. The vehicle's manual comes before any "
    "figure here."
)
AFTER_FIRST_RUN = (
    "After the first run try the wheel nuts and everything that was undone again, whatever was "
    "found now."
)
PUT_RIGHT = "Put right what was left as it was found before the car is driven."
BEFORE_SPIN_UP = (
    "Before any spin-up feel every wheel nut and the motor mount: a loose wheel can leave its "
    "axle. Wheels off the ground, nobody in line with them."
)
OUTCOME_WORDS: dict[Outcome, str] = {
    "snug": "snug",
    "took_a_turn": "took a turn",
    "loose": "loose",
    "missing": "missing",
    "not_checked": "not checked",
}
DONE_WORDS: dict[str, str] = {
    "tightened": "tightened",
    "threadlocker": "thread-locker",
    "new_nut": "new nut",
    "replaced": "replaced",
    "refitted": "refitted",
    "cleaned": "cleaned",
}
VERDICTS = {
    "inspect_first": "a zone to inspect first",
    "nothing_stood_out": "nothing stood out; the hand check is due all the same",
    "cannot_tell": "it cannot tell",
}
DECISIONS = {"go": "go", "no_go": "no go"}


def finding_words(one: FastenerFinding) -> str:
    """Say a finding in a line."""
    count = f"{one.count} × " if one.count > 1 else ""
    turned = "" if one.turned_deg is None else f" ({one.turned_deg:g}°)"
    text = f"{zone_words(one.zone)}: {count}{one.fastener} {OUTCOME_WORDS[one.outcome]}{turned}"
    done = ", ".join(DONE_WORDS[word] for word in one.done)
    return f"{text}; {done or 'nothing done'}" if done or is_find(one.outcome) else text


def hand_check_words(sitting: Sitting) -> str:
    """Say how far the hand check of a bench check is; empty where none was begun."""
    check = sitting.hand_check
    if check is None:
        return ""
    if not sitting.hand_check_done:
        return "begun, not finished"
    whole = "of everything" if check.complete else "of a part only"
    finds = finds_in(check.findings)
    return f"{whole}, {finds} found not as they should be" if finds else f"{whole}, found snug"
