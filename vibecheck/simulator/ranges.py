"""Short names for draws from ranges."""

from __future__ import annotations

import math
from typing import Any

import numpy as np


class Draw:
    """Short names for draws from ranges."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def flat(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def log(self, low: float, high: float) -> float:
        return math.exp(float(self.rng.uniform(math.log(low), math.log(high))))

    def whole(self, low: int, high: int) -> int:
        return int(self.rng.integers(low, high + 1))

    def one_of(self, values: Any) -> Any:
        return values[int(self.rng.integers(len(values)))]


def stiffness_at(preload: float, normal_stiffness: float) -> float:
    """K of F = K·d^1.5 whose stiffness at the preload is `normal_stiffness`.

    k = 1.5·F/d, hence d = 1.5·F/k and K = F/d^1.5.
    """
    depth = 1.5 * preload / normal_stiffness
    return float(preload / depth**1.5)
