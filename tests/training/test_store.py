"""Model files: two forms, one content; what was changed or does not fit is refused."""

from __future__ import annotations

import io
import json
import pickle
import struct
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.errors import InputError, MissingExtraError
from vibecheck.model import archive, store
from vibecheck.model.archive import PROTOCOL, array_of, read_sealed, seal, unpack, write_sealed
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

NOTICED = r"was changed|not end in the seal|no model file"


@pytest.fixture(scope="module")
def files(fitted: Fitted, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("model")
    plain, full = folder / "m.npz", folder / "m.skops"
    assert save_model(fitted.model, plain) == save_skops(fitted.model, fitted.pipelines, full)
    return plain, full


def rewrite(path: Path, target: Path, **changes: np.ndarray | None) -> Path:
    """Copy a model file with changed or dropped fields, under its old content hash."""
    with np.load(path, allow_pickle=False) as archive:
        content = {key: archive[key] for key in archive.files}
    for key, value in changes.items():
        if value is None:
            del content[key]
        else:
            content[key] = value
    return sealed(target, **content)


def sealed(target: Path, **content: np.ndarray) -> Path:
    """Write arrays as a model file would be, seal and all: only its content may be wrong."""
    packed = io.BytesIO()
    np.savez_compressed(packed, **content)
    write_sealed(packed.getvalue(), target)
    return target


def with_hash(path: Path, target: Path, **changes: np.ndarray | None) -> Path:
    """As `rewrite`, with the hash made to fit: only the content is wrong."""
    rewrite(path, target, **changes)
    with np.load(target, allow_pickle=False) as archive:
        content = {key: archive[key] for key in archive.files if key != "content_hash"}
    return sealed(target, content_hash=np.array(content_hash(content)), **content)


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
            x = head.layout.check_row(*model.columns_of(take), [take.spot], key.name)[None, :]
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
    with pytest.raises(InputError, match=r'format must be "vibecheck\.model"'):
        load_model(path)


@pytest.mark.parametrize(("step", "words"), [(1, "a newer version"), (-1, "an older version")])
def test_another_protocol_is_refused(
    files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int, words: str
) -> None:
    """In the seal of the file, and in the field beneath it."""
    whole = tmp_path / "x.npz"
    with monkeypatch.context() as other:
        other.setattr(archive, "PROTOCOL", PROTOCOL + step)
        rewrite(files[0], whole)
    with pytest.raises(InputError, match=f"protocol {PROTOCOL}. Got {PROTOCOL + step}.*{words}"):
        load_model(whole)
    field = np.array(f"vibecheck.model/{PROTOCOL + step}")
    with pytest.raises(InputError, match=words):
        load_model(with_hash(files[0], tmp_path / "y.npz", format=field))


def test_a_file_from_before_the_seal_is_refused(files: tuple[Path, Path], tmp_path: Path) -> None:
    with np.load(files[0], allow_pickle=False) as old:
        np.savez_compressed(tmp_path / "x.npz", **{key: old[key] for key in old.files})
    with pytest.raises(InputError, match=r"does not end in the seal.*before protocol 2"):
        load_model(tmp_path / "x.npz")


def test_fields_of_another_layout_are_refused(files: tuple[Path, Path], tmp_path: Path) -> None:
    """A head with another count of numbers, a name without its parts, facts that are a list."""
    with np.load(files[0], allow_pickle=False) as content:
        head = str(content["heads"][0])
        centre = content["population.microphone.centre"]
    for name, value in (
        (f"head.{head}.numbers", np.zeros(3)),
        ("heads", np.array(["wheels"])),
        ("about", np.array("[1, 2]")),
        ("about", np.array("{")),
        ("population.microphone.centre", centre[:-1]),
        ("familiarity.microphone.covariance", np.zeros((2, 2))),
    ):
        path = with_hash(files[0], tmp_path / "x.npz", **{name: value})
        with pytest.raises(InputError, match=r"do not fit together|lacks the field") as caught:
            load_model(path)
        assert str(path) in str(caught.value)


def test_an_origin_nobody_knows_is_refused(
    files: tuple[Path, Path], fitted: Fitted, tmp_path: Path
) -> None:
    about = np.array(json.dumps({**fitted.model.about, "trained_on": "hearsay"}))
    with pytest.raises(InputError, match="trained_on must be one of"):
        load_model(with_hash(files[0], tmp_path / "x.npz", about=about))


@pytest.mark.parametrize("wrong", [np.nan, np.inf])
def test_numbers_that_are_not_finite_are_refused(
    files: tuple[Path, Path], fitted: Fitted, tmp_path: Path, wrong: float
) -> None:
    with np.load(files[0], allow_pickle=False) as content:
        name = next(key for key in content.files if key.endswith((".weight", ".value")))
        values = content[name].copy()
    values[0] = wrong
    with pytest.raises(InputError, match=f'must be finite. The field "{name}"'):
        load_model(with_hash(files[0], tmp_path / "x.npz", **{name: values}))
    known = fitted.model.familiarities["microphone"]
    broken = replace(known, limit=wrong)
    model = replace(fitted.model, familiarities={"microphone": broken})
    with pytest.raises(InputError, match="must be finite"):
        save_model(model, tmp_path / "y.npz")
    with pytest.raises(InputError, match="must be finite"):
        save_skops(model, fitted.pipelines, tmp_path / "y.skops")
    assert [item.name for item in tmp_path.iterdir()] == ["x.npz"]


@settings(max_examples=60, deadline=None)
@given(where=st.floats(0.0, 1.0, exclude_max=True), flip=st.integers(1, 255), full=st.booleans())
def test_one_changed_byte_anywhere_is_noticed(
    files: tuple[Path, Path], where: float, flip: int, full: bool
) -> None:
    whole = files[int(full)].read_bytes()
    assert read_sealed(files[int(full)]) == whole
    changed = bytearray(whole)
    changed[int(where * len(whole))] ^= flip
    target = files[0].with_name(f"changed{files[int(full)].suffix}")
    target.write_bytes(bytes(changed))
    with pytest.raises(InputError, match=NOTICED):
        load_model(target)


def test_every_changed_byte_of_the_seal_is_noticed(files: tuple[Path, Path]) -> None:
    whole = files[0].read_bytes()
    target = files[0].with_name("seal.npz")
    for place in range(len(whole) - 115, len(whole)):
        changed = bytearray(whole)
        changed[place] ^= 1
        target.write_bytes(bytes(changed))
        with pytest.raises(InputError, match=NOTICED):
            load_model(target)


def test_bytes_added_or_cut_off_are_noticed(files: tuple[Path, Path], tmp_path: Path) -> None:
    for path in files:
        whole = path.read_bytes()
        target = tmp_path / path.name
        for content in (
            whole + b"x",
            b"x" + whole,
            whole[:-1],
            whole[: len(whole) // 2],
            whole[:3],
        ):
            target.write_bytes(content)
            with pytest.raises(InputError, match=NOTICED):
                load_model(target)


def claiming(shape: tuple[int, ...], kind: str = "<f8") -> bytes:
    """An array file that claims a shape and holds four numbers."""
    header = f"{{'descr': '{kind}', 'fortran_order': False, 'shape': {shape!r}, }}".encode()
    header += b" " * (-(len(header) + 11) % 64) + b"\n"
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header)) + header + b"\0" * 32


