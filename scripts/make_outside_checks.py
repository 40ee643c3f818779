"""Write docs/outside-checks.md from tests/outside, and its summary into DEVELOPERS.md.

    python scripts/make_outside_checks.py

The summary goes between the marks `<!-- outside-checks -->` and `<!-- /outside-checks -->`, where
DEVELOPERS.md has them.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))

from outside_page import between_marks, missing_libraries, page  # noqa: E402


def main() -> int:
    """Write both files; 1 where a library of comparison is missing."""
    missing = missing_libraries()
    if missing:
        print(f"Not installed: {', '.join(missing)}. Install the extra dev, then try again.")
        return 1
    (ROOT / "docs" / "outside-checks.md").write_text(page(), encoding="utf-8")
    guide = ROOT / "DEVELOPERS.md"
    before = guide.read_text(encoding="utf-8")
    after = between_marks(before)
    if after != before:
        guide.write_text(after, encoding="utf-8")
    print("docs/outside-checks.md written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
