"""Ground: arrays inside frozen values."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def frozen_array(values: ArrayLike, dtype: Any = None, *, copy: bool = True) -> NDArray[Any]:
    """Return a read-only array that shares no memory with the caller's (unless ``copy=False``).

    ``copy=False`` is for arrays that were just made and that nobody else holds.
    """
    array = np.array(values, dtype=dtype) if copy else np.asarray(values, dtype=dtype)
    array.setflags(write=False)
    return array
