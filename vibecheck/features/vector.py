"""The features of one take, as an immutable value (made by stage 4)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.arrays import frozen_array


@dataclass(frozen=True, eq=False)
class FeatureVector:
    """Named numbers of one take, each with a flag that says whether it could be observed.

    Attributes
    ----------
    names : tuple of str
        Catalogue names, in catalogue order.
    values : ndarray, shape (n_features,)
        Always finite; where ``missing`` is set, the catalogue's neutral value.
    missing : ndarray of bool, shape (n_features,)
    catalogue_version : str
    """

    names: tuple[str, ...]
    values: NDArray[np.float64]
    missing: NDArray[np.bool_]
    catalogue_version: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", frozen_array(self.values, np.float64))
        object.__setattr__(self, "missing", frozen_array(self.missing, np.bool_))

    def __getitem__(self, name: str) -> float:
        return float(self.values[self.names.index(name)])

    def as_dict(self) -> dict[str, float | None]:
        """Name to value; ``None`` where the feature could not be observed."""
        return {
            name: None if gone else float(value)
            for name, value, gone in zip(self.names, self.values, self.missing, strict=True)
        }
