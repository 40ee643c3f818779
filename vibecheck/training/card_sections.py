"""Sections of the model card that say what the model is, what it learnt from and how it was judged.

The first and the last sections; `card_results`, `card_checks` and `card_detection` hold those
between.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from vibecheck.report.words import spot_words
from vibecheck.training.card_checks import section_calibration, section_hard, section_mesh
from vibecheck.training.card_detection import section_detection, section_unheard
from vibecheck.training.card_parts import (
    Block,
    Bullets,
    Commands,
    Paragraph,
    Section,
    at,
    count_words,
    figure_words,
    known,
    number,
    percent_words,
    plain_words,
    table,
)
from vibecheck.training.card_reading import Card, kind_words
from vibecheck.training.card_results import (
    section_aims,
    section_any,
    section_failures,
    section_first,
    section_zones,
)

TAGS = {"simulated": "simulated", "own": "own recordings", "pooled": "own and simulated recordings"}
ORIGIN_SENTENCES = {
    "simulated": (
        "Every figure, table and picture on this page is measured on simulated recordings of "
        "invented cars. They say what the method can do under the physics that was simulated, not "
        "how well it works on a real car."
    ),
    "own": (
        "Every figure on this page is measured on its owner's own recordings, with the hand checks "
        "as the truth. They hold for cars, phones and rooms like those, as far as the intervals "
        "allow."
    ),
    "pooled": (
        "The figures on this page are measured on own and simulated recordings together. What is "
        "simulated says what the method can do under the physics that was simulated, not how well "
        "it works on a real car."
    ),
}
UNKNOWN_ORIGIN = "Where the recordings came from is not stated: take no figure here on trust."
HAND_CHECK = (
    "The full hand check is always due. No result of this model clears a car: a fastener can be "
    "loose without a sound, and the model misses loose ones that do sound."
)
USES = (
    "It ranks the zones of a car for the hand check, from recordings of a bench spin-up with the "
    "wheels off the ground.",
    "It states for every zone a probability that a fastener there is loose, with an interval, and "
    "says where it heard nothing to go by.",
)
NOT_USES = (
    "It is no proof that anything is tight, and no substitute for the hand check.",
    "It is not for cars driven on the ground, nor for engines, boats or aircraft.",
    "It is not made to be tried by spinning a car with a fastener loosened on purpose: a part that "
    "leaves a spinning car injures.",
)


def origin_of(about: Mapping[str, Any], metrics: Mapping[str, Any]) -> str:
    """Return where the judged recordings came from: "simulated", "own", "pooled", or ""."""
    judged = at(about, "evaluated_on", "origin")
    origin = str(judged or about.get("trained_on") or metrics.get("origin") or "")
    return origin if origin in TAGS else ""


def card_sections(about: Mapping[str, Any], metrics: Mapping[str, Any]) -> list[Section]:
    """Return the whole card.

    Parameters
    ----------
    about : mapping
        What the model says of itself (name, version, trained_on, counts, hashes, limits).
    metrics : mapping
        As `vibecheck.training.evaluate` documents it; any key may be absent.
    """
    origin = origin_of(about, metrics)
    card = Card(metrics, TAGS.get(origin, "origin not stated"))
    return [
        _section_what(about),
        section_aims(card),
        section_failures(card),
        section_unheard(card),
        section_any(card),
        section_zones(card),
        section_first(card),
        section_hard(card),
        section_detection(card),
        section_calibration(card),
        section_mesh(card),
        *(
            (
                _section_data(about, {}, TAGS.get(str(about.get("trained_on")), card.tag)),
                _section_evaluated(about, metrics, card.tag),
            )
            if about.get("evaluated_on")
            else (_section_data(about, metrics, card.tag), _section_judged(about, metrics))
        ),
        _section_heads(metrics, card.tag),
        _section_limits(about),
        _section_again(about, origin),
    ]


def _section_what(about: Mapping[str, Any]) -> Section:
    blocks: tuple[Block, ...] = (
        Paragraph("It is:"),
        Bullets(USES),
        Paragraph("It is not:"),
        Bullets(NOT_USES),
        Paragraph(
            f"Model {about.get('name') or 'without a name'} {about.get('version') or ''} learnt "
            f"from {count_words(about.get('n_takes'))} takes of "
            f"{count_words(about.get('n_checks'))} bench checks of "
            f"{count_words(about.get('n_cars'))} cars "
            f"({TAGS.get(str(about.get('trained_on')), 'origin not stated')})."
        ),
    )
    return Section("what", "What is this model, and what is it not?", blocks)


def _counts(data: Mapping[str, Any], tag: str) -> list[Block]:
    blocks: list[Block] = []
    words = {"spots": spot_words, "kinds": kind_words}
    for key, caption, column in (
        ("kinds", "Bench checks by kind", "kind"),
        ("sensors", "Takes by sensor", "sensor"),
        ("spots", "Takes by spot", "spot"),
        ("layouts", "Cars by layout", "layout"),
        ("loose_checks", "Bench checks in which a zone is loose", "zone"),
    ):
        counts = at(data, key, default={})
        name = words.get(key, plain_words)
        blocks += table(
            f"{caption} ({tag})",
            (column, "number"),
            [(name(str(one)), count_words(count)) for one, count in counts.items()],
        )
    return blocks


def _section_data(about: Mapping[str, Any], metrics: Mapping[str, Any], tag: str) -> Section:
    rows = [
        (words, count_words(value))
        for words, value in (
            ("cars", at(about, "n_cars", default=metrics.get("n_cars"))),
            ("bench checks", at(about, "n_checks", default=metrics.get("n_checks"))),
            ("usable takes", at(about, "n_takes", default=metrics.get("n_takes"))),
            (
                "takes left out (unusable)",
                at(metrics, "n_left_out", default=about.get("n_left_out")),
            ),
            ("bench checks with something loose", metrics.get("n_loose_checks")),
            ("bench checks that sound odd, nothing loose", metrics.get("n_hard_checks")),
            ("bench checks with the mesh set wrong", metrics.get("n_mesh_checks")),
        )
        if known(value)
    ]
    rows += [
        (words, str(value))
        for words, value in (
            ("feature catalogue, version", about.get("catalogue_version")),
            ("data hash (over the takes' hashes)", about.get("data_sha256")),
            ("model content hash", about.get("content_hash")),
        )
        if value
    ]
    rows += [(name, str(one)) for name, one in at(about, "versions", default={}).items() if one]
    blocks: list[Block] = []
    if known(about.get("loose_preload")):
        blocks.append(
            Paragraph(
                "A zone counts as loose when a hand check would find it so: backed off, or with "
                f"less than {percent_words(about['loose_preload'])} of the preload it has when "
                "snug."
            )
        )
    blocks += table(f"What it learnt from ({tag})", ("data", "value"), rows)
    blocks += _counts(at(about, "data", default={}), tag)
    return Section("data", f"Which data taught it? ({tag})", tuple(blocks))


def _section_judged(about: Mapping[str, Any], metrics: Mapping[str, Any]) -> Section:
    folds: Sequence[Sequence[str]] = at(metrics, "folds", default=())
    n_outer = metrics.get("n_outer") or len(folds)
    inner = metrics.get("n_folds")
    blocks: list[Block] = [
        Paragraph(
            (f"Cars were split into {number(n_outer):.0f} folds. " if known(n_outer) else "")
            + "For each fold the whole fit (what is usual, choice of family, calibration, "
            "dependence between takes, intervals) was repeated without its cars"
            + (f", itself by {number(inner):.0f} folds of the other cars" if known(inner) else "")
            + ", and the held-out cars were judged through the same code as a check. No car is "
            "ever in training and test."
        ),
        Paragraph(
            f"Intervals are {percent_words(at(metrics, 'confidence', default=0.95))} intervals of "
            "a bootstrap over whole cars, since checks of one car are alike."
        ),
    ]
    if folds:
        blocks.append(
            Bullets(
                tuple(f"Fold {k}: {', '.join(map(str, cars))}" for k, cars in enumerate(folds, 1))
            )
        )
    return Section("judged", "How was it judged?", tuple(blocks))


def _section_evaluated(about: Mapping[str, Any], metrics: Mapping[str, Any], tag: str) -> Section:
    """How a finished model file was judged on other takes than it learnt from."""
    judged = at(about, "evaluated_on", default={})
    left_out = at(judged, "cars_left_out_as_known", default=())
    rows = [
        ("manifest", str(judged.get("manifest", ""))),
        ("cars", count_words(judged.get("n_cars"))),
        ("bench checks", count_words(judged.get("n_checks"))),
        ("usable takes", count_words(judged.get("n_takes"))),
        ("takes left out (unusable)", count_words(metrics.get("n_left_out"))),
        (
            "takes left out (of cars it was trained on)",
            count_words(judged.get("n_takes_left_out_as_known")),
        ),
        ("data hash (over the takes' hashes)", str(judged.get("data_sha256", ""))),
    ]
    blocks: list[Block] = [
        Paragraph(
            "The finished model file was used as it is, through the same code as a check; nothing "
            "was fitted. It keeps the hashes of its training takes and the names of their cars: "
            "takes of those cars are left out, since a score on them is no evidence."
        ),
        *([Bullets(tuple(map(str, left_out)))] if left_out else []),
        *table(f"What it was judged on ({tag})", ("data", "value"), rows),
        Paragraph(
            f"Intervals are {percent_words(at(metrics, 'confidence', default=0.95))} intervals of "
            "a bootstrap over whole cars, since checks of one car are alike."
        ),
        *_counts(at(judged, "data", default={}), tag),
    ]
    return Section("judged", "How was it judged?", tuple(blocks))


def _section_heads(metrics: Mapping[str, Any], tag: str) -> Section:
    chosen, skill = at(metrics, "chosen", default={}), at(metrics, "skill", default={})
    importance = at(metrics, "importance", default={})
    blocks: list[Block] = [
        Paragraph(
            "Each head is a scorer for one question, by one sensor, with or without a baseline. A "
            "head whose held-out ROC area is not surely above one half is left out: its zones are "
            "then ranked by history alone. A head may use only features that looseness moves alike "
            "in cars of every kind: those whose effect vanished over eight blocks of the training "
            "cars (less than 1.5 standard errors from none) were not used."
        )
    ]
    n_kept = at(metrics, "n_kept", default={})
    blocks += table(
        f"Heads, held-out cars, single takes ({tag})",
        ("head", "family chosen", "features used", "ROC area (95 % interval)"),
        [
            (
                head_words(key),
                str(chosen.get(key) or "left out: no skill"),
                # The head that tells wheels apart uses groups of features, not single ones.
                count_words(n_kept[key]) if key in n_kept and "which" not in key else "–",
                figure_words(figure),
            )
            for key, figure in sorted(skill.items())
        ],
    )
    never = [str(name) for name in at(metrics, "never_kept", default=())]
    if never:
        blocks.append(Paragraph(f"Used by no head: {', '.join(never)}."))
    blocks += table(
        f"What the heads listen to most ({tag})",
        ("head", "features, strongest first"),
        [
            (
                head_words(key),
                ", ".join(f"{name} {number(share):.0%}" for name, share in list(rows)[:4]),
            )
            for key, rows in sorted(importance.items())
            if rows
        ],
        "The catalogue of features says what each of them measures.",
    )
    return Section("heads", f"What does it listen to? ({tag})", tuple(blocks))


def head_words(key: str) -> str:
    """Return a head in plain words: "wheels, microphone, against baseline"."""
    parts = key.rsplit(".", 2)
    if len(parts) < 3:
        return plain_words(key)
    against = "against baseline" if parts[1] == "baseline" else "no baseline"
    return f"{plain_words(parts[0])}, {parts[2]}, {against}"


def _section_limits(about: Mapping[str, Any]) -> Section:
    limits = tuple(str(limit) for limit in about.get("limits") or ())
    return Section("limits", "What are its limits?", (Bullets((*limits, HAND_CHECK)),))


def _section_again(about: Mapping[str, Any], origin: str) -> Section:
    lines = tuple(str(line) for line in about.get("reproduce") or ())
    if not lines and origin == "simulated":
        lines = ("python scripts/build_demo_dataset.py FOLDER --seed 1 --workers 2",)
    if not about.get("reproduce"):
        lines += ("vibecheck train FOLDER/manifest.csv", "vibecheck evaluate FOLDER/manifest.csv")
    return Section(
        "again",
        "How is it made again?",
        (
            Paragraph(
                "The same manifest (data hash above), the same versions and the same seeds give "
                "the same figures."
            ),
            Commands(lines),
        ),
    )
