"""Signal core: keep the memory of large arrays from one step to the next."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

_BYTES = (32 << 20) - (8 << 10)
"""Just under the largest block that the C library of Linux may learn to keep."""


@lru_cache(maxsize=1)
def keep_freed_memory() -> None:
    """Let the process reuse the memory of large arrays instead of handing it back each time.

    The C library of Linux returns every freed block above a limit to the system and has to fetch
    it anew, page by page, for the next array: a tenth of an analysis. It raises that limit to the
    largest block freed so far (``mallopt(3)``, ``M_MMAP_THRESHOLD``); one block that is never
    written to, and so costs nothing, sets it at once. Elsewhere this does nothing.
    """
    np.empty(_BYTES, np.uint8)
