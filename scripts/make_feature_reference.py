"""Write the feature reference page, ``docs/features.md``, from the feature catalogue.

Run it after any change of the catalogue; a test compares the page with the catalogue.
"""

from __future__ import annotations

from pathlib import Path

from vibecheck.features.reference import reference_page

PAGE = Path(__file__).resolve().parent.parent / "docs" / "features.md"


def main() -> None:
    """Write the page."""
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(reference_page(), encoding="utf-8")
    print(f"wrote {PAGE.name}")


if __name__ == "__main__":
    main()
