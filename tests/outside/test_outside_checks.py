"""Every outside check holds, is well declared, and its page is up to date."""

from __future__ import annotations

import ast
import math
import re
from dataclasses import replace
from pathlib import Path

import outside_page
import pytest
from outside_check import Check, check, held
from outside_registry import CHECKS

ROOT = Path(__file__).resolve().parents[2]
COMPUTED = [one for one in CHECKS if one.ours is not None]
NUMBER = re.compile(r"-?\d[\d.]*(?:e[+-]?\d+)?")


def values_of(one: Check) -> tuple[float, ...]:
    try:
        return one.values()
    except ModuleNotFoundError as error:
        pytest.skip(f"the library of comparison is not installed: {error.name}")


@pytest.mark.parametrize("one", COMPUTED, ids=[one.key.replace(" ", "_") for one in COMPUTED])
def test_ours_is_the_outside_value(one: Check) -> None:
    found = values_of(one)
    assert len(found) == len(one.expected)
    for ours, want in zip(found, one.expected, strict=True):
        assert math.isfinite(ours)
        assert abs(ours - want) <= one.allowed(want), f"{ours!r}, outside {want!r} ({one.source})"


def test_keys_are_unique() -> None:
    keys = [one.key for one in CHECKS]
    assert len(keys) == len(set(keys))


def names_of_tests(path: Path) -> set[str]:
    """Names of the tests of a file, with their class where they have one."""
    names = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef):
            names.add(node.name)
        elif isinstance(node, ast.ClassDef):
            names |= {f"{node.name}::{m.name}" for m in node.body if isinstance(m, ast.FunctionDef)}
    return names


def test_tests_that_hold_values_exist() -> None:
    named = {test for one in CHECKS for test in one.held_by}
    for file in {test.split("::")[0] for test in named}:
        assert (ROOT / file).is_file(), file
        known = names_of_tests(ROOT / file)
        wanted = {test.split("::", 1)[1] for test in named if test.startswith(f"{file}::")}
        assert wanted <= known, (file, wanted - known)


def test_another_printed_value_really_differs() -> None:
    for one in CHECKS:
        for other in one.also_printed:
            assert other.value not in one.expected, one.key
            assert other.source


def test_a_wrong_declaration_is_refused() -> None:
    good = check("a", "vibecheck.units.hz_to_rpm", "b", "c", "recomputed", 1.0, lambda: 1.0, 1e-3)
    for change in (
        {"status": ("guessed",)}, {"status": ()}, {"tolerance": 0.0}, {"expected": ()},
        {"ours": None},
    ):  # fmt: skip
        with pytest.raises(ValueError, match=r"^a: "):
            replace(good, **change)
    with pytest.raises(ValueError, match="a test that holds it"):
        held("a", "b", "c", "d", "published")


def rows_of(text: str) -> dict[str, list[str]]:
    """Cells of each check's line, by its key."""
    found = {}
    for line in text.splitlines():
        cells = [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
        key = re.match(r"\*\*(.+?)\*\*", cells[0]) if len(cells) == 6 else None
        if key:
            found[key.group(1)] = cells
    return found


def without_ours(text: str) -> list[str]:
    """Lines of the page without the cell of our values, which differ in their last digits."""
    return [
        line.rsplit("|", 2)[0] if line.startswith("| **") else line for line in text.split("\n")
    ]


def test_the_page_is_up_to_date() -> None:
    """Our own numbers may differ by a fraction of the tolerance from machine to machine."""
    missing = outside_page.missing_libraries()
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")
    advice = "stale: run python scripts/make_outside_checks.py"
    kept = (ROOT / "docs" / "outside-checks.md").read_text(encoding="utf-8")
    made = outside_page.page()
    assert without_ours(kept) == without_ours(made), advice
    old, new = rows_of(kept), rows_of(made)
    assert set(old) == {one.key for one in CHECKS}
    for one in COMPUTED:
        pairs = zip(
            NUMBER.findall(old[one.key][5]), NUMBER.findall(new[one.key][5]), one.expected,
            strict=True,
        )  # fmt: skip
        for before, now, want in pairs:
            allowed = 0.5 * one.allowed(want) + 1e-300
            assert abs(float(before) - float(now)) <= allowed, (one.key, advice)


def test_the_guide_is_up_to_date() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert outside_page.between_marks(text) == text, (
        "stale: run python scripts/make_outside_checks.py"
    )
