"""The owner's words: zones, percentages, intervals, options in advice."""

from __future__ import annotations

import math

import pytest
from builders import make_result

from vibecheck.advice import NO_ZONES_NOTE, UNFAMILIAR_NOTE
from vibecheck.car.profile import Car
from vibecheck.car.zones import ZONE_NAMES
from vibecheck.report import words
from vibecheck.result import Unfamiliar, Vibration, ZoneHistory


@pytest.mark.parametrize(
    ("zone", "plain"),
    [
        ("wheel_front_left", "front left wheel"),
        ("shock_tower_rear", "rear shock tower"),
        ("battery_hold_down", "battery hold-down"),
        ("gear_mesh", "gear mesh"),
        ("wing", "wing"),
    ],
)
def test_zone_words(zone, plain):
    assert words.zone_words(zone) == plain


def test_every_zone_has_its_own_words():
    plain = [words.zone_words(zone) for zone in ZONE_NAMES]
    assert len(set(plain)) == len(ZONE_NAMES)
    assert not any("_" in name for name in plain)


@pytest.mark.parametrize(
    ("probability", "plain"),
    [
        (0.0, "under 1 %"),
        (0.004, "under 1 %"),
        (0.01, "1 %"),
        (0.72, "72 %"),
        (0.995, "over 99 %"),
        (float("nan"), "unknown"),
    ],
)
def test_percent_leaves_the_extremes_open(probability, plain):
    """Never 0 % or 100 %: neither can be known from sound."""
    assert words.percent(probability) == plain


def test_interval():
    assert words.interval(0.432, 0.94) == "43 to 94 %"
    assert words.interval(-0.1, 0.05) == "0.0 to 5.0 %"
    assert words.interval(float("nan"), 0.5) == "interval unknown"


def test_join_words():
    assert words.join_words([]) == ""
    assert words.join_words(["a"]) == "a"
    assert words.join_words(["a", "b", "c"]) == "a, b and c"


@pytest.mark.parametrize(
    ("advice", "plain"),
    [
        (
            'Give sample_rate_hz, or name it with columns={"rate": ...}.',
            "Give --sample-rate, or name it with --columns rate=NAME.",
        ),
        (
            'Name them, for example columns={"time": "t", "x": "a b"}.',
            "Name them, for example --columns time=t --columns x=a b.",
        ),
        (
            'Say which are which, for example columns={"time": 1, "x": 2}.',
            "Say which are which, for example --columns time=1 --columns x=2.",
        ),
        ('Give time_unit="s", "ms", "us" or "ns".', 'Give --time-unit s, "ms", "us" or "ns".'),
        ('Say it with unit="g" (or the right one).', "Say it with --unit g (or the right one)."),
        (
            'Give sensor="microphone" or "accelerometer".',
            'Give --sensor microphone or "accelerometer".',
        ),
        ("Leave unit out; it is not needed.", "Leave --unit out; it is not needed."),
        ("unit must be one of g, mg.", "--unit must be one of g, mg."),
        ("The unit of this file is g.", "The unit of this file is g."),
        ("Record longer.", "Record longer."),
    ],
)
def test_advice_names_the_options_of_the_program(advice, plain):
    assert words.as_options(advice) == plain


def test_remarks_do_not_repeat_the_notes():
    blind = Car("unknown machine", None, None, (), shaft="reference")
    notes = (NO_ZONES_NOTE, UNFAMILIAR_NOTE, "Something else.")
    result = make_result(
        car=blind, zones=(), notes=notes, unfamiliar=Unfamiliar(9, 3, True), duration_s=1.0
    )
    labels = [label for label, _ in words.remarks(result)]
    assert labels == ["Heard without a car file.", "Unfamiliar sound.", ""]
    assert words.remarks(result)[-1][1] == "Something else."
    known = make_result(notes=notes, duration_s=1.0)
    assert [text for _, text in words.remarks(known)] == list(notes)


