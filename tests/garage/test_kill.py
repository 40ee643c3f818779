"""Killed at random moments: nothing that was acknowledged is lost, no half file is believed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import kill_worker
import pytest
from garage_cars import CAR_FILE, add_car

from vibecheck.garage import Garage

KILLS = 200


@pytest.fixture
def quick_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: a kill, unlike a power cut, loses nothing there."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK) or shutil.disk_usage(memory).free < 100_000_000:
        yield tmp_path
        return
    folder = Path(tempfile.mkdtemp(prefix="vibecheck-test-", dir=memory))
    yield folder
    shutil.rmtree(folder)


@pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL")
def test_killed_200_times_nothing_acknowledged_is_lost(quick_folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, kill_worker.__file__, str(quick_folder / "work"), "1", str(KILLS)],
        capture_output=True,
        text=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
    )
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout)
    assert sum(seen["kills"].values()) == KILLS
    assert set(seen["kills"]) == {"takes", "hand_check", "sittings", "migration"}
    # Some kills came after acknowledged work, and some migrations were cut short.
    assert seen["acknowledged"] > KILLS / 2
    assert seen["migrated"] < seen["kills"]["migration"]


@pytest.mark.parametrize(
    "acknowledged",
    [
        ["take", "00"],
        ["finding", "s", "motor_mount", "set screw", "snug", 1, [], "x"],
        ["runs", 99.0],
    ],
)
def test_a_loss_would_be_noticed(tmp_path: Path, acknowledged: list[object]) -> None:
    with Garage.open(tmp_path) as garage:
        add_car(garage)
    truth = kill_worker.Truth()
    truth.hold_against(tmp_path, "hand_check")
    truth.learn([acknowledged])
    with pytest.raises(AssertionError):
        truth.hold_against(tmp_path, "hand_check")


def test_a_half_recording_would_be_noticed(tmp_path: Path) -> None:
    with Garage.open(tmp_path) as garage:
        garage.add_car_text(CAR_FILE)
        sitting = garage.start_sitting("Saltflat 8")
        source = tmp_path / "a.wav"
        source.write_bytes(bytes(range(256)) * 100)
        take = garage.add_take(sitting.id, source)
    kill_worker.Truth().hold_against(tmp_path, "takes")
    take.path.write_bytes(source.read_bytes()[:1000])
    with pytest.raises(AssertionError):
        kill_worker.Truth().hold_against(tmp_path, "takes")
