"""Estimators of our own, after scikit-learn's contract (needs the ``training`` extra).

`SignedLogisticRegression` keeps the direction in which looseness moves a column, and
`StableDirections` finds those that hold in every block of cars: what rests on them is more likely
to hold in cars, and under physics, that were never seen. `RidgeAndTrees` blends a line with trees.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.feature_selection import SelectorMixin
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler
from sklearn.utils.multiclass import check_classification_targets, type_of_target
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data

from vibecheck.model.scorers import averaged_log_odds
from vibecheck.training.metrics import column_areas

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def _two_classes(name: str, y: Any) -> tuple[NDArray[Any], BoolArray]:
    """Return the classes and which rows are of the second; refuse any number but two."""
    check_classification_targets(y)
    kind = type_of_target(y, input_name="y", raise_unknown=True)
    if kind != "binary":
        raise ValueError(
            f"Only binary classification is supported. The type of the target is {kind}."
        )
    classes, code = np.unique(y, return_inverse=True)
    if classes.size < 2:
        raise ValueError(f"{name} needs rows of 2 classes. Got 1 class instead.")
    return classes, np.asarray(code == 1)


class _TwoClasses(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """What follows from the log-odds of the second of two classes."""

    classes_: NDArray[Any]
    decision_function: Callable[[ArrayLike], FloatArray]

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.classifier_tags.multi_class = False
        return tags

    def predict_proba(self, X: ArrayLike) -> FloatArray:
        """Probability of each class, shape (n_rows, 2)."""
        p = 0.5 * (1.0 + np.tanh(0.5 * self.decision_function(X)))
        return np.stack([1.0 - p, p], axis=1)

    def predict(self, X: ArrayLike) -> NDArray[Any]:
        """Return the likelier class of each row."""
        second = self.decision_function(X) > 0.0
        return np.asarray(self.classes_[second.astype(np.intp)])


class SignedLogisticRegression(_TwoClasses):
    """Logistic regression with a quadratic penalty whose weights keep given signs.

    Minimises ``C · Σ s·log(1 + exp(−y·(x·w + b))) + ½‖w‖²`` over ``w`` with ``signs·w ≥ 0``:
    with no signs the same as scikit-learn's `LogisticRegression`. The intercept is free.

    Parameters
    ----------
    C : float, default=1.0
        Inverse strength of the penalty, > 0.
    signs : array-like of {-1, 0, 1}, shape (n_features,), or None
        +1: the weight may not be negative; −1: not positive; 0: free. ``None``: all free.
    max_iter : int, default=1000
    tol : float, default=1e-6
        Largest projected gradient at which the search stops.

    Attributes
    ----------
    classes_ : ndarray, shape (2,)
    coef_ : ndarray, shape (1, n_features)
    intercept_ : ndarray, shape (1,)
    n_iter_ : int
    n_features_in_ : int
    """

    def __init__(
        self,
        C: float = 1.0,
        signs: ArrayLike | None = None,
        max_iter: int = 1000,
        tol: float = 1e-6,
    ) -> None:
        self.C = C
        self.signs = signs
        self.max_iter = max_iter
        self.tol = tol

    def fit(
        self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None
    ) -> SignedLogisticRegression:
        """Fit the weights."""
        if not self.C > 0.0:
            raise ValueError(f"C must be above 0. Got {self.C!r} instead.")
        x, y = validate_data(self, X, y, dtype=np.float64)
        self.classes_, positive = _two_classes("SignedLogisticRegression", y)
        weight = _check_sample_weight(sample_weight, x, dtype=np.float64)
        n = x.shape[1]
        bounds = self._bounds(n)
        # Scaled by the weight of all rows, so that the tolerance means the same for any number.
        whole = max(float(weight.sum()), 1e-12)
        penalty = 1.0 / (self.C * whole)
        share = weight / whole
        target = positive.astype(np.float64)

        def cost(theta: FloatArray) -> tuple[float, FloatArray]:
            line = x @ theta[:n] + theta[n]
            loss = share @ (np.logaddexp(0.0, line) - target * line)
            error = share * (0.5 * (1.0 + np.tanh(0.5 * line)) - target)
            gradient = np.append(x.T @ error + penalty * theta[:n], error.sum())
            return float(loss + 0.5 * penalty * theta[:n] @ theta[:n]), gradient

        found = minimize(
            cost,
            np.zeros(n + 1),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": self.max_iter, "gtol": self.tol, "ftol": 1e-14},
        )
        self.coef_ = found.x[None, :n]
        self.intercept_ = found.x[n:]
        self.n_iter_ = max(int(found.nit), 1)
        return self

    def _bounds(self, n: int) -> list[tuple[float | None, float | None]]:
        signs = np.zeros(n) if self.signs is None else np.asarray(self.signs, dtype=np.float64)
        if signs.shape != (n,) or not np.isin(signs, (-1.0, 0.0, 1.0)).all():
            raise ValueError(f"signs must be {n} numbers of -1, 0 and 1, one a column.")
        kinds: dict[float, tuple[float | None, float | None]] = {
            1.0: (0.0, None),
            -1.0: (None, 0.0),
            0.0: (None, None),
        }
        return [*(kinds[float(sign)] for sign in signs), (None, None)]

    def decision_function(self, X: ArrayLike) -> FloatArray:
        """Log-odds of the second class, shape (n_rows,)."""
        check_is_fitted(self)
        x = validate_data(self, X, dtype=np.float64, reset=False)
        return np.asarray(x @ self.coef_[0] + self.intercept_[0])


class StableDirections(SelectorMixin, BaseEstimator):  # type: ignore[misc]
    """Keep the columns that looseness moves the same way in every block of cars.

    The area under the ROC curve of each column, by itself, is taken in every block of rows; a
    column is kept where it lies on one side of one half in at least ``agreement`` of the blocks
    and its mean is at least ``min_area`` away from one half.

    Parameters
    ----------
    n_blocks : int, default=4
        Blocks of whole groups, or of rows where no groups are given.
    agreement : float, default=0.75
    min_area : float, default=0.03

    Attributes
    ----------
    directions_ : ndarray, shape (n_features,)
        +1 or −1 where a column is kept, 0 elsewhere.
    areas_ : ndarray, shape (n_features,)
        Mean area over the blocks; NaN counts as 0.5.
    n_features_in_ : int
    """

    def __init__(self, n_blocks: int = 4, agreement: float = 0.75, min_area: float = 0.03) -> None:
        self.n_blocks = n_blocks
        self.agreement = agreement
        self.min_area = min_area

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        tags.target_tags.required = True
        tags.classifier_tags = None
        return tags

    def fit(self, X: ArrayLike, y: ArrayLike, groups: ArrayLike | None = None) -> StableDirections:
        """Learn the directions.

        ``y`` is a label of two classes, or a number: the rows above its median are the second
        class then. Where no column is stable, the one of the largest mean area is kept.
        """
        if not self.n_blocks >= 1:
            raise ValueError(f"n_blocks must be at least 1. Got {self.n_blocks!r} instead.")
        x, y = validate_data(
            self, X, y, dtype=np.float64, ensure_all_finite="allow-nan", y_numeric=False
        )
        classes = np.unique(y)
        above: BoolArray
        if classes.size == 2:
            above = np.asarray(y == classes[1])
        else:
            code = np.searchsorted(classes, y)
            above = np.asarray(code > np.median(code))
        names = (
            np.arange(x.shape[0]) if groups is None else np.unique(groups, return_inverse=True)[1]
        )
        shuffled = np.random.default_rng(0).permutation(np.unique(names))
        areas = []
        for k in range(min(self.n_blocks, shuffled.size)):
            rows = np.isin(names, shuffled[k :: self.n_blocks])
            if above[rows].any() and not above[rows].all():
                areas.append(column_areas(x[rows], above[rows]))
        table = np.array(areas) if areas else np.full((1, x.shape[1]), 0.5)
        self.areas_ = table.mean(axis=0)
        side = np.sign(self.areas_ - 0.5)
        agree = (np.sign(table - 0.5) == side).mean(axis=0)
        kept = (agree >= self.agreement) & (np.abs(self.areas_ - 0.5) >= self.min_area)
        if not kept.any():
            kept[np.argmax(np.abs(self.areas_ - 0.5))] = True
        self.directions_ = np.where(kept, side, 0.0)
        self._kept = kept
        return self

    def _get_support_mask(self) -> BoolArray:
        check_is_fitted(self)
        return np.asarray(self._kept)


class RidgeAndTrees(_TwoClasses):
    """Mean of the log-odds of a ridge logistic regression and of averaged random trees.

    The line carries what holds everywhere, the trees what holds in part of the range.

    Parameters
    ----------
    C : float, default=0.01
        Of `LogisticRegression` on standardised columns.
    n_trees : int, default=60
    max_depth : int, default=8
    min_samples_leaf : int, default=1
        Counted in rows, whatever they weigh: above 1 a row twice is not a row of weight 2.
    max_features : float or {"sqrt"}, default="sqrt"
        Of `ExtraTreesClassifier`.
    random_state : int, RandomState or None, default=0

    Attributes
    ----------
    classes_ : ndarray, shape (2,)
    mean_, scale_ : ndarray, shape (n_features,)
    coef_ : ndarray, shape (1, n_features)
    intercept_ : ndarray, shape (1,)
    trees_ : ExtraTreesClassifier
    n_features_in_ : int
    """

    def __init__(
        self,
        C: float = 0.01,
        n_trees: int = 60,
        max_depth: int = 8,
        min_samples_leaf: int = 1,
        max_features: float | str = "sqrt",
        random_state: Any = 0,
    ) -> None:
        self.C = C
        self.n_trees = n_trees
        self.max_depth = max_depth
        self.min_samples_leaf = min_samples_leaf
        self.max_features = max_features
        self.random_state = random_state

    def fit(
        self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None
    ) -> RidgeAndTrees:
        """Fit both."""
        x, y = validate_data(self, X, y, dtype=np.float64)
        self.classes_, positive = _two_classes("RidgeAndTrees", y)
        weight = _check_sample_weight(sample_weight, x, dtype=np.float64)
        scaler = StandardScaler().fit(x, sample_weight=weight)
        self.mean_, self.scale_ = scaler.mean_, scaler.scale_
        ridge = LogisticRegression(C=self.C, max_iter=2000, tol=1e-6)
        ridge.fit(scaler.transform(x), positive, sample_weight=weight)
        self.coef_, self.intercept_ = ridge.coef_, ridge.intercept_
        self.trees_ = ExtraTreesClassifier(
            n_estimators=self.n_trees,
            max_depth=self.max_depth,
            min_samples_leaf=self.min_samples_leaf,
            max_features=self.max_features,
            random_state=self.random_state,
        ).fit(x, positive, sample_weight=weight)
        return self

    def decision_function(self, X: ArrayLike) -> FloatArray:
        """Log-odds of the second class, shape (n_rows,)."""
        check_is_fitted(self)
        x = validate_data(self, X, dtype=np.float64, reset=False)
        line = (x - self.mean_) / self.scale_ @ self.coef_[0] + self.intercept_[0]
        trees = averaged_log_odds(self.trees_.predict_proba(x)[:, 1])
        return np.asarray(0.5 * (line + trees))
