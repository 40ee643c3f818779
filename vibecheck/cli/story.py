"""Command line: the demo's story with its verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from vibecheck.cli.card import MAX_EVIDENCE, SIGNS, STYLES, Card
from vibecheck.report import words

if TYPE_CHECKING:
    from rich.console import Console

    from vibecheck.demo import Told


def print_story(told: Sequence[Told], simulated: str, console: Console) -> None:
    """Print each bench check: what happened, the verdict, the first zones and their page."""
    card = Card(console)
    card.line(f"{told[0].result.car.name}: {len(told)} bench checks", style="bold")
    card.line(simulated)
    for place, one in enumerate(told, start=1):
        card.heading(f"{place}. {one.chapter.name}")
        card.line(one.chapter.sentence, indent=2)
        headline, explanation = words.verdict_words(one.result)
        verdict = one.result.verdict
        card.line(headline, indent=2, lead=f"{SIGNS[verdict]} ", style=STYLES[verdict])
        card.line(explanation, indent=5)
        zones = words.ranked(one.result)
        if verdict == "inspect_first" and zones:
            for evidence in zones[0].evidence[:MAX_EVIDENCE]:
                card.line(evidence.reading, indent=5, lead="- ")
        card.line(str(one.page), indent=2, lead="Page: ")
    card.heading("The hand check is due")
    card.line(told[-1].result.hand_check, indent=2)
    card.line(words.SIMULATED_REMARK, indent=2)
