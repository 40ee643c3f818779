"""Every computed public quantity has an outside check or a stated reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pytest
from numpy.typing import NDArray
from outside_quantities import COMPUTING, NOT_COMPUTING, covered, holds_number, parts, quantities
from outside_reasons import REASON_OF, REASONS
from outside_registry import CHECKS

from vibecheck.car.drivetrain import BearingRates

PATTERNS = {name for one in CHECKS for name in one.quantity}


def test_every_part_is_walked_or_says_why_not() -> None:
    assert parts() == COMPUTING | set(NOT_COMPUTING)
    assert not COMPUTING & set(NOT_COMPUTING)


def test_every_quantity_has_a_check_or_a_reason() -> None:
    names = quantities()
    bare = names - covered(names, PATTERNS) - set(REASON_OF)
    assert not bare, (
        "Add an outside check in tests/outside, or the reason why there is none in "
        f"outside_reasons.py, for: {sorted(bare)}"
    )


def test_checks_exercise_what_exists() -> None:
    names = quantities()
    assert {pattern for pattern in PATTERNS if not covered(names, {pattern})} == set()


def test_reasons_are_needed_and_known() -> None:
    names = quantities()
    assert set(REASON_OF) - names == set(), "gone: take them out of outside_reasons.py"
    both = set(REASON_OF) & covered(names, PATTERNS)
    assert both == set(), "checked by now: take them out of outside_reasons.py"
    assert set(REASON_OF.values()) == set(REASONS)


@dataclass(frozen=True)
class Plain:
    words: str
    yes: bool


@pytest.mark.parametrize(
    ("hint", "number"),
    [
        (float, True),
        (int | None, True),
        (tuple[str, float], True),
        (list[NDArray[np.float32]], True),
        (NDArray[Any], True),
        (BearingRates, True),
        (NDArray[np.bool_], False),
        (NDArray[np.str_], False),
        (bool, False),
        (str, False),
        (None, False),
        (Literal["a", "b"], False),
        (Plain, False),
        (dict[str, str], False),
    ],
)
def test_what_counts_as_a_number(hint: Any, number: bool) -> None:
    assert holds_number(hint) is number


def test_the_walk_sees_functions_methods_and_features() -> None:
    names = quantities()
    for name in (
        "vibecheck.dsp.statistics.kurtosis",
        "vibecheck.dsp.angular.PhaseTrack.revolutions",
        "vibecheck.dsp.tracking_refine.overlap_variance",
        "vibecheck.simulator.elements.slip_1d",
        "feature:peakiness_worst",
    ):
        assert name in names
    assert "vibecheck.risk.log.is_find" not in names


def test_a_function_belongs_to_the_module_that_defines_it() -> None:
    assert "vibecheck.dsp.windows.hann" in quantities()
    assert "vibecheck.dsp.spectrum.hann" not in quantities()


def test_a_new_public_number_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    def new_number() -> float:
        return 1.0

    new_number.__module__ = "vibecheck.units"
    monkeypatch.setattr("vibecheck.units.new_number", new_number, raising=False)
    names = quantities.__wrapped__()
    assert names - quantities() == {"vibecheck.units.new_number"}
    assert not covered(names, PATTERNS) & {"vibecheck.units.new_number"}
