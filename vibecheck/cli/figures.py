"""Command line: a model's main figures as a short table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

FIGURES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("ROC area, anything loose", ("any_loose_auc",)),
    ("ROC area, loose with play", ("any_play_auc",)),
    ("plain snug checks that raise an alarm", ("alarm", "snug")),
    ("loose checks that raise it", ("alarm", "recall")),
    ("hard snug cases that raise it", ("hard_negatives", "all")),
    ("first zone opened is a loose one", ("first_zone", "all", "first")),
    ("one of the first two is", ("first_zone", "all", "first_two")),
    ("calibration error of zones", ("ece", "zones")),
)
"""What the table shows, and where it stands in the figures of a way of use."""
WAYS = ("against baseline", "no baseline")
"""Ways of use that the table shows: with all takes of a check."""


def main_figures(metrics: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """Return the rows of the table: a label, and one figure a way of use."""
    shown = ways(metrics)
    rows = []
    for label, path in FIGURES:
        cells = [figure_words(at(mode, path)) for mode in shown.values()]
        if any(cell != "-" for cell in cells):
            rows.append((label, cells))
    return rows


def ways(metrics: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """Return the shown ways of use with their figures."""
    labels = {str(mode.get("label", key)): mode for key, mode in metrics["modes"].items()}
    return {way: labels[f"all takes, {way}"] for way in WAYS if f"all takes, {way}" in labels}


def at(values: Any, path: tuple[str, ...]) -> Any:
    """Follow a path of keys; ``None`` where it ends early."""
    for key in path:
        if not isinstance(values, Mapping):
            return None
        values = values.get(key)
    return values


def figure_words(figure: Any) -> str:
    """Return a figure with its interval, such as ``0.81 (0.74-0.88)``."""
    if isinstance(figure, Mapping):
        value, low, high = (figure.get(name) for name in ("value", "low", "high"))
        if value is None:
            return "-"
        inside = "no interval" if low is None or high is None else f"{low:.2f}–{high:.2f}"
        return f"{value:.2f} ({inside})"
    return "-" if figure is None else f"{figure:.2f}"


def table_lines(metrics: Mapping[str, Any]) -> list[str]:
    """Return the table as lines of text, in columns."""
    rows = [("", list(ways(metrics))), *main_figures(metrics)]
    left = max(len(label) for label, _ in rows)
    widths = [max(len(row[k]) for _, row in rows) for k in range(len(rows[0][1]))]
    return [
        f"  {label:<{left}}  "
        + "  ".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=True))
        for label, cells in rows
    ]
