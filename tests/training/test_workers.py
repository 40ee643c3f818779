"""Processes here or a Dask cluster: the same code, and the same result bit for bit."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from tiny_set import tiny_set

from vibecheck.cli import main
from vibecheck.dataset.manifest import read_manifest
from vibecheck.errors import CallError, InputError, MissingExtraError
from vibecheck.model.store import content_hash, model_to_arrays
from vibecheck.training import workers, workflow
from vibecheck.training.build import build_table, code_fingerprint
from vibecheck.training.evaluate import MODES, evaluate
from vibecheck.training.families import ridge
from vibecheck.training.workers import jobs_for, working_on
from vibecheck.training.workflow import train

pytest.importorskip("distributed", reason="needs the cluster extra")


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """A cluster of two worker processes on this machine, with its dashboard kept to itself."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
    ) as cluster:
        yield cluster.scheduler_address


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny_set(tmp_path_factory.mktemp("tiny") / "set")


def test_features_and_model_are_the_same_bit_for_bit(
    tiny: Path, scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workflow, "N_INNER", 2)
    few = partial(evaluate, modes=(MODES[0],), n_bootstrap=20)
    monkeypatch.setattr(workflow, "evaluate", few)
    # Real takes, measured anew in each way.
    real = [row for row in read_manifest(tiny) if row.file.stat().st_size > 10_000]
    rows = [replace(real[0], spot=spot) for spot in ("centre", "motor_mount", "wheel_rear_left")]
    tables = []
    for place, n_jobs in ((None, 1), (None, 2), (scheduler, -1)):
        with working_on(place, tiny):
            tables.append(build_table(rows, n_jobs=n_jobs)[0])
    for table in tables[1:]:
        np.testing.assert_array_equal(table.values, tables[0].values)
        np.testing.assert_array_equal(table.missing, tables[0].missing)
    hashes = []
    for place in (None, scheduler):
        trained = train(
            tiny,
            cache=tiny.parent / "cache",
            n_workers=2,
            scheduler=place,
            n_outer=2,
            families=(ridge(0.01),),
        )
        hashes.append(content_hash(model_to_arrays(trained.model)))
        assert trained.model.about["metrics"]["modes"]
    assert hashes[0] == hashes[1]


def test_a_cluster_that_would_differ_is_refused(
    tiny: Path, scheduler: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with (
        pytest.raises(InputError, match="A worker does not see"),
        working_on(scheduler, tiny.parent / "absent.csv"),
    ):
        pass
    monkeypatch.setattr("vibecheck.training.build.code_fingerprint", lambda: "another")
    with (
        pytest.raises(InputError, match="another version of vibecheck"),
        working_on(scheduler, tiny),
    ):
        pass


class FakeClient:
    """Stands in for a cluster whose workers say something else."""

    def __init__(self, told: dict[str, object]) -> None:
        self.told = told

    def run(self, *_words: object) -> dict[str, object]:
        return self.told


def test_a_cluster_without_workers_or_with_threads_is_refused() -> None:
    with pytest.raises(InputError, match="has no workers"):
        workers._check_workers(FakeClient({}), "tcp://x", None)
    told = {"tcp://y": (code_fingerprint(), True, False)}
    with pytest.raises(InputError, match="several threads"):
        workers._check_workers(FakeClient(told), "tcp://x", None)


def test_addresses(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(CallError, match="--scheduler must be an address"), working_on("localhost"):
        pass
    monkeypatch.setattr(workers, "TIMEOUT_S", 0.2)
    with (
        pytest.raises(InputError, match="No Dask scheduler answers"),
        working_on("tcp://127.0.0.1:9"),
    ):
        pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MissingExtraError, match="not installed"), working_on("tcp://127.0.0.1:9"):
        pass
    assert jobs_for(3, None) == 3
    assert jobs_for(3, "tcp://127.0.0.1:9") == -1


@pytest.mark.parametrize("command", ["train", "evaluate"])
def test_the_commands_say_it_in_one_block(
    command: str,
    tiny: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    words = [str(tiny)] if command == "train" else ["model.npz", str(tiny)]
    code = main([command, *words, "--out", str(tmp_path / "o"), "--scheduler", "tcp://127.0.0.1:9"])
    assert code == 2
    assert 'pip install "vibecheck[cluster]"' in capsys.readouterr().err
