"""Readings speak the owner's language."""

from __future__ import annotations

import pytest

from vibecheck.features.catalogue import CATALOGUE


def test_logarithms_are_read_as_the_number_itself() -> None:
    logs = [spec for spec in CATALOGUE if spec.unit.startswith("log2")]
    assert logs
    for spec in logs:
        # 2^5 = 32, by hand.
        assert "32" in spec.reading(5.0, high=False), spec.name
    shares = [spec for spec in CATALOGUE if spec.unit.startswith("log10")]
    assert shares
    for spec in shares:
        # 10^-1 = 0.1, or 10 %.
        assert "10." in spec.reading(-1.0, high=False) or "0.1" in spec.reading(-1.0, high=False)


@pytest.mark.parametrize("high", [True, False])
def test_no_reading_shows_a_formula(high: bool) -> None:
    for spec in CATALOGUE:
        text = spec.reading(1.0, high=high)
        assert "^" not in text, spec.name
        assert "{" not in text, spec.name
        assert text[0].isupper(), spec.name
        assert text.endswith("."), spec.name
