"""Shared fixtures."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def outside_data() -> Path:
    """Folder of open recordings kept outside the repository, or skip with the reason."""
    folder = os.environ.get("VIBECHECK_OUTSIDE_DATA")
    if not folder:
        pytest.skip("set VIBECHECK_OUTSIDE_DATA to the folder of open recordings to run this")
    path = Path(folder)
    if not path.is_dir():
        pytest.skip(f"VIBECHECK_OUTSIDE_DATA names no folder: {folder}")
    return path
