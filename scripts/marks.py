"""Put text between two marks of a page: ``<!-- name -->`` and ``<!-- /name -->``."""

from __future__ import annotations

from pathlib import Path


def put_between(path: Path, name: str, text: str) -> None:
    """Put a text between the marks of a page.

    Raises
    ------
    SystemExit
        If the page does not have both marks, once and in order.
    """
    begin, end = f"<!-- {name} -->", f"<!-- /{name} -->"
    page = path.read_text(encoding="utf-8")
    before, found, rest = page.partition(begin)
    _old, found_end, after = rest.partition(end)
    if not (found and found_end):
        raise SystemExit(f"{path.name} has no marks {begin} and {end}: nothing was written.")
    path.write_text(f"{before}{begin}\n{text.strip()}\n{end}{after}", encoding="utf-8")
