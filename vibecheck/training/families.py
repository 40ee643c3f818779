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


def _imputer() -> Any:
    from sklearn.impute import SimpleImputer

    return SimpleImputer(strategy="median", keep_empty_features=True)


def ridge(strength: float) -> Family:
    """Logistic regression with a quadratic penalty on standardised columns."""

    def make() -> Any:
        from sklearn.linear_model import LogisticRegression
        from sklearn.pipeline import make_pipeline
        from sklearn.preprocessing import StandardScaler

        classifier = LogisticRegression(C=strength, max_iter=2000, tol=1e-6)
        return make_pipeline(_imputer(), StandardScaler(), classifier)

    return Family(f"ridge logistic, C={strength:g}", make)


def averaged(n_trees: int, depth: int, leaf: int) -> Family:
    """Extremely randomised trees, averaged (Geurts, Ernst & Wehenkel 2006)."""

    def make() -> Any:
        from sklearn.ensemble import ExtraTreesClassifier
        from sklearn.pipeline import make_pipeline

        classifier = ExtraTreesClassifier(
            n_estimators=n_trees,
            max_depth=depth,
            min_samples_leaf=leaf,
            max_features=0.3,
            random_state=0,
        )
        return make_pipeline(_imputer(), classifier)

    return Family(f"averaged random trees, {n_trees}×depth {depth}", make)


def boosted(n_trees: int, depth: int, rate: float, leaf: int = 15) -> Family:
    """Gradient-boosted trees with row and column sampling."""

    def make() -> Any:
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


FAMILIES: tuple[Family, ...] = (
    ridge(0.003),
    ridge(0.03),
    ridge(0.3),
    averaged(100, 8, 5),
    boosted(150, 2, 0.06),
)
