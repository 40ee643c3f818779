"""Model files: two forms, one content; what was changed or does not fit is refused."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest

from vibecheck.errors import InputError, MissingExtraError
from vibecheck.model import store
from vibecheck.model.inputs import relation
from vibecheck.model.pipelines import pipeline_log_odds
from vibecheck.model.store import (
    content_hash,
    head_name,
    load_model,
    model_to_arrays,
    read_skops,
    save_model,
    save_skops,
)
from vibecheck.training.fit import Fitted
from vibecheck.training.table import FeatureTable


@pytest.fixture(scope="module")
def files(fitted: Fitted, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("model")
    plain, full = folder / "m.npz", folder / "m.skops"
    assert save_model(fitted.model, plain) == save_skops(fitted.model, fitted.pipelines, full)
    return plain, full


def rewrite(path: Path, target: Path, **changes: np.ndarray | None) -> Path:
    """Copy a model file with changed or dropped fields, under its old hash."""
    with np.load(path, allow_pickle=False) as archive:
        content = {key: archive[key] for key in archive.files}
    for key, value in changes.items():
        if value is None:
            del content[key]
        else:
            content[key] = value
    np.savez_compressed(target, **content)
    return target


def with_hash(path: Path, target: Path, **changes: np.ndarray | None) -> Path:
    """As `rewrite`, with the hash made to fit: only the content is wrong."""
    rewrite(path, target, **changes)
    with np.load(target, allow_pickle=False) as archive:
        content = {key: archive[key] for key in archive.files if key != "content_hash"}
    np.savez_compressed(target, content_hash=np.array(content_hash(content)), **content)
    return target


def test_both_forms_give_the_same_model(
    files: tuple[Path, Path], fitted: Fitted, table: FeatureTable
) -> None:
    takes = [table.evidence(5, with_baseline=True)]
    expected = fitted.model.zone_odds("wheel_front_left", takes, "4wd")
    for path in files:
        model = load_model(path)
        assert model.zone_odds("wheel_front_left", takes, "4wd").log_ratio == expected.log_ratio
        assert model.card == fitted.model.card
        assert content_hash(model_to_arrays(model)) == content_hash(model_to_arrays(fitted.model))


def test_arrays_equal_the_stored_pipelines(
    files: tuple[Path, Path], fitted: Fitted, table: FeatureTable
) -> None:
    """The whole way: stored pipelines against stored arrays, on real rows, to 1e-9."""
    content = read_skops(files[1])
    model = load_model(files[0])
    for key, head in model.heads.items():
        if head.layout.kind == "wheel":
            continue
        pipeline = content["pipelines"][head_name(key)]
        for row in range(0, table.n_takes, 17):
            take = table.evidence(row, with_baseline=key.with_baseline)
            if key.with_baseline and take.baseline is None:
                continue
            x = head.layout.take_rows(*model.columns_of(take), [relation(take.spot, key.name)])
            np.testing.assert_allclose(
                head.scorer.log_odds(x), pipeline_log_odds(pipeline, x), rtol=1e-9, atol=1e-9
            )


def test_a_changed_file_is_refused(files: tuple[Path, Path], tmp_path: Path) -> None:
    path = rewrite(files[0], tmp_path / "x.npz", sensors=np.array(["x"]))
    with pytest.raises(InputError, match="was changed after it was written"):
        load_model(path)


def test_another_catalogue_is_refused(files: tuple[Path, Path], tmp_path: Path) -> None:
    path = with_hash(files[0], tmp_path / "x.npz", catalogue_version=np.array("0"))
    with pytest.raises(InputError, match="must be of feature catalogue"):
        load_model(path)
    with np.load(files[0], allow_pickle=False) as archive:
        names = archive["names"]
    path = with_hash(files[0], tmp_path / "y.npz", names=names[::-1].copy())
    with pytest.raises(InputError, match="with other features"):
        load_model(path)


def test_another_format_is_refused(files: tuple[Path, Path], tmp_path: Path) -> None:
    path = with_hash(files[0], tmp_path / "x.npz", format=np.array("other/9"))
    with pytest.raises(InputError, match="format must be"):
        load_model(path)


@pytest.mark.parametrize(
    "field",
    [
        "sensors",
        "population.microphone.centre",
        "familiarity.microphone.limit",
        "head.wheels.baseline.microphone.numbers",
        "names",
    ],
)
def test_missing_fields_are_refused(files: tuple[Path, Path], tmp_path: Path, field: str) -> None:
    path = with_hash(files[0], tmp_path / "x.npz", **{field: None})
    with pytest.raises(InputError, match="lacks the field"):
        load_model(path)


def test_a_file_without_hash_or_facts_is_refused(files: tuple[Path, Path], tmp_path: Path) -> None:
    with pytest.raises(InputError, match="content_hash"):
        load_model(rewrite(files[0], tmp_path / "x.npz", content_hash=None))
    about = np.array(json.dumps({"name": "x"}))
    with pytest.raises(InputError, match='lacks the field "version"'):
        load_model(with_hash(files[0], tmp_path / "y.npz", about=about))


def test_missing_and_damaged_files_are_refused(tmp_path: Path, files: tuple[Path, Path]) -> None:
    with pytest.raises(InputError, match="no model file here"):
        load_model(tmp_path / "absent.npz")
    with pytest.raises(InputError, match="no file"):
        load_model(tmp_path)
    for name, content in (("text.npz", b"hello"), ("empty.npz", b""), ("text.skops", b"hello")):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(InputError, match="no model file of vibecheck"):
            load_model(path)
    cut = tmp_path / "cut.npz"
    cut.write_bytes(files[0].read_bytes()[:2000])
    with pytest.raises(InputError, match="no model file of vibecheck"):
        load_model(cut)


def test_pickles_are_not_read(tmp_path: Path) -> None:
    path = tmp_path / "x.npz"
    np.savez(path, content_hash=np.array([{"a": 1}], dtype=object))
    with pytest.raises(InputError, match="no model file of vibecheck"):
        load_model(path)


def test_untrusted_types_are_refused(tmp_path: Path) -> None:
    from skops.io import dump

    path = tmp_path / "x.skops"
    dump({"content_hash": "0", "arrays": {}, "texts": {}, "pipelines": {"x": subprocess.run}}, path)
    with pytest.raises(InputError, match="types that vibecheck does not trust"):
        load_model(path)


def test_skops_that_is_no_model_is_refused(tmp_path: Path) -> None:
    from skops.io import dump

    path = tmp_path / "x.skops"
    dump([1, 2], path)
    with pytest.raises(InputError, match="no model file of vibecheck"):
        load_model(path)
    dump({"arrays": {}}, path)
    with pytest.raises(InputError, match="lacks the field"):
        load_model(path)


def test_swapped_pipelines_are_refused(fitted: Fitted, tmp_path: Path) -> None:
    swapped = dict(fitted.pipelines)
    swapped["motor_mount.alone.microphone"] = swapped["gear_mesh.alone.microphone"]
    path = tmp_path / "x.skops"
    save_skops(fitted.model, swapped, path)
    with pytest.raises(InputError, match='pipeline of "motor_mount'):
        load_model(path)


def test_nothing_half_written_is_left(fitted: Fitted, tmp_path: Path) -> None:
    path = tmp_path / "deep" / "m.npz"
    save_model(fitted.model, path)
    assert [item.name for item in path.parent.iterdir()] == ["m.npz"]
    assert zipfile.is_zipfile(path)


def test_plain_form_needs_no_scikit_learn(files: tuple[Path, Path]) -> None:
    code = (
        "import sys; from vibecheck.model.store import load_model; "
        f"load_model({str(files[0])!r}); "
        "heavy = {'sklearn', 'skops', 'scipy.signal', 'pandas', 'librosa'} & set(sys.modules); "
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_trusted_types_are_fixed() -> None:
    assert isinstance(store.TRUSTED_TYPES, tuple)
    assert len(store.TRUSTED_TYPES) == 2


def test_without_the_training_extra_it_says_what_to_install(
    fitted: Fitted, files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name in ("skops", "skops.io", "skops.io.exceptions"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(MissingExtraError, match="not installed"):
        load_model(files[1])
    with pytest.raises(MissingExtraError, match="not installed"):
        save_skops(fitted.model, fitted.pipelines, tmp_path / "x.skops")
    assert load_model(files[0]).card == fitted.model.card, "the plain form needs no extra"
