"""The model card as a page: one self-contained HTML file, and Markdown with pictures beside it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

from vibecheck.report.page import render
from vibecheck.report.pictures import Picture
from vibecheck.training.card_parts import (
    Block,
    Bullets,
    Commands,
    Paragraph,
    Section,
    Table,
)

FIGURES = "figures"
"""Folder of the Markdown card's pictures, beside it."""


def unbroken(text: str) -> str:
    """Return a text as HTML in which no line breaks inside an interval or before a "%"."""
    safe = escape(text).replace(" %", "\u00a0%")
    return re.sub(r"\([^() ]+–[^() ]+\)", r'<span class="whole">\g<0></span>', safe)


def card_html(title: str, lead: Sequence[Paragraph], sections: Sequence[Section]) -> str:
    """Return the card as one HTML document that loads nothing from anywhere."""
    return render(
        "model_card.html",
        title=title,
        lead=lead,
        unbroken=unbroken,
        sections=[
            (
                section,
                section.title.split(" (")[0],
                [(type(block).__name__, block) for block in section.blocks],
            )
            for section in sections
        ],
    )


def card_markdown(title: str, lead: Sequence[Paragraph], sections: Sequence[Section]) -> str:
    """Return the card as Markdown; its pictures are files of the folder `FIGURES`."""
    lines = [
        f"# {_escape(title)}",
        "",
        "Generated from the model's metrics; do not edit by hand.",
        "",
    ]
    for paragraph in lead:
        lines += _block(paragraph)
    for section in sections:
        lines += [f"## {_escape(section.title)}", ""]
        for block in section.blocks:
            lines += _block(block)
    return "\n".join(lines).rstrip("\n") + "\n"


def pictures(sections: Sequence[Section]) -> list[Picture]:
    """Return all pictures of a card."""
    return [b for section in sections for b in section.blocks if isinstance(b, Picture)]


def picture_file(picture: Picture) -> str:
    """Return a picture's file name: letters, digits and underscores only."""
    return re.sub(r"\W+", "_", picture.key.lower(), flags=re.ASCII).strip("_") + ".svg"


def _escape(text: str) -> str:
    return re.sub(r"([\\`*_|<>\[\]])", r"\\\1", text)


def _block(block: Block) -> list[str]:
    if isinstance(block, Paragraph):
        text = _escape(block.text)
        return [text if block.tone == "plain" else f"> **{text}**", ""]
    if isinstance(block, Bullets):
        return [*(f"- {_escape(item)}" for item in block.items), ""]
    if isinstance(block, Commands):
        return ["```", *block.lines, "```", ""]
    if isinstance(block, Table):
        return _table(block)
    return [
        f"![{_escape(block.question)}]({FIGURES}/{picture_file(block)})",
        "",
        f"*{_escape(block.question)}* {_escape(block.reading)}",
        "",
    ]


def _table(block: Table) -> list[str]:
    def line(cells: Sequence[str]) -> str:
        return f"| {' | '.join(_escape(cell) for cell in cells)} |"

    lines = [f"**{_escape(block.caption)}**", "", line(block.columns)]
    lines += [f"|{'---|' * len(block.columns)}", *(line(row) for row in block.rows), ""]
    return [*lines, _escape(block.reading), ""] if block.reading else lines
