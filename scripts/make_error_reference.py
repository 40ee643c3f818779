"""Write docs/errors.md: every error that vibecheck raises on purpose, in its own words.

The words are read from the source, so that the page cannot drift: a test compares it.

    python scripts/make_error_reference.py
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "vibecheck"
PAGE = ROOT / "docs" / "errors.md"
ERRORS = ("InputError", "CallError", "MissingExtraError")
HEAD = """\
# Errors

Every failure is one block: what was wrong, where, and what to do. `…` stands for what the case
fills in: a name, a number, a place. `InputError`: the input cannot be used, exit code 1.
`CallError` and `MissingExtraError`: the call is wrong, or an optional part is missing, exit code 2.
From Python all three are subclasses of `vibecheck.VibecheckError`.

*Written by `scripts/make_error_reference.py`.*
"""
PARTS = {
    "car": "The car file and the car",
    "recording": "Reading recordings",
    "capture": "Recording at the bench",
    "dsp": "Signal core",
    "features": "Features",
    "model": "The model file",
    "risk": "Risk and history",
    "garage": "The garage",
    "bench": "Bench checks",
    "dataset": "Labelled sets",
    "training": "Training and evaluation",
    "simulator": "The simulator",
    "report": "Pages and output files",
    "web": "The web page",
    "cli": "The command line",
}


@dataclass(frozen=True)
class Entry:
    """One error as the source words it."""

    part: str
    kind: str
    what: str
    advice: str


def words_of(node: ast.expr | None) -> str:
    """Return the text of a string expression; what is filled in later becomes ``…``."""
    if node is None:
        return ""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else ""
    if isinstance(node, ast.JoinedStr):
        return "".join(
            "…" if isinstance(v, ast.FormattedValue) else words_of(v) for v in node.values
        )
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return words_of(node.left) + words_of(node.right)
    if isinstance(node, ast.IfExp):
        sides = dict.fromkeys(side for side in (words_of(node.body), words_of(node.orelse)) if side)
        return " / ".join(sides)
    return "…"


def entries(path: Path) -> Iterator[Entry]:
    """Yield the errors that a module makes."""
    part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
            continue
        if node.func.id not in ERRORS or not node.args:
            continue
        given = {keyword.arg: keyword.value for keyword in node.keywords}
        what, advice = words_of(node.args[0]), words_of(given.get("advice"))
        if node.func.id == "MissingExtraError":
            extra = words_of(node.args[1] if len(node.args) > 1 else given.get("extra"))
            what += " needs an optional part of vibecheck that is not installed."
            advice = f'Install it with: pip install "vibecheck[{extra}]"'
        yield Entry(part, node.func.id, " ".join(what.split()), " ".join(advice.split()))


def all_entries() -> list[Entry]:
    """Return every error of the package, each wording once."""
    found = [entry for path in sorted(PACKAGE.rglob("*.py")) for entry in entries(path)]
    # Where all of the words come from elsewhere, they stand there.
    return list(dict.fromkeys(entry for entry in found if entry.what.strip("… ")))


def page() -> str:
    """Return the reference as Markdown."""
    found = all_entries()
    titles = {**PARTS}
    for entry in found:
        titles.setdefault(entry.part, f"`{entry.part}`")
    lines = [HEAD]
    for part, title in titles.items():
        own = [entry for entry in found if entry.part == part]
        if not own:
            continue
        lines += [f"## {title}", "", "| error | what it says | what to do |", "|---|---|---|"]
        lines += [
            f"| `{entry.kind}` | {_cell(entry.what)} | {_cell(entry.advice)} |" for entry in own
        ]
        lines.append("")
    return "\n".join(lines)


def _cell(text: str) -> str:
    for sign in ("|", "<", "*", "_", "`"):
        text = text.replace(sign, f"\\{sign}")
    return text


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
