"""Invented names for invented cars."""

from __future__ import annotations

import numpy as np

FIRST = (
    "Amber", "Basalt", "Cinder", "Dune", "Ember", "Fennel", "Gravel", "Harrow", "Indigo",
    "Juniper", "Kestrel", "Larch", "Marrow", "Nettle", "Ochre", "Pebble", "Quartz", "Russet",
    "Sorrel", "Thistle", "Umber", "Vesper", "Willow", "Yarrow",
)  # fmt: skip
SECOND = (
    "Acorn", "Barrow", "Cobble", "Dowel", "Finch", "Gimlet", "Hatchet", "Kettle", "Ladle",
    "Mallet", "Needle", "Oriole", "Pulley", "Ratchet", "Spindle", "Trowel", "Wicket", "Wren",
)  # fmt: skip


def invented_name(seed: int) -> str:
    """Return a name made of two words and a number, the same for the same seed."""
    rng = np.random.default_rng([seed, 2])
    first = FIRST[int(rng.integers(len(FIRST)))]
    second = SECOND[int(rng.integers(len(SECOND)))]
    return f"{first} {second} {int(rng.integers(1, 100))}"
