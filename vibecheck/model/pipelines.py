"""Stage 5: a fitted scikit-learn pipeline translated to plain arrays."""

from __future__ import annotations

from typing import Any

import numpy as np

from vibecheck.model.scorers import (
    BlendScorer,
    LinearScorer,
    Scorer,
    TreeScorer,
    averaged_log_odds,
)


def scorer_from_pipeline(pipeline: Any) -> Scorer:
    """Translate a fitted pipeline.

    Parameters
    ----------
    pipeline : sklearn.pipeline.Pipeline
        ``(SimpleImputer, StandardScaler, LogisticRegression)``, or with the project's
        `SignedLogisticRegression`; ``(SimpleImputer, RidgeAndTrees)``;
        ``(SimpleImputer, GradientBoostingClassifier)`` or ``(SimpleImputer,
        ExtraTreesClassifier)``, fitted on the classes False and True.
    """
    imputer, *_, last = (step for _name, step in pipeline.steps)
    fill = np.asarray(imputer.statistics_, dtype=np.float64)
    if hasattr(last, "trees_"):
        linear = _linear(fill, last.mean_, last.scale_, last)
        return BlendScorer((linear, _trees(fill, last.trees_)))
    if hasattr(last, "coef_"):
        scaler = pipeline.steps[1][1]
        return _linear(fill, scaler.mean_, scaler.scale_, last)
    return _trees(fill, last)


def _linear(fill: Any, mean: Any, scale: Any, fitted: Any) -> LinearScorer:
    """Translate a fitted linear classifier on standardised columns."""
    return LinearScorer(
        fill=fill,
        mean=np.asarray(mean, dtype=np.float64),
        scale=np.asarray(scale, dtype=np.float64),
        weight=np.asarray(fitted.coef_[0]),
        intercept=float(fitted.intercept_[0]),
    )


def _trees(fill: Any, last: Any) -> TreeScorer:
    """Translate a fitted ensemble of trees."""
    boosted = hasattr(last, "init_")
    estimators = last.estimators_[:, 0] if boosted else last.estimators_
    trees = [estimator.tree_ for estimator in estimators]
    sizes = np.array([tree.node_count for tree in trees])
    offsets = np.concatenate([[0], np.cumsum(sizes)[:-1]])

    def chain(name: str) -> Any:
        return np.concatenate([np.asarray(getattr(tree, name)).reshape(-1) for tree in trees])

    if boosted:
        base = float(last.init_.class_prior_[1])
        start = float(np.log(base) - np.log1p(-base))
        value = np.asarray(chain("value"), dtype=np.float64) * float(last.learning_rate)
    else:
        start = 0.0
        counts = np.concatenate([np.asarray(tree.value)[:, 0, :] for tree in trees])
        value = counts[:, 1] / counts.sum(axis=1) / len(trees)
    shift = np.repeat(offsets, sizes)
    leaf = chain("children_left") < 0
    return TreeScorer(
        fill=fill,
        roots=offsets.astype(np.int32),
        column=np.where(leaf, -1, chain("feature")).astype(np.int32),
        left=np.where(leaf, 0, chain("children_left") + shift).astype(np.int32),
        right=np.where(leaf, 0, chain("children_right") + shift).astype(np.int32),
        threshold=np.asarray(chain("threshold"), dtype=np.float64),
        value=value,
        start=start,
        averaged=not boosted,
    )


def pipeline_log_odds(pipeline: Any, rows: Any) -> Any:
    """Log-odds of a fitted pipeline by scikit-learn itself."""
    if hasattr(pipeline.steps[-1][1], "decision_function"):
        return pipeline.decision_function(rows)
    return averaged_log_odds(pipeline.predict_proba(rows)[:, 1])
