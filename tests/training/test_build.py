"""From a manifest to a feature table; every take is measured once."""

from __future__ import annotations

import csv
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_up import TESTBED, write_take

from vibecheck.dataset.manifest import read_manifest
from vibecheck.errors import InputError, MissingExtraError
from vibecheck.training.build import build_table, code_fingerprint, data_hash

CAR = TESTBED.replace('"4wd"', '"rwd"')


@pytest.fixture(scope="module")
def manifest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("set")
    (folder / "car.toml").write_text(CAR, encoding="utf-8")
    rows = []
    for k, (kind, preload, turns) in enumerate(
        [("baseline", 1.0, 0.0), ("loose", 0.0, 0.5), ("loose", 0.3, 0.0), ("speech", 1.0, 0.0)]
    ):
        file = f"{k}.wav"
        digest = write_take(folder / file, k)
        rows.append(
            {
                "file": file,
                "sha256": digest,
                "car": "Testbed",
                "car_file": "car.toml",
                "bench_check": f"check {k}",
                "kind": kind,
                "sensor": "microphone",
                "spot": "centre",
                "origin": "simulated",
                "motor_mount_preload": preload,
                "motor_mount_turns": turns,
            }
        )
    (folder / "text.wav").write_text("hello", encoding="utf-8")
    rows.append({**rows[0], "file": "text.wav", "sha256": "0" * 64, "bench_check": "check 9"})
    path = folder / "manifest.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_labels_are_what_a_hand_check_would_find(manifest: Path) -> None:
    rows = read_manifest(manifest)
    assert [row.is_loose("motor_mount") for row in rows[:4]] == [False, True, True, False]


def test_table_from_takes_and_again_from_the_cache(manifest: Path, tmp_path: Path) -> None:
    rows = read_manifest(manifest)
    counts = []
    table, left_out = build_table(
        rows, cache=tmp_path, n_jobs=1, progress=lambda done, total: counts.append((done, total))
    )
    assert counts[-1] == (5, 5)
    assert table.n_takes == 4
    assert len(left_out) == 1
    assert left_out[0].startswith("text.wav")
    assert table.is_baseline.tolist() == [True, False, False, False]
    assert table.is_hard.tolist() == [False, False, False, True]
    assert table.loose[:, 0].tolist() == [False, True, True, False]
    assert set(table.layout.tolist()) == {"rwd"}
    assert np.isfinite(table.values).all()
    assert (~table.missing).any()
    kept = list((tmp_path / code_fingerprint()).glob("*.npz"))
    assert len(kept) == 4
    for row in rows[:4]:
        row.file.rename(row.file.with_suffix(".gone"))
    try:
        again, _ = build_table(rows[:4], cache=tmp_path, n_jobs=1)
    finally:
        for row in rows[:4]:
            row.file.with_suffix(".gone").rename(row.file)
    np.testing.assert_array_equal(again.values, table.values)
    assert data_hash(again) == data_hash(table)


def test_nothing_usable_is_refused(manifest: Path) -> None:
    with pytest.raises(InputError, match="No take of the manifest is usable"):
        build_table(read_manifest(manifest)[4:], n_jobs=1)


def test_kept_features_hang_on_the_car_file_sensor_and_spot(manifest: Path, tmp_path: Path) -> None:
    rows = read_manifest(manifest)[:1]
    other = tmp_path / "other.toml"
    other.write_text(CAR.replace("spur_teeth = 50", "spur_teeth = 60"), encoding="utf-8")
    for row in (rows[0], replace(rows[0], car_file=other), replace(rows[0], spot="motor_mount")):
        build_table([row], cache=tmp_path, n_jobs=1)
    assert len(list(tmp_path.rglob("*.npz"))) == 3


def test_a_damaged_cache_is_measured_again(manifest: Path, tmp_path: Path) -> None:
    rows = read_manifest(manifest)[:1]
    first, _ = build_table(rows, cache=tmp_path, n_jobs=1)
    kept = next(tmp_path.rglob("*.npz"))
    for content in (b"", b"hello", kept.read_bytes()[:300]):
        kept.write_bytes(content)
        again, _ = build_table(rows, cache=tmp_path, n_jobs=1)
        np.testing.assert_array_equal(again.values, first.values)


def test_a_cache_that_cannot_be_made_is_refused(manifest: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(InputError, match="features could not be made"):
        build_table(read_manifest(manifest)[:1], cache=tmp_path / "file", n_jobs=1)


def test_without_the_training_extra_it_says_what_to_install(
    manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "joblib", None)
    with pytest.raises(MissingExtraError, match="not installed"):
        build_table(read_manifest(manifest))
