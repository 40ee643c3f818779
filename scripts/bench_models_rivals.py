"""What `bench_models.py` compares with: other features of the same takes, and how they are scored.

Every rival gets the takes, the folds of cars and, where it is called "with baseline", the car's own
snug takes (same sensor and spot, other bench checks) that ours gets: its features are then the
take's and their difference from the mean of those.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.features.catalogue import CATALOGUE
from vibecheck.training.metrics import roc_auc
from vibecheck.training.table import FeatureTable

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BANDS_HZ = ((100.0, 1500.0), (1500.0, 4000.0), (4000.0, 9000.0))
MFCC_RATE_HZ = 22_050


def sound_of(path: Path, rate_hz: float | None = None) -> tuple[FloatArray, float]:
    """Return one channel of a take, resampled where asked, with its rate."""
    import soundfile
    import soxr

    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    mono = samples[:, 0]
    if rate_hz is not None and rate != rate_hz:
        mono, rate = soxr.resample(mono, rate, rate_hz, quality="HQ"), rate_hz
    return mono, float(rate)


def loudest(mono: FloatArray, n_samples: int) -> NDArray[np.float32]:
    """Return the loudest stretch (run-up and hold, on a bench), zero mean and unit deviation."""
    if mono.size < n_samples:
        mono = np.pad(mono, (0, n_samples - mono.size))
    energy = np.concatenate([[0.0], np.cumsum(mono**2)])
    first = int(np.argmax(energy[n_samples:] - energy[:-n_samples]))
    part = mono[first : first + n_samples]
    return ((part - part.mean()) / (part.std() + 1e-12)).astype(np.float32)


def cepstral(path: Path) -> FloatArray:
    """Log-mel (40 bands) and MFCC (20) over frames: mean, deviation, deviation of the steps."""
    import librosa

    mono, rate = sound_of(path, MFCC_RATE_HZ)
    mel = librosa.feature.melspectrogram(
        y=mono.astype(np.float32), sr=rate, n_fft=1024, hop_length=512, n_mels=40
    )
    log_mel = librosa.power_to_db(mel, ref=np.max)
    frames = np.concatenate([log_mel, librosa.feature.mfcc(S=log_mel, n_mfcc=20)])
    step = np.diff(frames, axis=1)
    return np.concatenate([frames.mean(axis=1), frames.std(axis=1), step.std(axis=1)])


def plain_signs(path: Path) -> FloatArray:
    """Level, kurtosis and crest factor of the loudest 6 s, in the whole band and in three bands."""
    mono, rate = sound_of(path)
    part = loudest(mono, min(mono.size, int(6 * rate))).astype(np.float64)
    scale = float(np.sqrt(np.mean(mono**2))) + 1e-12
    spectrum = np.fft.rfft(part)
    hertz = np.fft.rfftfreq(part.size, 1.0 / rate)
    found = [np.log10(scale)]
    for low, high in ((0.0, 0.5 * rate), *BANDS_HZ):
        band = np.fft.irfft(np.where((hertz >= low) & (hertz <= high), spectrum, 0.0), part.size)
        power = float(np.mean(band**2)) + 1e-15
        found += [
            10 * np.log10(power),
            float(np.mean(band**4)) / power**2,
            20 * np.log10(float(np.abs(band).max()) / np.sqrt(power)),
        ]
    return np.array(found)


def measured(
    make: Callable[[Path], NDArray[Any]], files: list[Path], say: Callable[[int], None]
) -> tuple[NDArray[Any], float]:
    """Return one row a take and the CPU seconds of all takes; the first call is a warm-up."""
    make(files[0])
    start = time.process_time()
    rows = []
    for done, path in enumerate(files, start=1):
        rows.append(make(path))
        say(done)
    return np.stack(rows), time.process_time() - start


def baseline_differences(
    features: NDArray[Any], table: FeatureTable
) -> tuple[NDArray[Any], BoolArray]:
    """Return each take's difference from the mean of its car's snug takes, and which have some.

    Same sensor and spot, other bench checks: the takes that ours is given too.
    """
    out = np.zeros_like(features)
    known = np.zeros(table.n_takes, dtype=bool)
    for row in range(table.n_takes):
        alike = (
            table.is_baseline
            & (table.car == table.car[row])
            & (table.spot == table.spot[row])
            & (table.sensor == table.sensor[row])
            & (table.check != table.check[row])
        )
        if alike.any():
            known[row] = True
            out[row] = features[row] - features[alike].mean(axis=0)
    return out, known


def logistic(groups: NDArray[np.str_]) -> Any:
    """Logistic regression; its penalty by folds of the training cars."""
    from sklearn.linear_model import LogisticRegression
    from sklearn.model_selection import GridSearchCV, GroupKFold
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    pipeline = make_pipeline(StandardScaler(), LogisticRegression(max_iter=3000))
    folds = GroupKFold(n_splits=min(4, np.unique(groups).size))
    grid = {"logisticregression__C": [0.0003, 0.003, 0.03, 0.3]}
    return GridSearchCV(pipeline, grid, scoring="neg_log_loss", cv=folds)


def forest(_groups: NDArray[np.str_]) -> Any:
    """Random forest."""
    from sklearn.ensemble import RandomForestClassifier

    return RandomForestClassifier(400, min_samples_leaf=3, max_features=0.4, random_state=0)


def ridge(_groups: NDArray[np.str_]) -> Any:
    """Ridge classifier, penalty by leave-one-out: what the kernels' authors use."""
    from sklearn.linear_model import RidgeClassifierCV
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    return make_pipeline(StandardScaler(), RidgeClassifierCV(alphas=np.logspace(-3, 6, 10)))


