"""Stage 5: the model file. Plain arrays with a content hash; nothing in it can be executed.

Two forms hold the same content under the same hash: ``.npz`` (plain arrays, read on the check path
with ``allow_pickle=False`` and without scikit-learn) and ``.skops`` (scikit-learn pipelines for
further work, read with a fixed list of trusted types; needs the ``training`` extra).
"""

from __future__ import annotations

import hashlib
import json
import os
import warnings
import zipfile
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import InputError, MissingExtraError
from vibecheck.features.catalogue import CATALOGUE_VERSION
from vibecheck.features.catalogue import NAMES as CATALOGUE_NAMES
from vibecheck.model.heads import Head
from vibecheck.model.looseness import HeadKey, LoosenessModel
from vibecheck.model.pipelines import scorer_from_pipeline
from vibecheck.model.population import Population
from vibecheck.model.scorers import Scorer
from vibecheck.model.unfamiliar import Familiarity

FORMAT = "vibecheck.model/1"
SHIPPED = Path(__file__).resolve().parent.parent / "data" / "model" / "looseness.npz"
TRUSTED_TYPES = ("numpy.dtype", "sklearn.tree._tree.Tree")
"""Types beyond skops' own defaults that a model file may hold. Fixed: never read from the file.
Trees index without bounds checks, so pipelines are compared with the checked arrays on loading."""
ABOUT_KEYS = ("name", "version", "trained_on", "n_takes", "data_sha256", "metrics", "limits")
_TRAIN_AGAIN = "Train the model again with this version of vibecheck, or fetch the file again."


def content_hash(arrays: Mapping[str, NDArray[Any]]) -> str:
    """SHA-256 over names, types, shapes and bytes of all arrays, in order of their names."""
    digest = hashlib.sha256()
    for name in sorted(arrays):
        array = np.ascontiguousarray(arrays[name])
        if array.dtype.kind == "U":
            # Text widths depend on the array's longest entry; hash the text itself.
            payload = json.dumps(array.tolist(), ensure_ascii=True).encode()
            kind = "text"
        else:
            array = array.astype(array.dtype.newbyteorder("<"), copy=False)
            payload, kind = array.tobytes(), array.dtype.str
        head = f"{name}|{kind}|{array.shape}|{len(payload)}|"
        digest.update(head.encode())
        digest.update(payload)
    return digest.hexdigest()


def model_to_arrays(model: LoosenessModel) -> dict[str, NDArray[Any]]:
    """Return everything a model file holds, but the hash."""
    arrays: dict[str, NDArray[Any]] = {
        "format": np.array(FORMAT),
        "catalogue_version": np.array(model.catalogue_version),
        "names": np.array(model.names),
        "about": np.array(json.dumps(dict(model.about), sort_keys=True)),
        "sensors": np.array(sorted(model.populations)),
        "heads": np.array(sorted(head_name(key) for key in model.heads)),
    }
    for sensor in model.populations:
        for name, value in model.populations[sensor].arrays().items():
            arrays[f"population.{sensor}.{name}"] = value
        for name, value in model.familiarities[sensor].arrays().items():
            arrays[f"familiarity.{sensor}.{name}"] = value
    for key, head in model.heads.items():
        for name, value in head.arrays().items():
            arrays[f"head.{head_name(key)}.{name}"] = value
    return arrays


def head_name(key: HeadKey) -> str:
    """Name of a head inside a file, such as ``"wheels.baseline.microphone"``."""
    return f"{key.name}.{'baseline' if key.with_baseline else 'alone'}.{key.sensor}"


