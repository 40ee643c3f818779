"""The catalogue is complete, documented, and its page is up to date."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from vibecheck.car.zones import ZONE_NAMES
from vibecheck.features.catalogue import BY_NAME, CATALOGUE, NAMES
from vibecheck.features.reference import SIGNS, reference_page
from vibecheck.features.spec import WHEELS, FeatureSpec

ROOT = Path(__file__).resolve().parents[2]
FORBIDDEN = ("ok", "pass", "safe", "healthy", "all clear", "fine", "good")


def test_names_are_unique_and_every_sign_is_there() -> None:
    assert len(set(NAMES)) == len(NAMES) == len(BY_NAME)
    assert {spec.sign for spec in CATALOGUE} == set(SIGNS)


@pytest.mark.parametrize("spec", CATALOGUE, ids=lambda spec: spec.name)
def test_every_entry_is_documented(spec: FeatureSpec) -> None:
    for text in (spec.unit, spec.formula, spec.raised_by, spec.source):
        assert text.strip()
    assert spec.zones
    assert set(spec.zones) <= {*ZONE_NAMES, WHEELS}
    assert math.isfinite(spec.neutral)
    for high in (True, False):
        sentence = spec.reading(1.25, high=high)
        assert "{" not in sentence
        assert sentence.endswith((".", ")"))
        words = sentence.lower().replace(".", " ").replace(",", " ").split()
        assert not set(FORBIDDEN) & set(words), "a reading never clears a car"


def test_readings_carry_the_value() -> None:
    for spec in CATALOGUE:
        assert "{value" in spec.reading_high
        assert "{value" in spec.reading_low


def test_speaks_about_wheels_as_a_group() -> None:
    spec = BY_NAME["envelope_wheel_1"]
    assert spec.speaks_about("wheel_front_left")
    assert spec.speaks_about("wheel_rear_right")
    assert not spec.speaks_about("gear_mesh")


def test_the_reference_page_is_up_to_date() -> None:
    page = (ROOT / "docs" / "features.md").read_text(encoding="utf-8")
    assert page == reference_page(), "run: python scripts/make_feature_reference.py"
    for name in NAMES:
        assert f"### `{name}`" in page


def test_a_direction_is_stated_as_data() -> None:
    assert {spec.direction for spec in CATALOGUE} == {-1, 0, 1}
    assert BY_NAME["burst_share"].direction == 1
    assert BY_NAME["rattle_onset_run_up"].direction == -1  # rattle from a lower speed on
    assert BY_NAME["line_wheel_1"].direction == 0  # unbalance first of all
