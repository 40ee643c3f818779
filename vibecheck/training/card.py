"""The model card: metrics and limits as pages, from what was measured. `write_card`.

`card_sections` makes the sections, `card_page` writes them as HTML and as Markdown with the
pictures of `plots` beside it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from vibecheck.report.files import check_folder, write_whole
from vibecheck.training.card_page import (
    FIGURES,
    card_html,
    card_markdown,
    picture_file,
    pictures,
)
from vibecheck.training.card_parts import Paragraph
from vibecheck.training.card_sections import (
    HAND_CHECK,
    ORIGIN_SENTENCES,
    UNKNOWN_ORIGIN,
    card_sections,
    origin_of,
)
from vibecheck.training.plots import standalone
from vibecheck.training.table import FeatureTable

LIMITS: tuple[str, ...] = (
    "All training and test recordings are simulated from equations of motion of invented cars. "
    "Real cars, phones and rooms will differ; nothing here shows how well it works on them.",
    "A fastener that has lost preload but has no play yet makes hardly any sound. It is missed "
    "most of the time; only the hand finds it.",
    "The simulated joints are simpler than real ones: one state of looseness a zone, no worn "
    "threads, bent parts or dirt.",
    "Not every zone can be heard. Where a zone's figures are no better than chance, its place in "
    "the hand check comes from history and severity.",
    "Wheels without drive do not turn on the bench. A loose one is hardly heard.",
    "With one take from the centre of the car the model can hardly tell one wheel from another.",
    "Without the car's own baseline, what is usual for a car is guessed from other cars.",
    "Probabilities rest on the share of loose zones in the training set until the history of the "
    "car replaces it.",
)


def write_card(
    folder: str | os.PathLike[str],
    about: Mapping[str, Any],
    metrics: Mapping[str, Any],
    *,
    name: str = "model_card",
) -> list[Path]:
    """Write the model card: one self-contained HTML file, and Markdown with pictures beside it.

    Parameters
    ----------
    folder : path-like
        Made where it is missing. What else lies in it stays; pictures of an earlier card that
        this one does not hold are removed from its folder of pictures.
    about : mapping
        What the model says of itself: ``name``, ``version``, ``trained_on``, ``n_takes``,
        ``n_checks``, ``n_cars``, ``data_sha256``, ``content_hash``, ``catalogue_version``,
        ``versions``, ``loose_preload``, ``limits``; optionally ``data`` (see `describe_data`) and
        ``reproduce`` (lines to type). Any may be absent.
    metrics : mapping
        As `vibecheck.training.evaluate` documents it; any key may be absent.
    name : str
        Of the two files, without their endings.

    Returns
    -------
    list of Path
        The HTML file, the Markdown file, then the pictures.

    Raises
    ------
    CallError
        If a file is in the way of the folder, or it may not be written into.
    InputError
        If a file cannot be written.
    """
    target = check_folder(folder, "The folder of the model card")
    check_folder(target / FIGURES, "The folder of the model card's pictures")
    title, lead = card_title(about), card_lead(about, metrics)
    sections = card_sections(about, metrics)
    drawn = {target / FIGURES / picture_file(p): standalone(p) for p in pictures(sections)}
    page, text = target / f"{name}.html", target / f"{name}.md"
    write_whole(page, card_html(title, lead, sections))
    for path, svg in drawn.items():
        write_whole(path, svg)
    write_whole(text, card_markdown(title, lead, sections))
    for stale in set((target / FIGURES).glob("*.svg")) - set(drawn):
        stale.unlink()
    return [page, text, *drawn]


def card_title(about: Mapping[str, Any]) -> str:
    """Return the card's title."""
    return f"Model card: {about.get('name') or 'a model'} {about.get('version') or ''}".rstrip()


def card_lead(about: Mapping[str, Any], metrics: Mapping[str, Any]) -> list[Paragraph]:
    """Return what stands above everything else: where the data came from, and the hand check."""
    origin = origin_of(about, metrics)
    sentence = ORIGIN_SENTENCES.get(origin, UNKNOWN_ORIGIN)
    return [Paragraph(sentence, "simulated"), Paragraph(HAND_CHECK, "due")]


def describe_data(table: FeatureTable) -> dict[str, dict[str, int]]:
    """Count what a feature table holds, for ``about["data"]``.

    Returns
    -------
    dict
        ``kinds`` and ``loose_checks`` count bench checks; ``sensors`` and ``spots`` count takes;
        ``layouts`` counts cars.
    """
    _, first = np.unique(table.check, return_index=True)
    _, car = np.unique(table.car, return_index=True)
    kinds = getattr(table, "kind", None)
    if kinds is None:
        loose = table.loose.any(axis=1)
        kinds = np.where(loose, "loose", np.where(table.is_hard, "hard", "snug"))

    def counted(values: Any) -> dict[str, int]:
        names, counts = np.unique(np.asarray(values), return_counts=True)
        return {str(one) or "not stated": int(n) for one, n in zip(names, counts, strict=True)}

    return {
        "kinds": counted(kinds[first]),
        "sensors": counted(table.sensor),
        "spots": counted(table.spot),
        "layouts": counted(table.layout[car]),
        "loose_checks": {
            str(zone): int(table.loose[first, k].sum()) for k, zone in enumerate(table.zones)
        },
    }
