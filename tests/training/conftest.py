"""A small model fitted once on a made-up table."""

from __future__ import annotations

import pytest
from fake_table import fake_table

from vibecheck.training.families import averaged, ridge
from vibecheck.training.fit import Fitted, fit_model
from vibecheck.training.table import FeatureTable

QUICK = (ridge(0.01), averaged(20, 5, 5))
ABOUT = {
    "name": "made-up",
    "version": "0.0",
    "trained_on": "simulated",
    "n_takes": 240,
    "data_sha256": "0" * 64,
    "metrics": {},
    "limits": ["made up for tests"],
}


@pytest.fixture(scope="session")
def table() -> FeatureTable:
    return fake_table()


@pytest.fixture(scope="session")
def fitted(table: FeatureTable) -> Fitted:
    return fit_model(table, families=QUICK, n_folds=3, about=ABOUT)


@pytest.fixture(scope="session")
def quick() -> tuple:
    return QUICK
