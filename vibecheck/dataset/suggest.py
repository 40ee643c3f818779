"""Which recordings would help most, and how to get them without any risk.

Most of what a model lacks comes by itself: a take before every hand check, whatever it finds. Only
two joints may ever be slackened on purpose for a take, and only at low wheel speed: a body post's
screw and a battery strap, since neither holds a part that turns. `MAY_BE_SLACKENED` is the whole
list; nothing else proposes such a thing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from vibecheck.car.profile import Car
from vibecheck.car.read import read_car
from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.dataset.row import ManifestRow

ENOUGH_CARS = 4
"""A head learns from loose cases in at least so many cars (as training asks for)."""
ENOUGH_SNUG = 4
"""Baseline takes of a car at one spot that make a steady reference; common practice, no source."""
LOW_WHEEL_RPM = 800.0
"""Most wheel speed with a body post or strap slackened; common practice, no source."""
MOST_UNCERTAIN = 5

BEFORE = (
    "Record a spin-up before each hand check, as the car came from its last run; then do the whole "
    "hand check and log what it finds. Never loosen anything for it."
)
CAUTIONS = (
    "Wheels off the ground, car strapped to its stand, nobody in line with the wheels.",
    "Eye protection; hands, hair and leads away from everything that turns.",
    "If anything is already known to be loose, tighten it: do not record it.",
)
SLACK_CAUTIONS = (
    *CAUTIONS[:2],
    "Every wheel nut, the motor mount and the driveline checked and snug first.",
    f"Wheels no faster than {LOW_WHEEL_RPM:g} rpm, a few seconds only.",
    "Tighten it at once afterwards, then do the whole hand check.",
)
MAY_BE_SLACKENED = {
    "body_and_aero": "one body post screw by half a turn, the body held by its other posts",
    "battery_hold_down": "one battery strap by a notch, the pack still held by the others",
}


@dataclass(frozen=True)
class Suggestion:
    """One thing to record.

    Attributes
    ----------
    what, why, how : str
    cautions : tuple of str
    slackens : str
        The zone in which it proposes to slacken something on purpose; empty for nearly all.
    """

    what: str
    why: str
    how: str
    cautions: tuple[str, ...]
    slackens: str = ""

    def plain(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**asdict(self), "cautions": list(self.cautions)}


def suggest(
    rows: Sequence[ManifestRow], uncertain: Sequence[tuple[ManifestRow, float]] = ()
) -> list[Suggestion]:
    """Say which recordings would help most, the most useful first.

    Parameters
    ----------
    rows : sequence of ManifestRow
        The set; at least one row.
    uncertain : sequence of (row, probability)
        Takes with the probability that anything is loose, by a model: see `uncertain_takes`.
    """
    cars = {row.car: read_car(row.car_file) for row in rows}
    found = [*_without_baseline(rows), *_open_zones(rows)]
    found += [*_zones_short_of_finds(rows, cars), *_one_place_only(rows, cars)]
    found += _uncertain(uncertain)
    found.sort(key=lambda one: bool(one.slackens))
    if not found:
        found.append(
            Suggestion(
                "Takes of further cars",
                "Every zone of the set has finds in enough cars, baselines and several spots; what "
                "it tells about is the cars it holds.",
                BEFORE,
                CAUTIONS,
            )
        )
    return found


def _checks(rows: Sequence[ManifestRow]) -> dict[str, ManifestRow]:
    return {row.check: row for row in rows}


def _without_baseline(rows: Sequence[ManifestRow]) -> list[Suggestion]:
    found = []
    for car in dict.fromkeys(row.car for row in rows):
        own = [row for row in rows if row.car == car]
        short = []
        for place in dict.fromkeys((row.sensor, row.spot) for row in own):
            snug = sum(row.kind == "baseline" and (row.sensor, row.spot) == place for row in own)
            if snug < ENOUGH_SNUG:
                short.append((place, snug))
        if short:
            named = ", ".join(f"{sensor} at {spot} ({n})" for (sensor, spot), n in short[:4])
            more = f" and {len(short) - 4} more places" if len(short) > 4 else ""
            found.append(
                Suggestion(
                    f"Snug baseline takes of {car}: {named}{more}",
                    f"Fewer than {ENOUGH_SNUG} takes after a complete hand check (the number in "
                    "brackets): distances from the car's own baseline are then unsure.",
                    "Right after a complete hand check that left everything snug, record two or "
                    "three spin-ups at each of these places.",
                    CAUTIONS[:2],
                )
            )
    return found


def _open_zones(rows: Sequence[ManifestRow]) -> list[Suggestion]:
    checks = _checks(rows).values()
    zones = [zone for row in checks for zone in row.unknown_zones]
    if not zones:
        return []
    names, counts = np.unique(zones, return_counts=True)
    named = ", ".join(f"{name} ({n})" for name, n in zip(names, counts, strict=True))
    return [
        Suggestion(
            f"Complete hand checks: {named}",
            "Zones at which nobody looked are not labelled (bench checks in brackets), and such "
            "takes do not judge a model.",
            "Finish the hand check of every bench check, zone by zone, also where nothing seems "
            "loose.",
            (),
        )
    ]


def _zones_short_of_finds(rows: Sequence[ManifestRow], cars: dict[str, Car]) -> list[Suggestion]:
    checks = list(_checks(rows).values())
    short: dict[str, str] = {}
    for zone in rows[0].state:
        if not any(own.name == zone for profile in cars.values() for own in profile.zones):
            continue
        loose = [row for row in checks if row.is_loose(zone)]
        n_cars = len({row.car for row in loose})
        if n_cars < ENOUGH_CARS:
            short[zone] = f"{zone} ({count(len(loose), 'bench check')} of {count(n_cars, 'car')})"
    if not short:
        return []
    found = [
        Suggestion(
            f"Takes before hand checks. Short of finds: {', '.join(short.values())}",
            f"A model learns to hear a zone from finds in at least {ENOUGH_CARS} cars.",
            BEFORE,
            CAUTIONS,
        )
    ]
    for zone in short:
        if zone in MAY_BE_SLACKENED:
            found.append(
                Suggestion(
                    f"If you want a find of {zone} sooner: a take at low wheel speed",
                    f"{short[zone]} so far. It holds no part that turns. Beside a body post screw "
                    "and a battery strap nothing may ever be slackened on purpose.",
                    f"Slacken {MAY_BE_SLACKENED[zone]}, and record one spin-up with the wheels no "
                    f"faster than {LOW_WHEEL_RPM:g} rpm.",
                    SLACK_CAUTIONS,
                    zone,
                )
            )
    return found


def count(n: int, noun: str) -> str:
    """Return a number with its noun: "1 car", "2 cars"."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def _one_place_only(rows: Sequence[ManifestRow], cars: dict[str, Car]) -> list[Suggestion]:
    found = []
    for car, profile in cars.items():
        own = [row for row in rows if row.car == car]
        spots = {row.spot for row in own}
        if len(spots) == 1:
            wanted = [
                zone.name
                for zone in profile.zones
                if zone.name in ("motor_mount", "wheel_rear_left", "wheel_front_right")
                and zone.name not in spots
            ]
            others = ", ".join([CENTRE_SPOT, *wanted] if CENTRE_SPOT not in spots else wanted)
            found.append(
                Suggestion(
                    f"Other spots of {car}: {others}",
                    f"All its takes are from one spot ({spots.pop()}); which wheel it is shows in "
                    "the difference between spots.",
                    "Set the phone or sensor down at another spot before the motor starts, and "
                    "record one spin-up there; never hold it by hand.",
                    CAUTIONS[:2],
                )
            )
    sensors = {row.sensor for row in rows}
    if len(sensors) == 1:
        other = "accelerometer" if sensors == {"microphone"} else "microphone"
        found.append(
            Suggestion(
                f"Takes by the other kind of sensor: {other}",
                f"All takes are by {sensors.pop()}; both kinds together tell more.",
                "Record the same spin-up with both; tape an accelerometer down before the motor "
                "starts.",
                CAUTIONS[:2],
            )
        )
    return found