def model_from_arrays(arrays: Mapping[str, NDArray[Any]], where: str) -> LoosenessModel:
    """Rebuild a model from what its file holds.

    Raises
    ------
    InputError
        If the format or the catalogue is another one, or a field is missing.
    """

    def part(prefix: str) -> dict[str, NDArray[Any]]:
        found = {
            key.removeprefix(prefix): value
            for key, value in arrays.items()
            if key.startswith(prefix)
        }
        if not found:
            raise KeyError(prefix.rstrip("."))
        return found

    try:
        if str(arrays["format"]) != FORMAT:
            raise InputError(
                f'The format must be "{FORMAT}". Got {str(arrays["format"])!r} instead.',
                where=where,
                advice=_TRAIN_AGAIN,
            )
        version = str(arrays["catalogue_version"])
        names = tuple(str(name) for name in arrays["names"])
        if version != CATALOGUE_VERSION or names != CATALOGUE_NAMES:
            raise InputError(
                f"The model must be of feature catalogue {CATALOGUE_VERSION}. "
                f"Got {version} instead"
                + ("." if version != CATALOGUE_VERSION else ", with other features."),
                where=where,
                advice=_TRAIN_AGAIN,
            )
        about = json.loads(str(arrays["about"]))
        lacking = [key for key in ABOUT_KEYS if key not in about]
        if lacking:
            raise KeyError(lacking[0])
        heads = {}
        for entry in arrays["heads"].tolist():
            name, flag, sensor = str(entry).rsplit(".", 2)
            heads[HeadKey(name, flag == "baseline", sensor)] = Head.from_arrays(
                part(f"head.{entry}."), names, where
            )
        sensors = [str(sensor) for sensor in arrays["sensors"].tolist()]
        return LoosenessModel(
            names=names,
            catalogue_version=version,
            populations={
                sensor: Population.from_arrays(part(f"population.{sensor}.")) for sensor in sensors
            },
            familiarities={
                sensor: Familiarity.from_arrays(part(f"familiarity.{sensor}."))
                for sensor in sensors
            },
            heads=heads,
            about=about,
        )
    except KeyError as error:
        raise InputError(
            f'The model file lacks the field "{error.args[0]}".', where=where, advice=_TRAIN_AGAIN
        ) from error


def save_model(model: LoosenessModel, path: str | os.PathLike[str]) -> str:
    """Write the plain-array form (``.npz``) and return its content hash.

    The file is written beside its place and moved there whole.
    """
    target = Path(path)
    arrays = model_to_arrays(model)
    digest = content_hash(arrays)
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with temporary.open("wb") as stream:
            content: dict[str, Any] = {"content_hash": np.array(digest), **arrays}
            np.savez_compressed(stream, **content)
        os.replace(temporary, target)
    finally:
        temporary.unlink(missing_ok=True)
    return digest


def load_model(path: str | os.PathLike[str] | None = None) -> LoosenessModel:
    """Load a model file; the shipped demo model by default.

    Parameters
    ----------
    path : path-like, optional
        A ``.npz`` or ``.skops`` file of vibecheck.

    Raises
    ------
    InputError
        If the file is missing or damaged, was changed after it was written, lacks a field, or
        belongs to another feature catalogue.
    MissingExtraError
        If a ``.skops`` file is named and the ``training`` extra is not installed.
    """
    chosen = SHIPPED if path is None else Path(path)
    if chosen.suffix == ".skops":
        return load_skops(chosen)
    stat = _stat(chosen)
    return _load_npz(str(chosen), stat)


