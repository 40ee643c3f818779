"""The plain line format of sensor boards: what is read, what is passed over, and how time runs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.capture.board_clock import WRAP, BoardClock, lost_lines, unit_by_arrival
from vibecheck.capture.line_format import (
    LONGEST_LINE,
    LONGEST_SHOWN,
    LineReader,
    layout_of_header,
    layout_without_header,
    numbers_of,
)
from vibecheck.errors import InputError


@pytest.mark.parametrize(
    ("line", "time_unit", "axes", "unit"),
    [
        ("t_us,x_g,y_g,z_g", "us", ("x", "y", "z"), "g"),
        ("# time (ms); acc x (mg); acc y (mg); acc z (mg)", "ms", ("x", "y", "z"), "mg"),
        ("time_s\tax\tay\taz", "s", ("x", "y", "z"), None),
        ("micros x y z", "us", ("x", "y", "z"), None),
        ("x,y,z", None, ("x", "y", "z"), None),
        ("ms,acceleration (m/s^2)", "ms", ("signal",), "m/s^2"),
        ("index,t_us,z_g", "us", ("z",), "g"),
    ],
)
def test_a_header_names_columns_and_units(
    line: str, time_unit: str | None, axes: tuple[str, ...], unit: str | None
) -> None:
    layout = layout_of_header(line)
    assert layout is not None
    assert (layout.time_unit, layout.axes, layout.unit) == (time_unit, axes, unit)
    assert (layout.time is None) == ("t" not in line.split("x")[0] and time_unit is None)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "#",
        "ready",
        "sensor found",
        "x,y,z,x",
        "1,2,3",
        "x,1,2",
        "# 100 samples",
        "t_us,time_s,x",
    ],
)
def test_other_lines_are_no_header(line: str) -> None:
    assert layout_of_header(line) is None


@pytest.mark.parametrize(
    ("line", "numbers"),
    [
        ("1,2,3", (1.0, 2.0, 3.0)),
        ("1;2;3;", (1.0, 2.0, 3.0)),
        (" 120034\t-0.5\t.25\t1. ", (120034.0, -0.5, 0.25, 1.0)),
        ("  1   -2  +3e-1", (1.0, -2.0, 0.3)),
        ("x:0.12,y:-0.03,z:0.99", (0.12, -0.03, 0.99)),
        ("ax=1 ay=2 az=3", (1.0, 2.0, 3.0)),
        ("1,,3", None),
        ("1,5;2,5", None),
        ("1,nan,3", None),
        ("1,inf,3", None),
        ("1,1e999,3", None),
        ("1,0x10,3", None),
        ("1_000,2", None),
        ("٣,2", None),
        ("", None),
    ],
)
def test_numbers_are_read_strictly(line: str, numbers: tuple[float, ...] | None) -> None:
    assert numbers_of(line) == numbers


def test_numbers_without_a_header_have_a_usual_meaning() -> None:
    four = layout_without_header(4)
    assert four is not None
    assert (four.time, four.axes, four.cells) == (0, ("x", "y", "z"), (1, 2, 3))
    three, two, one = (layout_without_header(n) for n in (3, 2, 1))
    assert three is not None
    assert two is not None
    assert one is not None
    assert (three.time, two.time, one.time) == (None, 0, None)
    assert two.axes == one.axes == ("signal",)
    assert layout_without_header(5) is None


def read(data: bytes, size: int, *, from_the_middle: bool = False) -> LineReader:
    reader = LineReader(from_the_middle=from_the_middle)
    for first in range(0, len(data), size):
        reader.feed(data[first : first + size])
    return reader


BOOT = b"\xff\x00boot v1.2\r\nsensor ok\r\n# fine\r\n\r\n"
ROWS = [(float(312 * n), 0.25 * n, -0.5, 1.0) for n in range(20)]


@given(
    st.sampled_from([b"\n", b"\r\n", b"\r"]),
    st.sampled_from([b",", b";", b"\t", b" ", b", "]),
    st.booleans(),
    st.integers(1, 50),
)
def test_any_cut_of_the_bytes_gives_the_same_rows(
    end: bytes, between: bytes, header: bool, size: int
) -> None:
    lines = [between.join(f"{number:g}".encode() for number in row) for row in ROWS]
    data = BOOT + (between.join([b"t_us", b"x", b"y", b"z"]) + end if header else b"")
    data += end.join(lines) + end
    reader = LineReader(from_the_middle=False)
    rows = [row for k in range(0, len(data), size) for row in reader.feed(data[k : k + size])]
    rows += reader.end()
    assert rows == ROWS
    assert reader.garbage == 2
    assert reader.headers == header
    assert reader.layout is not None
    assert reader.layout.time_unit == ("us" if header else None)


@given(st.lists(st.binary(max_size=80), max_size=30))
def test_no_bytes_whatsoever_break_the_reader(parts: list[bytes]) -> None:
    reader = LineReader(from_the_middle=True)
    for part in parts:
        for row in reader.feed(part):
            assert reader.layout is not None
            assert len(row) == reader.layout.n_cells
            assert np.isfinite(row).all()
    reader.end()
    assert len(reader.last_garbage) <= LONGEST_SHOWN
    assert reader.last_garbage.isprintable()
    assert len(reader._rest) <= LONGEST_LINE


def test_the_first_line_may_have_lost_its_beginning() -> None:
    data = b"34,1,2,3\n1234,1,2,3\n2234,1,2,3\n"
    live = LineReader(from_the_middle=True)
    assert live.feed(data) == [(1234.0, 1.0, 2.0, 3.0), (2234.0, 1.0, 2.0, 3.0)]
    assert live.garbage == 0
    assert len(LineReader(from_the_middle=False).feed(data)) == 3


def test_damaged_lines_are_counted_and_shown() -> None:
    reader = LineReader(from_the_middle=False)
    rows = reader.feed(b"1,2,3,4\n1,2,3\n1,2;3,4\n\x80\x81,2\n2,2,3,4\nfault \x1b[31m7\n")
    assert len(rows) == 2
    assert reader.garbage == 4
    assert reader.last_garbage == "fault ?[31m7"
    reader.feed(b"9" * 10_000)
    assert reader.garbage > 4
    assert reader.feed(b"9,1\n3,2,3,4\n") == [(3.0, 2.0, 3.0, 4.0)]


def test_a_last_line_without_an_end_counts_in_a_file() -> None:
    reader = LineReader(from_the_middle=False)
    assert reader.feed(b"1,2,3\n4,5,6") == [(1.0, 2.0, 3.0)]
    assert reader.end() == [(4.0, 5.0, 6.0)]
    assert reader.end() == []


def clocked(stamps: list[float], tick_s: float = 1e-6) -> tuple[list[float], list[str]]:
    clock = BoardClock(tick_s)
    times, seen = [], []
    for stamp in stamps:
        seen.append(clock.see(stamp))
        if seen[-1] == "good":
            times.append(clock.time_s)
    return times, seen


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 500_000), max_size=50))
def test_a_counter_of_32_bits_may_wrap_anywhere(first: int, steps: list[int]) -> None:
    true = first + np.cumsum([0, *steps])
    times, seen = clocked([float(stamp % 2**32) for stamp in true])
    assert set(seen) == {"good"}
    np.testing.assert_allclose(times, (true - first) * 1e-6, rtol=0, atol=1e-9)


def test_a_counter_of_64_bits_goes_on() -> None:
    times, seen = clocked([WRAP - 1e5, WRAP + 1e5, WRAP + 3e5])
    assert seen == ["good"] * 3
    assert times == pytest.approx([0.0, 0.2, 0.4])


def test_one_damaged_stamp_is_left_out() -> None:
    for damaged in (9e9, 5.0, 123_000_000_000.0):
        _, seen = clocked([1e6, 1.1e6, damaged, 1.2e6, 1.3e6])
        assert seen == ["good", "good", "odd", "good", "good"]


def test_a_hole_is_believed_once_it_goes_on() -> None:
    times, seen = clocked([1e6, 1.1e6, 9.0e6, 9.1e6, 9.2e6, 9.3e6])
    assert seen == ["good", "good", "odd", "odd", "good", "good"]
    assert times == pytest.approx([0.0, 0.1, 8.2, 8.3])


def test_a_board_that_began_anew_is_noticed() -> None:
    _, seen = clocked([50e6, 50.1e6, 0.0, 1e3, 2e3])
    assert seen[-1] == "restart"


@pytest.mark.parametrize(
    ("ticks", "unit"), [(3.1, "s"), (2_900.0, "ms"), (3.3e6, "us"), (3e9, "ns")]
)
def test_the_wall_clock_tells_the_unit(ticks: float, unit: str) -> None:
    assert unit_by_arrival(ticks, 3.0) == unit


@pytest.mark.parametrize("ticks", [0.0, -5.0, 100.0])
def test_a_time_of_no_known_unit_is_asked_for(ticks: float) -> None:
    with pytest.raises(InputError, match="--time-unit"):
        unit_by_arrival(ticks, 3.0)


def even(rate_hz: float, n: int = 6_400) -> np.ndarray:
    return np.arange(n) / rate_hz


def test_lost_lines_are_counted_by_the_boards_time() -> None:
    time_s = even(3200.0)
    assert lost_lines(time_s) == (0, 0)
    jitter = 30e-6 * np.random.default_rng(1).standard_normal(time_s.size)
    assert lost_lines(np.maximum.accumulate(time_s + jitter)) == (0, 0)
    assert lost_lines(np.delete(time_s, [100, 2000, 2001, 2002])) == (2, 4)


@pytest.mark.parametrize("rate_hz", [952.0, 1000.0, 3200.0])
def test_whole_milliseconds_are_no_gaps_but_holes_are(rate_hz: float) -> None:
    stamps = np.floor(even(rate_hz) * 1e3) * 1e-3
    assert lost_lines(stamps, 1e-3) == (0, 0)
    places, lines = lost_lines(np.delete(stamps, slice(3000, 3100)), 1e-3)
    assert places == 1
    assert lines == pytest.approx(100, rel=0.1)


def test_lines_stamped_in_batches_are_no_gaps() -> None:
    time_s = even(3200.0)
    batched = time_s[::32].repeat(32) + np.tile(np.arange(32) * 5e-6, 200)
    assert lost_lines(batched, 1e-6) == (0, 0)


def test_too_little_time_says_nothing() -> None:
    assert lost_lines(np.zeros(0)) == (0, 0)
    assert lost_lines(np.ones(50)) == (0, 0)
