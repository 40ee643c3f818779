"""Sections of the model card on aims, failures and how well loose is told from snug.

Every sentence is made from the metrics.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from vibecheck.report.words import join_words
from vibecheck.training.card_parts import (
    Block,
    Bullets,
    Paragraph,
    Section,
    at,
    count_words,
    ends,
    figure_words,
    known,
    number,
    percent_words,
    plain_words,
    table,
)
from vibecheck.training.card_reading import (
    HARD_AIM,
    ZONE_AIM,
    Card,
    capital,
    is_heard,
    kind_words,
    part_words,
)
from vibecheck.training.plots import (
    roc_picture,
)
from vibecheck.training.plots_shares import Bar, interval_dots, share_bars


def verdict_words(target: Mapping[str, Any]) -> str:
    """Return whether an aim was met, with the number by which it was missed."""
    if target.get("met") is None or not known(target.get("reached")):
        return "could not be measured"
    if target["met"]:
        return "reached"
    miss = abs(number(target["reached"]) - number(target["wanted"]))
    return f"missed by {miss:.3f}"


def target_words(card: Card, target: Mapping[str, Any]) -> str:
    """Return what an aim is about, with the way of use it holds for."""
    slug = str(target.get("mode") or "")
    label = str(at(card.metrics, "modes", slug, "label", default=plain_words(slug)))
    name = plain_words(str(target["name"]))
    return f"{name}, {label}" if label and label not in name else name


def section_aims(card: Card) -> Section:
    """Every aim with what was reached."""
    targets: Sequence[Mapping[str, Any]] = at(card.metrics, "targets", default=())
    rows = []
    for target in targets:
        sense = {">=": "≥", "<=": "≤"}.get(str(target.get("sense")), str(target.get("sense")))
        rows.append(
            (
                target_words(card, target),
                f"{sense} {number(target['wanted']):g}",
                "not heard"
                if target.get("heard") is False
                else figure_words(target.get("reached")),
                verdict_words(target),
            )
        )
    measured = [t for t in targets if t.get("met") is not None]
    met = sum(bool(t["met"]) for t in measured)
    unmeasured = len(targets) - len(measured)
    blocks: list[Block] = [
        Paragraph(
            f"{met} of {len(measured)} measured aims are reached"
            + (f"; {unmeasured} could not be measured." if unmeasured else ".")
            if targets
            else "No aims were measured for this model."
        )
    ]
    blocks += table(
        f"Aims, set before the data were seen, on held-out cars ({card.tag})",
        ("aim", "wanted", "reached (95 % interval)", "verdict"),
        rows,
    )
    return Section("aims", f"Are the aims reached? ({card.tag})", tuple(blocks))


def section_failures(card: Card) -> Section:
    """Where it fails, from the numbers."""
    items: list[str] = []
    targets: Sequence[Mapping[str, Any]] = at(card.metrics, "targets", default=())
    for target in targets:
        if target.get("met") is False:
            reached = figure_words(target.get("reached"))
            items.append(
                f"Aim {verdict_words(target)}: {target_words(card, target)} is "
                f"{'not heard' if target.get('heard') is False else reached}, wanted "
                f"{'at least' if target.get('sense') == '>=' else 'at most'} "
                f"{number(target['wanted']):g}."
            )
    for mode in card.main:
        areas = at(mode, "zone_auc", default={})
        deaf = [part_words(zone) for zone in areas if not is_heard(mode, zone)]
        if deaf:
            items.append(
                f"Not heard, ranked by history alone, {mode['label']}: {join_words(deaf)}."
            )
        blind = [
            f"{part_words(zone)} {figure_words(figure, 2)}"
            for zone, figure in areas.items()
            if known(figure) and is_heard(mode, zone) and not ends(figure)[0] > 0.5
        ]
        if blind:
            items.append(f"No better than chance, {mode['label']}: {join_words(blind)}.")
        fooled = [
            f"{kind_words(kind)} {percent_words(figure)}"
            for kind, figure in at(mode, "hard_negatives", default={}).items()
            if kind != "all" and number(figure) > HARD_AIM
        ]
        if fooled:
            items.append(f"More than 10 % false alarms, {mode['label']}: {join_words(fooled)}.")
    if card.main:
        weak = [
            f"{row['turns']}: {percent_words(row.get('detected'))}"
            for row in at(card.main[0], "detection_by_turns", default=())
            if number(row.get("detected")) < 0.5
        ]
        if weak:
            items.append(
                f"Missed more often than found, {card.main[0]['label']}, worst fastener backed "
                f"off: {join_words(weak)}."
            )
    blocks: tuple[Block, ...] = (
        (Bullets(tuple(items)),)
        if items
        else (
            Paragraph(
                "No measured figure falls short of its mark. That says little about what was not "
                "measured."
            ),
        )
    )
    return Section("failures", f"Where does it fail? ({card.tag})", blocks)


def _compare(
    card: Card, modes: Sequence[Mapping[str, Any]], rows: Sequence[tuple[str, tuple[str, ...]]]
) -> list[tuple[str, ...]]:
    kept = []
    for name, path in rows:
        figures = [at(mode, *path) for mode in modes]
        if any(known(figure) for figure in figures):
            kept.append((name, *(figure_words(figure) for figure in figures)))
    return kept


MAIN_ROWS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("ROC area, anything loose", ("any_loose_auc",)),
    ("ROC area, loose with play", ("any_play_auc",)),
    ("plain snug checks that raise an alarm set at 5 %", ("alarm", "snug")),
    ("loose checks found by that alarm", ("alarm", "recall")),
    ("loose checks with play found by that alarm", ("alarm", "recall_play")),
    ("calibration error, anything loose", ("ece", "any")),
    ("calibration error, zones", ("ece", "zones")),
    ("Brier score, anything loose", ("brier", "any")),
    ("Brier score, zones", ("brier", "zones")),
    ("held-out checks that count as familiar", ("familiar",)),
)


def section_any(card: Card) -> Section:
    """How well loose is told from snug."""
    blocks: list[Block] = []
    for mode in card.main:
        if known(mode.get("n_checks")):
            blocks.append(
                Paragraph(
                    f"{capital(mode['label'])}: {count_words(mode['n_checks'])} bench checks of "
                    f"{count_words(mode.get('n_cars'))} cars, "
                    f"{count_words(mode.get('n_loose_checks'))} with something loose"
                    + (
                        f", {count_words(mode['n_hard_checks'])} of the rest sound odd with "
                        "nothing loose."
                        if known(mode.get("n_hard_checks"))
                        else "."
                    )
                )
            )
    blocks += table(
        f"Held-out cars, 95 % intervals over cars ({card.tag})",
        ("figure", *(mode["label"] for mode in card.main)),
        _compare(card, card.main, MAIN_ROWS),
    )
    curves = {
        mode["label"]: {**mode["roc"], "area": mode.get("any_loose_auc")}
        for mode in card.main
        if at(mode, "roc", "false_alarm") and at(mode, "roc", "recall")
    }
    if curves:
        blocks.append(
            roc_picture(
                "roc", "How many loose cars are found, for how many false alarms?", curves, card.tag
            )
        )
    others = [mode for mode in card.modes if mode not in card.main]
    for mode in others:
        blocks += table(
            f"{capital(mode['label'])}: held-out cars ({card.tag})",
            ("figure", "value (95 % interval)"),
            _compare(card, [mode], MAIN_ROWS[:5]),
        )
    blocks += _by_turns(card)
    return Section("any", f"Does it tell loose from snug? ({card.tag})", tuple(blocks))


def _by_turns(card: Card) -> list[Block]:
    if not card.main or not at(card.main[0], "detection_by_turns"):
        return []
    mode = card.main[0]
    rows = [
        (str(row["turns"]), count_words(row.get("n")), percent_words(row.get("detected")))
        for row in mode["detection_by_turns"]
    ]
    return table(
        f"By how far the worst fastener is backed off: {mode['label']} ({card.tag})",
        ("backed off", "checks", "found at about 5 % false alarms"),
        rows,
    )


def section_zones(card: Card) -> Section:
    """Each zone on its own, and the first zones to open."""
    groups = {
        mode["label"]: [
            (part_words(zone), figure)
            for zone, figure in mode["zone_auc"].items()
            if known(figure) and is_heard(mode, zone)
        ]
        for mode in card.main
        if at(mode, "zone_auc")
    }
    blocks: list[Block] = [
        Paragraph(
            "ROC area of a zone: the chance that a check in which it is loose gets a higher "
            "probability for it than a check in which it is not. 0.5 is chance. A zone is called "
            "not heard where in most of the fits no head for it showed skill, so that it was "
            "ranked by history alone."
        )
    ]
    if any(groups.values()):
        blocks.append(
            interval_dots(
                "zones",
                "Which zones can it hear?",
                groups,
                f"ROC area ({card.tag})",
                chance=0.5,
                aim=ZONE_AIM,
            )
        )
    zones = list(dict.fromkeys(z for m in card.main for z in at(m, "zone_auc", default={})))
    rows = []
    for zone in zones:
        figures = [at(mode, "zone_auc", zone) for mode in card.main]
        play = at(card.main[0], "zone_play_auc", zone)
        counts = at(figures[0], "n")
        rows.append(
            (
                part_words(zone),
                count_words(counts) if counts is not None else "–",
                *(_heard_words(m, zone, f) for m, f in zip(card.main, figures, strict=True)),
                _heard_words(card.main[0], zone, play),
            )
        )
    blocks += table(
        f"ROC area per zone, held-out cars ({card.tag})",
        (
            "zone",
            "cases",
            *(mode["label"] for mode in card.main),
            "with play only" + (f", {card.main[0]['label']}" if card.main else ""),
        ),
        rows,
    )
    return Section("zones", f"Which zones can it hear? ({card.tag})", tuple(blocks))


def _heard_words(mode: Mapping[str, Any], zone: str, figure: Any) -> str:
    if not known(figure):
        return "–"
    return figure_words(figure, 2) if is_heard(mode, zone) else "not heard"


FIRST_ROWS = (
    ("play_two_spots", "with play, two spots or more", "play, two spots"),
    ("play", "with play", "play"),
    ("all", "anything loose", "any loose"),
)


def section_first(card: Card) -> Section:
    """Is the first zone to open a loose one."""
    blocks: list[Block] = []
    for mode in card.main:
        bars, rows = [], []
        for key, words, short in FIRST_ROWS:
            hits = at(mode, "first_zone", key)
            if not known(at(hits, "first")):
                continue
            n = int(number(at(hits, "first", "n", default=0)))
            rows.append(
                (
                    words,
                    str(n) if n else "–",
                    percent_words(at(hits, "first")),
                    percent_words(at(hits, "chance")),
                    percent_words(at(hits, "first_two")),
                    percent_words(at(hits, "chance_two")),
                )
            )
            bars.append(Bar(f"first, {short}", at(hits, "first"), n))
            bars.append(Bar(f"first two, {short}", at(hits, "first_two"), n))
        blocks += table(
            f"A loose zone is opened first, {mode['label']} ({card.tag})",
            ("checks", "n", "first", "by chance", "one of first two", "by chance"),
            rows,
        )
        if bars and mode is card.main[0]:
            blocks.append(
                share_bars(
                    "first_zone",
                    "Is the first zone to open a loose one?",
                    bars,
                    f"share of loose checks ({card.tag})",
                    aim=0.85,
                    aim_is_upper=False,
                    reading=_first_reading(mode),
                )
            )
        wheels = at(mode, "wheels")
        if known(at(wheels, "wheel")):
            blocks.append(
                Paragraph(
                    f"One loose wheel of a four-wheel-drive car, {mode['label']}: the likeliest "
                    f"wheel is the loose one in {percent_words(wheels['wheel'])} (chance 25 %), "
                    f"its axle in {percent_words(at(wheels, 'axle'))} (chance 50 %)."
                )
            )
    if not blocks:
        blocks = [Paragraph("Not measured: too few loose checks.")]
    return Section("first", f"Does it open the right zone first? ({card.tag})", tuple(blocks))


def _first_reading(mode: Mapping[str, Any]) -> str:
    hits = at(mode, "first_zone", "play_two_spots") or at(mode, "first_zone", "all")
    lift = number(at(hits, "first")) / max(number(at(hits, "chance")), 1e-9)
    words = f" ({lift:.1f} times as often as by chance)" if math.isfinite(lift) else ""
    where = (
        " with play and takes from two spots" if at(mode, "first_zone", "play_two_spots") else ""
    )
    return (
        f"Among loose checks{where} the first zone is a loose one in "
        f"{percent_words(at(hits, 'first'))}{words}, one of the first two in "
        f"{percent_words(at(hits, 'first_two'))}. The aims, 85 % and 95 %, are set for these. "
        "Black bars are 95 % intervals."
    )