def _uncertain(uncertain: Sequence[tuple[ManifestRow, float]]) -> list[Suggestion]:
    worst = sorted(uncertain, key=lambda pair: abs(pair[1] - 0.5))[:MOST_UNCERTAIN]
    if not worst:
        return []
    named = "; ".join(
        f"{row.check} ({', '.join(row.loose_zones) or row.kind}, probability {p:.2f})"
        for row, p in worst
    )
    return [
        Suggestion(
            f"More takes like the ones the model is least sure of: {named}",
            "A take near one half teaches most.",
            "Record the same car again at its next bench check, from the same and from other "
            "spots, before the hand check.",
            CAUTIONS,
        )
    ]


def uncertain_takes(
    rows: Sequence[ManifestRow], model_file: Any, cache: Any, n_workers: int = 1
) -> list[tuple[ManifestRow, float]]:
    """Let a model judge every bench check of a set.

    Parameters
    ----------
    rows : sequence of ManifestRow
    model_file, cache : path-like or None
        The shipped model, and no kept features, where absent.
    n_workers : int

    Returns
    -------
    list of (row, probability)
        The first take of each check, with the probability that anything is loose.

    Raises
    ------
    InputError
        If the model or the takes cannot be used.
    MissingExtraError
        If the ``training`` extra is not installed.
    """
    from vibecheck.model.store import SHIPPED, load_model
    from vibecheck.training.build import build_table
    from vibecheck.training.evaluate import MODES, predict
    from vibecheck.training.lineage import lineage_of

    model = load_model(model_file or SHIPPED)
    rates = lineage_of(model.about, str(model_file or SHIPPED)).base_rates
    table, _left_out = build_table(rows, cache=cache, n_jobs=n_workers)
    said: dict[str, float] = {}
    alone = next(mode for mode in MODES if mode.name == "all_takes_no_baseline")
    for mode in (alone, MODES[0]):
        found = predict(model, table, rates, mode)
        said |= dict(zip(found.check.tolist(), found.any_probability.tolist(), strict=True))
    first: dict[str, ManifestRow] = {}
    for row in rows:
        first.setdefault(row.check, row)
    return [(row, said[check]) for check, row in first.items() if check in said]
