"""What is shown while it records: block letters, counts, and a car at rest."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from vibecheck.capture.script import script_of
from vibecheck.capture.source import Block
from vibecheck.cli.record_big import _GLYPHS, HEIGHT, KNOWN, big_words
from vibecheck.cli.record_screen import Moment, Reading, count_words, lost_words, time_words
from vibecheck.cli.record_take import Gauge, listen_to_room
from vibecheck.errors import InputError


def test_every_letter_is_drawn_on_a_grid() -> None:
    for sign, rows in _GLYPHS.items():
        assert len(rows) == HEIGHT
        assert len({len(row) for row in rows}) == 1, sign
        assert set("".join(rows)) <= {"#", " "}
    assert len(set(_GLYPHS.values())) == len(_GLYPHS) - 1  # only 0 and O look alike


def test_every_word_of_a_script_can_be_drawn() -> None:
    for step in script_of(None).steps:
        assert set(step.big) <= KNOWN
    assert set("MOTOR OFF FASTER 0123456789") <= KNOWN


@pytest.mark.parametrize(
    ("width", "most_lines", "n_lines", "widest"),
    [(130, 5, 5, 122), (80, 5, 5, 61), (46, 11, 11, 29), (46, 5, 1, 11), (20, 40, 1, 11)],
)
def test_words_are_as_large_as_they_fit(
    width: int, most_lines: int, n_lines: int, widest: int
) -> None:
    lines = big_words("MOTOR OFF 4", width, "#", most_lines)
    assert len(lines) == n_lines
    assert max(map(len, lines)) == widest
    assert big_words("?", 80) == ["?"]


def moment(**changes: Any) -> Moment:
    values: dict[str, Any] = {
        "now": None,
        "elapsed_s": 3.2,
        "total_s": 31.0,
        "reading": Reading(-20.0, -10.0, "-20 dB", 0),
        "gaps": 0,
        "dropped": 0,
    }
    return Moment(**(values | changes))


def test_counts_are_words() -> None:
    assert count_words(moment()) == "Cut off: 0   Lost: 0"
    board = moment(reading=Reading(0, 0, ""), gaps=2, dropped=40, garbage=3)
    assert count_words(board) == "Lost: 40 samples in 2 places   Lines not read: 3"
    assert lost_words(1, 0) == "Lost: some samples in 1 place"
    assert time_words(moment()) == "3 of 31 s. Ctrl-C ends it early."
    assert time_words(moment(total_s=None)) == "3 s. Ctrl-C ends it."


class Shaken:
    """A board that gives the same block again and again."""

    sensor = "accelerometer"
    sample_rate_hz = 100.0
    ended: str | None = None

    def __init__(self, block: Any) -> None:
        self._block = block

    def begin(self) -> None:
        pass

    def read(self, timeout_s: float) -> Block | None:
        return None if self._block is None else Block(self._block)


class Blank:
    def room(self, left_s: float, reading: Reading) -> None:
        pass


GRAVITY = np.tile([0.0, 0.0, 9.81], (100, 1))
WAVE = np.sin(np.arange(100.0) / 3.0)[:, np.newaxis]


@pytest.mark.parametrize(
    ("block", "said", "is_quiet", "is_silent"),
    [
        (GRAVITY + 0.01 * WAVE, "at rest", True, False),
        (GRAVITY + 2.0 * WAVE, "Something moves", False, False),
        (GRAVITY, "do not change", False, True),
    ],
)
def test_a_car_at_rest_is_told_from_one_that_moves(
    block: Any, said: str, is_quiet: bool, is_silent: bool
) -> None:
    source: Any = Shaken(block)
    room = listen_to_room(source, Blank())  # type: ignore[arg-type]
    assert said in room.words[0]
    assert (room.is_quiet, room.is_silent) == (is_quiet, is_silent)


def test_a_board_that_goes_away_before_the_take_is_said() -> None:
    source: Any = Shaken(None)
    source.ended = "The board is gone. Was it unplugged?"
    with pytest.raises(InputError, match="unplugged"):
        listen_to_room(source, Blank())  # type: ignore[arg-type]


def test_the_gauge_of_a_board_leaves_gravity_out() -> None:
    source: Any = Shaken(GRAVITY)
    gauge = Gauge(source)
    gauge.take(Block(GRAVITY + np.sqrt(2.0) * WAVE * [0.0, 0.0, 1.0]))
    reading = gauge.reading()
    assert reading.words == f"{float(np.std(np.sqrt(2.0) * WAVE)):.2f} m/s²"
    assert reading.clips is None
