"""The shipped model: it loads, says what it is, and its page is the one made with it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from vibecheck.car.profile import Car
from vibecheck.car.zones import ZONE_NAMES, Zone
from vibecheck.features.catalogue import CATALOGUE, CATALOGUE_VERSION, NAMES
from vibecheck.features.vector import FeatureVector
from vibecheck.model.assessment import TakeEvidence
from vibecheck.model.looseness import LoosenessModel
from vibecheck.model.store import content_hash, load_model, load_skops, model_to_arrays

ROOT = Path(__file__).resolve().parents[2]
CAR = Car("Any", "4wd", None, (), tuple(Zone(name) for name in ZONE_NAMES))


@pytest.fixture(scope="module")
def model() -> LoosenessModel:
    return load_model()


def usual(model: LoosenessModel, **moved: float) -> FeatureVector:
    """The centre of the training set's snug takes, with some features moved by so many spreads."""
    population = model.populations["microphone"]
    values = np.array(population.centre)
    for name, spreads in moved.items():
        place = NAMES.index(name)
        values[place] += spreads * population.scale[place]
    return FeatureVector(NAMES, values, np.zeros(len(NAMES), dtype=bool), CATALOGUE_VERSION)


def test_it_says_what_it_is(model: LoosenessModel) -> None:
    assert model.card.trained_on == "simulated"
    assert model.card.n_takes > 1000
    assert len(model.about["limits"]) >= 5
    assert len(model.about["data_sha256"]) == 64
    assert {key.sensor for key in model.heads} <= {"microphone", "accelerometer"}


def test_its_page_and_figures_are_those_of_the_file(model: LoosenessModel) -> None:
    digest = content_hash(model_to_arrays(model))
    facts = json.loads((ROOT / "models" / "metrics.json").read_text(encoding="utf-8"))
    assert facts["content_hash"] == digest
    page = (ROOT / "models" / "README.md").read_text(encoding="utf-8")
    assert digest in page
    assert "simulated" in page


def test_both_forms_hold_the_same(model: LoosenessModel) -> None:
    other = load_skops(ROOT / "models" / "looseness.skops")
    assert content_hash(model_to_arrays(other)) == content_hash(model_to_arrays(model))


def test_a_usual_take_raises_no_zone(model: LoosenessModel) -> None:
    assessment = model.assess([TakeEvidence(usual(model))], CAR)
    assert not assessment.unfamiliar.is_unfamiliar
    assert assessment.any_loose_log_ratio is not None
    assert assessment.any_loose_log_ratio < 0.0
    for odds in assessment.zones:
        assert odds.log_ratio < 1.0


def test_knocks_in_the_body_sound_speak_for_the_wheels(model: LoosenessModel) -> None:
    """Physics: a wheel with play strikes its stops, so the low and middle bands turn peaked."""
    impact = {spec.name: 4.0 for spec in CATALOGUE if spec.name.startswith("peakiness_mid")}
    knocking = usual(model, **impact, peakiness_low_running=4.0, rattle_share_run_up=3.0)
    quiet = model.assess([TakeEvidence(usual(model))], CAR)
    loud = model.assess([TakeEvidence(knocking)], CAR)
    wheel = [odds.zone for odds in loud.zones].index("wheel_front_left")
    assert loud.zones[wheel].log_ratio > quiet.zones[wheel].log_ratio + 1.0
    assert any(line.feature.startswith("peakiness") for line in loud.zones[wheel].evidence)


def test_zones_without_skill_on_held_out_cars_are_not_heard(model: LoosenessModel) -> None:
    by_zone = {odds.zone: odds for odds in model.assess([TakeEvidence(usual(model))], CAR).zones}
    for zone in ("driveline", "steering", "battery_hold_down"):
        assert not by_zone[zone].heard
        assert by_zone[zone].log_ratio == 0.0
