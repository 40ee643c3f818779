"""Stage 5: the model file. Plain arrays with a content hash; nothing in it can be executed.

Two forms hold the same content under the same content hash: ``.npz`` (plain arrays, read on the
check path without scikit-learn) and ``.skops`` (scikit-learn pipelines for further work, read with
a fixed list of trusted types; needs the ``training`` extra). Each is sealed as a whole
(`vibecheck.model.archive`).
"""

from __future__ import annotations

import hashlib
import io
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

from vibecheck.car.profile import Car
from vibecheck.car.zones import ZONE_NAMES, Zone
from vibecheck.errors import InputError, MissingExtraError
from vibecheck.features.catalogue import CATALOGUE_VERSION
from vibecheck.features.catalogue import NAMES as CATALOGUE_NAMES
from vibecheck.features.vector import FeatureVector
from vibecheck.model.archive import (
    FORMAT_NAME,
    PROTOCOL,
    TRAIN_AGAIN,
    array_of,
    check_protocol,
    no_model,
    read_sealed,
    unpack,
    write_sealed,
)
from vibecheck.model.assessment import TakeEvidence
from vibecheck.model.baseline import baseline_centre
from vibecheck.model.coherence import Coherence
from vibecheck.model.heads import Head
from vibecheck.model.looseness import HeadKey, LoosenessModel
from vibecheck.model.pipelines import scorer_from_pipeline
from vibecheck.model.population import Population
from vibecheck.model.scorers import Scorer
from vibecheck.model.unfamiliar import Familiarity

FORMAT = f"{FORMAT_NAME}/{PROTOCOL}"
SHIPPED = Path(__file__).resolve().parent.parent / "data" / "model" / "looseness.npz"
TRUSTED_TYPES = (
    "numpy.dtype",
    "sklearn.tree._tree.Tree",
    "vibecheck.training.estimators.RidgeAndTrees",
    "vibecheck.training.estimators.SignedLogisticRegression",
)
"""Types beyond skops' own defaults that a model file may hold. Fixed: never read from the file.
Trees index without bounds checks, so pipelines are compared with the checked arrays on loading."""
ABOUT_KEYS = ("name", "version", "trained_on", "n_takes", "data_sha256", "metrics", "limits")
ORIGINS = ("simulated", "own", "pooled")
"""What a model may have been trained on."""


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
    for with_baseline, coherence in model.coherences.items():
        for name, value in coherence.arrays().items():
            arrays[f"coherence.{_against(with_baseline)}.{name}"] = value
    return arrays


def head_name(key: HeadKey) -> str:
    """Name of a head inside a file, such as ``"wheels.baseline.microphone"``."""
    return f"{key.name}.{_against(key.with_baseline)}.{key.sensor}"


def _against(with_baseline: bool) -> str:
    return "baseline" if with_baseline else "alone"


