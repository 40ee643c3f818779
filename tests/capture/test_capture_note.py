"""What a recording says of itself: checked when made, read back as it was, taken as a claim."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck import __version__
from vibecheck.capture.note import LONGEST_NOTE, CaptureNote, note_from_json
from vibecheck.errors import InputError

STARTED = datetime(2026, 5, 3, 14, 22, 7, 250_000, tzinfo=timezone(timedelta(hours=2)))


def note(**changes: Any) -> CaptureNote:
    values: dict[str, Any] = {
        "car": "Saltflat 8",
        "spot": "wheel_rear_left",
        "sensor": "microphone",
        "device": "Bench microphone",
        "started": STARTED,
    }
    return CaptureNote(**(values | changes))


def test_a_note_comes_back_as_it_was() -> None:
    made = note(
        automatic_gain=False,
        noise_suppression=True,
        echo_cancellation=None,
        gaps=2,
        dropped_frames=512,
        device="Mikrofon für Möwen, 麦克风",
    )
    assert note_from_json(made.to_json()) == made
    assert made.program_version == __version__
    assert made.title == "Saltflat 8, wheel rear left"


def test_the_note_is_one_line_of_ascii() -> None:
    text = note(device="Mikrofon\nfür\x00Möwen").to_json()
    assert text.isascii()
    assert "\n" not in text
    assert json.loads(text)["device"] == "Mikrofon für Möwen"


@given(st.text(), st.text())
def test_any_name_can_be_carried(car: str, device: str) -> None:
    made = note(car=car, device=device)
    assert len(made.to_json()) <= LONGEST_NOTE
    assert note_from_json(made.to_json()) == made


@pytest.mark.parametrize(
    "changes",
    [
        {"sensor": "camera"},
        {"started": datetime(2026, 5, 3)},
        {"started": "2026-05-03"},
        {"automatic_gain": "off"},
        {"automatic_gain": 0},
        {"gaps": -1},
        {"gaps": True},
        {"dropped_frames": 1.5},
        {"dropped_frames": 2**60},
        {"car": None},
    ],
)
def test_what_cannot_be_is_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=next(iter(changes))):
        note(**changes)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "recorded in the garden",
        "{",
        "[]",
        "{}",
        '{"format":"vibecheck.capture/2"}',
        '{"format":"vibecheck.capture/1","car":"x"}',
        '{"format":"vibecheck.capture/1","car":1,"spot":"centre","sensor":"microphone",'
        '"device":"","started":"2026-05-03T00:00:00+00:00"}',
        "[" * 100_000,
        "{" + " " * LONGEST_NOTE + "}",
    ],
)
def test_another_comment_is_no_note(text: str) -> None:
    assert note_from_json(text) is None


def test_a_key_of_a_later_version_is_passed_over() -> None:
    made = note(started=datetime(2026, 5, 3, tzinfo=UTC))
    values = json.loads(made.to_json()) | {"weather": "fine"}
    assert note_from_json(json.dumps(values)) == made
