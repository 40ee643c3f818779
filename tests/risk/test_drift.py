"""Which features are charted, and how rarely some chart signals by chance."""

from __future__ import annotations

import math

import pytest

from vibecheck.features.catalogue import BY_NAME
from vibecheck.risk.drift import FEATURE_WORDS, KEY_FEATURES, signals_by_chance


def test_key_features_are_in_the_catalogue_and_in_words() -> None:
    assert set(KEY_FEATURES) <= set(BY_NAME)
    assert set(FEATURE_WORDS) == set(KEY_FEATURES)


def test_each_group_of_zones_has_a_key_feature() -> None:
    for zone in ("wheel_front_left", "motor_mount", "gear_mesh", "driveline", "chassis_screws"):
        assert any(BY_NAME[name].speaks_about(zone) for name in KEY_FEATURES)


def test_rates_of_chance_signals_add() -> None:
    # By hand: eight charts of 500: one in 62.5.
    assert signals_by_chance(8, 500.0) == pytest.approx(62.5)
    assert signals_by_chance(0, 500.0) == math.inf
