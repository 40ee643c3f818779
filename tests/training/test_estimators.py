"""Our estimators keep scikit-learn's contract, and do what they say."""

from __future__ import annotations

import pytest

pytest.importorskip("sklearn")

from sklearn.utils.estimator_checks import parametrize_with_checks

from vibecheck.training.estimators import SignedLogisticRegression, StableDirections


@parametrize_with_checks([SignedLogisticRegression(), StableDirections()])
def test_contract(estimator, check) -> None:  # type: ignore[no-untyped-def]
    check(estimator)
