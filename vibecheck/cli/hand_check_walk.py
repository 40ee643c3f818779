"""Command line: the walk through the zones, and what is said before and after it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import typer

from vibecheck.bench.words import (
    AFTER_FIRST_RUN,
    DONE_WORDS,
    FIRST,
    OUTCOME_WORDS,
    PUT_RIGHT,
    finding_words,
)
from vibecheck.cli import terminal
from vibecheck.cli.hand_check_ask import Asker, Stopped
from vibecheck.report.words import join_words, percent, zone_words
from vibecheck.risk.log import FastenerFinding, Outcome, is_find

if TYPE_CHECKING:
    from vibecheck.car.profile import Car
    from vibecheck.car.zones import Zone
    from vibecheck.garage import Decision, Garage, Sitting
    from vibecheck.risk.history import CarHistory
    from vibecheck.risk.kind_log import Habits
    from vibecheck.risk.walk import FastenerToCheck, ZoneToCheck

OUTCOMES: dict[str, Outcome] = {
    "s": "snug",
    "t": "took_a_turn",
    "l": "loose",
    "m": "missing",
    "n": "not_checked",
}
OUTCOME_KEYS = {key: OUTCOME_WORDS[outcome] for key, outcome in OUTCOMES.items()}
DONE = {
    "t": "tightened",
    "l": "threadlocker",
    "n": "new_nut",
    "r": "replaced",
    "f": "refitted",
    "c": "cleaned",
}
DONE_KEYS = {key: DONE_WORDS[word] for key, word in DONE.items()}


def walk_through(garage: Garage, sitting: Sitting, habits: Habits) -> None:
    """Go through the zones of a bench check, keep each answer at once, and end it."""
    from vibecheck.bench.hand_check import walk_of
    from vibecheck.risk.walk import answers_of, same_for_all

    begun = walk_of(garage, sitting, habits)
    car, walk, kept = begun.car, begun.stops, begun.kept
    answered = list(begun.answered)
    asker = Asker()

    def keep(*findings: FastenerFinding) -> None:
        garage.log_hand_check(sitting.id, *findings)

    typer.echo(f"{car.name}, bench check {sitting.number}: hand check of {len(walk)} zones.")
    _wrapped(FIRST, 0)
    if any(answered):
        have = "has" if sum(answered) == 1 else "have"
        typer.echo(f"{sum(answered)} of {len(walk)} zones {have} an answer already.")
    if sitting.hand_check_done:
        _wrapped(
            "This hand check was finished already. For a new one, after further runs, end this "
            "bench check first: vibecheck bench close",
            0,
        )
    place = _next_open(answered, 0)
    try:
        while place < len(walk):
            stop = walk[place]
            # No key that was hit before a zone was shown may call it snug.
            asker.forget_typed()
            _show_stop(stop, len(walk))
            # What was answered before a stop stays; coming [b]ack to a zone is to answer it anew.
            before = answers_of(stop.zone, garage.findings(sitting.id))
            for one in before:
                typer.echo(f"  Answered: {finding_words(one)}")
            kept = () if answered[place] else before
            rest = "the others" if kept else "all"
            keys = {"s": f"{rest} snug", "f": "one by one", "n": f"{rest} not checked"}
            if not stop.fasteners:
                keys = {"s": "looked at"}
            if place > 0:
                keys["b"] = "back"
            keys["q"] = "stop here"
            hit = asker.key("", keys)
            if hit == "q":
                raise Stopped
            if hit == "b":
                place -= 1
                continue
            if hit == "f":
                open_kinds = {one.fastener for one in kept if one.outcome == "not_checked"}
                said = {one.fastener for one in kept} - open_kinds
                for kind in stop.fasteners:
                    if kind.guide.fastener.name not in said:
                        _ask_fastener(asker, stop.zone, kind, keep)
            elif stop.fasteners:
                outcome: Outcome = "snug" if hit == "s" else "not_checked"
                keep(*same_for_all(stop.zone, outcome, kept))
            answered[place] = True
            place = _next_open(answered, place + 1)
        _end(asker, garage, sitting, habits)
    except Stopped:
        open_zones = len(walk) - sum(answered)
        if not open_zones:
            terminal.say(
                "Stopped. What you answered is kept. To write down your own words: vibecheck bench "
                "note"
            )
            return
        have = "has" if open_zones == 1 else "have"
        terminal.say(
            f"Stopped. What you answered is kept; {open_zones} of {len(walk)} zones {have} no "
            "answer yet. Go on with: vibecheck hand-check"
        )


def _next_open(answered: Sequence[bool], start: int) -> int:
    """Return the next zone without an answer; from the beginning where none is left behind."""
    order = [*range(start, len(answered)), *range(start)]
    return next((place for place in order if not answered[place]), len(answered))


def _show_stop(stop: ZoneToCheck, n_zones: int) -> None:
    heard = "" if stop.by_sound else ", by history alone"
    typer.echo()
    typer.echo(
        f"{stop.place} of {n_zones}  {zone_words(stop.zone.name).upper()}  "
        f"{percent(stop.probability)} loose{heard}, severity {stop.zone.severity} of 3"
    )
    _wrapped(stop.zone.how_to_check or "Feel every fastener of this zone.", 2)
    for one in stop.fasteners:
        _show_fastener(one)


def _show_fastener(one: FastenerToCheck) -> None:
    from vibecheck.report.words import due_words

    fastener = one.guide.fastener
    locking = fastener.locking.replace("_", " ")
    typer.echo(
        f"  - {fastener.count} × {fastener.name}, {fastener.thread} into {fastener.into}, "
        f"{'no locking' if locking == 'none' else locking}"
    )
    _wrapped(f"Tool: {one.guide.tool}. {one.guide.torque}", 4)
    _wrapped(" ".join(one.guide.locking), 4)
    if one.history is not None and one.history.log.n_checks:
        said = [f"Check again {due_words(one.history)}"]
        if one.history.log.n_finds:
            said.insert(0, f"found {one.history.log.n_finds} times in {one.history.log.n_checks}")
        if one.history.nut_spent:
            said.append("the nut was taken off as often as it may be: fit a new one")
        _wrapped("History: " + "; ".join(said) + ".", 4)


def _ask_fastener(
    asker: Asker, zone: Zone, one: FastenerToCheck, keep: Callable[..., None]
) -> None:
    """Ask what one kind of fastener was like; what is known so far is kept after each answer."""
    fastener = one.guide.fastener
    name = f"{fastener.count} × {fastener.name}" if fastener.count > 1 else fastener.name
    found: list[FastenerFinding] = []
    left = fastener.count

    def keep_with(*newest: FastenerFinding) -> None:
        open_ones = left - sum(one.count for one in newest)
        rest = FastenerFinding(zone.name, fastener.name, "not_checked", max(1, open_ones))
        keep(*found, *newest, *([rest] if open_ones else []))

    while left:
        question = f"  {name}:" if not found else f"    The other {left}:"
        hit = asker.key(question, {**OUTCOME_KEYS, "q": "stop here"})
        if hit == "q":
            raise Stopped
        outcome = OUTCOMES[hit]
        if not is_find(outcome):
            keep_with(FastenerFinding(zone.name, fastener.name, outcome, left))
            return
        new = FastenerFinding(zone.name, fastener.name, outcome)
        keep_with(new)
        if left > 1:
            said = asker.number(f"    How many of the {left}? (Enter: 1)", 1, left)
            new = replace(new, count=1 if said is None else int(said))
        if outcome != "missing":
            turned = asker.number(
                "    How far did it turn until snug, in degrees? (Enter: not measured)", 0, 3600
            )
            new = replace(new, turned_deg=turned)
        keep_with(new)
        done = tuple(DONE[key] for key in asker.keys("    What was done?", DONE_KEYS))
        new = replace(new, done=done)
        keep_with(new)
        found.append(new)
        left -= new.count


def _end(asker: Asker, garage: Garage, sitting: Sitting, habits: Habits) -> None:
    """End the hand check: what was found, what is due again, and the owner's own words."""
    from vibecheck.bench.hand_check import summary

    end = summary(garage, sitting, garage.finish_hand_check(sitting.id), habits)
    typer.echo()
    typer.echo("Found:" if end.finds else "No find was logged.")
    for one in end.finds:
        typer.echo(f"  - {finding_words(one)}")
    if end.undone:
        _wrapped(PUT_RIGHT, 2)
    if end.skipped:
        _wrapped(
            f"Not checked whole: {join_words(zone_words(zone.name) for zone in end.skipped)}. The "
            "hand check is not complete.",
            0,
        )
    if end.due:
        typer.echo("Due again after the first run:")
        for kind in end.due:
            typer.echo(f"  - {zone_words(kind.log.zone)}: {kind.kind.name}")
    _wrapped(AFTER_FIRST_RUN, 0)
    hit = asker.key(
        "Your own decision, if you want to keep it:", {"g": "go", "n": "no go", "": "none"}
    )
    decision: Decision | None = {"g": "go", "n": "no_go"}.get(hit)  # type: ignore[assignment]
    note = asker.line("Your own words (Enter: none):")
    if decision is not None or note:
        garage.note_decision(sitting.id, decision, note)
    terminal.say(
        "Kept. Takes that you add to this bench check now are takes after the hand check. End it "
        "with: vibecheck bench close"
    )


def show_pre_run(car: Car, history: CarHistory, walk: Sequence[ZoneToCheck]) -> None:
    """Print the list before a run: fasteners in the order of risk, then everything else."""
    from vibecheck.car.pre_run import WHEN, pre_run_list

    typer.echo(f"{car.name}: before every run")
    _wrapped(FIRST, 0)
    if not history.n_hand_checks:
        typer.echo("No hand check is in the log yet: the order is that of any car of its kind.")
    for stop in walk:
        _show_stop(stop, len(walk))
    for when in WHEN:
        typer.echo()
        typer.echo(when.upper())
        for item in pre_run_list(car):
            if item.when == when:
                _wrapped(f"[ ] {item.title}. {item.how}", 2)
    typer.echo()
    _wrapped("Whether the car goes out is your own decision; this list makes none.", 0)


def _wrapped(text: str, indent: int) -> None:
    import shutil
    import textwrap

    width = min(max(shutil.get_terminal_size((80, 24)).columns, 40), terminal.MAX_WIDTH)
    space = " " * indent
    typer.echo(textwrap.fill(text, width - 1, initial_indent=space, subsequent_indent=space))
