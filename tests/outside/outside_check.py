"""One outside check: a value that somebody else published or computed, and ours beside it."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

STATUS_WORDS = ("published", "from memory", "recomputed", "common practice")
"""What an outside value is worth.

``published``: read in a public copy of the source; ``from memory``: the source was not opened;
``recomputed``: worked out again by another formula or another library; ``common practice``: no
source.
"""

Number = float | Sequence[float]


@dataclass(frozen=True)
class Other:
    """Another value printed for the same thing."""

    value: float
    source: str


@dataclass(frozen=True)
class Check:
    """One outside check.

    Attributes
    ----------
    key : str
        Its name, unique over all checks.
    quantity : tuple of str
        Dotted names of the functions, methods or properties that it exercises. A name that begins
        with ``feature:`` is a pattern over the names of the feature catalogue.
    what : str
        What is compared, in words, with the unit.
    source : str
    status : tuple of str
        Some of `STATUS_WORDS`.
    expected : tuple of float
        Empty where a test of the suite holds the values (``held_by``).
    ours : callable, optional
        Gives our values, as many as expected.
    tolerance : float
        Largest difference allowed; a share of the expected value where ``relative``.
    also_printed : tuple of Other
        Values that differ from ``expected``, printed elsewhere for the same thing.
    held_by : tuple of str
        Test ids (``tests/….py::name``) that hold further values of the same row.
    """

    key: str
    quantity: tuple[str, ...]
    what: str
    source: str
    status: tuple[str, ...]
    expected: tuple[float, ...] = ()
    ours: Callable[[], Number] | None = None
    tolerance: float = 0.0
    relative: bool = False
    also_printed: tuple[Other, ...] = ()
    held_by: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        unknown = set(self.status) - set(STATUS_WORDS)
        if unknown or not self.status:
            raise ValueError(f"{self.key}: status must be some of {STATUS_WORDS}, got {unknown}.")
        if (self.ours is None) != (not self.expected):
            raise ValueError(f"{self.key}: expected and ours belong together.")
        if self.ours is None and not self.held_by:
            raise ValueError(f"{self.key}: it needs a value of ours or a test that holds it.")
        if self.ours is not None and not self.tolerance > 0.0:
            raise ValueError(f"{self.key}: it needs a tolerance.")

    @functools.cache  # noqa: B019, checks live as long as the program
    def values(self) -> tuple[float, ...]:
        """Return our values."""
        if self.ours is None:
            return ()
        found = self.ours()
        return tuple(float(v) for v in found) if isinstance(found, Sequence) else (float(found),)

    def allowed(self, expected: float) -> float:
        """Return the largest difference allowed from one expected value."""
        return self.tolerance * abs(expected) if self.relative else self.tolerance

    def tolerance_words(self) -> str:
        """Return the tolerance as the table prints it."""
        if self.ours is None:
            return "in the test"
        return f"{100.0 * self.tolerance:g} %" if self.relative else f"{self.tolerance:g}"


def check(
    key: str,
    quantity: str | tuple[str, ...],
    what: str,
    source: str,
    status: str,
    expected: Number,
    ours: Callable[[], Number],
    tolerance: float,
    *,
    relative: bool = False,
    also: tuple[Other, ...] = (),
    held_by: tuple[str, ...] = (),
) -> Check:
    """Declare a check with values; ``status`` is written with commas."""
    values = tuple(expected) if isinstance(expected, Sequence) else (expected,)
    return Check(
        key,
        (quantity,) if isinstance(quantity, str) else quantity,
        what,
        source,
        tuple(status.split(", ")),
        tuple(float(v) for v in values),
        ours,
        tolerance,
        relative,
        also,
        held_by,
    )


def held(
    key: str, quantity: str | tuple[str, ...], what: str, source: str, status: str, *tests: str
) -> Check:
    """Declare a check whose values stand in tests of the suite."""
    names = (quantity,) if isinstance(quantity, str) else quantity
    return Check(key, names, what, source, tuple(status.split(", ")), held_by=tests)


def number_words(value: float, allowed: float) -> str:
    """Return a number with one digit more than its tolerance can tell apart."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    digits = 1 if abs(value) <= allowed else math.ceil(math.log10(abs(value) / allowed)) + 1
    return f"{value:.{min(max(digits, 1), 12)}g}"
