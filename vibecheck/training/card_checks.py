"""Sections of the model card on false alarms, calibration and a mesh set wrong."""

from __future__ import annotations

import math

from vibecheck.training.card_parts import (
    Block,
    Paragraph,
    Section,
    at,
    count_words,
    figure_words,
    known,
    number,
    percent_words,
    table,
)
from vibecheck.training.card_reading import (
    CALIBRATION_AIM,
    HARD_AIM,
    Card,
    kind_words,
)
from vibecheck.training.plots import (
    reliability_diagram,
)
from vibecheck.training.plots_shares import Bar, share_bars


def section_hard(card: Card) -> Section:
    """Odd sounds with nothing loose."""
    blocks: list[Block] = [
        Paragraph(
            "Hard negatives: nothing is loose, but something else sounds odd. Counted is the share "
            "above the alarm level, set where 5 % of the training cars' plain snug checks lie "
            "above it."
        )
    ]
    kinds = list(dict.fromkeys(k for m in card.main for k in at(m, "hard_negatives", default={})))
    rows, bars = [], []
    for kind in kinds:
        figures = [at(mode, "hard_negatives", kind) for mode in card.main]
        if any(known(figure) for figure in figures):
            n = at(figures[0], "n", default=math.nan)
            rows.append((kind_words(kind), count_words(n), *map(percent_words, figures)))
            bars.append(Bar(kind_words(kind), figures[0], int(n) if known(n) else 0))
    if bars:
        blocks.append(
            share_bars(
                "hard_negatives",
                f"Which odd sounds raise a false alarm, {card.main[0]['label']}?",
                bars,
                f"share that raises an alarm ({card.tag})",
                aim=HARD_AIM,
            )
        )
    blocks += table(
        f"False alarms on hard negatives ({card.tag})",
        ("nothing loose, but", "checks", *(mode["label"] for mode in card.main)),
        rows,
    )
    if len(blocks) == 1:
        blocks.append(Paragraph("Not measured: the data hold no hard negatives."))
    return Section("hard", f"What fools it? ({card.tag})", tuple(blocks))


def section_calibration(card: Card) -> Section:
    """Are the probabilities true."""
    blocks: list[Block] = []
    for what, words, key in (("any", "checks", "any"), ("zones", "zones", "zones")):
        groups = {
            mode["label"]: mode["reliability"][key]
            for mode in card.main
            if at(mode, "reliability", key)
        }
        if groups:
            question = (
                "Is the stated probability of anything loose true?"
                if what == "any"
                else "Are the stated probabilities of the zones true?"
            )
            blocks.append(
                reliability_diagram(f"reliability_{key}", question, groups, words, card.tag)
            )
    rows = []
    for mode in card.main:
        for key, words in (("any", "anything loose"), ("zones", "zones")):
            error = at(mode, "ece", key)
            if known(error):
                verdict = "kept" if number(error) <= CALIBRATION_AIM else (
                    f"missed by {number(error) - CALIBRATION_AIM:.3f}"
                )  # fmt: skip
                chance = at(mode, "ece_by_chance", key)
                rows.append(
                    (
                        f"{words}, {mode['label']}",
                        figure_words(error),
                        f"{number(chance):.3f}" if known(chance) else "–",
                        verdict,
                    )
                )
    blocks += table(
        f"Expected calibration error, ten equal bins ({card.tag})",
        (
            "probability of",
            "error (95 % interval)",
            "if every probability were true",
            f"aim ≤ {CALIBRATION_AIM}",
        ),
        rows,
        "So few checks show some error even where every probability is true; the third column "
        "is its mean over outcomes drawn from the stated probabilities.",
    )
    for mode in card.main:
        conformal = at(mode, "conformal", default=())
        blocks += table(
            f"Candidate sets of zones, {mode['label']} ({card.tag})",
            ("nominal coverage", "reached", "difference, points", "zones in the set, mean"),
            [
                (
                    percent_words(row.get("nominal")),
                    percent_words(row.get("coverage")),
                    f"{100 * (number(row.get('coverage')) - number(row.get('nominal'))):+.1f}",
                    figure_words(row.get("size"), 1)
                    + (
                        f" of {number(row.get('n_zones')):.0f}" if known(row.get("n_zones")) else ""
                    ),
                )
                for row in conformal
                if known(row.get("coverage"))
            ],
            "Coverage: share of loose checks whose set holds every loose zone it promises to hold. "
            "Small sets at true coverage are better.",
        )
    if not blocks:
        blocks = [Paragraph("Not measured.")]
    return Section("calibration", f"Are its probabilities true? ({card.tag})", tuple(blocks))


def section_mesh(card: Card) -> Section:
    """A mesh set too tight or too loose."""
    blocks: list[Block] = [
        Paragraph(
            "A gear mesh set too tight or too loose is no loose fastener. Such checks count "
            "neither as snug nor as loose in any other figure of this page."
        )
    ]
    for mode in card.main:
        blocks += table(
            f"Checks with the mesh set wrong, {mode['label']} ({card.tag})",
            ("mesh", "checks", "raises an alarm", "gear mesh first", "among first two"),
            [
                (
                    kind_words(kind),
                    count_words(row.get("n")),
                    percent_words(row.get("alarm")),
                    percent_words(row.get("gear_mesh_first")),
                    percent_words(row.get("gear_mesh_first_two")),
                )
                for kind, row in at(mode, "mesh", default={}).items()
                if row
            ],
        )
    if len(blocks) == 1:
        blocks.append(Paragraph("Not measured: the data hold no such checks."))
    return Section(
        "mesh", f"What of a mesh set too tight or too loose? ({card.tag})", tuple(blocks)
    )
