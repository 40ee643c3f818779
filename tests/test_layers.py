"""Imports run downward only: each module may import its own layer or those beneath it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "vibecheck"

# From the ground up. A module may import modules of its own line or of a line above it.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("errors", "units", "arrays", "advice", "plain_text", "whole_file"),
    ("findings",),
    ("dsp",),
    ("simulator",),
    ("car",),
    ("recording",),
    ("capture",),
    ("track",),
    ("speed",),
    ("orders", "impulses"),
    ("quality",),
    ("features",),
    ("result", "result_json"),
    ("model",),
    ("risk",),
    ("pipeline",),
    ("report",),
    ("garage",),
    ("bench",),
    ("dataset", "training"),
    ("demo",),
    ("web", "cli", "__main__"),
)
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}
# The simulator shares no analysis code, so that its tests are evidence.
SIMULATOR_MAY_IMPORT = {"errors", "units", "arrays", "simulator", "car"}
# One value imports upward, inside a function: CheckResult.to_html() calls the report.
LAZY_UPWARD = {("result", "report")}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def part_of(path: Path) -> str:
    relative = path.relative_to(PACKAGE).with_suffix("")
    return relative.parts[0]


def imported_parts(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names = [node.module or ""]
            if node.module == "vibecheck":
                names = [f"vibecheck.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "vibecheck" and len(parts) > 1 and parts[1] != "__version__":
                found.add(parts[1])
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_run_downward(path: Path) -> None:
    part = part_of(path)
    if part == "__init__":
        return
    assert part in RANK, f"{part} has no layer: add it to LAYERS"
    for other in imported_parts(path):
        if (part, other) in LAZY_UPWARD:
            continue
        assert other in RANK, f"{path.name} imports vibecheck.{other}, which has no layer"
        assert RANK[other] <= RANK[part], f"{part} (lower) imports {other} (higher)"
        if part == "simulator":
            assert other in SIMULATOR_MAY_IMPORT, f"the simulator imports {other}"


def test_a_wrong_import_is_noticed(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("from vibecheck.cli import main\n", encoding="utf-8")
    assert imported_parts(wrong) == {"cli"}
    assert RANK["cli"] > RANK["dsp"]
