"""The families of estimators that compete."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Family:
    """A named recipe for a scikit-learn pipeline.

    Attributes
    ----------
    name : str
    make : callable
        From the signs of the columns (`InputLayout.signs`; ``None`` where they have none) to a
        pipeline. Most families do not look at them.
    parts : tuple of str
        Families whose mean log-odds this family is: its held-out scores are taken from theirs.
    """

    name: str
    make: Callable[..., Any]
    parts: tuple[str, ...] = ()


def _imputer() -> Any:
    """Zero: what was not observed is taken as at the baseline, or as usual."""
    from sklearn.impute import SimpleImputer

    return SimpleImputer(strategy="constant", fill_value=0.0, keep_empty_features=True)


def ridge(strength: float) -> Family:
    """Logistic regression with a quadratic penalty on standardised columns."""

    def make(_signs: FloatArray | None = None) -> Any:
        from sklearn.linear_model import LogisticRegression
        from sklearn.pipeline import make_pipeline
        from sklearn.preprocessing import StandardScaler

        classifier = LogisticRegression(C=strength, max_iter=2000, tol=1e-5)
        return make_pipeline(_imputer(), StandardScaler(), classifier)

    return Family(f"ridge logistic, C={strength:g}", make)


def directed(strength: float) -> Family:
    """The same, with the signs that the catalogue states for its columns."""

    def make(signs: FloatArray | None = None) -> Any:
        from sklearn.pipeline import make_pipeline
        from sklearn.preprocessing import StandardScaler

        from vibecheck.training.estimators import SignedLogisticRegression

        classifier = SignedLogisticRegression(C=strength, signs=signs, tol=1e-5)
        return make_pipeline(_imputer(), StandardScaler(), classifier)

    return Family(f"directed logistic, C={strength:g}", make)


def averaged(n_trees: int, depth: int, leaf: int, columns: float | str = "sqrt") -> Family:
    """Extremely randomised trees, averaged (Geurts, Ernst & Wehenkel 2006)."""

    def make(_signs: FloatArray | None = None) -> Any:
        from sklearn.ensemble import ExtraTreesClassifier
        from sklearn.pipeline import make_pipeline

        classifier = ExtraTreesClassifier(
            n_estimators=n_trees,
            max_depth=depth,
            min_samples_leaf=leaf,
            max_features=columns,
            random_state=0,
        )
        return make_pipeline(_imputer(), classifier)

    return Family(f"averaged random trees, {n_trees}×depth {depth}", make)


def boosted(n_trees: int, depth: int, rate: float, leaf: int = 15) -> Family:
    """Gradient-boosted trees with row and column sampling."""

    def make(_signs: FloatArray | None = None) -> Any:
        from sklearn.ensemble import GradientBoostingClassifier
        from sklearn.pipeline import make_pipeline

        classifier = GradientBoostingClassifier(
            n_estimators=n_trees,
            max_depth=depth,
            learning_rate=rate,
            subsample=0.6,
            max_features=0.15,
            min_samples_leaf=leaf,
            random_state=0,
        )
        return make_pipeline(_imputer(), classifier)

    return Family(f"boosted trees, {n_trees}×depth {depth}, rate {rate:g}", make)


def blended(
    strength: float, n_trees: int, depth: int, leaf: int, columns: float | str = "sqrt"
) -> Family:
    """Mean of the log-odds of `ridge` and `averaged`."""

    def make(_signs: FloatArray | None = None) -> Any:
        from sklearn.pipeline import make_pipeline

        from vibecheck.training.estimators import RidgeAndTrees

        classifier = RidgeAndTrees(strength, n_trees, depth, leaf, columns)
        return make_pipeline(_imputer(), classifier)

    parts = (ridge(strength).name, averaged(n_trees, depth, leaf, columns).name)
    return Family(f"ridge C={strength:g} with {n_trees} random trees", make, parts)


FAMILIES: tuple[Family, ...] = (
    directed(0.01),
    ridge(0.005),
    averaged(60, 8, 3, 0.1),
    blended(0.005, 60, 8, 3, 0.1),
)
