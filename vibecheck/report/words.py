"""Report: the owner's words for zones, verdicts, numbers. Shared by the page and the terminal.

The mildest word for a result is "nothing stood out". No word here clears a car.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from vibecheck.advice import NO_ZONES_NOTE, UNFAMILIAR_NOTE
from vibecheck.car.zones import WHEEL_ZONES

if TYPE_CHECKING:
    from vibecheck.result import CheckedTake, CheckResult, ZoneHistory, ZoneRisk
    from vibecheck.risk.history import KindHistory

SEVERITY_WORDS = {
    1: "a nuisance if it comes loose",
    2: "a run-ender if it comes loose",
    3: "a part can leave the car at speed",
}
LEAST_LOG_RATIO = math.log(1.05)
"""A change of the odds by less than this factor is not told."""
PHASE_WORDS = {"idle": "motor off", "run_up": "run-up", "hold": "hold", "coast_down": "coast-down"}
QUALITY_WORDS = {
    "usable": "could be used",
    "limited": "could be used in part",
    "unusable": "could not be used",
}
ORIGIN_WORDS = {
    "simulated": "trained on simulated recordings",
    "own": "trained on recordings of your own cars",
    "pooled": "trained on recordings of several owners' cars",
}
SIMULATED_REMARK = (
    "The model learned from simulated recordings, not from real cars. Its percentages are a guide "
    "for where to begin; how well they fit your car is not known."
)
UNFAMILIAR_REMARK = (
    "These recordings sound unlike anything the model learned from. Trust the percentages little, "
    "and the order of the list no more than them."
)
BLIND_REMARK = (
    "No car file was given. Without one vibecheck knows neither the gearing nor the zones: it can "
    "follow a speed and draw the sound, but it cannot name the rotating parts or rank zones. "
    "Make a car file with: vibecheck car new"
)


def as_options(text: str) -> str:
    """Return advice that names arguments of the Python functions with the program's options.

    ``columns={"time": "t"}`` becomes ``--columns time=t``, ``sample_rate_hz`` becomes
    ``--sample-rate``.
    """

    def column_pairs(match: re.Match[str]) -> str:
        pairs = re.findall(r'"(\w+)": (?:"([^"]*)"|(\d+)|\.\.\.)', match[1])
        return " ".join(
            f"--columns {role}={name or number or 'NAME'}" for role, name, number in pairs
        )

    text = re.sub(r"columns=\{([^}]*)\}", column_pairs, text)
    text = re.sub(r"\bsample_rate_hz\b", "--sample-rate", text)
    text = re.sub(r'\btime_unit=?"?(\w*)"?', r"--time-unit \1", text)
    text = re.sub(r'\b(unit|sensor)="([^"]*)"', r"--\1 \2", text)
    text = re.sub(r"(^|\bLeave )(unit|sensor|spot)\b(?= must\b| out\b)", r"\1--\2", text)
    return re.sub(r"  +", " ", text)


def zone_words(zone: str) -> str:
    """Return a zone's name in plain words: ``wheel_front_left`` becomes "front left wheel"."""
    parts = zone.split("_")
    if parts[0] == "wheel" and len(parts) > 1:
        parts = [*parts[1:], "wheel"]
    elif parts[:2] == ["shock", "tower"] and len(parts) > 2:
        parts = [*parts[2:], "shock", "tower"]
    elif zone == "battery_hold_down":
        return "battery hold-down"
    return " ".join(parts)


def spot_words(spot: str) -> str:
    """Return where the sensor sat."""
    return "at the centre of the car" if spot == "centre" else f"at the {zone_words(spot)}"


def percent(probability: float) -> str:
    """Return a probability as a whole percentage, with its extremes left open."""
    if not math.isfinite(probability):
        return "unknown"
    share = 100.0 * probability
    if 0.0 <= share < 1.0:
        return "under 1 %"
    if share > 99.0:
        return "over 99 %"
    return f"{share:.0f} %"


