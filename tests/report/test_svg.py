"""The picture kit: ticks, decimation that loses no peak, escaping, embedded images."""

from __future__ import annotations

import base64
import io
import math
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image

from vibecheck.report.svg import (
    BLUE,
    INK,
    ORANGE,
    SOFT,
    TEXT,
    WIDTH,
    Axes,
    level_index,
    level_palette,
    linear_ticks,
    log_ticks,
    min_max_decimate,
    png_data_uri,
    tick_words,
)


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.1 (the definition under "relative luminance")."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize("colour", [INK, SOFT, BLUE, ORANGE])
def test_text_stands_out_from_white(colour):
    """WCAG 2.1, 1.4.3: at least 4.5 : 1."""
    assert 1.05 / (luminance(colour) + 0.05) >= 4.5


def test_text_is_twelve_pixels_on_a_phone():
    assert TEXT * (412 - 2 * 12) / WIDTH >= 12.0


def test_the_palette_goes_from_light_to_dark_without_turning_back():
    palette = np.array(level_palette()).reshape(-1, 3)
    light = [luminance("#" + "".join(f"{c:02x}" for c in rgb)) for rgb in palette]
    assert light[0] == pytest.approx(1.0)
    assert light[-1] < 0.01
    assert all(a > b for a, b in pairwise(light))


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6))
def test_linear_ticks_are_round_and_inside(low, span):
    ticks = linear_ticks(low, low + span)
    slack = 1e-6 * (span + abs(low))
    assert all(low - slack <= tick <= low + span + slack for tick in ticks)
    assert 2 <= len(ticks) <= 8
    steps = np.diff(ticks)
    assert np.allclose(steps, steps[0], rtol=1e-3, atol=1e-9 * max(1.0, abs(low)))


@given(st.floats(1e-3, 1e4), st.floats(4.0, 1e5))
def test_log_ticks_are_inside(low, ratio):
    ticks = log_ticks(low, low * ratio)
    assert all(low * 0.998 <= tick <= low * ratio * 1.002 for tick in ticks)
    assert ticks == sorted(ticks)
    assert 1 <= len(ticks) <= 7


@pytest.mark.parametrize(
    ("value", "words"), [(20000, "20k"), (0.5, "0.5"), (-40, "−40"), (0.0, "0"), (1500, "1.5k")]
)
def test_tick_words(value, words):
    assert tick_words(value) == words


@given(hnp.arrays(np.float64, st.integers(1, 3000), elements=st.floats(-1e3, 1e3)))
def test_decimation_keeps_every_extreme(y):
    x = np.arange(y.size, dtype=float)
    kept_x, kept_y = min_max_decimate(x, y, 100)
    assert kept_x.size <= max(200, min(y.size, 200))
    assert kept_y.max() == y.max()
    assert kept_y.min() == y.min()
    assert np.all(np.diff(kept_x) > 0)
    assert np.array_equal(y[kept_x.astype(int)], kept_y)


def test_an_image_comes_back_as_it_went_in():
    index = np.arange(48, dtype=np.uint8).reshape(6, 8)
    uri = png_data_uri(index, level_palette())
    head, data = uri.split(",")
    assert head == "data:image/png;base64"
    image = Image.open(io.BytesIO(base64.b64decode(data)))
    assert image.mode == "P"
    assert image.size == (8, 6)
    assert np.array_equal(np.asarray(image), index)
    assert image.getpalette()[: 3 * 48] == level_palette()


def test_level_index_runs_from_quiet_to_loud():
    levels = np.array([-np.inf, -60.0, -30.0, 0.0, 10.0, np.nan])
    assert level_index(levels, -60.0, 0.0).tolist() == [0, 0, 24, 47, 47, 0]


def drawn(axes: Axes) -> ET.Element:
    return ET.fromstring(axes.svg())


def test_a_picture_is_well_formed_and_escaped():
    axes = Axes((0.0, 1.0), (0.0, 1.0), "x<script>", 'y "&"', "<b>title</b>")
    axes.text(10, 10, "</svg><script>alert(1)</script>")
    axes.curve(np.array([0.0, 0.5, 1.0]), np.array([0.0, np.nan, 1.0]))
    axes.frame([0.0, 1.0], [0.0, 1.0])
    root = drawn(axes)
    assert root.attrib["aria-label"] == "<b>title</b>"
    assert [e.tag for e in root.iter("script")] == []


def test_a_curve_breaks_where_there_is_nothing():
    axes = Axes((0.0, 9.0), (0.0, 1.0), "", "", "")
    y = np.array([0.1, 0.2, np.nan, 0.4, 0.5, np.inf, 0.7, 0.8, 0.9, 1.0])
    axes.curve(np.arange(10.0), y)
    (path,) = drawn(axes).iter("path")
    assert path.attrib["d"].count("M") == 3


def test_a_curve_of_nothing_draws_nothing():
    axes = Axes((0.0, 9.0), (0.0, 1.0), "", "", "")
    axes.curve(np.arange(3.0), np.full(3, np.nan))
    assert axes.parts == []


def test_places_follow_the_scales():
    axes = Axes((1.0, 100.0), (0.0, 10.0), "", "", "", x_scale="log")
    left, top, width, height = axes.box
    assert axes.x(10.0) == pytest.approx(left + width / 2)
    assert axes.y(5.0) == pytest.approx(top + height / 2)
    many = axes._x_all(np.array([1.0, 10.0, 100.0, -1.0]))
    assert many[:3] == pytest.approx([axes.x(v) for v in (1.0, 10.0, 100.0)])
    assert math.isnan(many[3])
