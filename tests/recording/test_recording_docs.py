"""The page on recordings names every finding the readers make, and no other."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_every_finding_is_documented() -> None:
    source = "".join(
        path.read_text(encoding="utf-8") for path in (ROOT / "vibecheck/recording").glob("*.py")
    )
    made = set(re.findall(r'code = "([a-z_]+)"|code="([a-z_]+)"', source))
    page = (ROOT / "docs" / "recordings.md").read_text(encoding="utf-8")
    told = set(re.findall(r"^\| `([a-z_]+)` \|", page, flags=re.MULTILINE))
    codes = {first or second for first, second in made}
    codes |= set(re.findall(r'code="([a-z_]+)" if', source))
    assert codes
    assert told == codes


def test_every_kind_of_file_is_documented() -> None:
    from vibecheck.recording.source import READABLE

    page = (ROOT / "docs" / "recordings.md").read_text(encoding="utf-8").lower()
    for word in re.findall(r"[a-z0-9]+", READABLE):
        assert word in page, word
