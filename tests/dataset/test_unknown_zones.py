"""A zone at which nobody looked is neither snug nor loose, in the manifest and in training."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_up import TESTBED

from vibecheck.car.zones import ZONE_NAMES
from vibecheck.dataset.checks import has_one_class, row_problems, zones_with_both_classes
from vibecheck.dataset.manifest import ManifestRow, read_manifest, write_manifest
from vibecheck.errors import InputError
from vibecheck.features.catalogue import NAMES
from vibecheck.training.rows import Measured, fit_population, head_rows, known_of
from vibecheck.training.table import FeatureTable

SNUG = (1.0, 0.0)


@pytest.fixture
def row(tmp_path: Path) -> ManifestRow:
    (tmp_path / "a.wav").write_bytes(b"sound")
    (tmp_path / "car.toml").write_text(TESTBED, encoding="utf-8")
    return ManifestRow(
        file=tmp_path / "a.wav",
        car_file=tmp_path / "car.toml",
        sha256="0" * 64,
        car="Testbed",
        check="one",
        kind="part_checked",
        sensor="microphone",
        spot="centre",
        state={"motor_mount": SNUG, "driveline": None},
    )


def test_an_unknown_zone_is_written_as_empty_cells_and_read_again(row: ManifestRow) -> None:
    manifest = row.file.with_name("manifest.csv")
    write_manifest(manifest, [row])
    (again,) = read_manifest(manifest)
    assert again == row
    assert again.unknown_zones == ("driveline",)
    assert not again.is_loose("driveline")
    assert not again.is_known("driveline")
    assert not again.is_snug


def test_only_own_takes_may_leave_a_zone_open(row: ManifestRow) -> None:
    manifest = row.file.with_name("manifest.csv")
    write_manifest(manifest, [replace(row, origin="simulated")])
    with pytest.raises(InputError, match="preload and turns must be numbers"):
        read_manifest(manifest)


def test_nobody_looked_is_no_class(row: ManifestRow) -> None:
    loose = replace(row, check="two", kind="loose", state={**row.state, "motor_mount": (0.0, 0.5)})
    snug = replace(row, check="three", kind="baseline", state=dict.fromkeys(row.state, SNUG))
    assert has_one_class([row, loose]), "a car that was looked at in part is not snug"
    assert not has_one_class([snug, loose])
    assert zones_with_both_classes([snug, loose, row]) == ("motor_mount",)


@pytest.mark.parametrize(
    ("kind", "state", "words"),
    [
        ("baseline", None, "nobody looked at driveline"),
        ("speech", None, "nobody looked at driveline"),
        ("part_checked", SNUG, "part_checked, yet the state of every zone is known"),
        ("part_checked", (0.0, 1.0), "part_checked, which means nothing loose, yet driveline is"),
        ("loose", None, "loose, yet every zone that was looked at is snug"),
    ],
)
def test_a_kind_that_contradicts_what_is_known(
    row: ManifestRow, kind: str, state: tuple[float, float] | None, words: str
) -> None:
    wrong = replace(row, kind=kind, state={**row.state, "driveline": state})
    (problem,) = row_problems([wrong], Path("manifest.csv"))
    assert words in str(problem)


Make = Callable[..., FeatureTable]


@pytest.fixture
def make() -> Make:
    """A table of six cars, two checks each: one snug, one with a loose motor mount."""

    def table(known: np.ndarray | None = None) -> FeatureTable:
        rng = np.random.default_rng(3)
        n = 12
        loose = np.zeros((n, len(ZONE_NAMES)), dtype=bool)
        loose[1::2, ZONE_NAMES.index("motor_mount")] = True
        texts = {
            name: np.array([f"{name} {k}" for k in range(n)])
            for name in ("check", "file", "sha256")
        }
        return FeatureTable(
            values=rng.normal(size=(n, len(NAMES))),
            missing=np.zeros((n, len(NAMES)), dtype=bool),
            car=np.array([f"car {k // 2}" for k in range(n)]),
            layout=np.full(n, "4wd"),
            spot=np.full(n, "centre"),
            sensor=np.full(n, "microphone"),
            limited=np.zeros(n, dtype=bool),
            kind=np.where(loose.any(axis=1), "loose", "baseline"),
            zones=np.array(ZONE_NAMES),
            loose=loose,
            preload=np.where(loose, 0.0, 1.0),
            turns=np.where(loose, 0.5, 0.0),
            **texts,
            **({} if known is None else {"known": known}),
        )

    return table


def test_training_leaves_an_unknown_zone_out_of_its_head_and_of_no_other(make: Make) -> None:
    known = np.ones((12, len(ZONE_NAMES)), dtype=bool)
    known[:2, ZONE_NAMES.index("driveline")] = False
    table = make(known)
    assert known_of(table, "driveline").tolist() == [False, False] + [True] * 10
    # A find elsewhere settles "anything"; nothing found does not, while a zone is open.
    assert known_of(table, "any").tolist() == [False] + [True] * 11
    assert known_of(table, "motor_mount").all()
    measured = Measured.of(table, fit_population(table))
    for name, n_rows in (("driveline", 10), ("any", 11), ("motor_mount", 12)):
        _layout, rows = head_rows(measured, name, with_baseline=False)
        assert rows.loose.size == n_rows, name
    assert table.labelled().n_takes == 10
    assert make().labelled().n_takes == 12


def test_what_is_usual_comes_from_takes_that_were_looked_at_everywhere(make: Make) -> None:
    known = np.ones((12, len(ZONE_NAMES)), dtype=bool)
    known[0, 0] = False
    part = make(known)
    whole = make()
    without = whole.select(np.arange(1, 12))
    centre = fit_population(part).centre
    np.testing.assert_allclose(centre, fit_population(without).centre)
    assert not np.allclose(centre, fit_population(whole).centre)


def test_a_table_kept_before_zones_could_be_open_still_reads(make: Make, tmp_path: Path) -> None:
    table = make()
    table.save(tmp_path / "table.npz")
    with np.load(tmp_path / "table.npz") as archive:
        content = {key: archive[key] for key in archive.files if key != "table.known"}
    np.savez(tmp_path / "old.npz", **content)
    assert FeatureTable.load(tmp_path / "old.npz").known.all()