def test_history_words():
    zone = make_result(duration_s=1.0).zones[0]
    from dataclasses import replace

    def told(*values):
        return words.history_words(replace(zone, history=ZoneHistory(*values)))

    assert told(0.1, None, 0) == ""
    assert told(0.1, 1, 2) == (
        "History: found loose 2 times before and 1 run since its last hand check."
    )
    assert told(0.1, None, 1) == "History: found loose once before."


def test_history_remarks_follow_in_whole_sentences():
    zone = make_result(duration_s=1.0).zones[0]
    assert words.history_words(zone).endswith(
        "Wheel nut: found 3 times in 12 runs. Look for the cause."
    )


def test_what_history_and_what_the_recording_did_is_told_apart():
    from dataclasses import replace

    zone = make_result(duration_s=1.0).zones[0]
    known = replace(
        zone,
        probability=0.5,
        history=ZoneHistory(0.2, usual=0.1),
        vibration=Vibration(math.log(4.0), 0.0, 2.0),
    )
    # By hand: odds 1/9 become 1/4, 2.25 as much; then 1/4 times 4 is even.
    assert words.contribution_words(known) == (
        "How it came to 50 %: usual for such a zone 10 %, this car's log raises the odds "
        "2.2-fold, the recording raises the odds 4.0-fold."
    )
    against = replace(known, probability=0.1, vibration=Vibration(-math.log(25.0), -4.0, -3.0))
    assert "the recording lowers the odds 25-fold" in words.contribution_words(against)
    silent = replace(known, history=ZoneHistory(0.1, usual=0.1), vibration=None)
    assert words.contribution_words(silent) == ""
    assert words.contribution_words(replace(known, history=ZoneHistory(0.2))) == ""


def test_when_to_check_again():
    assert words.due_words(ZoneHistory(0.1)) == ""
    assert words.due_words(ZoneHistory(0.1, recheck_due_in_runs=0)) == "now"
    assert words.due_words(ZoneHistory(0.1, recheck_due_in_runs=1)) == "in 1 run"
    assert words.due_words(ZoneHistory(0.1, recheck_due_in_runs=4)) == "in 4 runs"


def test_an_ambiguous_speed_is_said_once():
    from dataclasses import replace

    from vibecheck.findings import Finding, QualityReport
    from vibecheck.track import OrderAmbiguity

    checked = make_result(duration_s=2.0).takes[0]
    assert checked.speed is not None
    assert words.speed_words(checked) == (
        "The motor shaft ran between 1 200 and 18 000 turns per minute."
    )
    doubt = OrderAmbiguity(2.0, 0.1, False, "It may turn twice as fast.")
    unsure = replace(checked, speed=replace(checked.speed, order_ambiguity=doubt))
    assert words.speed_words(unsure).endswith("per minute. It may turn twice as fast.")
    found = Finding("speed_ambiguous", doubt.message, "Check the gearing.")
    listed = replace(unsure, quality=QualityReport("limited", (found,)))
    assert words.speed_words(listed).endswith("per minute.")


def test_numbers():
    assert words.number_words(18000.0) == "18 000"
    assert words.number_words(0.19834) == "0.198"
    assert words.number_words(float("inf")) == "unknown"


def test_wheels_that_sound_alike_are_named_together():
    from dataclasses import replace

    result = make_result("inspect_first", duration_s=1.0)
    names = ("wheel_rear_left", "wheel_front_left", "motor_mount")
    zones = tuple(
        replace(result.zones[0], zone=name, probability=p, rank=rank, heard=True)
        for rank, (name, p) in enumerate(zip(names, (0.2, 0.19, 0.05), strict=True), 1)
    )
    head, sentence = words.verdict_words(replace(result, zones=zones))
    assert head == "Inspect first: the wheels, beginning with the rear left wheel"
    # By hand: 1 - 0.8 × 0.81 = 0.352.
    assert sentence.startswith("35 % probability of a loose fastener at one of them")
    assert "rear left wheel 20 %" in sentence
    assert "front left wheel 19 %" in sentence
    assert "motor" not in sentence
    clear = (replace(zones[0], probability=0.6), *zones[1:])
    head, _ = words.verdict_words(replace(result, zones=clear))
    assert head == "Inspect first: rear left wheel"
