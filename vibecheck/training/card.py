"""The model card: metrics and limits as pages, from what was measured. `write_card`.

`card_sections` makes the sections, `card_page` writes them as HTML and as Markdown with the
pictures of `plots` beside it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
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


def model_page(about: Mapping[str, Any]) -> str:
    """Return the page for ``models/README.md``."""
    metrics = about["metrics"]
    parts = [
        "# The demo model",
        "",
        "Generated by `scripts/train_demo_model.py`; do not edit by hand.",
        "",
        "**Everything on this page is measured on simulated recordings of invented cars.** "
        "It says what the method can do under the physics that was simulated, not how well it "
        "works on a real car. The full hand check is always due.",
        "",
        f"- Model: `{about['name']}` {about['version']}, trained on **{about['trained_on']}** "
        f"takes ({about['n_takes']} usable takes, {about['n_checks']} bench checks, "
        f"{about['n_cars']} cars)",
        f"- Feature catalogue: version {about['catalogue_version']}",
        f"- Data hash (over the takes' hashes): `{about['data_sha256']}`",
        f"- scikit-learn {about['versions']['scikit-learn']}, numpy {about['versions']['numpy']}",
        "- Files: `vibecheck/data/model/looseness.npz` (plain arrays, used by a check) and "
        "`models/looseness.skops` (scikit-learn pipelines), same content hash "
        f"`{about.get('content_hash', '(in the file)')}`",
        "",
        "## How it was judged",
        "",
        f"Cars were split into {metrics['n_outer']} folds. For each fold the whole fit (what is "
        "usual, choice of family, calibration, dependence between takes, intervals) was repeated "
        "without its cars, and the held-out cars were judged through the same code as a check. "
        "No car is ever in training and test. Intervals are 5 % to 95 % of a bootstrap over cars.",
        "",
        "A zone counts as loose when a hand check would find it so: less than "
        f"{about['loose_preload']:.0%} of the snug preload, with or without play.",
        "",
    ]
    for name, figures in sorted(metrics["modes"].items()):
        parts += _mode(name, figures)
    parts += _targets(metrics)
    parts += ["## Heads (simulated)", ""]
    parts += [
        "Each head is a scorer for one question. A head whose held-out ROC area is not surely "
        "above one half is left out of the model.",
        "",
        "| head | family chosen | held-out ROC area, single takes |",
        "|---|---|---|",
    ]
    parts += [
        f"| {_head_words(key)} | {metrics['chosen'].get(key, 'left out: no skill')} | "
        f"{_figure(skill)} |"
        for key, skill in sorted(metrics["skill"].items())
    ]
    parts += ["", "## Reliability (simulated, held-out cars, all takes)", ""]
    parts += ["Stated probability of a zone against the share found loose.", ""]
    parts += ["| baseline | stated | found | zones |", "|---|---|---|---|"]
    for name, rows in sorted(metrics["reliability"].items()):
        word = name.removeprefix("all takes, ")
        parts += [
            f"| {word} | {row['stated']:.2f} | {row['found']:.2f} | {row['n']:.0f} |"
            for row in rows
        ]
    parts += ["", "## Limits", ""]
    parts += [f"- {limit}" for limit in about["limits"]]
    return "\n".join([*parts, ""])


def _head_words(key: str) -> str:
    name, against, sensor = key.rsplit(".", 2)
    word = "against baseline" if against == "baseline" else "no baseline"
    return f"{name.replace('_', ' ')}, {sensor}, {word}"


def _figure(figure: Any) -> str:
    if isinstance(figure, Mapping):
        return f"{figure['value']:.3f} ({figure['low']:.3f}–{figure['high']:.3f})"
    return f"{figure:.3f}"


def _mode(name: str, figures: Mapping[str, Any]) -> list[str]:
    lines = [
        f"## {name[0].upper()}{name[1:]} (simulated)",
        "",
        f"{figures['n_checks']} bench checks of {figures['n_cars']} cars, "
        f"{figures['n_loose_checks']} with something loose.",
        "",
        "| figure (simulated, held-out cars) | value |",
        "|---|---|",
    ]
    rows: list[tuple[str, Any]] = [
        ("ROC area, anything loose", figures["any_loose_auc"]),
        ("ROC area, loose with play in a turning part", figures.get("any_play_auc")),
        *(
            (f"ROC area, {zone.replace('_', ' ')}", value)
            for zone, value in sorted(figures["zone_auc"].items())
        ),
        ("first zone opened is a loose one", figures.get("first_zone_hit")),
        ("one of the first two is", figures.get("first_two_zones_hit")),
        ("first zone by chance", figures.get("first_hit_by_chance")),
        (
            "one loose wheel of 4wd: the likeliest one is it (chance 0.25)",
            figures.get("first_wheel_hit"),
        ),
        (
            "one loose wheel of 4wd: its axle is right (chance 0.5)",
            figures.get("first_wheel_axle_hit"),
        ),
        ("loose checks found at 5 % false alarms", figures.get("detection_at_false_alarm_rate")),
        (
            f"false alarms at that bar, hard snug cases (n = {figures.get('n_hard', 0)})",
            figures.get("false_alarms_hard"),
        ),
        ("calibration error, anything loose", figures["any_loose_ece"]),
        ("calibration error, zones", figures["zone_ece"]),
        ("Brier score, anything loose", figures["any_loose_brier"]),
        ("Brier score, zones", figures["zone_brier"]),
        ("held-out checks that count as familiar", figures["familiar_share"]),
    ]
    lines += [f"| {label} | {_figure(value)} |" for label, value in rows if value is not None]
    by_turns: Sequence[Mapping[str, Any]] = figures.get("detection_by_turns", ())
    if by_turns:
        lines += ["", "| backed off (simulated) | checks | found at 5 % false alarms |"]
        lines += ["|---|---|---|"]
        lines += [f"| {row['turns']} | {row['n']} | {row['detected']:.2f} |" for row in by_turns]
    return [*lines, ""]


def _targets(metrics: Mapping[str, Any]) -> list[str]:
    lines = [
        "## Against the aims (simulated)",
        "",
        "| aim | wanted | reached |",
        "|---|---|---|",
    ]
    for name, key, wanted in (
        ("all takes, against baseline", "any_loose_auc", 0.97),
        ("all takes, no baseline", "any_loose_auc", 0.92),
    ):
        if name in metrics["modes"]:
            value = metrics["modes"][name][key]["value"]
            word = "reached" if value >= wanted else f"missed by {wanted - value:.3f}"
            lines.append(f"| ROC area, anything loose, {name} | ≥ {wanted} | {value:.3f}: {word} |")
    return [*lines, ""]
