"""The stylesheet: contrast of its colours in light and dark, and a rule for every class in use."""

from __future__ import annotations

import re

import pytest

from vibecheck.web.app import STATIC

CSS = (STATIC / "vibecheck.css").read_text("utf-8")


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition "relative luminance")."""
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(2 * one for one in digits)
    parts = [int(digits[k : k + 2], 16) / 255.0 for k in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definition "contrast ratio")."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def tokens(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]+)", block))


LIGHT, DARK, *_ = (tokens(block) for block in re.findall(r":root \{([^}]*)\}", CSS))
PAPER = tokens(CSS[CSS.index("@media print") :])


def test_the_ratio_is_that_of_the_standard() -> None:
    # WCAG 2.2, "contrast ratio": black on white is 21:1.
    assert contrast("#000", "#fff") == pytest.approx(21.0)


@pytest.mark.parametrize("scheme", [LIGHT, DARK, PAPER], ids=["light", "dark", "paper"])
def test_words_are_read_in_the_sun(scheme: dict[str, str]) -> None:
    scheme = {**LIGHT, **scheme}
    for ink in ("ink", "soft", "alarm", "deep"):
        # WCAG 2.2, 1.4.6 (level AAA).
        assert contrast(scheme[ink], scheme["paper"]) >= 7.0, ink
        assert contrast(scheme[ink], scheme["wash"]) >= 6.0, ink
    for frame in ("edge", "rule"):
        # WCAG 2.2, 1.4.11: what shows where a field or a part ends.
        assert contrast(scheme[frame], scheme["paper"]) >= 3.0, frame


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
def test_buttons_and_the_bar_are_read_too(scheme: dict[str, str]) -> None:
    assert contrast(scheme["on-deep"], scheme["deep"]) >= 7.0
    assert contrast(scheme["on-ink"], scheme["ink"]) >= 7.0


def test_nothing_comes_from_elsewhere() -> None:
    assert "url(" not in CSS
    assert "@import" not in CSS


def test_motion_is_only_for_those_who_want_it() -> None:
    rest = re.sub(
        r"@media \(prefers-reduced-motion: no-preference\) \{.*?\n\}", "", CSS, flags=re.S
    )
    assert not re.search(r"scroll-behavior|transition|animation", rest)