def _stat(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError as error:
        raise InputError(
            "There is no model file here.", where=str(path), advice="Check the path."
        ) from error
    if not path.is_file():
        raise InputError("This is no file.", where=str(path), advice="Name a model file.")
    return found.st_mtime_ns, found.st_size


@lru_cache(maxsize=4)
def _load_npz(name: str, _stat_of_file: tuple[int, int]) -> LoosenessModel:
    try:
        # Opened here: numpy leaves the file open where it finds no archive in it.
        with open(name, "rb") as stream, np.load(stream, allow_pickle=False) as archive:
            arrays = {key: archive[key] for key in archive.files}
    except (OSError, ValueError, EOFError, KeyError, zipfile.BadZipFile) as error:
        raise InputError(
            "This is no model file of vibecheck, or it is damaged.",
            where=name,
            advice=_TRAIN_AGAIN,
        ) from error
    return _verified(arrays, name)


def _verified(arrays: dict[str, NDArray[Any]], where: str) -> LoosenessModel:
    claimed = str(arrays.pop("content_hash", ""))
    if not claimed:
        raise InputError(
            'The model file lacks the field "content_hash".', where=where, advice=_TRAIN_AGAIN
        )
    if content_hash(arrays) != claimed:
        raise InputError(
            "The model file was changed after it was written: its content does not match its hash.",
            where=where,
            advice="Fetch the file again from where you trust it.",
        )
    return model_from_arrays(arrays, where)


def save_skops(
    model: LoosenessModel, pipelines: Mapping[str, Any], path: str | os.PathLike[str]
) -> str:
    """Write the scikit-learn form (``.skops``) and return its content hash.

    Parameters
    ----------
    model : LoosenessModel
    pipelines : mapping
        Fitted scikit-learn pipelines by `head_name`.
    path : path-like
    """
    try:
        from skops.io import dump
    except ImportError as error:
        raise MissingExtraError("A .skops model file", "training", where=str(path)) from error
    arrays = model_to_arrays(model)
    digest = content_hash(arrays)
    content = {
        "format": FORMAT,
        "content_hash": digest,
        "arrays": {key: np.asarray(value) for key, value in arrays.items() if not _is_text(value)},
        "texts": {key: value.tolist() for key, value in arrays.items() if _is_text(value)},
        "pipelines": dict(pipelines),
    }
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    dump(content, target, compression=zipfile.ZIP_DEFLATED)
    return digest


def _is_text(value: NDArray[Any]) -> bool:
    return value.dtype.kind == "U"


def read_skops(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read a ``.skops`` file without executing anything, trusting a fixed list of types only.

    Raises
    ------
    InputError
        If it is missing or damaged, or holds a type outside the list.
    MissingExtraError
        If the ``training`` extra is not installed.
    """
    try:
        from sklearn.exceptions import InconsistentVersionWarning
        from skops.io import load
        from skops.io.exceptions import UntrustedTypesFoundException
    except ImportError as error:
        raise MissingExtraError("A .skops model file", "training", where=str(path)) from error
    _stat(Path(path))
    try:
        with warnings.catch_warnings():
            # Another release of scikit-learn is no harm: `load_skops` holds every number of the
            # pipelines against the arrays, by which alone a check is made.
            warnings.simplefilter("ignore", InconsistentVersionWarning)
            content = load(path, trusted=list(TRUSTED_TYPES))
    except UntrustedTypesFoundException as error:
        raise InputError(
            "The model file holds types that vibecheck does not trust.",
            where=str(path),
            advice="Do not use it. Train a model of your own instead.",
        ) from error
    except Exception as error:
        raise InputError(
            "This is no model file of vibecheck, or it is damaged.",
            where=str(path),
            advice=_TRAIN_AGAIN,
        ) from error
    if not isinstance(content, dict):
        raise InputError(
            "This is no model file of vibecheck, or it is damaged.",
            where=str(path),
            advice=_TRAIN_AGAIN,
        )
    return content


def load_skops(path: str | os.PathLike[str]) -> LoosenessModel:
    """Load the model out of a ``.skops`` file.

    Raises
    ------
    InputError
        As `load_model`; also where the pipelines are not those of the arrays.
    """
    content = read_skops(path)
    where = str(path)
    for wanted in ("content_hash", "arrays", "texts", "pipelines"):
        if wanted not in content:
            raise InputError(
                f'The model file lacks the field "{wanted}".', where=where, advice=_TRAIN_AGAIN
            )
    arrays: dict[str, NDArray[Any]] = dict(content["arrays"])
    arrays.update({key: np.array(value) for key, value in content["texts"].items()})
    arrays["content_hash"] = np.array(content["content_hash"])
    model = _verified(arrays, where)
    for key, head in model.heads.items():
        name = head_name(key)
        pipeline = content["pipelines"].get(name)
        if pipeline is None or not _same(scorer_from_pipeline(pipeline), head.scorer):
            raise InputError(
                f'The pipeline of "{name}" is not the one whose numbers the file states.',
                where=where,
                advice="Fetch the file again from where you trust it.",
            )
    return model


def _same(one: Scorer, other: Scorer) -> bool:
    ours, theirs = one.arrays(), other.arrays()
    return ours.keys() == theirs.keys() and all(
        np.array_equal(ours[key], theirs[key]) for key in ours
    )