@pytest.mark.parametrize("shape", [(10**15,), (10**9, 10**9), (5,), (3,), (-4,), (-2, -2)])
def test_absurd_array_sizes_make_no_array(tmp_path: Path, shape: tuple[int, ...]) -> None:
    with pytest.raises(InputError, match="its bytes hold another number"):
        array_of(claiming(shape), "x.npz")
    for name in ("x.npz", "x.skops"):
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as out:
            out.writestr("about.npy", claiming(shape))
        write_sealed(packed.getvalue(), tmp_path / name)
        with pytest.raises(InputError, match="its bytes hold another number"):
            load_model(tmp_path / name)


def test_arrays_are_read_as_numpy_wrote_them() -> None:
    for array in (
        np.arange(12.0).reshape(3, 4),
        np.asfortranarray(np.arange(12.0).reshape(3, 4)),
        np.array("text"),
        np.array(["a", "bcd"]),
        np.zeros((0,)),
        np.array(True),
        np.arange(3, dtype=np.int32),
    ):
        out = io.BytesIO()
        np.save(out, array)
        read = array_of(out.getvalue(), "x")
        np.testing.assert_array_equal(read, array)
        assert read.dtype == array.dtype


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (claiming((4,), "|O"), "something other than plain numbers"),
        (claiming((4,), "<U0"), "something other than plain numbers"),
        (claiming((4,), "<M8[s]"), "something other than plain numbers"),
        (claiming((4,), "what"), "no model file"),
        (b"hello", "no model file"),
        (b"", "no model file"),
    ],
)
def test_arrays_of_another_kind_are_refused(content: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        array_of(content, "x.npz")


def test_an_archive_that_unpacks_to_too_much_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("a.npy", b"\0" * 200_000)
    path = tmp_path / "x.npz"
    write_sealed(packed.getvalue(), path)
    monkeypatch.setattr(archive, "MAX_CONTENT_BYTES", 100_000)
    with pytest.raises(InputError, match="A model must hold at most"):
        load_model(path)
    monkeypatch.setattr(archive, "MAX_FILE_BYTES", 100)
    with pytest.raises(InputError, match="must be at most"):
        load_model(path)


def test_an_archive_that_lies_about_its_sizes_is_refused(tmp_path: Path) -> None:
    """The directory claims 10 bytes where 200 000 come out: reading stops there."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("a.npy", b"\0" * 200_000)
    lying = packed.getvalue().replace(struct.pack("<I", 200_000), struct.pack("<I", 10))
    with pytest.raises(InputError, match="no model file"):
        unpack(lying, "x.npz")


def test_other_kinds_of_packing_are_refused() -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_BZIP2) as out:
        out.writestr("a.npy", b"\0" * 20)
    with pytest.raises(InputError, match="no model file"):
        unpack(packed.getvalue(), "x.npz")


def test_only_an_archive_without_comment_is_sealed() -> None:
    with pytest.raises(ValueError, match="without a comment"):
        seal(b"hello")


def test_a_model_that_cannot_be_written_leaves_the_old_one(
    files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "m.npz"
    target.write_bytes(files[0].read_bytes())

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(InputError, match="could not be written: No space left"):
        rewrite(files[0], target, names=None)
    assert [item.name for item in tmp_path.iterdir()] == ["m.npz"]
    assert target.read_bytes() == files[0].read_bytes()


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


class Opens:
    """A pickle that would leave a file behind."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[object, tuple[str, str]]:
        return (open, (str(self.path), "w"))


def test_pickles_are_not_read(tmp_path: Path) -> None:
    trace = tmp_path / "trace"
    path = sealed(tmp_path / "x.npz", content_hash=np.array([Opens(trace)], dtype=object))
    with pytest.raises(InputError, match="something other than plain numbers"):
        load_model(path)
    for name in ("y.npz", "y.skops"):
        bare = tmp_path / name
        bare.write_bytes(pickle.dumps(Opens(trace)))
        with pytest.raises(InputError, match="no model file of vibecheck"):
            load_model(bare)
    assert not trace.exists()


def write_skops(content: object, path: Path) -> Path:
    """Write any content as a sealed ``.skops`` file."""
    from skops.io import dumps

    write_sealed(dumps(content), path)
    return path


def test_untrusted_types_are_refused(tmp_path: Path) -> None:
    content = {"content_hash": "0", "arrays": {}, "texts": {}, "pipelines": {"x": subprocess.run}}
    path = write_skops(content, tmp_path / "x.skops")
    with pytest.raises(InputError, match="types that vibecheck does not trust"):
        load_model(path)


def test_skops_that_is_no_model_is_refused(tmp_path: Path) -> None:
    for content, words in (
        ([1, 2], "no model file of vibecheck"),
        ({"arrays": {}}, "lacks the field"),
        ({"content_hash": "0", "arrays": 1, "texts": {}, "pipelines": {}}, "no model file"),
    ):
        path = write_skops(content, tmp_path / "x.skops")
        with pytest.raises(InputError, match=words):
            load_model(path)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as out:
        out.writestr("schema.json", "[" * 5000)
    write_sealed(packed.getvalue(), tmp_path / "x.skops")
    with pytest.raises(InputError, match="no model file"):
        load_model(tmp_path / "x.skops")


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
    """One more name here is a decision: what it is must not run anything when it is read."""
    from vibecheck.training import estimators

    assert isinstance(store.TRUSTED_TYPES, tuple)
    others = {"numpy.dtype", "sklearn.tree._tree.Tree"}
    own = {"RidgeAndTrees", "SignedLogisticRegression"}
    assert set(store.TRUSTED_TYPES) == others | {f"{estimators.__name__}.{one}" for one in own}
    for one in own:
        assert "__setstate__" not in vars(getattr(estimators, one))


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
