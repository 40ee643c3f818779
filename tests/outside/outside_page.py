"""The table of outside checks as Markdown: the page, and a summary for the contributors' guide."""

from __future__ import annotations

import importlib.util
import textwrap
from collections import Counter

from outside_check import STATUS_WORDS, Check, number_words
from outside_quantities import covered, quantities
from outside_reasons import REASON_OF, REASONS
from outside_registry import CHECKS, NOT_COMPUTED, SECTIONS

BEGIN, END = "<!-- outside-checks -->", "<!-- /outside-checks -->"
LIBRARIES = ("librosa", "mpmath", "sklearn", "statsmodels")
HEAD = "| check | source | status | tolerance | expected | ours |\n|---|---|---|---|---|---|"
INTRO = """# Outside checks

Values that somebody else published or computed, and ours beside them. Written by
`python scripts/make_outside_checks.py` from `tests/outside/`, where each line is one declared value
and one test; a test fails when this page is stale.

- **Status.** *published*: read in a public copy of the source. *from memory*: the source was not
  opened; look at it before you quote it. *recomputed*: worked out again by another formula, another
  library, or on signals made with a known answer. *common practice*: no source.
- **Tolerance.** Rounding in the source, or the scatter of a simulation; no physics.
- **Also printed.** Two values that disagree are both named.
- *held by*: the values stand in tests of the suite that need more than one call.
"""


def _bare(text: str) -> str:
    return text.replace("|", "\\|")


def _plain(value: float) -> str:
    """An expected value, as it was declared."""
    return f"{value:.10g}"


def ours_cell(check: Check) -> str:
    """Return our values, as the table prints them."""
    pairs = zip(check.values(), check.expected, strict=True)
    return " · ".join(number_words(ours, check.allowed(want)) for ours, want in pairs)


def expected_cell(check: Check) -> str:
    """Return the expected values and other printed ones."""
    words = " · ".join(_plain(value) for value in check.expected)
    for other in check.also_printed:
        words += f"; also printed: {_plain(other.value)} ({other.source})"
    return words


def row(check: Check) -> str:
    """Return one line of the table."""
    what = f"**{check.key}**: {check.what}"
    if check.ours is None:
        names = ", ".join(f"`{test.split('::')[-1]}`" for test in check.held_by)
        cells = [what, check.source, ", ".join(check.status), "in the test", "in the test",
                 f"held by {names}"]  # fmt: skip
    else:
        cells = [what, check.source, ", ".join(check.status), check.tolerance_words(),
                 expected_cell(check), ours_cell(check)]  # fmt: skip
    return "| " + " | ".join(_bare(cell) for cell in cells) + " |"


def missing_libraries() -> list[str]:
    """Return the libraries of comparison that are not installed."""
    return [name for name in LIBRARIES if importlib.util.find_spec(name) is None]


def counts() -> tuple[int, int, int]:
    """Return how many quantities there are, are checked, and have a stated reason."""
    names = quantities()
    checked = covered(names, {name for check in CHECKS for name in check.quantity})
    return len(names), len(checked), len(REASON_OF)


def page() -> str:
    """Return the whole page."""
    parts = [INTRO]
    for title, checks in SECTIONS.items():
        parts.append(f"## {title}\n\n{HEAD}\n" + "\n".join(row(check) for check in checks) + "\n")
    rows = "\n".join(f"| {_bare(what)} | {_bare(why)} |" for what, why in NOT_COMPUTED)
    parts.append(
        "## Outside values with nothing here to compare\n\nCollected for this work, but vibecheck "
        f"reports no such number.\n\n| outside value | why |\n|---|---|\n{rows}\n"
    )
    tally = Counter(REASON_OF.values())
    rows = "\n".join(f"| {tally[key]} | {_bare(words)} |" for key, words in REASONS.items())
    total, checked, _ = counts()
    parts.append(
        "## Computed quantities without an outside check\n\nA quantity is a public function, "
        "method or property that returns numbers, or a feature of the catalogue. Of "
        f"{total} quantities {checked} have a check above; the others, name by name in "
        f"`tests/outside/outside_reasons.py`, have a reason:\n\n| n | reason |\n|---|---|\n{rows}\n"
    )
    return "\n".join(parts)


def summary() -> str:
    """Return what stands between the marks in the contributors' guide."""
    total, checked, reasons = counts()
    values = sum(len(check.expected) for check in CHECKS)
    tests = {test for check in CHECKS for test in check.held_by}
    lines = ["| part | checks | " + " | ".join(STATUS_WORDS) + " |", "|---|" + "---|" * 5]
    for title, checks in SECTIONS.items():
        tally = Counter(word for check in checks for word in check.status)
        cells = [title, str(len(checks)), *(str(tally[word]) for word in STATUS_WORDS)]
        lines.append("| " + " | ".join(cells) + " |")
    words = (
        f"{len(CHECKS)} checks with {values} values, and {len(tests)} tests that hold more. A "
        "check may have several statuses: a value read in a public copy and worked out again is "
        f"*published, recomputed*. Of {total} computed public quantities {checked} have an outside "
        f"check and {reasons} a stated reason; one with neither fails a test. The whole table: "
        "[docs/outside-checks.md](docs/outside-checks.md)."
    )
    wrapped = textwrap.fill(words, 98, break_long_words=False, break_on_hyphens=False)
    return wrapped + "\n\n" + "\n".join(lines)


def between_marks(text: str) -> str:
    """Return a text with the summary between its marks; unchanged where it has none."""
    if BEGIN not in text or END not in text:
        return text
    before, rest = text.split(BEGIN, 1)
    _, after = rest.split(END, 1)
    return f"{before}{BEGIN}\n{summary()}\n{END}{after}"
