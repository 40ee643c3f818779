"""How the model card reads the metrics: which ways of use it shows, and names in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from vibecheck.report.words import zone_words
from vibecheck.training.card_parts import (
    at,
    number,
    plain_words,
)

HARD_AIM = 0.10
"""Hard negatives that may raise an alarm, at most."""


ZONE_AIM = 0.95


CALIBRATION_AIM = 0.03


KIND_WORDS = {
    "all": "all of them",
    "out_of_balance": "tyre out of balance",
    "worn_bearing": "worn bearing",
    "stone_in_wheel": "stone in a wheel",
    "rubbing_wire": "rubbing wire",
    "second_car": "second car running beside",
    "second_motor": "second motor running",
    "speech": "people speaking",
    "mesh_tight": "mesh set too tight",
    "mesh_loose": "mesh set too loose",
}


GROUP_WORDS = {
    "any": "anything loose",
    "driven_wheels": "driven wheels",
    "still_wheels": "wheels at rest",
    "some_driven_wheel": "some driven wheel",
}


class Card:
    """The metrics of a model, read with tolerance for what was not measured.

    Parameters
    ----------
    metrics : mapping
        As `vibecheck.training.evaluate` documents it; any key may be absent.
    tag : str
        Where the data came from, in a word or two.
    """

    def __init__(self, metrics: Mapping[str, Any], tag: str) -> None:
        self.metrics = metrics
        self.tag = tag
        modes = at(metrics, "modes", default={})
        self.modes: list[Mapping[str, Any]] = [
            {**mode, "label": str(mode.get("label") or plain_words(slug))}
            for slug, mode in modes.items()
            if mode
        ]
        wanted = (("all takes", "against baseline"), ("all takes", "no baseline"))
        found = [self._mode(*words) for words in wanted]
        main = [mode for mode in found if mode is not None] or self.modes[:2]
        self.main = main
        """The two ways of use that the card shows first: with and without a baseline."""

    def _mode(self, *words: str) -> Mapping[str, Any] | None:
        for mode in self.modes:
            if all(word in mode["label"] for word in words):
                return mode
        return None

    def detection_modes(self) -> list[Mapping[str, Any]]:
        """Ways of use whose detection curves are drawn: by sensor where sensors stand alone."""
        with_pod = [mode for mode in self.modes if at(mode, "detection", "turns")]
        first = [mode for mode in with_pod if mode is self.main[0]] if self.main else []
        rest = []
        for sensor in ("microphone", "accelerometer"):
            alone = [m for m in with_pod if sensor in m["label"] and m not in first]
            alone.sort(key=lambda m: "against baseline" not in m["label"])
            rest += alone[:1]
        if not rest:
            rest = [mode for mode in self.main[1:] if mode in with_pod]
        return [*first, *rest] or with_pod[:2]


def part_words(zone: str) -> str:
    """Return a zone, or a group of zones, in plain words."""
    return GROUP_WORDS.get(zone, zone_words(zone))


def kind_words(kind: str) -> str:
    """Return a kind of bench check in plain words."""
    return KIND_WORDS.get(kind, plain_words(kind))


def sensor_words(mode: Mapping[str, Any]) -> str:
    """Return a way of use in a word or two; all are against the baseline unless they say so."""
    words = str(mode["label"]).replace(" only", "").replace(", against baseline", "")
    return words.replace("accelerometers", "accelerometer")


def is_heard(mode: Mapping[str, Any], zone: str) -> bool:
    """Whether a zone's head spoke in at least half of the judged checks."""
    return bool(number(at(mode, "zone_heard", zone, default=1.0)) >= 0.5)


def capital(words: str) -> str:
    """Return words with a large first letter."""
    return words[:1].upper() + words[1:]