def interval(low: float, high: float) -> str:
    """Return an interval of probabilities as whole percentages."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "interval unknown"
    ends = [100.0 * min(max(end, 0.0), 1.0) for end in (low, high)]
    return f"{' to '.join(f'{end:.1f}' if end < 10.0 else f'{end:.0f}' for end in ends)} %"


def join_words(words: Iterable[str]) -> str:
    """Return "a", "a and b", "a, b and c"."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def ranked(result: CheckResult) -> list[ZoneRisk]:
    """Return the zones in the order of the hand check."""
    return sorted(result.zones, key=lambda zone: zone.rank)


def is_blind(result: CheckResult) -> bool:
    """Tell whether the check was made without knowing the car."""
    car = result.car
    nameless = all(order.name == "reference" for order in car.orders)
    return not car.file and not car.zones and car.drivetrain is None and nameless


def verdict_words(result: CheckResult) -> tuple[str, str]:
    """Return the verdict as a headline and one explaining sentence."""
    zones = ranked(result)
    if result.verdict == "inspect_first" and zones:
        first = zones[0]
        alike = [zone for zone in zones if _as_likely_a_wheel(zone, first)]
        if len(alike) > 1:
            together = 1.0 - math.prod(1.0 - zone.probability for zone in alike)
            each = join_words([f"{zone_words(z.zone)} {percent(z.probability)}" for z in alike])
            return (
                f"Inspect first: the wheels, beginning with the {zone_words(first.zone)}",
                f"{percent(together)} probability of a loose fastener at one of them ({each}); "
                "the sound does not tell clearly which. Then go on through the whole list.",
            )
        return (
            f"Inspect first: {zone_words(first.zone)}",
            f"{percent(first.probability)} probability of a loose fastener there "
            f"({interval(first.low, first.high)}). Then go on through the whole list.",
        )
    if result.verdict == "nothing_stood_out":
        return (
            "Nothing stood out in what could be heard",
            "That does not clear the car: a fastener can be loose without a sound. "
            "Check every zone by hand, in the order of the list.",
        )
    return (
        "Cannot tell from this recording",
        "The sound does not let the zones be ranked. "
        + ("Check every zone by hand." if zones else "Check the whole car by hand."),
    )


def _as_likely_a_wheel(zone: ZoneRisk, first: ZoneRisk) -> bool:
    """True for a wheel that is at least half as likely as the wheel that comes first."""
    wheels = zone.zone in WHEEL_ZONES and first.zone in WHEEL_ZONES
    return wheels and zone.heard and zone.probability >= 0.5 * first.probability


def told_before(zones: Sequence[ZoneRisk]) -> dict[str, tuple[str, str]]:
    """Return, by zone, the earlier zone with the same evidence and that with the same advice.

    Names are in plain words, and empty where a zone tells something new.
    """
    before: dict[str, tuple[str, str]] = {}
    first_with: dict[object, str] = {}
    for zone in zones:
        signs = tuple((one.reading, one.file) for one in zone.evidence)
        pair = []
        for thing in (signs, zone.how_to_check):
            pair.append(first_with.get(thing, "") if thing else "")
            first_with.setdefault(thing, zone_words(zone.zone))
        before[zone.zone] = (pair[0], pair[1])
    return before


def history_words(zone: ZoneRisk) -> str:
    """Return what the hand-check history says about a zone; empty where there is none."""
    parts = []
    if zone.history.finds:
        times = "once" if zone.history.finds == 1 else f"{zone.history.finds} times"
        parts.append(f"found loose {times} before")
    if zone.history.runs_since_hand_check is not None:
        runs = zone.history.runs_since_hand_check
        parts.append(f"{runs} run{'' if runs == 1 else 's'} since its last hand check")
    told = [f"History: {join_words(parts)}."] if parts else []
    return " ".join([*told, *(f"{_capital(one.message)}" for one in zone.history.remarks)])


