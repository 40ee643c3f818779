"""The table of security requirements in the contributors' guide names tests that exist."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "DEVELOPERS.md"
# Level 1 of OWASP ASVS 5.0.0, by its published list of requirements, without chapters that speak
# of what is not here: passwords (6.2), self-contained tokens (9), OAuth (10).
LEVEL_1 = (
    *("1.2.1", "1.2.2", "1.2.3", "1.2.4", "1.2.5", "1.3.1", "1.3.2", "1.5.1", "2.1.1", "2.2.1"),
    *("2.2.2", "2.3.1", "3.2.1", "3.2.2", "3.3.1", "3.4.1", "3.4.2", "3.5.1", "3.5.2", "3.5.3"),
    *("4.1.1", "4.4.1", "5.2.1", "5.2.2", "5.3.1", "5.3.2", "6.1.1", "6.3.1", "6.3.2", "6.4.1"),
    *("6.4.2", "7.2.1", "7.2.2", "7.2.3", "7.2.4", "7.4.1", "7.4.2", "8.1.1", "8.2.1", "8.2.2"),
    *("8.3.1", "11.3.1", "11.3.2", "11.4.1", "12.1.1", "12.2.1", "12.2.2", "13.4.1", "14.2.1"),
    *("14.3.1", "15.1.1", "15.2.1", "15.3.1"),
)


def names_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {one.name for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)}


def table() -> str:
    found = re.search(r"^## Security.*?(?=^## |\Z)", GUIDE.read_text("utf-8"), re.M | re.S)
    if found is None:
        pytest.skip("the contributors' guide has no part about security")
    return found[0]


def test_every_requirement_of_level_1_has_its_row() -> None:
    rows = re.findall(r"^\| ([0-9., ]+?) \|", table(), re.M)
    listed = {number for row in rows for number in re.split(r"[, ]+", row)}
    missing = [number for number in LEVEL_1 if number not in listed]
    assert not missing


def test_every_test_of_the_table_exists() -> None:
    named = re.findall(r"`(test_\w+)\.(test_\w+)`", table())
    assert len(named) > 25
    files = {path.stem: path for path in (ROOT / "tests").rglob("test_*.py")}
    for file, name in named:
        assert file in files, file
        assert name in names_in(files[file]), f"{file}.{name}"