def model_from_arrays(
    arrays: Mapping[str, NDArray[Any]], where: str, *, try_out: bool = True
) -> LoosenessModel:
    """Rebuild a model from what its file holds, and judge a usual take once where asked to.

    Raises
    ------
    InputError
        If the format or the catalogue is another one, a field is missing or does not fit the
        others, or a number is not finite.
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
        name, _, protocol = str(arrays["format"]).partition("/")
        check_protocol(name, int(protocol) if protocol.isdecimal() else 0, where)
        version = str(arrays["catalogue_version"])
        names = tuple(str(name) for name in arrays["names"])
        if version != CATALOGUE_VERSION or names != CATALOGUE_NAMES:
            raise InputError(
                f"The model must be of feature catalogue {CATALOGUE_VERSION}. "
                f"Got {version} instead"
                + ("." if version != CATALOGUE_VERSION else ", with other features."),
                where=where,
                advice=TRAIN_AGAIN,
            )
        _refuse_not_finite(arrays, where)
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
        model = LoosenessModel(
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
            coherences={
                flag: Coherence.from_arrays(part(f"coherence.{_against(flag)}."))
                for flag in (False, True)
                if f"coherence.{_against(flag)}.groups" in arrays
            },
            about=about,
        )
        if try_out:
            _try_out(model)
    except KeyError as error:
        raise InputError(
            f'The model file lacks the field "{error.args[0]}".', where=where, advice=TRAIN_AGAIN
        ) from error
    except InputError as error:
        if error.where is not None:
            raise
        raise InputError(error.what, where=where, advice=error.advice) from error
    except Exception as error:  # fields of another layout fail in as many ways as there are fields
        raise InputError(
            f"The fields of the model file do not fit together ({error}).",
            where=where,
            advice=TRAIN_AGAIN,
        ) from error
    return model


def _refuse_not_finite(arrays: Mapping[str, NDArray[Any]], where: str) -> None:
    for name, array in arrays.items():
        if array.dtype.kind == "f" and not np.isfinite(array).all():
            raise InputError(
                f'The numbers of a model must be finite. The field "{name}" holds some that are '
                "not.",
                where=where,
                advice=TRAIN_AGAIN,
            )


def _try_out(model: LoosenessModel) -> None:
    """Judge a usual take once, so that shapes that do not fit show here and not in a check."""
    card = model.card
    if card.trained_on not in ORIGINS:
        raise ValueError(f'trained_on must be one of {ORIGINS}. Got "{card.trained_on}" instead')
    zones = tuple(Zone(name) for name in ZONE_NAMES)
    for sensor, population in model.populations.items():
        seen = np.zeros(len(model.names), dtype=bool)
        usual = FeatureVector(model.names, population.centre, seen, model.catalogue_version)
        known = baseline_centre([usual])
        for baseline in (None, known):
            take = TakeEvidence(usual, baseline=baseline, sensor=sensor)  # type: ignore[arg-type]
            with np.errstate(all="ignore"):
                found = model.assess([take], Car("Any", "rwd", None, (), zones))
            numbers = [found.unfamiliar.score]
            for odds in found.zones:
                numbers += [odds.log_ratio, odds.log_ratio_low, odds.log_ratio_high]
            if not np.isfinite(numbers).all():
                raise ValueError("a usual take gets a result that is no number")


def save_model(model: LoosenessModel, path: str | os.PathLike[str]) -> str:
    """Write the plain-array form (``.npz``) and return its content hash.

    The file is written beside its place and moved there whole.
    """
    arrays = model_to_arrays(model)
    _refuse_not_finite(arrays, str(path))
    digest = content_hash(arrays)
    content: dict[str, Any] = {"content_hash": np.array(digest), **arrays}
    packed = io.BytesIO()
    np.savez_compressed(packed, **content)
    write_sealed(packed.getvalue(), Path(path))
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
    arrays = {
        member.removesuffix(".npy"): array_of(content, name)
        for member, content in unpack(read_sealed(Path(name)), name).items()
    }
    # The shipped file is tried out by the tests: a check need not wait for that.
    return _verified(arrays, name, try_out=Path(name) != SHIPPED)


def _verified(
    arrays: dict[str, NDArray[Any]], where: str, *, try_out: bool = True
) -> LoosenessModel:
    claimed = str(arrays.pop("content_hash", ""))
    if not claimed:
        raise InputError(
            'The model file lacks the field "content_hash".', where=where, advice=TRAIN_AGAIN
        )
    if content_hash(arrays) != claimed:
        raise InputError(
            "The model file was changed after it was written: its content does not match its hash.",
            where=where,
            advice="Fetch the file again from where you trust it.",
        )
    return model_from_arrays(arrays, where, try_out=try_out)


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
    _refuse_not_finite(arrays, str(path))
    digest = content_hash(arrays)
    content = {
        "format": FORMAT,
        "content_hash": digest,
        "arrays": {key: np.asarray(value) for key, value in arrays.items() if not _is_text(value)},
        "texts": {key: value.tolist() for key, value in arrays.items() if _is_text(value)},
        "pipelines": dict(pipelines),
    }
    packed = io.BytesIO()
    dump(content, packed, compression=zipfile.ZIP_DEFLATED)
    write_sealed(packed.getvalue(), Path(path))
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
        from skops.io import loads
        from skops.io.exceptions import UntrustedTypesFoundException
    except ImportError as error:
        raise MissingExtraError("A .skops model file", "training", where=str(path)) from error
    _stat(Path(path))
    data = read_sealed(Path(path))
    for member, packed in unpack(data, str(path)).items():
        if member.endswith(".npy"):
            array_of(packed, str(path), kinds="biufUV")
    try:
        with warnings.catch_warnings():
            # Another release of scikit-learn is no harm: `load_skops` holds every number of the
            # pipelines against the arrays, by which alone a check is made.
            warnings.simplefilter("ignore", InconsistentVersionWarning)
            content = loads(data, trusted=list(TRUSTED_TYPES))
    except UntrustedTypesFoundException as error:
        raise InputError(
            "The model file holds types that vibecheck does not trust.",
            where=str(path),
            advice="Do not use it. Train a model of your own instead.",
        ) from error
    except Exception as error:
        raise no_model(str(path)) from error
    if not isinstance(content, dict):
        raise no_model(str(path))
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
                f'The model file lacks the field "{wanted}".', where=where, advice=TRAIN_AGAIN
            )
    try:
        arrays: dict[str, NDArray[Any]] = {
            **{key: np.asarray(value) for key, value in content["arrays"].items()},
            **{key: np.array(value) for key, value in content["texts"].items()},
            "content_hash": np.array(content["content_hash"]),
        }
    except (AttributeError, ValueError) as error:
        raise no_model(where) from error
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
