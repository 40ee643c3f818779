"""Command line: the result of a check as a card of plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibecheck.cli.terminal import hang
from vibecheck.report import words
from vibecheck.result_json import all_findings

if TYPE_CHECKING:
    from rich.console import Console

    from vibecheck.result import CheckResult, ZoneRisk

DETAILED_ZONES = 3
MAX_EVIDENCE = 3
SIGNS = {"inspect_first": "!!", "nothing_stood_out": "--", "cannot_tell": "??"}
STYLES = {"inspect_first": "bold red", "nothing_stood_out": "bold", "cannot_tell": "bold yellow"}


class Card:
    """Lines on a console, wrapped under their own beginnings."""

    def __init__(self, console: Console) -> None:
        self.console = console

    def blank(self) -> None:
        """Leave a line free."""
        self.console.print()

    def heading(self, text: str) -> None:
        """Begin a part of the card."""
        from rich.text import Text

        self.blank()
        self.console.print(Text(text, style="bold underline"))

    def line(self, text: str, *, indent: int = 0, lead: str = "", style: str = "") -> None:
        """Print a paragraph; ``lead`` stands before it, and the rest hangs under the text."""
        from rich.text import Text

        for row in hang(text, " " * indent + lead, self.console.width):
            self.console.print(Text(row, style=style), soft_wrap=True)


def print_card(result: CheckResult, console: Console) -> None:
    """Print a check: verdict, ranked zones with evidence, findings, limits, the reminder."""
    card = Card(console)
    headline, explanation = words.verdict_words(result)
    card.line(headline, lead=f"{SIGNS[result.verdict]} ", style=STYLES[result.verdict])
    card.line(explanation, indent=3)
    card.line(_about(result), indent=3)
    _zones(card, result)
    _recordings(card, result)
    _limits(card, result)
    card.heading("The hand check is due")
    card.line(result.hand_check, indent=2)
    for caution in result.cautions:
        card.line(caution, indent=2, lead="! ")


def _about(result: CheckResult) -> str:
    parts = [result.car.name, f"{len(result.takes)} recording{'s' * (len(result.takes) != 1)}"]
    if result.baseline_takes:
        n = len(result.baseline_takes)
        parts.append(f"compared with {n} snug recording{'s' * (n != 1)}")
    return " · ".join(parts)


def _zones(card: Card, result: CheckResult) -> None:
    zones = words.ranked(result)
    if not zones:
        return
    card.heading("Check by hand in this order (motor off, battery unplugged)")
    before = words.told_before(zones)
    for place, zone in enumerate(zones):
        detailed = place < DETAILED_ZONES
        several = len(result.takes) > 1
        _zone(card, zone, before[zone.zone], detailed=detailed, several=several)


def _zone(
    card: Card, zone: ZoneRisk, before: tuple[str, str], *, detailed: bool, several: bool
) -> None:
    """Print one zone; ``before`` names the zones with the same signs and the same advice."""
    same_signs, same_advice = before
    name = words.zone_words(zone.zone)
    odds = f"{words.percent(zone.probability)} ({words.interval(zone.low, zone.high)})"
    heard = "" if zone.heard else ", not heard"
    severity = "" if detailed else f", severity {zone.severity}/3"
    card.line(
        f"{name:<18} {odds}{severity}{heard}",
        lead=f"{zone.rank:>2}  ",
        style="bold" if detailed else "",
    )
    if not detailed:
        return
    card.line(f"Severity {zone.severity} of 3: {words.SEVERITY_WORDS[zone.severity]}.", indent=4)
    if same_signs:
        card.line(f"The same signs as at the {same_signs}.", indent=4, lead="- ")
    for one in () if same_signs else zone.evidence[:MAX_EVIDENCE]:
        source = f" ({one.file})" if several and one.file else ""
        card.line(one.reading + source, indent=4, lead="- ")
    if same_advice:
        card.line(f"By hand: as at the {same_advice}.", indent=4)
    elif zone.how_to_check:
        card.line(f"By hand: {zone.how_to_check}", indent=4)
    for told in (words.contribution_words(zone), words.history_words(zone)):
        if told:
            card.line(told, indent=4)


def _recordings(card: Card, result: CheckResult) -> None:
    card.heading("Recordings")
    for checked in result.takes:
        take = checked.take
        grade = words.QUALITY_WORDS[checked.quality.verdict]
        card.line(f"{take.file or 'recording'}: {grade}", indent=2, style="bold")
        card.line(f"{words.take_words(checked)}. {words.speed_words(checked)}", indent=4)
        for finding in all_findings(take, checked.quality):
            advice = words.as_options(finding.advice)
            card.line(f"{finding.message} {advice}", indent=4, lead="- ")


def _limits(card: Card, result: CheckResult) -> None:
    card.heading("How far to trust this")
    missing = words.not_heard(result)
    if missing:
        card.line(
            f"Could not be heard: {words.join_words(missing)}. Their place in the list comes from "
            "history and severity alone.",
            indent=2,
        )
    for label, text in words.remarks(result):
        card.line(f"{label} {text}".strip(), indent=2)
    card.line(f"Model: {words.model_words(result)}.", indent=2)
    if result.model.trained_on == "simulated" and result.zones:
        card.line(words.SIMULATED_REMARK, indent=2)
