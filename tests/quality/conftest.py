"""Clean spin-ups for the quality gate's tests, made once."""

from __future__ import annotations

import pytest
from quality_signals import SpinUp, accelerometer, spin_up


@pytest.fixture(scope="session")
def clean() -> SpinUp:
    """A clean spin-up by microphone."""
    return spin_up(7)


@pytest.fixture(scope="session")
def clean_accelerometer() -> SpinUp:
    """A clean spin-up by accelerometer, with an anti-alias filter."""
    return accelerometer(7)
