"""Everything wrong with a set is listed at once; leaks between cars, checks, splits are found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
from small_set import CAR, SNUG, small_set

from vibecheck.dataset.manifest import ManifestRow, read_manifest, write_cells, write_manifest
from vibecheck.dataset.manifest import manifest_cells as cells_of
from vibecheck.dataset.verify import Verified, verify_set
from vibecheck.errors import InputError
from vibecheck.whole_file import file_hash

Change = Callable[[list[ManifestRow]], list[ManifestRow]]


@pytest.fixture
def manifest(tmp_path: Path) -> Path:
    return small_set(tmp_path / "set")


def verified(manifest: Path, change: Change | None = None, **words: bool) -> Verified:
    if change is not None:
        write_manifest(manifest, change(read_manifest(manifest)))
    return verify_set(manifest, **words)


def test_a_whole_set_has_no_problem_and_says_what_is_open(manifest: Path) -> None:
    seen = []
    found = verify_set(manifest.parent, progress=lambda *words: seen.append(words))
    assert found.problems == ()
    assert len(found.rows) == 3
    assert any("zones at which nobody looked" in note for note in found.notes)
    assert {stage for stage, _, _ in seen} == {
        "Comparing files with their hashes",
        "Looking for one sound in two files",
    }


def test_all_problems_are_listed_at_once(manifest: Path) -> None:
    folder = manifest.parent
    rows = read_manifest(manifest)
    (folder / "rec" / "take 0.wav").write_bytes(b"changed")
    (folder / "rec" / "take 2.wav").unlink()
    cells = [cells_of(row, folder) for row in rows]
    cells[1] |= {"kind": "baseline"}
    cells.append({**cells[2], "sensor": "ear"})
    write_cells(manifest, cells)
    found = verify_set(manifest)
    told = {(one.code, word) for one in found.problems for word in one.what.split()}
    assert ("row", '"ear".') in told
    assert ("label", "baseline,") in told
    assert ("file", "hash") in told
    assert ("file", "missing.") in told
    assert len(found.problems) == 4
    assert all(one.where and one.advice for one in found.problems)


def of_another_car(row: ManifestRow, name: str) -> ManifestRow:
    car_file = row.car_file.with_name("other.toml")
    car_file.write_text(CAR.format(name=name), encoding="utf-8")
    return replace(row, car=name, car_file=car_file, check=f"{name} 9")


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (
            lambda rows: [*rows, replace(of_another_car(rows[0], "Other"), file=copy(rows[0]))],
            "leak",
            'two cars ("Dune Runner 3" and "Other")',
        ),
        (
            lambda rows: [*rows, replace(rows[0], check="again", file=copy(rows[0]))],
            "leak",
            'two bench checks ("Dune Runner 3 0" and "again")',
        ),
        (
            lambda rows: [*rows[:2], replace(rows[2], car="dune  runner 3")],
            "leak",
            "differ in case or spaces only",
        ),
        (
            lambda rows: [*rows[:2], replace(rows[2], car="Alias", check="Alias 1")],
            "leak",
            "the very same car file",
        ),
        (
            lambda rows: [
                replace(row, other={"split": "train" if k else "test"})
                for k, row in enumerate(rows)
            ],
            "leak",
            'in two splits: "test" on line 2, "train" here',
        ),
        (
            lambda rows: [
                rows[0],
                replace(rows[1], other={"original_sha256": rows[0].sha256}),
                rows[2],
            ],
            "leak",
            "both come from one original",
        ),
        (
            lambda rows: [rows[0], replace(rows[1], seed=7), rows[2]],
            "label",
            "is of a real car and yet has a seed",
        ),
    ],
)
def test_leaks_and_impossible_labels(manifest: Path, change: Change, code: str, words: str) -> None:
    found = verified(manifest, change)
    assert [one.code for one in found.problems if words in one.what][:1] == [code], found.problems


def copy(row: ManifestRow) -> Path:
    target = row.file.with_name("copy.wav")
    target.write_bytes(row.file.read_bytes())
    return target


def test_a_loose_zone_that_the_car_has_not(manifest: Path) -> None:
    rows = read_manifest(manifest)
    other = of_another_car(rows[1], "Other")
    own = other.car_file.read_text(encoding="utf-8") + '[[zones]]\nname = "fan"\nseverity = 1\n'
    other.car_file.write_text(own, encoding="utf-8")
    rows[0] = replace(rows[0], state={**rows[0].state, "fan": SNUG})
    rows[1] = replace(rows[1], state={**rows[1].state, "fan": (0.0, 1.0)})
    rows[2] = replace(rows[2], state={**rows[2].state, "fan": None})
    rows.append(replace(other, file=copy(rows[0]), state={**rows[1].state, "fan": SNUG}))
    write_manifest(manifest, rows)
    found = verify_set(manifest, listen=False)
    assert any(
        "fan is labelled loose, and the car has no such zone" in p.what for p in found.problems
    )


def test_one_sound_in_two_files_is_a_leak(manifest: Path) -> None:
    rows = read_manifest(manifest)
    samples, rate = soundfile.read(rows[0].file, dtype="int16")
    twin = rows[0].file.with_name("twin.flac")
    soundfile.write(twin, samples, rate, subtype="PCM_16", format="FLAC")
    rows.append(replace(rows[0], file=twin, sha256=file_hash(twin), check="Dune Runner 3 again"))
    write_manifest(manifest, rows)
    (problem,) = verify_set(manifest).problems
    assert problem.code == "leak"
    assert 'the same samples as "take 0.wav"' in problem.what
    assert verify_set(manifest, listen=False).problems == ()


def test_what_is_no_recording_and_what_is_stray(manifest: Path) -> None:
    rows = read_manifest(manifest)
    rows[0].file.write_text("no sound", encoding="utf-8")
    rows[0] = replace(rows[0], sha256=file_hash(rows[0].file))
    outside = manifest.parent.parent / "outside.wav"
    rows[1].file.rename(outside)
    rows[1] = replace(rows[1], file=outside)
    write_manifest(manifest, rows)
    (manifest.parent / "takes").mkdir()
    (manifest.parent / "takes" / "stray.wav").write_bytes(b"?")
    found = verify_set(manifest)
    assert [one.code for one in found.problems] == ["file"]
    assert any("outside the set's folder" in note for note in found.notes)
    assert any("stray.wav" in note for note in found.notes)


def test_a_manifest_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="manifest cannot be read"):
        verify_set(tmp_path)


def test_a_missing_car_file_is_told_once(manifest: Path) -> None:
    (manifest.parent / "car.toml").unlink()
    problems = [one for one in verify_set(manifest, listen=False).problems if one.code == "file"]
    assert len(problems) == 1
    assert "car file" in problems[0].what
