"""Where the work is done: processes of this machine, or a Dask cluster. The code is the same.

Everything that takes long goes through joblib (`vibecheck.training.build`, `evaluate`), and
`working_on` says which backend it uses. Either way every task runs on one core, so that sums are in
one order and the result is the same bit for bit.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

from vibecheck.errors import CallError, InputError, MissingExtraError

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
TIMEOUT_S = 20.0
SCHEMES = ("tcp://", "tls://")


@contextmanager
def working_on(scheduler: str | None, needed: Path | None = None) -> Iterator[None]:
    """Let joblib work in processes of this machine, or on a Dask cluster.

    Parameters
    ----------
    scheduler : str or None
        Address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``; ``None`` for this machine.
    needed : Path, optional
        A file that every worker must see under the same path.

    Raises
    ------
    CallError
        If the address is none.
    InputError
        If nothing answers there, the cluster has no workers, or they would not give the same
        result: another version of vibecheck, several threads a task, or no view of the files.
    MissingExtraError
        If the ``cluster`` extra is not installed.
    """
    from joblib import parallel_config

    if scheduler is None:
        with parallel_config(backend="loky", inner_max_num_threads=1):
            yield
        return
    if not scheduler.startswith(SCHEMES):
        raise CallError(
            f'--scheduler must be an address such as tcp://10.0.0.5:8786. Got "{scheduler}" '
            "instead."
        )
    try:
        distributed: Any = import_module("distributed")
    except ImportError as error:
        raise MissingExtraError("Working on a cluster", "cluster") from error
    try:
        client = distributed.Client(scheduler, timeout=TIMEOUT_S, set_as_default=True)
    except (OSError, TimeoutError, ValueError) as error:
        raise InputError(
            "No Dask scheduler answers there.",
            where=scheduler,
            advice="Start one with: dask scheduler --dashboard-address 127.0.0.1:8787",
        ) from error
    try:
        _check_workers(client, scheduler, needed)
        with parallel_config(backend="dask"):
            yield
    finally:
        client.close()


def jobs_for(n_workers: int, scheduler: str | None) -> int:
    """Return joblib's number of jobs: as asked for here, all workers on a cluster."""
    return n_workers if scheduler is None else -1


def _check_workers(client: Any, scheduler: str, needed: Path | None) -> None:
    from vibecheck.training.build import code_fingerprint

    told: dict[str, tuple[str, bool, bool]] = client.run(
        _about_worker, None if needed is None else os.path.abspath(needed)
    )
    if not told:
        raise InputError(
            "The Dask scheduler has no workers.",
            where=scheduler,
            advice=f"Start some with: dask worker {scheduler} --nthreads 1",
        )
    own = code_fingerprint()
    for worker, (code, sees, is_single) in sorted(told.items()):
        if code != own:
            raise InputError(
                "A worker has another version of vibecheck: its features would differ.",
                where=worker,
                advice="Install the same version on every machine of the cluster.",
            )
        if not sees:
            raise InputError(
                f"A worker does not see {needed}.",
                where=worker,
                advice="Put takes, car files and the folder of features where every machine sees "
                "them under the same path.",
            )
        if not is_single:
            raise InputError(
                "A worker uses several threads for linear algebra: results could differ in the "
                "last digits.",
                where=worker,
                advice=f"Start it with {' '.join(f'{name}=1' for name in THREADS)} in front.",
            )


def _about_worker(needed: str | None) -> tuple[str, bool, bool]:
    """Say, on a worker, which code it has, whether it sees a file, and that it is single."""
    from vibecheck.training.build import code_fingerprint

    sees = needed is None or os.path.exists(needed)
    return code_fingerprint(), sees, all(os.environ.get(name) == "1" for name in THREADS)
