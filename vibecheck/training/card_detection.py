"""Sections of the model card on what can and what cannot be heard, by how far it is backed off."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from vibecheck.report.pictures import Picture
from vibecheck.report.words import join_words
from vibecheck.training.card_parts import (
    Block,
    Paragraph,
    Section,
    at,
    count_words,
    known,
    number,
    percent_words,
    table,
)
from vibecheck.training.card_reading import (
    Card,
    part_words,
    sensor_words,
)
from vibecheck.training.plots import (
    DetectionSeries,
    detection_picture,
)

INVISIBLE = (
    "A nut that has lost preload but has no play yet is invisible: nothing moves, nothing knocks, "
    "and no microphone or accelerometer on the bench tells it from a tight one. Only the hand "
    "finds it."
)


def _series(mode: Mapping[str, Any], zone: str) -> DetectionSeries | None:
    pod = at(mode, "detection", "turns", zone)
    if not pod:
        return None
    curve = pod.get("curve") or {}
    if not (curve.get("at") and curve.get("pod")):
        curve = {}
    points = [
        (
            0.5 * (number(b["low"]) + number(b["high"])),
            number(b["found"]) / number(b["n"]),
            number(b["n"]),
        )
        for b in pod.get("bins") or ()
        if number(b.get("n")) > 0
    ]
    if not curve and not points:
        return None
    return DetectionSeries(
        name=sensor_words(mode),
        turns=curve.get("at", ()),
        probability=curve.get("pod", ()),
        low=curve.get("low") or (),
        a90=number(pod.get("a90")),
        a90_95=number(pod.get("a90_95")),
        largest=number(pod.get("largest")),
        points=points,
    )


def detection_pictures(card: Card) -> list[Picture]:
    """One picture a zone: probability of detection against turns backed off."""
    modes = card.detection_modes()
    zones = list(dict.fromkeys(z for m in modes for z in m["detection"]["turns"]))
    pictures = []
    for zone in sorted(zones, key=lambda z: (z != "any",)):
        series = [one for mode in modes if (one := _series(mode, zone)) is not None]
        if series:
            name = "a fastener" if zone == "any" else f"the {part_words(zone)}"
            pictures.append(detection_picture(f"detection_{zone}", name, series, card.tag))
    return pictures


def has_curve(pod: Mapping[str, Any]) -> bool:
    """Tell whether a curve could be fitted: not where all or none were found, or cases are few."""
    return bool(at(pod, "curve", "pod"))


def _a90_words(pod: Mapping[str, Any] | None) -> str:
    """Return a90 and a90/95 of one zone by one sensor."""
    if not pod or not number(pod.get("n")) > 0:
        return "not measured"
    if not known(pod.get("a90")):
        share = percent_words(number(pod.get("n_found")) / number(pod.get("n")))
        found = f"({share} of {count_words(pod['n'])} found)"
        return f"not reached {found}" if has_curve(pod) else f"no curve {found}"
    upper = number(pod.get("a90_95"))
    words = f"{upper:.2f}" if math.isfinite(upper) else "not reached"
    return f"{number(pod['a90']):.2f}; {words}"


def section_unheard(card: Card) -> Section:
    """What cannot be heard: the section that every reader needs."""
    modes = card.detection_modes()
    zones = list(dict.fromkeys(z for m in modes for z in at(m, "detection", "turns", default={})))
    blocks: list[Block] = [Paragraph(INVISIBLE, "warn")]
    if not zones:
        blocks.append(Paragraph("Detection curves were not measured: too few graded cases."))
        return Section("unheard", f"What cannot be heard ({card.tag})", tuple(blocks))
    blocks.append(
        Paragraph(
            "First number, a90: turns backed off from which 90 % of cases raise the alarm (at 5 % "
            "false alarms on snug cars), by a fitted curve. Second number, a90/95: turns from "
            "which that holds with 95 % confidence. “Not reached”: 90 % are not found within the "
            "range that was looked at, however far the fastener was backed off. “No "
            "curve”: too few cases, or all or none found. Against the car's own baseline, where "
            "nothing else is said."
        )
    )
    blocks += table(
        f"Turns backed off until a loose fastener is heard: a90; a90/95 ({card.tag})",
        ("zone", *map(sensor_words, modes)),
        [
            (part_words(zone), *(_a90_words(at(m, "detection", "turns", zone)) for m in modes))
            for zone in zones
        ],
        _unheard_reading(modes[0], zones),
    )
    lost = list(dict.fromkeys(z for m in modes for z in at(m, "detection", "preload", default={})))
    blocks += table(
        f"No play: share of the preload gone until it is heard: a90; a90/95 ({card.tag})",
        ("zone", *map(sensor_words, modes)),
        [
            (part_words(zone), *(_a90_words(at(m, "detection", "preload", zone)) for m in modes))
            for zone in lost
        ],
    )
    return Section("unheard", f"What cannot be heard ({card.tag})", tuple(blocks))


def _unheard_reading(mode: Mapping[str, Any], zones: Sequence[str]) -> str:
    pods = {z: at(mode, "detection", "turns", z) for z in zones if z != "any"}
    deaf = [
        part_words(z)
        for z, pod in pods.items()
        if pod and has_curve(pod) and not known(pod.get("a90"))
    ]
    if not deaf:
        return ""
    return f"Not reached even by {sensor_words(mode)}: {join_words(deaf)}."


def section_detection(card: Card) -> Section:
    """Detection curves, one picture a zone."""
    pictures: list[Block] = [*detection_pictures(card)]
    return Section(
        "detection",
        f"How far must a fastener be backed off to be heard? ({card.tag})",
        tuple(pictures or [Paragraph("Not measured: too few graded cases.")]),
    )
