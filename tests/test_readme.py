"""The README's figures and links are what the project's own commands wrote."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
MODEL_PAGE = (ROOT / "models" / "README.md").read_text(encoding="utf-8")
HEARING = README.split("## What it can hear, and what it cannot")[1].split("\n## ")[0]
OWN_HEADERS = ("held-out cars, simulated", "nothing loose, but", "---")


def figure_rows(text: str) -> list[str]:
    rows = [line.strip() for line in text.splitlines() if line.strip().startswith("|")]
    return [
        row for row in rows if row.strip("| ").split(" |")[0].strip("-|") not in ("", *OWN_HEADERS)
    ]


def test_figures_are_those_of_the_model_card() -> None:
    card = {line.strip() for line in MODEL_PAGE.splitlines()}
    rows = figure_rows(HEARING)
    assert len(rows) > 40
    for row in rows:
        assert row in card, row


def test_it_says_what_the_model_was_trained_on() -> None:
    trained = re.search(
        r"learnt from ([\d ]+) takes of (\d+) bench checks of (\d+) cars", MODEL_PAGE
    )
    assert trained is not None
    takes, checks, cars = (number.replace("\u202f", " ") for number in trained.groups())
    words = " ".join(HEARING.split())
    assert f"{cars} invented cars ({checks} bench checks, {takes} takes)" in words


def test_it_says_what_cannot_be_heard() -> None:
    words = " ".join(HEARING.replace(">", "").split())
    assert "A nut that has lost preload but has no play yet is invisible" in words
    assert "a90/95" in words


def test_results_are_called_simulated() -> None:
    assert "**simulated** recordings" in README
    assert "never says that a car may go out" in README


def test_links_lead_somewhere() -> None:
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
    for page in pages:
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{page.name}: {target}"
