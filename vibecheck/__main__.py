"""``python -m vibecheck``: the same as the program ``vibecheck``."""

from __future__ import annotations

import sys

from vibecheck.cli import main

if __name__ == "__main__":
    sys.exit(main())