def held_out(
    features: NDArray[Any],
    label: BoolArray,
    usable: BoolArray,
    cars: NDArray[np.str_],
    folds: list[BoolArray],
    make: Callable[[NDArray[np.str_]], Any],
) -> tuple[FloatArray, float]:
    """Score every take by an estimator that never saw its car; NaN where it cannot be used.

    Returns
    -------
    score : ndarray, shape (n_takes,)
        Log-odds or the estimator's own margin.
    cpu_s : float
        CPU seconds of all fits and predictions.
    """
    score = np.full(label.size, np.nan)
    start = time.process_time()
    for held in folds:
        seen, judged = usable & ~held, usable & held
        if not judged.any() or label[seen].all() or not label[seen].any():
            continue
        estimator = make(cars[seen])
        groups = {"groups": cars[seen]} if hasattr(estimator, "param_grid") else {}
        estimator.fit(features[seen], label[seen], **groups)
        if hasattr(estimator, "predict_proba"):
            share = np.clip(estimator.predict_proba(features[judged])[:, 1], 1e-4, 1 - 1e-4)
            score[judged] = np.log(share / (1.0 - share))
        else:
            score[judged] = estimator.decision_function(features[judged])
    return score, time.process_time() - start


def by_check(score: FloatArray, table: FeatureTable, checks: NDArray[np.str_]) -> FloatArray:
    """Return the mean score of each bench check's takes; NaN where none has a score."""
    out = np.full(checks.size, np.nan)
    for place, check in enumerate(checks):
        found = score[(table.check == check) & np.isfinite(score)]
        if found.size:
            out[place] = found.mean()
    return out


SPEED_WORDS = ("matched speed", "with speed", "of speed", "speed bins", "turn")


def speed_free() -> BoolArray:
    """True for the features that could be had without a speed track, by what the catalogue says.

    A feature needs it when its entry names a shaft, belongs to the signs of speed, is per octave,
    or its formula works with speeds or turns (`SPEED_WORDS`). Features of frames that are
    merely picked by speed stay: a level could pick them. What is left still uses the phases that
    the track found, which favours this variant.
    """
    free = []
    for spec in CATALOGUE:
        bound = spec.shaft != "none" or spec.sign == "speed" or "octave" in spec.unit
        free.append(not bound and not any(word in spec.formula for word in SPEED_WORDS))
    return np.array(free)


def blanked(table: FeatureTable, keep: BoolArray) -> FeatureTable:
    """Return the table with all other features set to their neutral value."""
    neutral = np.array([spec.neutral for spec in CATALOGUE])
    kept: dict[str, Any] = {name: getattr(table, name) for name in table.__dataclass_fields__}
    kept["values"] = np.where(keep, table.values, neutral)
    kept["missing"] = np.where(keep, table.missing, False)
    return FeatureTable(**kept)


def paired_over_cars(
    ours: FloatArray,
    theirs: FloatArray,
    label: BoolArray,
    cars: NDArray[np.str_],
    *,
    n_bootstrap: int = 1000,
    seed: int = 0,
) -> dict[str, Any]:
    """Difference of two areas under the ROC curve on the same checks, 95 % interval over cars.

    Both are evaluated on the same draw of cars each time (paired bootstrap; Efron & Tibshirani
    1993), so that what makes a car easy or hard for both cancels.

    Returns
    -------
    dict
        ``value``, ``low``, ``high``, ``excludes_zero``; ``None`` where a class is empty.
    """
    names = np.unique(cars)
    rows_of = [np.flatnonzero(cars == name) for name in names]
    rng = np.random.default_rng(seed)
    draws = []
    for _ in range(n_bootstrap):
        rows = np.concatenate([rows_of[k] for k in rng.integers(0, names.size, names.size)])
        draws.append(roc_auc(ours[rows], label[rows]) - roc_auc(theirs[rows], label[rows]))
    finite = np.array(draws)[np.isfinite(draws)]
    value = roc_auc(ours, label) - roc_auc(theirs, label)
    if not (np.isfinite(value) and finite.size):
        return {"value": None, "low": None, "high": None, "excludes_zero": None}
    low, high = (float(end) for end in np.quantile(finite, [0.025, 0.975]))
    return {
        "value": float(value),
        "low": low,
        "high": high,
        "excludes_zero": bool(low > 0.0 or high < 0.0),
    }