def contribution_words(zone: ZoneRisk) -> str:
    """Return what moved a zone's probability: the usual odds, the log, the sound.

    Empty where that is not known, or where there is nothing but the usual odds.
    """
    moved = zone.contributions
    if moved is None or zone.history.usual is None:
        return ""
    steps = [f"usual for such a zone {percent(zone.history.usual)}"]
    if abs(moved.history) >= LEAST_LOG_RATIO:
        steps.append(f"this car's log {_odds_words(moved.history)}")
    if moved.vibration is not None:
        steps.append(f"the recording {_odds_words(moved.vibration)}")
    if len(steps) == 1:
        return ""
    return f"How it came to {percent(zone.probability)}: {', '.join(steps)}."


def _odds_words(log_ratio: float) -> str:
    """Return what a log ratio does to the odds."""
    if abs(log_ratio) < LEAST_LOG_RATIO:
        return "leaves the odds as they are"
    factor = math.exp(min(abs(log_ratio), 20.0))
    number = f"{factor:.1f}" if factor < 9.95 else number_words(float(f"{factor:.2g}"))
    return f"{'raises' if log_ratio > 0 else 'lowers'} the odds {number}-fold"


def due_words(history: ZoneHistory | KindHistory) -> str:
    """Return when to check again at the latest; empty where that is not known."""
    due = history.recheck_due_in_runs
    if due is None:
        return ""
    return "now" if due <= 0 else f"in {due} run{'' if due == 1 else 's'}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def not_heard(result: CheckResult) -> list[str]:
    """Return, in plain words, the zones that the recordings say nothing about."""
    return [zone_words(zone.zone) for zone in ranked(result) if not zone.heard]


def model_words(result: CheckResult) -> str:
    """Return which model spoke and where its recordings came from."""
    card = result.model
    return (
        f"{card.name} {card.version}, {ORIGIN_WORDS[card.trained_on]}"
        f" ({card.n_takes} recording{'' if card.n_takes == 1 else 's'})"
    )


def take_words(checked: CheckedTake) -> str:
    """Return one line on a recording."""
    take = checked.take
    sensor = "microphone" if take.sensor == "microphone" else "accelerometer"
    return (
        f"{sensor} {spot_words(take.spot)}, {take.duration_s:.1f} s, "
        f"{number_words(take.sample_rate_hz)} samples per second"
    )


def remarks(result: CheckResult) -> list[tuple[str, str]]:
    """Return what limits the trust in a result, as pairs of a short label and the sentences.

    The notes that the analysis wrote come last; those that only repeat a remark are left out.
    """
    said: list[tuple[str, str]] = []
    repeated = []
    if is_blind(result):
        said.append(("Heard without a car file.", BLIND_REMARK))
        repeated.append(NO_ZONES_NOTE)
    if result.unfamiliar.is_unfamiliar:
        said.append(("Unfamiliar sound.", UNFAMILIAR_REMARK))
        repeated.append(UNFAMILIAR_NOTE)
    return said + [("", n) for n in result.notes if n not in repeated]


def number_words(value: float) -> str:
    """Return a number of at most four significant digits, thousands set apart."""
    if not math.isfinite(value):
        return "unknown"
    if abs(value) >= 1000.0:
        return f"{value:,.0f}".replace(",", " ")
    return f"{value:.3g}"


def speed_words(checked: CheckedTake) -> str:
    """Return the span of speeds of one recording."""
    speed = checked.speed
    if speed is None or not bool(speed.running.any()):
        return "No turning shaft was found in this recording."
    top = float(speed.rpm.max())
    lowest = float(speed.rpm[speed.running].min())
    words = (
        f"The {speed.shaft} shaft ran between {number_words(round(lowest, -1))} and "
        f"{number_words(round(top, -1))} turns per minute."
    )
    ambiguity = speed.order_ambiguity
    told = {finding.message for finding in checked.quality.findings}
    if ambiguity is not None and not ambiguity.resolved and ambiguity.message not in told:
        words += f" {ambiguity.message}"
    return words
