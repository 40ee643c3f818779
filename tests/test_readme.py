"""The README's figures and links are what the project's own commands wrote."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
MODEL_PAGE = (ROOT / "models" / "README.md").read_text(encoding="utf-8")
# README row to the row of the model page that the training script writes.
ROWS = {
    "area under the ROC curve, anything loose": "ROC area, anything loose",
    "… a turning part with play": "ROC area, loose with play in a turning part",
    "… the gear mesh": "ROC area, gear mesh",
    "… the motor mount": "ROC area, motor mount",
    "first zone to open is a loose one (by chance 0.164)": "first zone opened is a loose one",
    "loose checks found at 5 % false alarms": "loose checks found at 5 % false alarms",
}
SECTIONS = ("## All takes, against baseline (simulated)", "## All takes, no baseline (simulated)")


def cells(text: str, row: str) -> list[str]:
    line = next(line for line in text.splitlines() if line.startswith(f"| {row} |"))
    return [cell.strip() for cell in line.strip("|").split("|")][1:]


def test_figures_are_those_of_the_model_page() -> None:
    for ours, theirs in ROWS.items():
        measured = [
            cells(MODEL_PAGE.split(section)[1].split("\n## ")[0], theirs)[0] for section in SECTIONS
        ]
        assert cells(README, ours) == measured, ours


def test_results_are_called_simulated() -> None:
    assert "**simulated** recordings" in README
    assert "never says that a car may go out" in README


def test_links_lead_somewhere() -> None:
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
    for page in pages:
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{page.name}: {target}"
