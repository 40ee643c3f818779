"""The families of estimators that compete."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Family:
    """A named recipe for a scikit-learn pipeline."""

    name: str
    make: Callable[[], Any]


def ridge(strength: float) -> Family:
    """Logistic regression with a quadratic penalty on standardised columns."""

    def make() -> Any:
        from sklearn.impute import SimpleImputer
        from sklearn.linear_model import LogisticRegression
        from sklearn.pipeline import make_pipeline
        from sklearn.preprocessing import StandardScaler

        return make_pipeline(
            SimpleImputer(strategy="median", keep_empty_features=True),
            StandardScaler(),
            LogisticRegression(C=strength, max_iter=2000, tol=1e-6),
        )

    return Family(f"ridge logistic, C={strength:g}", make)


def boosted(n_trees: int, depth: int, rate: float, leaf: int = 15) -> Family:
    """Gradient-boosted trees with row and column sampling."""

    def make() -> Any:
        from sklearn.ensemble import GradientBoostingClassifier
        from sklearn.impute import SimpleImputer
        from sklearn.pipeline import make_pipeline

        return make_pipeline(
            SimpleImputer(strategy="median", keep_empty_features=True),
            GradientBoostingClassifier(
                n_estimators=n_trees,
                max_depth=depth,
                learning_rate=rate,
                subsample=0.6,
                max_features=0.15,
                min_samples_leaf=leaf,
                random_state=0,
            ),
        )

    return Family(f"boosted trees, {n_trees}×depth {depth}, rate {rate:g}", make)


FAMILIES: tuple[Family, ...] = (
    ridge(0.003),
    ridge(0.03),
    ridge(0.3),
    boosted(150, 2, 0.06),
    boosted(200, 4, 0.04),
)
